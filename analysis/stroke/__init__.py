"""Strokes of play, what each one measures, and what a block of them comes to, with its uncertainty.

Comes in: the tip's path in the instrument frame. Goes out: the stroke table and one answer a block.
May use: witness, reference, motion, signal, model.
"""
