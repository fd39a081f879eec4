"""Estimators that know no subject: means, intervals, permutation, bootstrap, regression, directions.

Comes in: arrays of numbers. Goes out: estimates with intervals, p values, words for them.
May use: model.
"""
