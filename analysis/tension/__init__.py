"""Load and drift over a session: markers, trends, changes of level, one caution level.

Comes in: block tables, still moments, ratings. Goes out: the state of tension, in numbers and words.
May use: questions, motion, statistics, model.
"""
