"""What is said of a session: findings in order, none contradicting another; every screen and file shows these.

Comes in: a session's result and its metadata. Goes out: findings, and the answers that they were made from.
May use: report, tension, questions, stroke, sound, drills, statistics, model.
"""
