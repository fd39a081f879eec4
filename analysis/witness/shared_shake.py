"""What shook both sensors at once, while the hand's lay off the hand: a foot that taps is no noise of a sensor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.model.records import Event
from analysis.signal.working_grid import Signals
from analysis.witness.seen_from_instrument import NOT_WORN
from analysis.witness.witness import Witness


def less_shaking(witness: Witness, events: Sequence[Event]) -> Signals:
    """The hand's signals as seen from the instrument, and off the hand less what the instrument felt in step.

    A sensor on the table is not seen from the instrument: how the two move against each other says nothing there. What
    of its readings goes with the instrument's, though, by whatever fixed factors, came through floor and furniture.
    Meant for judging the sensor's noise, not for measuring.

    Parameters
    ----------
    witness : Witness
    events : sequence of Event

    Returns
    -------
    Signals
        Stills off the hand keep their mean.
    """
    accel = witness.signals.accel_mps2.copy()
    for event in (e for e in events if e.kind == "still" and e.label in NOT_WORN):
        part = witness.signals.grid.slice_of(event.start_s, event.end_s)
        if part.stop - part.start < witness.signals.grid.rate_hz or not witness.known[part].all():
            continue
        felt = witness.instrument.accel_mps2[part]
        felt = felt - felt.mean(axis=0)
        accel[part] -= felt @ np.linalg.lstsq(felt, accel[part] - accel[part].mean(axis=0), rcond=None)[0]
    return replace(witness.signals, accel_mps2=accel)
