"""From a sensor's ticks and counts to signals in SI units on an even grid, and what a sensor's errors are.

Comes in: ticks, counts, calibration. Goes out: time base, grid, signals, calibrations, Allan deviations.
May use: model.
"""
