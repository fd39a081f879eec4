"""A second sensor, on the instrument: what the hand's signals would be if the instrument stood still, and how well.

Comes in: signals of the hand, a stream of the instrument, events. Goes out: signals seen from the instrument, doubts.
May use: reference, consistency, motion, signal, model.
"""
