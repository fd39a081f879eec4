"""From a source to the disk: the recorder, the keys that mark gestures and blocks, the screen while recording.

Comes in: samples and key presses. Goes out: a session file.
May use: guide, sliding, sources, terminal, session.
"""
