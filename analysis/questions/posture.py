"""Which posture? Differences between two postures, block against block, and what they recommend.

Every measure is taken once a block. Its difference between the postures (second less first) is adjusted for time on
task, tempo and drill; its interval is a t interval over blocks, and its p is from exchanging the blocks' labels.

Mean tilt, lift and the strokes that clear carry the frame errors of BOTH postures besides: each posture has its own
reference gestures, whose error all its blocks share, and which more blocks do not lessen. Where a posture has no
gestures of its own, these differences and that of the hold tempo are refused: drift is only known within a posture, and
a turn of the hand would pass for it. Spread, size and timing do not feel the frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import SessionResult, Side
from analysis.questions.block_table import tabulate_blocks
from analysis.questions.hold import HoldSettings
from analysis.questions.posture_choice import Recommendation, find_sides, recommend
from analysis.questions.posture_design import Design, check_design, choose_pair
from analysis.questions.posture_measures import (
    ALPHA,
    MEASURES,
    HoldDifference,
    MeasureDifference,
    compare_hold,
    frames_error,
    measure_difference,
    shared_error,
)
from analysis.questions.switching import Switching, find_switches


@dataclass(frozen=True)
class Margins:
    """Differences within which two postures count as the same, and beyond which a difference matters.

    The defaults are choices of this program, no source stands behind them: about twice what the gestures of one posture
    leave unknown of its tilt (3 deg), what a player sees in the picture of the end view (2 deg of spread, 2 mm of size,
    1 mm of lift), one stroke in ten, and a step of a metronome at four notes a beat (0.5 strokes a second are 7.5 BPM).

    Attributes
    ----------
    tilt_deg, spread_deg : float
    size_mm, lift_mm : float
    clears_of_100 : float
        Strokes that clear.
    timing_pct : float
        Unevenness of timing.
    hold_strokes_per_s : float
        Hold tempo.
    """

    tilt_deg: float = 3.0
    spread_deg: float = 2.0
    size_mm: float = 2.0
    lift_mm: float = 1.0
    clears_of_100: float = 10.0
    timing_pct: float = 2.0
    hold_strokes_per_s: float = 0.5

    def of_measure(self, key: str) -> float:
        """The margin of a column of the block table, in its measure's unit.

        Parameters
        ----------
        key : str

        Returns
        -------
        float
        """
        return {
            "tilt_deg": self.tilt_deg,
            "tilt_sd_deg": self.spread_deg,
            "span_mm": self.size_mm,
            "lift_mm": self.lift_mm,
            "share_clearing": self.clears_of_100,
            "timing_pct": self.timing_pct,
        }[key]


@dataclass(frozen=True)
class PostureSettings:
    """Settings of the comparison.

    Attributes
    ----------
    margins : Margins
    hold : HoldSettings
        For the hold tempi of both.
    seed : int
        Of the random draws.
    """

    margins: Margins = field(default_factory=Margins)
    hold: HoldSettings = field(default_factory=HoldSettings)
    seed: int = 0


@dataclass(frozen=True)
class PostureComparison:
    """The answer. ``refused`` says of every measure that cannot be given why.

    Attributes
    ----------
    first, second : str
        Labels of the postures.
    design : Design
        How the blocks were ordered.
    measures : tuple of MeasureDifference
        Second less first, one a measure.
    hold : HoldDifference or None
        None where one has no hold tempo.
    sides : (str, str) or None
        To which each tilts, ``down``, ``up``, or ``none``; None without frames of their own.
    recommendation : Recommendation
    switching : Switching
        What happens where posture follows on posture.
    refused : dict of str to str
        Reason by measure.
    remarks : tuple of str
        Sentences.
    """

    first: str
    second: str
    design: Design
    measures: tuple[MeasureDifference, ...]
    hold: HoldDifference | None
    sides: tuple[Side, Side] | None
    recommendation: Recommendation
    switching: Switching
    refused: dict[str, str]
    remarks: tuple[str, ...]


def compare_postures(
    results: Sequence[SessionResult], postures: Sequence[str] = (), settings: PostureSettings | None = None
) -> PostureComparison:
    """Compare two postures over the blocks of one or more sessions.

    Parameters
    ----------
    results : sequence of SessionResult
        Of one player.
    postures : sequence of str
        Two labels; may be left out where there are only two.
    settings : PostureSettings, optional

    Returns
    -------
    PostureComparison

    Raises
    ------
    InputError
        Different players, unknown labels.
    NotEnoughDataError
        Too few blocks, or a design that cannot tell the postures apart from something else.
    """
    settings = settings or PostureSettings()
    blocks = tabulate_blocks(results)
    first, second = choose_pair(blocks, postures)
    design = check_design(blocks, first, second)
    refused: dict[str, str] = {}
    frames = frames_error(results, design, (first, second))
    measures = []
    for measure in MEASURES:
        if measure.frame and isinstance(frames, str):
            refused[measure.name] = frames
            continue
        frame_se = 0.0 if isinstance(frames, str) else shared_error(measure, frames, results, design)
        margin = settings.margins.of_measure(measure.key)
        found = measure_difference(design, measure, frame_se, margin, settings.seed)
        if found is None:
            refused[measure.name] = "it could not be measured in every block"
        else:
            measures.append(found)
    hold = None
    if isinstance(frames, str):
        refused["hold tempo"] = frames
    else:
        try:
            hold = compare_hold(results, (first, second), settings.hold, settings.margins.hold_strokes_per_s)
        except (InputError, NotEnoughDataError) as error:
            refused["hold tempo"] = str(error)
    sides = None if isinstance(frames, str) else find_sides(design, frames)
    wanted = sorted(set(design.blocks["wanted"]) - {""})
    return PostureComparison(
        first,
        second,
        design,
        tuple(measures),
        hold,
        sides,
        recommend((first, second), sides, wanted, measures, hold),
        find_switches(results),
        refused,
        _remarks(design, (first, second), measures),
    )


def _remarks(design: Design, pair: tuple[str, str], measures: Sequence[MeasureDifference]) -> tuple[str, ...]:
    count = len(design.blocks)
    said = [
        f"based on {count} blocks in the order {design.order} (1 is {pair[0]}, 2 is {pair[1]}); "
        "a posture's numbers are means of its blocks, down- and upstrokes together, and the differences allow for time "
        "on task, tempo and drill",
        *design.remarks,
    ]
    coarse = [m for m in measures if m.test.smallest_p >= ALPHA]
    if coarse:
        names, smallest = ", ".join(m.name for m in coarse), max(m.test.smallest_p for m in coarse)
        said.append(
            f"with {count} blocks, p cannot fall below {smallest:.2f} for {names}: play at least 4 of each posture"
        )
    return tuple(said)
