# The unix port's time; with DESK_STEP_US a made-up one, which advances by that much each time that it is asked: a desk
# computer under load stalls for longer than any board, and a test of every sample must not depend on that.
import os
import sys

_path = sys.path
sys.path = ()
try:
    from time import *  # noqa: F403
    from time import ticks_us as _ticks_us
finally:
    sys.path = _path

STEP_US = int(os.getenv("DESK_STEP_US") or "0")
_MASK = (1 << 30) - 1
_now = [(1 << 30) - 300_000]  # Wraps early.


def ticks_us():
    if not STEP_US:
        return _ticks_us() & _MASK
    _now[0] = _now[0] + STEP_US & _MASK
    return _now[0]


def ticks_diff(a, b):
    return ((a - b + (1 << 29)) & _MASK) - (1 << 29)
