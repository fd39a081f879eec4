"""Recordings of the sound: files of any recorder in, one channel at the working rate out; a session's own among them.

Comes in: WAV, FLAC and OGG files, sessions. Goes out: sound for analysis.sound, what it heard.
May use: files.
"""
