"""The comparison of two postures in sentences: what to play, what differs, what would settle the rest."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.number_words import signed
from analysis.questions.hold import HoldTempo
from analysis.questions.posture import PostureComparison
from analysis.questions.posture_choice import HOLD
from analysis.questions.posture_measures import ALPHA, MEASURES, HoldDifference, MeasureDifference
from analysis.statistics.estimate_words import LEAST_DF, TOO_FEW, capitalise
from analysis.statistics.estimates import Estimate

NAMES = {measure.key: measure.name for measure in MEASURES} | {HOLD: "hold tempo"}
GAINS = {
    "share_clearing": "clears {} more strokes of 100",
    "tilt_sd_deg": "scatters {}° less",
    "timing_pct": "keeps time more evenly by {} %",
}
SIDE_WORDS = {"down": "downstroke", "up": "upstroke"}
MOST_DECIMALS = 3
NOTHING = 1e-6
SPEEDS_ALIKE = 0.03
"""Free play of two postures differs by so much without anybody's doing."""


def say_comparison(comparison: PostureComparison) -> str:
    """What to play, in which measures the postures differ besides, and what would settle what is open.

    Parameters
    ----------
    comparison : PostureComparison

    Returns
    -------
    str
        One to four sentences.
    """
    says = (say_recommendation, _say_besides, _say_speeds, say_settling)
    parts = (say(comparison) for say in says)
    return " ".join(part for part in parts if part)


def _say_speeds(comparison: PostureComparison) -> str:
    """That one posture was played faster, which no adjustment takes out of the differences."""
    ratio = comparison.design.speed_ratio
    if abs(ratio - 1) <= SPEEDS_ALIKE:
        return ""
    played = f"{100 * abs(ratio - 1):.0f} % {'faster' if ratio > 1 else 'slower'} than {comparison.first}"
    return (
        f"Posture {comparison.second} was played {played}, which may be what makes a difference: "
        "play both to the same click."
    )


def say_recommendation(comparison: PostureComparison) -> str:
    """The posture to play, or why none is recommended.

    Parameters
    ----------
    comparison : PostureComparison

    Returns
    -------
    str
        One sentence.
    """
    first, second = comparison.first, comparison.second
    advice = comparison.recommendation
    tilts = {m.key: (m.first, m.second) for m in comparison.measures}.get("tilt_deg", (0.0, 0.0))
    if advice.kind == "one":
        keys = advice.first_better or advice.second_better
        return f"Posture {advice.posture} is the better one here: it {_gains(comparison, keys)}."
    if advice.kind == "wanted side":
        own = tilts[0] if advice.posture == first else tilts[1]
        rest = second if advice.posture == first else first
        side = SIDE_WORDS["down" if own > 0 else "up"]
        return (
            f"Posture {advice.posture}: it tilts to the side of the {side}, which you want to clear, and {rest} to the "
            "other."
        )
    if advice.kind == "by phrase":
        a, b = (SIDE_WORDS["down" if tilt > 0 else "up"] for tilt in tilts)
        return (
            f"The phrase decides: {first} suits string changes that follow {_article(a)} {a}, {second} those that "
            f"follow {_article(b)} {b}."
        )
    if advice.kind == "trade-off":
        return (
            f"Neither posture is better in everything: {first} {_gains(comparison, advice.first_better)}; {second} "
            f"{_gains(comparison, advice.second_better)}. Which matters more is for you to say."
        )
    if advice.kind == "either":
        far = "" if comparison.hold else ", as far as these blocks can tell"
        return f"Either posture{far}: {_names(advice.alike)} {_are(advice.alike)} the same within the margins."
    if advice.by_chance:
        return (
            f"No posture can be recommended yet: {_names(advice.by_chance)} would speak for one, but among "
            "so many measures that may be chance."
        )
    return "No posture can be recommended yet: nothing shows that one is better."


def _article(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"


def _are(keys: Sequence[str]) -> str:
    """The verb; only the strokes that clear are many by themselves."""
    return "is" if len(keys) == 1 and keys[0] != "share_clearing" else "are"


def _names(keys: Sequence[str]) -> str:
    return _join([NAMES[key] for key in keys])


def _join(parts: Sequence[str]) -> str:
    """Parts of a sentence in a row.

    Examples
    --------
    >>> _join(["a"]), _join(["a", "b"]), _join(["a", "b", "c"])
    ('a', 'a and b', 'a, b and c')
    """
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _gains(comparison: PostureComparison, keys: Sequence[str]) -> str:
    """What a posture does better, as the predicates of a sentence."""
    said = []
    by_key = {m.key: m for m in comparison.measures}
    for key in sorted(keys, key=list(NAMES)[::-1].index):
        if key == HOLD and comparison.hold is not None:
            said.append(_hold_gain(comparison.hold))
        else:
            d = _without_sign(by_key[key].difference)
            places = _decimals(d)
            said.append(f"{GAINS[key].format(signed(d.value, places))} ({_interval(d, places)})")
    return _join(said)


def _hold_gain(hold: HoldDifference) -> str:
    if hold.difference is not None and hold.low is not None and hold.high is not None:
        d = _without_sign(Estimate(hold.difference, hold.low, hold.high, 0.0, 1e9))
        places = _decimals(d)
        return f"holds {signed(d.value, places)} strokes/s faster ({_interval(d, places)})"
    least = hold.low if hold.low is not None and hold.low > 0 else -(hold.high or 0.0)
    return f"holds faster, by {signed(least, _decimals(Estimate(least, least, least, 0.0, 1e9)))} strokes/s at least"


def _without_sign(d: Estimate) -> Estimate:
    """How much more or less, whichever way."""
    return d if d.value >= 0 else Estimate(-d.value, -d.high, -d.low, d.se, d.df)


def _say_besides(comparison: PostureComparison) -> str:
    """Differences that the recommendation does not name."""
    advice = comparison.recommendation
    named = {*advice.first_better, *advice.second_better} if advice.kind in ("one", "trade-off") else set()
    said = [
        f"{m.name} ({say_difference(m)}{_small(m.equivalence.p < ALPHA)})"
        for m in comparison.measures
        if m.verdict == "different" and m.key not in named
    ]
    hold = comparison.hold
    if hold is not None and hold.verdict == "different" and HOLD not in named:
        said.append(f"hold tempo ({_hold_change(hold)}{_small(hold.within)})")
    if not said:
        return ""
    return f"Posture {comparison.second} differs from {comparison.first} in {_join(said)}."


def _small(within: bool) -> str:
    return ", less than the margin" if within else ""


def say_settling(comparison: PostureComparison) -> str:
    """What would settle what is open, in one sentence; nothing where nothing is, or where no number could.

    Parameters
    ----------
    comparison : PostureComparison

    Returns
    -------
    str
    """
    advice = comparison.recommendation
    if advice.kind not in ("one", "open", "either"):
        return ""
    ways = []
    if advice.blocks is not None:
        other = {*advice.gestures, *advice.hopeless, HOLD}
        keys = [key for key in advice.open if key not in other]
        ways.append(f"{advice.blocks} more blocks of each posture ({_names(keys)})")
    if advice.gestures:
        ways.append(f"the reference gestures repeated at every change of posture ({_names(advice.gestures)})")
    if advice.ladders is not None:
        again = f"both ladders {advice.ladders} more time{'s' * (advice.ladders != 1)}"
        ways.append(f"{again if advice.ladders else 'tempi beyond those played'} (hold tempo)")
    if comparison.hold is None and comparison.sides is not None:
        ways.append("a ladder of tempi in both postures (hold tempo)")
    if comparison.sides is None:
        ways.append("the reference gestures done in each posture (tilt, clearing and hold tempo)")
    scatters = f"for {_names(advice.hopeless)} the blocks scatter too much" if advice.hopeless else ""
    if not ways:
        return f"{capitalise(scatters)} to settle it." if scatters else ""
    return f"What is open would be settled by {_join(ways)}{f'; {scatters}' if scatters else ''}."


def say_difference(measure: MeasureDifference) -> str:
    """A difference with its 95 % interval; enough decimals that an interval without zero does not show one."""
    d = measure.difference
    places = _decimals(d)
    return f"{_plus(d.value, places)}{_unit(measure)}, {_interval(d, places)}"


def _interval(d: Estimate, places: int) -> str:
    return TOO_FEW if d.df < LEAST_DF else f"{signed(d.low, places)} to {signed(d.high, places)}"


def _decimals(d: Estimate) -> int:
    """One, or more where an end next to zero would read as zero."""
    ends = [abs(end) for end in (d.low, d.high) if abs(end) > NOTHING]
    near = min(ends, default=1.0)
    return next((n for n in range(1, MOST_DECIMALS) if round(near, n) > 0), MOST_DECIMALS)


def _plus(value: float, places: int) -> str:
    return f"+{signed(value, places)}" if round(value, places) > 0 else signed(value, places)


def _unit(measure: MeasureDifference) -> str:
    return "°" if measure.unit == "deg" else f" {measure.unit}"


def say_parts(measure: MeasureDifference) -> tuple[str, str, str]:
    """Difference, interval and p for a table, without the unit.

    Parameters
    ----------
    measure : MeasureDifference

    Returns
    -------
    (str, str, str)
    """
    d = measure.difference
    places = _decimals(d)
    p = "< 0.001" if measure.test.p < 0.001 else f"{measure.test.p:.3f}"
    return _plus(d.value, places), _interval(d, places), p


def say_measure(comparison: PostureComparison, measure: MeasureDifference) -> str:
    """One measure in a sentence: different, the same within its margin, or what would settle it.

    Parameters
    ----------
    comparison : PostureComparison
        Names the postures.
    measure : MeasureDifference
        One of the comparison's.

    Returns
    -------
    str
        In the measure's unit.
    """
    margin = f"{measure.equivalence.margin:g}{_unit(measure)}"
    head = f"{capitalise(measure.name)}: "
    if measure.verdict == "different":
        small = " although by less than the margin" if measure.equivalence.p < ALPHA else ""
        return f"{head}{comparison.second} differs from {comparison.first}{small} ({say_difference(measure)})."
    if measure.verdict == "equivalent":
        return f"{head}the same within {margin} ({say_difference(measure)})."
    said = f"{head}no difference shown ({say_difference(measure)}{_edge(measure)})"
    if measure.more_blocks is None and measure.by_gestures:
        return f"{said}; more blocks would not settle it against {margin}: repeat the gestures of each posture."
    if measure.more_blocks is None:
        return f"{said}; the blocks scatter too much to settle it against {margin}."
    if measure.more_blocks == 0:
        return f"{said}; it lies on the edge, and a few more blocks would settle it against {margin}."
    return f"{said}; {measure.more_blocks} more blocks of each posture would settle it against {margin}."


def _edge(measure: MeasureDifference) -> str:
    """Where interval and p do not say the same, both are told."""
    d = measure.difference
    apart = (d.low > 0 or d.high < 0) != (measure.test.p < ALPHA)
    return f", p {measure.test.p:.3f}" if apart else ""


def say_hold_difference(comparison: PostureComparison, hold: HoldDifference) -> str:
    """Hold tempi of both postures in a sentence.

    Parameters
    ----------
    comparison : PostureComparison
        Names the postures.
    hold : HoldDifference

    Returns
    -------
    str
    """
    if hold.difference is None:
        both = f"Hold tempo: {_say_hold(hold.first)}, {_say_hold(hold.second)}"
        if hold.verdict == "different":
            return f"{both}; so {hold.faster} {_hold_gain(hold)}."
        return f"{both}; which holds faster is not known, because one lies beyond the tempi played."
    small = " although by less than the margin" if hold.within else ""
    words = {
        "different": f"{comparison.second} differs from {comparison.first}{small}",
        "equivalent": f"the same within {hold.margin:g} strokes/s",
        "not shown": "no difference shown",
    }
    return f"Hold tempo: {words[hold.verdict]} ({_hold_change(hold)})."


def _hold_change(hold: HoldDifference) -> str:
    if hold.difference is None or hold.low is None or hold.high is None:
        return f"{hold.faster} {_hold_gain(hold)}"
    d = Estimate(hold.difference, hold.low, hold.high, 0.0, 1e9)
    places = _decimals(d)
    return f"{_plus(d.value, places)} strokes/s, {_interval(d, places)}"


def _say_hold(hold: HoldTempo) -> str:
    words = {"inside": "", "at least": "at least ", "below": "below "}
    bpm = hold.bpm(hold.strokes_per_s)
    more = "" if bpm is None else f" ({bpm:.0f} BPM)"
    return f"{hold.posture} {words[hold.bound]}{hold.strokes_per_s:.1f} strokes/s{more}"
