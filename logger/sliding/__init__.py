"""The batch estimator on a sliding window: the same stages and settings, run on the last seconds of play.

Comes in: samples as they arrive, events. Goes out: strokes, provisional and settled; the tip's way for the picture.
May use: nothing of logger.
"""
