"""Gestures that are missing, too short, marked wrongly or badly done: a sentence, never a wrong narrow answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.model.records import Event, Session, SessionResult
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, Posture
from tests.analysis.pipeline.played import Played, event_of, events_changed, of_scenario, play

SEED = 671
PLAIN = "the arch of the strings is not given: the string plane is taken as flat"


@cache
def well_done(ruler: bool = True) -> Played:
    return play(SEED, 8.0, 8.0, **({} if ruler else {"ruler_sd_mm": None}))


def sentences(result: SessionResult) -> list[str]:
    """Warnings other than those that every simulated session has."""
    return [text for text in result.warnings if text != PLAIN and "samples are missing" not in text]


def check_no_frame(played: Played) -> None:
    """Tilt only against the hand: marked so, no interval, no side, nothing about clearing."""
    result = played.result
    assert result.reference.kind == "hand"
    assert result.tilt_offset_se_deg is None
    assert result.lever_mm is None
    for block in result.blocks:
        assert block.tilt_mean_deg is not None
        assert block.tilt_ci95_deg is None
        assert block.tilt_side == "none"
        assert block.clearing_stroke is None
        assert block.share_clearing is None
    assert len(result.strokes) > 50


def check_clear(text: str) -> None:
    """One sentence with what was found and what to do next."""
    assert text[0].islower()
    assert "\n" not in text
    assert len(text) < 300
    assert any(word in text.lower() for word in ("repeat", "record", "correct", "keep"))


def shortened(kind: str, seconds: float) -> Callable[[Session], Session]:
    def change(event: Event) -> Event:
        return replace(event, end_s=event.start_s + seconds) if event.kind == kind else event

    return lambda session: events_changed(session, change)


@pytest.mark.parametrize("kind", ["across", "along"])
def test_a_direction_is_missing(kind: str) -> None:
    played = play(SEED, 8.0, 8.0, gestures=GesturePlan(missing=(kind,)))
    check_no_frame(played)
    (text,) = sentences(played.result)
    check_clear(text)
    assert kind in text.split("missing")[0]


def test_nothing_shows_the_lever() -> None:
    """Neither a pivot nor a ruler: the tip's path is unknown, so there is no frame."""
    played = play(SEED, 8.0, 8.0, gestures=GesturePlan(missing=("pivot",)), ruler_sd_mm=None)
    check_no_frame(played)
    (text,) = sentences(played.result)
    check_clear(text)
    assert "pivot" in text
    assert "ruler" in text


def test_a_ruler_stands_in_for_the_pivot_with_a_wider_interval() -> None:
    played = play(SEED, 8.0, 8.0, gestures=GesturePlan(missing=("pivot",)))
    assert played.result.reference.kind == "gestures"
    assert played.block.tilt_offset_se_deg is not None
    assert well_done().block.tilt_offset_se_deg is not None
    assert played.block.tilt_offset_se_deg > 1.15 * well_done().block.tilt_offset_se_deg
    assert played.result.lever_se_mm == pytest.approx((5.0, 5.0, 5.0), rel=0.1)


@pytest.mark.parametrize(("kind", "seconds"), [("across", 1.0), ("along", 1.4)])
def test_a_direction_is_too_short(kind: str, seconds: float) -> None:
    played = well_done().spoilt(shortened(kind, seconds))
    check_no_frame(played)
    for text in sentences(played.result):
        check_clear(text)
    assert any(text.startswith(f"{kind} at ") and "left out" in text for text in sentences(played.result))


def test_pivot_is_too_short() -> None:
    played = well_done(ruler=False).spoilt(shortened("pivot", 1.5))
    check_no_frame(played)
    assert any(text.startswith("pivot at ") and "at least 2 s" in text for text in sentences(played.result))


def test_across_runs_along_the_strings() -> None:
    played = play(SEED, 8.0, 8.0, gestures=GesturePlan(poor_across=True))
    check_no_frame(played)
    (text,) = sentences(played.result)
    check_clear(text)
    assert "right angles" in text


def test_one_posture_drags_along_the_strings_for_across() -> None:
    """It was measured by the other posture's gestures and lever, and could be sure of it."""
    drawn = random_scenario(SEED, strokes_per_s=8.0, duration_s=6.0, rate_hz=200.0)
    block = drawn.blocks[0]
    scenario = replace(
        drawn,
        blocks=(replace(block, posture="A"), replace(block, posture="B")),
        postures=(Posture("A"), Posture("B", yaw_deg=12.0, grip_change_mm=(8.0, 5.0, 0.0))),
        gestures=replace(drawn.gestures, repetitions=2),
    )
    played = of_scenario(scenario, SEED)

    def change(session: Session) -> Session:
        along, *_ = (event for event in session.events if event.kind == "along" and event.posture == "B")

        def drag(event: Event) -> Event | None:
            if event.kind == "across" and event.posture == "B":
                return None
            return replace(event, kind="across") if event is along else event

        # Strings so near to each other that this drag is long enough for them.
        return replace(events_changed(session, drag), instrument=replace(session.instrument, spacing_mm=(4.0,) * 3))

    result = played.spoilt(change).result
    assert any("right angles" in text for text in sentences(result))
    (doubt,) = (each for each in result.doubts if "could not be used" in each.fault)
    assert doubt.cap == "likely"
    assert doubt.blocks == (1,)
    assert "'A'" in doubt.evidence
    # Its own pivots tell where the plectrum is, whatever became of its other gestures.
    found, true = result.blocks[1].tilt_mean_deg, float(played.simulated.truth.blocks["tilt_mean_deg"][1])
    assert found == pytest.approx(true, abs=3.0)


def test_across_and_along_are_marked_the_wrong_way_round() -> None:
    """Both well done: only gravity tells that strings do not stand upright."""
    swapped = {"across": "along", "along": "across"}
    played = well_done().spoilt(
        lambda session: events_changed(session, lambda e: replace(e, kind=swapped.get(e.kind, e.kind)))
    )
    check_no_frame(played)
    (text,) = sentences(played.result)
    check_clear(text)
    assert "wrong way round" in text


def test_pivot_without_motion() -> None:
    played = play(SEED, 8.0, 8.0, gestures=GesturePlan(poor_pivot=True), ruler_sd_mm=None)
    check_no_frame(played)
    texts = sentences(played.result)
    assert any(text.startswith("pivot at ") and "rocking" in text for text in texts)
    for text in texts:
        check_clear(text)


def test_pivot_in_the_air() -> None:
    """The hand moves freely, the tip on no spot: levers came out 60 mm off, with a standard error of 10 mm."""

    def change(session: Session) -> Session:
        start_s = event_of(session, "play").start_s
        return events_changed(
            session, lambda e: replace(e, start_s=start_s - 6.0, end_s=start_s - 1.0) if e.kind == "pivot" else e
        )

    played = well_done(ruler=False).spoilt(change)
    check_no_frame(played)
    texts = sentences(played.result)
    assert any(text.startswith("pivot at ") and "spot" in text for text in texts)
    for text in texts:
        check_clear(text)


def test_across_marked_where_there_is_play() -> None:
    """A stroke of 15 mm does not go over strings that are 52 mm apart; believed, it put every tilt at zero."""

    def change(session: Session) -> Session:
        start_s = event_of(session, "play").start_s
        return events_changed(
            session, lambda e: replace(e, start_s=start_s + 1.0, end_s=start_s + 4.0) if e.kind == "across" else e
        )

    played = well_done().spoilt(change)
    assert any(text.startswith("across at ") and "larger motion" in text for text in sentences(played.result))
    assert played.result.reference.kind == "hand"
    assert all(block.tilt_ci95_deg is None for block in played.result.blocks)


def test_sloppy_gestures_widen_the_interval_and_it_still_holds() -> None:
    """Two and a half times the usual sloppiness; six players, of whom one may lie outside."""
    sloppy = [play(seed, 8.0, 5.0, gestures=GesturePlan(sloppiness=2.5)) for seed in range(SEED, SEED + 6)]
    se = [played.block.tilt_offset_se_deg for played in sloppy if played.block.tilt_offset_se_deg is not None]
    assert len(se) >= 5
    assert np.median(se) > 1.4 * (well_done().block.tilt_offset_se_deg or np.inf)
    outside = [
        played.block.tilt_ci95_deg
        for played in sloppy
        if played.block.tilt_ci95_deg is not None
        and not played.block.tilt_ci95_deg[0] < played.true_tilt_deg < played.block.tilt_ci95_deg[1]
    ]
    assert len(outside) <= 1


def test_no_events_at_all() -> None:
    """Blocks are found alone; what cannot be known is said and left empty."""
    played = well_done().spoilt(lambda session: replace(session, events=()))
    check_no_frame(played)
    texts = " ".join(sentences(played.result))
    assert "blocks were found" in texts
    assert "no instrument frame" in texts
    true_start, true_end = played.truth["start_s"].iloc[0], played.truth["end_s"].iloc[-1]
    found = [b for b in played.result.blocks if b.start_s < true_end and b.end_s > true_start]
    assert len(found) == 1
    assert found[0].start_s == pytest.approx(true_start, abs=1.5)
    assert found[0].end_s == pytest.approx(true_end, abs=1.5)
    assert found[0].strokes == pytest.approx(len(played.truth), abs=4)
