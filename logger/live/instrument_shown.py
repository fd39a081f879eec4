"""The sensor on the instrument as pages show it: whether it sends, how often, and how a phone finds its own page."""

from __future__ import annotations

import io
from collections import deque
from dataclasses import replace

from logger.live.state import Sensor
from logger.record.second_sensor import SecondState
from logger.sliding.estimator import LiveEstimator

RECENT_S = 3.0
FEW_HZ = 25.0
STEADY_DEG = 0.8


class InstrumentWatch:
    """How the instrument's sensor stands, from what the recorder counts."""

    def __init__(self) -> None:
        self._counts: deque[tuple[float, int]] = deque()

    def shown(self, state: SecondState, part: str, now_s: float) -> Sensor:
        """The sensor as it stands now.

        Parameters
        ----------
        state : SecondState
        part : str
            The part's name.
        now_s : float
            The session's clock.

        Returns
        -------
        Sensor
        """
        self._counts.append((now_s, state.samples))
        while len(self._counts) > 2 and self._counts[0][0] < now_s - RECENT_S:
            self._counts.popleft()
        (first_s, before), (last_s, after) = self._counts[0], self._counts[-1]
        rate_hz = (after - before) / (last_s - first_s) if last_s - first_s > 0.5 * RECENT_S else None
        if state.samples == 0:
            return Sensor("connecting", state.name, part, None, _sentence(state.reason))
        if not state.linked or rate_hz == 0.0:
            return Sensor("lost", state.name, part, None, _sentence(state.reason) or LOST)
        if rate_hz is not None and rate_hz < FEW_HZ:
            return Sensor("ok", state.name, part, round(rate_hz), FEW)
        return Sensor("ok", state.name, part, None if rate_hz is None else round(rate_hz), "")


LOST = "No samples are coming from the instrument's sensor. The hand's recording goes on without it."
FEW = "The instrument's sensor sends few samples: it sees a lean, but hardly a sway."


def with_estimate(shown: Sensor, estimator: LiveEstimator, before: Sensor | None) -> Sensor:
    """The sensor with what it takes out of the tilt, or why it takes out nothing.

    Parameters
    ----------
    shown : Sensor
    estimator : LiveEstimator
    before : Sensor or None
        As it was shown: a degree that trembles is no news.

    Returns
    -------
    Sensor
    """
    follower, rolled_deg = estimator.instrument, estimator.rolled_deg
    if follower is not None and follower.fault:
        return replace(shown, sentence=f"{shown.sentence} {_sentence(follower.fault)}".strip())
    if rolled_deg is None:
        return shown
    last_deg = None if before is None else before.taken_out_deg
    if last_deg is None or abs(rolled_deg - last_deg) > STEADY_DEG:
        last_deg = float(round(rolled_deg))
    return replace(shown, taken_out_deg=last_deg)


def _sentence(reason: str) -> str:
    return f"{reason[0].upper()}{reason[1:].removesuffix('.')}." if reason else ""


def qr_svg(address: str) -> bytes:
    """The picture of an address, for a camera.

    Parameters
    ----------
    address : str

    Returns
    -------
    bytes
        SVG.
    """
    import segno

    out = io.BytesIO()
    segno.make_qr(address).save(out, kind="svg", scale=4, border=4, dark="#000", light="#fff", xmldecl=False)
    return out.getvalue()
