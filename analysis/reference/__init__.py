"""From stills and reference gestures to lever arm, corrected motion, heading drift and instrument frame.

Comes in: signals, events, attitude. Goes out: one reference a session, one frame a posture, with covariances.
May use: consistency, motion, drills, signal, model.
"""
