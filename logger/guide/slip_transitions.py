"""A rating of discomfort that was a slip of the finger: asked again, or written down when its moment has passed."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import Event
from logger.guide.guide_state import Guide, Step, enter
from logger.guide.orders import Begin, Mark, Order
from logger.guide.phases import OnBreak, Paused, Resting

TAKE_BACK_S = 10.0
"""How long a rating of discomfort can be called a slip of the finger; playing has stopped all the while."""


def ask_again(guide: Guide, at_s: float) -> Step:
    """The rating was a slip: the question stands until it has an answer, and nothing begins by itself meanwhile."""
    if guide.slip is None:
        return guide, []
    phase, orders = guide.slip.phase, list[Order]()
    if isinstance(phase, Resting | OnBreak):
        phase = replace(phase, rest=replace(phase.rest, kind="open", ends_server_s=None, held=False))
    if isinstance(phase, Resting | OnBreak | Paused):
        orders = [Begin(Event(0.0, 0.0, "rest", "", posture_of(guide)), at_s)]
    return enter(replace(guide, questions=("discomfort",), counted=None), phase), orders


def note_slip(guide: Guide) -> Step:
    """Write down a rating that was not taken back, or not answered anew."""
    slip = guide.slip
    if slip is None:
        return guide, []
    return replace(guide, slip=None), [Mark(slip.event, slip.at_s)]


def posture_of(guide: Guide) -> str:
    """The posture of what is played, or comes next."""
    return guide.free.posture if guide.block is None else guide.block.posture
