"""Recordings of the sound: files of any recorder in, one channel at the working rate out.

Comes in: WAV, FLAC and OGG files. Goes out: sound for analysis.sound.
May use: files.
"""
