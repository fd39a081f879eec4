"""Forward model: sessions of a hand-worn sensor with known truth. It shares no code with the estimator.

A rigid hand carries plectrum and sensor. The tip's path is prescribed in the (possibly swaying) instrument frame,
the hand turns with it by several joints, and the sensor's place follows; specific force and turning rate are the
derivatives of that motion. A MEMS sensor with a grade's errors turns them into counts.

Comes in: a scenario and a seed. Goes out: a session as a sensor would have recorded it, and its truth.
May use: model (records, errors, columns), and nothing that the estimator stands on.
"""
