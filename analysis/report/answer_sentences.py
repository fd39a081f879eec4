"""The player's questions answered in a sentence each, for the terminal and the report."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.number_words import degrees, in_100, millimetres, of_100, signed
from analysis.questions.clearing import Clearing
from analysis.questions.consistency import Consistency
from analysis.questions.hold import HoldTempo
from analysis.questions.hold_failure import Failure, HoldPiece
from analysis.questions.posture import PostureComparison
from analysis.questions.posture_words import say_hold_difference, say_measure
from analysis.questions.steady_levels import SteadyLevel
from analysis.questions.switch_success import SwitchFatigue, SwitchSuccess
from analysis.questions.switching import Switching
from analysis.statistics.estimate_words import capitalise, say_interval

FAILURE_WORDS = {
    "flattens": "the stroke flattens into the dead band",
    "flips": "the tilt flips to the other side",
    "becomes arched": "the path becomes arched",
    "shrinks": "the stroke shrinks",
    "loses lift": "the stroke keeps its tilt but loses lift",
}
MOST_LAPSES = 3


def name_posture(posture: str) -> str:
    """Say which posture is meant; nothing where blocks carry no label."""
    return f"posture {posture}: " if posture else ""


def say_hold(hold: HoldTempo) -> str:
    """Say up to which tempo the tilt holds, how sure that is, and how it ends.

    Parameters
    ----------
    hold : HoldTempo

    Returns
    -------
    str
        One to three sentences.
    """
    keeps = f"{of_100(hold.share)} strokes stay on the {hold.side}stroke's side"
    lapses = hold.lapses
    if hold.bound == "at least":
        where = "at the fastest speed tested" if lapses else "at every speed tested"
        said = f"{keeps} {where}: hold tempo at least {say_speed(hold, hold.strokes_per_s)}"
        if hold.low is not None and hold.low < hold.strokes_per_s:
            said += f", 95 % sure from {_short_speed(hold, hold.low)}"
    elif hold.bound == "below":
        said = f"hold tempo below {say_speed(hold, hold.strokes_per_s)}, the slowest speed tested"
        said += f": there only {of_100(_slowest_share(hold))} strokes hold"
    else:
        said = f"{keeps} up to {say_speed(hold, hold.strokes_per_s)}, 95 % interval {_hold_interval(hold)}"
    said = name_posture(hold.posture) + said + "."
    if lapses:
        said += f" {_say_lapses(hold, lapses)}"
    return capitalise(said + (f" {say_failure(hold, hold.failure)}" if hold.failure else ""))


def _say_lapses(hold: HoldTempo, lapses: Sequence[HoldPiece]) -> str:
    """Name the slower speeds at which it did not hold, the worst ones first."""
    worst = sorted(lapses, key=lambda piece: piece.share_held)[:MOST_LAPSES]
    named = ", ".join(f"{of_100(p.share_held)} at {_short_speed(hold, p.strokes_per_s)}" for p in worst)
    more = f" and in {len(lapses) - len(worst)} more" if len(lapses) > len(worst) else ""
    return f"But it did not hold in every slower block: only {named}{more}; play those again before you trust this."


def say_speed(hold: HoldTempo, strokes_per_s: float) -> str:
    """A speed in strokes a second, and in BPM where notes per beat are known.

    Parameters
    ----------
    hold : HoldTempo
        Knows the notes per beat, if anyone does.
    strokes_per_s : float

    Returns
    -------
    str
        A piece of a sentence.
    """
    notes = hold.notes_per_beat
    more = "" if notes is None else f" at {notes:g} note{'s' * (notes != 1)} a beat"
    return _short_speed(hold, strokes_per_s, more)


def _short_speed(hold: HoldTempo, strokes_per_s: float, more: str = "") -> str:
    bpm, click = hold.bpm(strokes_per_s), hold.kept_click_bpm(strokes_per_s)
    if click is not None:
        return f"{click:g} BPM (played at {strokes_per_s:.1f} strokes/s{more})"
    return f"{strokes_per_s:.1f} strokes/s" + ("" if bpm is None else f" ({bpm:.0f} BPM{more})")


def say_failure(hold: HoldTempo, failure: Failure) -> str:
    """Say how the tilt ends."""
    start = f"From {_short_speed(hold, failure.from_strokes_per_s)} on"
    if failure.mode is None:
        return f"{start} fewer do, for no single reason."
    return f"{start} {FAILURE_WORDS[failure.mode]} ({of_100(failure.shares[failure.mode])} strokes there)."


def _slowest_share(hold: HoldTempo) -> float:
    return min(hold.pieces, key=lambda piece: piece.strokes_per_s).share_held


def _hold_interval(hold: HoldTempo) -> str:
    slowest, fastest = (_short_speed(hold, end) for end in hold.tested)
    low = f"below {slowest}" if hold.low is None else _short_speed(hold, hold.low)
    high = f"more than {fastest}" if hold.high is None else _short_speed(hold, hold.high)
    return f"{low} to {high}"


def say_consistency(steady: Consistency) -> str:
    """Say how far strokes scatter, how far blocks lie apart, and which change could be seen.

    Parameters
    ----------
    steady : Consistency

    Returns
    -------
    str
        One or two sentences; angles in deg.
    """
    within = steady.within_sd_deg
    said = (
        f"{_say_levels(steady)} scatters by {degrees(within.value)} from stroke to stroke within a block "
        f"({say_interval(within)})"
    )
    if steady.between_sd_deg is None or steady.smallest_change is None:
        return capitalise(
            f"{name_posture(steady.posture)}{said}; from one block nobody can tell how far blocks lie apart."
        )
    drift = steady.drift_deg_per_min
    if drift is not None and (drift.low > 0 or drift.high < 0):
        said += f", drifts by {degrees(drift.value)} a minute ({say_interval(drift)})"
    said += (
        f"; block means scatter by {degrees(steady.between_sd_deg.value)}. The smallest change of tilt that could be "
        f"told from chance is {degrees(steady.smallest_change.between_blocks_deg)} between two blocks"
    )
    sessions = steady.smallest_change.between_sessions_deg
    said += f" and {degrees(sessions)} between two sessions like this one" if sessions is not None else ""
    return capitalise(f"{name_posture(steady.posture)}{said}.")


def _say_levels(steady: Consistency) -> str:
    """The tilts that were played where there are several, up to the verb: a single one is the report's to say."""
    if len(steady.levels) == 1:
        level = steady.levels[0]
        return f"tilt goes {_say_level(level)} and" if level.changes else "tilt"
    said = [f"{_say_level(level)} ({level.blocks} block{'s' * (level.blocks != 1)})" for level in steady.levels]
    mixed = f", by groups of strokes within {steady.mixed} block{'s' * (steady.mixed != 1)}" if steady.mixed else ""
    return f"two tilts take turns{mixed}, {' and '.join(said)}; each"


def _say_level(level: SteadyLevel) -> str:
    if not level.changes:
        return degrees(level.axis.mean_deg)
    (slow, before), (fast, after) = level.slowest, level.fastest
    return f"from {degrees(before)} at {slow:.1f} strokes/s to {degrees(after)} at {fast:.1f}"


def say_clearing(clearing: Clearing) -> str:
    """Say how many strokes pass the next string, by how much, and how small the stroke may become.

    Parameters
    ----------
    clearing : Clearing

    Returns
    -------
    str
        Two or three sentences.
    """
    share, margin = clearing.share, clearing.margin_mm
    side = "above" if margin.value > 0 else "below"
    said = (
        f"{of_100(share.value)} {clearing.direction}strokes pass the next string "
        f"({_in_100(share.low)} to {_in_100(share.high)}); the median one is {abs(margin.value):.1f} mm {side} the "
        f"height needed ({signed(margin.low or 0.0)} to {signed(margin.high or 0.0)} mm)."
    )
    hardest = clearing.hardest
    if len(clearing.pairs) > 1:
        said += f" The hardest is string {hardest.from_string} to {hardest.to_string}: {of_100(hardest.share.value)}."
    return capitalise(f"{name_posture(clearing.posture)}{said} {_say_room(clearing)}")


def _say_room(clearing: Clearing) -> str:
    room = clearing.room
    enough = of_100(clearing.wanted_share)
    if room.smallest is None:
        return f"No larger stroke of this shape would bring {enough} past it: it needs more tilt."
    size = room.smallest.value
    if size > 1:
        return f"For {enough} to pass, the stroke must become {100 * (size - 1):.0f} % larger, or tilt more."
    median = f"The median {clearing.direction}stroke, {millimetres(room.span_mm)} long,"
    if size <= room.size[0]:
        return f"{median} may shrink to a fifth and still pass."
    return (
        f"{median} may become {100 * (1 - size):.0f} % smaller, {millimetres(size * room.span_mm)}, before fewer than "
        f"{enough} pass."
    )


def _in_100(share: float | None) -> str:
    return in_100(share or 0.0)


def say_switching(switching: Switching) -> str:
    """Changes of posture in a sentence or two.

    Parameters
    ----------
    switching : Switching

    Returns
    -------
    str
    """
    if not switching.switches:
        return "No posture directly follows another, so there is no switch to judge."
    count = len(switching.switches)
    if switching.median_strokes is None:
        said = f"In none of {count} changes of posture did the new tilt come within the first half of the block."
    else:
        said = f"After a change of posture the new tilt is usually there {_after(switching.median_strokes)}"
        said += f"; in {switching.never} of {count} not even by mid-block." if switching.never else "."
    accidents = f"{switching.accidents} by accident" if switching.accidents else "none by accident"
    times = "once" if switching.flips == 1 else f"{switching.flips} times"
    return f"{said} The tilt changed sides {times} on purpose, {accidents}."


def _after(strokes: float) -> str:
    """From which stroke on.

    Examples
    --------
    >>> _after(0.0), _after(1.0), _after(3.0)
    ('right from the first stroke', 'after one stroke', 'after 3 strokes')
    """
    count = round(strokes)
    return {0: "right from the first stroke", 1: "after one stroke"}.get(count, f"after {count} strokes")


def say_comparison_notes(comparison: PostureComparison) -> tuple[str, ...]:
    """What is to be said of two postures besides the answer: what does not differ, hold tempo, switches, remarks.

    Parameters
    ----------
    comparison : PostureComparison

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = [say_measure(comparison, m) for m in comparison.measures if m.verdict != "different"]
    notes += [say_hold_difference(comparison, comparison.hold)] if comparison.hold else []
    notes += [f"{capitalise(name)} cannot be given: {why}." for name, why in comparison.refused.items()]
    return (*notes, say_switching(comparison.switching), *(f"{capitalise(r)}." for r in comparison.remarks))


def say_switches(found: SwitchSuccess) -> str:
    """Say how many switches of posture were made, how fast, which direction is harder, and whether they tire.

    Parameters
    ----------
    found : SwitchSuccess

    Returns
    -------
    str
    """
    made = found.made
    ends = f"({_in_100(made.low)} to {_in_100(made.high)} of 100, 95 % interval)"
    said = f"Of {made.of} switches of posture {made.count} were made {ends}"
    if found.median_strokes is not None:
        said += f"; the new tilt usually holds {_after(found.median_strokes)}"
    said += f". {_say_lost(found)}"
    return said + (f" {say_switch_fatigue(found.fatigue)}" if found.fatigue else "")


def _say_lost(found: SwitchSuccess) -> str:
    if not found.lost.count:
        return "None was lost again by accident."
    were = "was" if found.lost.count == 1 else "were"
    return f"{found.lost.count} of those made {were} lost again by accident."


def say_switch_fatigue(fatigue: SwitchFatigue) -> str:
    """Say whether switches tire over the evening."""
    counts = f"{fatigue.first.count} of {fatigue.first.of} in the first half, {fatigue.second.count} of "
    counts += f"{fatigue.second.of} in the second"
    if fatigue.verdict == "tires":
        return f"They tire: {counts}."
    if fatigue.verdict == "improves":
        return f"They get better as the evening goes on: {counts}."
    return f"They show no tiring: {counts}."
