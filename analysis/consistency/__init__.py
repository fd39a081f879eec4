"""Does the sensor agree with itself? Map and delay between its two streams, channels that fail, stills that move.

Comes in: a session's raw counts and profile, or its signals on the grid.
Goes out: what is wrong, with its evidence, as doubts; the delay between the streams; the bias and its uncertainty.
May use: motion, signal, model.
"""
