"""The guided session as a pure state machine: which step, what to ask, what ends it; no clock, screen, socket or file.

Comes in: what happens (a key, a time that is up, a gesture judged), with its time. Goes out: the state, and orders for
whoever has clock, recorder and screen: the live page, the terminal recorder, the simulated player.
May use: practice.
"""
