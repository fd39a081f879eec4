"""The hand's motion in the world: attitude, heading, stillness, the tip's path and its changes of direction.

Comes in: signals on an even grid. Goes out: attitude, displacement of the tip, strokes as intervals.
May use: signal, model.
"""
