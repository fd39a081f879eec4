"""Short simulated evenings of seven kinds, through the whole chain: what is said of them must never contradict itself.

Run: python -m tests.analysis.findings.evenings FIRST LAST. Prints what was found wrong, and how many of each kind ran.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from analysis.findings.arbiter import SessionFindings, weigh_session
from analysis.findings.contradictions import find_contradictions
from analysis.model.cautions import HURT, discomfort
from analysis.model.errors import StrokeplaneError
from analysis.model.records import Event, Session
from analysis.pipeline import analyse_session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Recording
from analysis.synthesis.simulate import simulate
from tests.analysis.consistency.bodies import counts_changed, flip, late_gyro, reorder, scale_gyro
from tests.analysis.findings.screens import check_first_screen, check_live_page, check_questions, check_report

KINDS = ("ladder", "two postures", "falling tempo", "two tilts in a block", "sensor fault", "losses", "discomfort")
FAULTS = (reorder((1, 0, 2, 3, 4, 5)), flip(2), flip(4), scale_gyro(0.5), late_gyro(4), reorder((0, 1, 2, 5, 4, 3)))
RATE_HZ = 200.0


def kind_of(seed: int) -> str:
    return KINDS[seed % len(KINDS)]


def draw_evening(seed: int) -> Session:
    """An evening whose kind follows from its seed."""
    rng = np.random.default_rng([seed, 0xE4E])
    kind = kind_of(seed)
    plan = GesturePlan(per_posture=kind == "two postures", length="short")
    recording = Recording(lost_share=0.0)
    if kind == "losses":
        missing = (("across",), ("pivot",), ("along",), ())[rng.integers(4)]
        plan = replace(plan, sloppiness=float(rng.uniform(1, 4)), missing=missing)
        recording = Recording(lost_share=float(rng.uniform(0, 0.08)), bursts_per_min=float(rng.uniform(0, 20)))
    scenario = replace(
        random_scenario(seed, rate_hz=RATE_HZ),
        blocks=_blocks(kind, rng),
        postures=(Posture("A"), Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))),
        gestures=plan,
        recording=recording,
        rest_s=(0.3, 0.5) if kind == "two tilts in a block" else (1.0, 2.0),
    )
    session = simulate(scenario, seed).session
    if kind == "sensor fault":
        return counts_changed(session, FAULTS[rng.integers(len(FAULTS))])
    if kind == "two tilts in a block":
        return _as_one_block(session)
    return replace(session, events=(*session.events, *_reports(kind, rng, session)))


def _blocks(kind: str, rng: np.random.Generator) -> tuple[PlayBlock, ...]:
    count = 6 if kind in ("two postures", "two tilts in a block") else int(rng.integers(1, 6))
    tempi = np.sort(rng.uniform(60, 190, count).round())
    wanted = rng.choice(["", "", "down", "up"])
    if kind == "falling tempo":
        tempi = tempi[::-1]
    tilts = rng.uniform(-30, 30, 2 if kind in ("two postures", "two tilts in a block") else count)
    steady = float(rng.uniform(-30, 30)) if rng.random() < 0.4 else None
    return tuple(
        PlayBlock(
            tilt_deg=float(tilts[i % tilts.size]) if steady is None or tilts.size == 2 else steady,
            span_mm=float(rng.uniform(8, 26)),
            duration_s=2.5 if kind == "two tilts in a block" else 5.0,
            bow_mm=float(rng.choice([0.0, 0.0, 3.0])),
            posture="AB"[i % 2] if kind == "two postures" else "A",
            tempo_bpm=float(tempi[0] if kind == "two postures" else tempi[i]),
            notes_per_beat=4.0 if kind != "losses" else None,
            wanted=wanted or None,
            rate_drift_per_min=float(rng.uniform(-0.8, 0)) if kind == "falling tempo" else 0.0,
            tilt_scatter_deg=float(rng.uniform(0.5, 6)),
        )
        for i in range(count)
    )


def _as_one_block(session: Session) -> Session:
    """All play under one mark, as a player marks it who changes the tilt while playing on."""
    play = [event for event in session.events if event.kind == "play"]
    whole = replace(play[0], end_s=play[-1].end_s, tempo_bpm=None, notes_per_beat=None)
    return replace(session, events=(*(e for e in session.events if e.kind != "play"), whole))


def _reports(kind: str, rng: np.random.Generator, session: Session) -> list[Event]:
    end = max(event.end_s for event in session.events) - 0.2
    if kind != "discomfort":
        return [Event(end, end, "rating", "effort", rating=float(rng.integers(11)))]
    if rng.random() < 0.3:
        return [Event(end, end, "hurt")]
    return [Event(end, end, "rating", "discomfort", rating=float(rng.integers(0, 11)))]


def check_evening(seed: int) -> str:
    """Analyse an evening and check all that is said of it; returns how it ended."""
    session = draw_evening(seed)
    try:
        result = analyse_session(session)
    except StrokeplaneError as error:
        # Refused in one sentence: nothing is said that could contradict itself.
        return "refused" if "\n" not in str(error) else "refused in several lines"
    found = weigh_session(result)
    check_findings(found)
    if len(result.blocks) == 1:
        check_live_page(result, found)
    return found.answer.certainty


def check_findings(found: SessionFindings) -> None:
    """No contradiction, one answer, one action; every number of every screen accounted for; the body first."""
    assert find_contradictions(found.findings) == []
    assert [finding.topic for finding in found.findings].count("answer") == 1
    actions = {f.action.sentence for f in found.findings if f.action is not None}
    assert actions <= {found.verdict.action}
    check_first_screen(found)
    check_questions(found)
    check_report(found)
    if discomfort(found.result.events):
        assert found.findings[0].topic == "body"
        assert found.verdict.action == HURT


def main(first: int, last: int) -> None:
    ran: Counter[tuple[str, str]] = Counter()
    for seed in range(first, last):
        try:
            ran[kind_of(seed), check_evening(seed)] += 1
        except AssertionError as error:
            ran[kind_of(seed), "wrong"] += 1
            print(f"seed {seed} ({kind_of(seed)}): {str(error)[:600]}", flush=True)
    for (kind, how), count in sorted(ran.items()):
        print(f"{kind}: {how} {count}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
