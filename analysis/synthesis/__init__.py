"""Forward model: sessions of a hand-worn sensor with known truth. It shares no code with the estimator.

A rigid hand carries plectrum and sensor. The tip's path is prescribed in the (possibly swaying) instrument frame,
the hand turns with it by several joints, and the sensor's place follows; specific force and turning rate are the
derivatives of that motion. A MEMS sensor with a grade's errors turns them into counts.
"""

from analysis.synthesis.draw import draw_attitude, draw_hand, draw_joints, random_scenario
from analysis.synthesis.grades import CHEAP, GOOD, GRADES, IDEAL, SensorGrade
from analysis.synthesis.scenario import (
    Attitude,
    GesturePlan,
    Hand,
    Joint,
    PlayBlock,
    Posture,
    Recording,
    Scenario,
)
from analysis.synthesis.sensor import SensorTruth
from analysis.synthesis.simulate import SimulatedSession, TruePath, Truth, simulate

__all__ = [
    "CHEAP",
    "GOOD",
    "GRADES",
    "IDEAL",
    "Attitude",
    "GesturePlan",
    "Hand",
    "Joint",
    "PlayBlock",
    "Posture",
    "Recording",
    "Scenario",
    "SensorGrade",
    "SensorTruth",
    "SimulatedSession",
    "TruePath",
    "Truth",
    "draw_attitude",
    "draw_hand",
    "draw_joints",
    "random_scenario",
    "simulate",
]
