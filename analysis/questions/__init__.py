"""The player's questions, one per module: hold, consistency, clearing, posture, switching, progress.

Comes in: stroke and block tables. Goes out: answers with intervals, or what would make one possible.
May use: stroke, drills, statistics, model.
"""
