"""Whole sessions with slips, through sensor and microphone: verdicts on string changes with and without the sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.drills.phrases import write_phrase
from analysis.drills.session_changes import judge_drills
from analysis.model.records import SessionResult
from analysis.pipeline import analyse_session
from analysis.sound.records import Sound
from analysis.sound.session_sound import hear_session, phrase_midi
from analysis.sound.witness import Heard
from analysis.synthesis.plucked_string import PluckedNotes, StringModel, pluck_strings
from analysis.synthesis.scenario import PlayBlock, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from analysis.synthesis.sound_play import slipped_places
from analysis.synthesis.sound_recording import RecordingChain, record
from benchmarks.drill_sessions import true_heights
from benchmarks.sound_takes import GUITAR, PHRASES, RATE_HZ, SLIPS


@dataclass(frozen=True)
class HeardSession:
    """One session through the whole chain."""

    simulated: SimulatedSession
    result: SessionResult
    heard: Heard
    notes_per_s: float


def draw_session(seed: int, snr_db: float = 20.0) -> HeardSession:
    """Play one phrase with slips for 40 s, 4 to 12 notes/s, record sensor and sound, analyse and hear both."""
    rng = np.random.default_rng([seed, 5])
    phrase = PHRASES[seed % len(PHRASES)]
    notes_per_s = float(rng.uniform(4, 12))
    places = slipped_places(round(45 * notes_per_s), len(phrase.notes), SLIPS, rng)
    strings = np.array([note.string for note in phrase.notes])[places]
    block = PlayBlock(
        strokes_per_s=notes_per_s,
        tilt_deg=float(rng.uniform(-28, 28)),
        span_mm=float(rng.uniform(14, 28)),
        duration_s=40.0,
        courses=tuple((phrase.strings - strings).tolist()),
        drill=write_phrase(phrase),
    )
    made = simulate(Scenario(blocks=(block,)), seed)
    strokes = made.truth.strokes
    midi = phrase_midi(phrase, GUITAR)
    if midi is None:
        raise ValueError("every phrase here has its frets")
    count = len(strokes)
    lead_s = float(rng.uniform(0, 5))
    notes = PluckedNotes(
        strokes["contact_s"].to_numpy() - made.truth.sensor.start_s + lead_s,
        midi[places[:count]],
        strings[:count],
        rng.uniform(0.6, 1.4, count),
        rng.uniform(0.08, 0.4, count),
    )
    raw = made.session.raw.ticks
    length_s = lead_s + float(raw[-1] - raw[0]) / made.session.profile.tick_hz + 2.0
    played = pluck_strings(notes, length_s, RATE_HZ, StringModel(), rng)
    sound = record(played, np.zeros(played.size), RATE_HZ, RecordingChain(snr_db=snr_db), rng)
    result = analyse_session(made.session)
    heard = hear_session(result, {}, Sound(sound.astype(np.float32), RATE_HZ), GUITAR)
    return HeardSession(made, result, heard, notes_per_s)


def verdicts(session: HeardSession, by_sound: bool) -> pd.DataFrame:
    """Return every string change told beside the true one nearest in time, and whether strings and verdict are right.

    Where the simulated tip turns before it crosses the very string that it plays, nobody can say whether it cleared on
    its way there: ``known`` is false, and such a change is neither right nor wrong. One where there is none is wrong.
    """
    emissions = {block.index: block.emission for block in session.heard.blocks if block.emission is not None}
    blocks, problems = judge_drills(session.result, {}, heard=emissions if by_sound else None)
    if not blocks:
        raise RuntimeError("; ".join(problems))
    found = blocks[0].changes
    true = true_heights(session.simulated)
    strokes = session.simulated.truth.strokes
    course = strokes["course"].to_numpy()
    strings = session.result.instrument.courses - course
    rows = np.searchsorted(strokes["contact_s"], true["contact_s"])
    true = true.assign(
        true_from=strings[rows], true_to=strings[rows + 1], true_after=strokes["direction"][rows].to_list()
    )
    both = pd.merge_asof(
        found.sort_values("time_s"),
        true.sort_values("contact_s"),
        left_on="time_s",
        right_on="contact_s",
        direction="nearest",
        tolerance=0.45 / session.notes_per_s,
        suffixes=("", "_true"),
    )
    told = both["verdict"] != "not known"
    named = (both["from_string"] == both["true_from"]) & (both["to_string"] == both["true_to"])
    named &= both["after"] == both["true_after"]
    cleared = (both["verdict"] == "cleared") == (both["true_mm"] > 0)
    known = both["true_mm"].notna() | both["contact_s"].isna()
    judged = cleared & both["true_mm"].notna()
    return both.assign(told=told, named=named, judged=judged, known=known, played=len(true))


def judge_sessions(first: int, count: int) -> None:
    """Print verdicts of the whole chain with slips, with the sound and without."""
    tables: dict[bool, list[pd.DataFrame]] = {True: [], False: []}
    closed = 0
    for seed in range(first, first + count):
        session = draw_session(seed)
        closed += bool(session.heard.obstacle)
        for by_sound, parts in tables.items():
            parts.append(verdicts(session, by_sound))
    print(
        f"\nWhole sessions at 20 dB, one note in thirty a slip, {count} players; no answer from sound in {closed}\n\n"
        "| answer from | string changes played | told | strings and stroke right | and cleared or touched right |\n"
        "|---|---|---|---|---|"
    )
    for by_sound, name in ((False, "motion alone"), (True, "motion and sound")):
        both = pd.concat(tables[by_sound])
        unknown = int((~both["known"]).sum())
        played = sum(int(part["played"].iloc[0]) for part in tables[by_sound] if len(part))
        played -= unknown
        told = both[both["told"] & both["known"]]
        right = told["named"] & told["judged"]
        print(
            f"| {name}, {unknown} changes without a truth left out | {played} | "
            f"{100 * len(told) / played:.1f} % | {100 * told['named'].mean():.1f} % | "
            f"{100 * right.mean():.1f} % |",
            flush=True,
        )
