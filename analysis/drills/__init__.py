"""Phrases, tab and tunings; which stroke each string change demands; which stroke played which note.

Comes in: phrases, stroke tables. Goes out: demands, alignments, heights at string changes.
May use: model.
"""
