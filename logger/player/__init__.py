"""Players and instruments as they are kept, and the set-up before a recording.

Comes in: settings files, answers, evenings. Goes out: player, instrument, sensor placement, what the player can do.
May use: record, sources, terminal, practice, files.
"""
