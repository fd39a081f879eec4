"""What a terminal shows and which keys it hears: wrapped sentences, plain ASCII, progress, verdicts.

Comes in: results and plans. Goes out: text, key presses.
May use: practice.
"""
