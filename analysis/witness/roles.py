"""Whether the two sensors sit where they are said to sit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Event
from analysis.signal.working_grid import Signals

EXCHANGED_RATIO = 2.0
AT_STRINGS = ("across", "along", "pivot", "play")


def refuse_exchanged(hand: Signals, instrument: Signals, events: Sequence[Event]) -> None:
    """Refuse streams whose roles are exchanged: strokes and gestures turn the hand, and hardly the instrument.

    Parameters
    ----------
    hand, instrument : Signals
        On one grid.
    events : sequence of Event

    Raises
    ------
    InputError
        The sensor that is said to be on the instrument turns far more than the other.
    """
    ratios = []
    for event in (e for e in events if e.kind in AT_STRINGS):
        part = hand.grid.slice_of(event.start_s, event.end_s)
        spread = [
            float(np.linalg.norm(s.gyro_radps[part].std(axis=0))) for s in (instrument, hand) if part.stop > part.start
        ]
        if spread and instrument.grid.valid[part].all():
            ratios.append(spread[0] / max(spread[1], 1e-6))
    ratio = float(np.median(ratios)) if ratios else 0.0
    if ratio > EXCHANGED_RATIO:
        raise InputError(
            expected="the hand to turn more than the instrument while it plays",
            found=f"the sensor marked instrument turning {ratio:.0f} times as much",
            next_step="the two roles seem to be exchanged: exchange them and analyse again",
        )
