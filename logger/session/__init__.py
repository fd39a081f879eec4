"""The session file: its records, its chunks, reading whatever of it is sound.

Comes in: records of a session, or a file. Goes out: a file, or a session with what was lost.
May use: files.
"""
