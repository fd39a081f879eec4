"""What passes between rooms: records, columns, errors, events, words, cautions.

Comes in: nothing. Goes out: frozen dataclasses, typed errors and words that every other room shares.
May use: nothing; it is the ground floor.
"""
