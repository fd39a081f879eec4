"""Players and instruments as they are kept, and the set-up before a recording.

Comes in: settings files, answers. Goes out: player, instrument, sensor placement.
May use: record, sources, files.
"""
