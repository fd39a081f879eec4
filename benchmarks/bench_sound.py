"""What the sound tells of drills, how surely, how fast. Run: python -m benchmarks.bench_sound --help."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from analysis.synthesis.sound_play import play_drill
from analysis.synthesis.sound_recording import RecordingChain
from benchmarks.sound_sessions import judge_sessions
from benchmarks.sound_takes import RATE_HZ, answered, change_table, draw_take, no_answer, onset_scores, stroke_table

RATES = (4, 6, 8, 10, 12)
BINS, NEARLY_SURE = 10, 0.99


def rate_rows(first: int, count: int, snr_db: float) -> list[pd.DataFrame]:
    """Print a row a speed; return every stroke table."""
    print(f"\n{snr_db:g} dB, one note in thirty a slip, {count} takes of a minute a row\n")
    print(
        "| notes/s | blocks without an answer | onsets found | onsets true | onset error, median | string right | "
        "by motion alone | changes told | told and right | by motion alone |\n" + "|---" * 10 + "|"
    )
    tables = []
    for notes_per_s in RATES:
        silent, scores, errors, strokes, motion, told, alone = 0, [], [], [], [], [], []
        for seed in range(first, first + count):
            take = draw_take(1000 * notes_per_s + seed, notes_per_s, snr_db)
            if no_answer(take):
                silent += len(take.play.blocks_s)
                print(f"  {notes_per_s}/s, seed {seed}: {no_answer(take)}", file=sys.stderr)
                continue
            silent += len(take.play.blocks_s) - len(answered(take))
            precision, recall, error = onset_scores(take)
            scores.append((recall, precision))
            errors.append(error)
            strokes.append(stroke_table(take, by_sound=True))
            motion.append(stroke_table(take, by_sound=False))
            told.append(change_table(take, by_sound=True))
            alone.append(change_table(take, by_sound=False))
        heard, felt = pd.concat(strokes), pd.concat(motion)
        changes, before = pd.concat(told), pd.concat(alone)
        recall, precision = np.mean(scores, axis=0)
        cells = (
            str(notes_per_s),
            f"{silent} of {3 * count}",
            f"{100 * recall:.1f} %",
            f"{100 * precision:.1f} %",
            f"{1e3 * np.median(np.abs(np.concatenate(errors))):.2f} ms",
            *(f"{100 * (t['string'] == t['true_string'])[t['true'] >= 0].mean():.1f} %" for t in (heard, felt)),
            f"{100 * changes['sure'].mean():.1f} %",
            *(f"{100 * t['right'][t['sure']].mean():.2f} %" for t in (changes, before)),
        )
        print("| " + " | ".join(cells) + " |", flush=True)
        tables.append(heard)
    return tables


def calibration_rows(strokes: pd.DataFrame) -> None:
    """Print how often strokes have the right note: ten bins of as many by rank of confidence, and the nearly sure."""
    own = strokes[strokes["place"] >= 0].sort_values("confidence")
    own = own.assign(right=own["place"] == own["true"])
    print("\n| confidence | strokes | mean confidence | note right |\n|---|---|---|---|")
    below = own[own["confidence"] < NEARLY_SURE]
    for part in (*(below.iloc[rows] for rows in np.array_split(np.arange(len(below)), BINS)), own.iloc[len(below) :]):
        if len(part):
            low, high = part["confidence"].iloc[[0, -1]]
            said, true = part["confidence"].mean(), part["right"].mean()
            print(f"| {low:.2f} to {high:.2f} | {len(part)} | {100 * said:.1f} % | {100 * true:.1f} % |")


def added_wrong(first: int, count: int, snr_db: float) -> None:
    """Count string changes that the sound tells surely and wrongly, where motion alone had not said so."""
    wrong = changes = closed = bad_takes = 0
    for seed in range(first, first + count):
        notes_per_s = 4 + seed % 9
        take = draw_take(seed, notes_per_s, snr_db)
        if no_answer(take):
            closed += 1
            continue
        told = change_table(take, by_sound=True)
        alone = change_table(take, by_sound=False)
        sure = told[told["sure"]]
        mistakes = sure[~sure["right"]]
        already = alone[alone["sure"] & ~alone["right"]]
        added = set(zip(mistakes["block"], mistakes["stroke"], strict=True))
        added -= set(zip(already["block"], already["stroke"], strict=True))
        wrong += len(added)
        bad_takes += bool(added)
        changes += len(sure)
    print(
        f"\n{snr_db:g} dB, {count} takes of 4 to 12 notes/s: {wrong} string changes told surely and wrongly that "
        f"motion alone had not told so, in {bad_takes} takes, of {changes} told; no answer in {closed} takes.",
        flush=True,
    )


LONG = """
import re, sys, time
from pathlib import Path
import numpy as np
from analysis.sound.witness import AskedBlock, Felt, listen
from logger.sound.sound_file import read_sound
def peak_mb():
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1000
given = np.load(sys.argv[2])
before = peak_mb()
started = time.process_time()
sound = read_sound(Path(sys.argv[1]))
read = time.process_time()
blocks = [AskedBlock(k, a, b, None, given["midi"]) for k, (a, b) in enumerate(given["blocks"])]
heard = listen(sound, Felt(given["contact"], given["block"], tuple(given["span"])), blocks)
done = time.process_time()
notes = sum(block.notes for block in heard.blocks)
print(f"| {sound.duration_s / 60:.0f} | {read - started:.1f} | {done - read:.1f} | {done - started:.1f} | "
      f"{peak_mb():.0f} | {before:.0f} | {notes} | {heard.obstacle or 'answered'} |")
"""


def long_recording(minutes: int) -> None:
    """Print time and memory for one long recording, 48 kHz stereo, in a process of its own."""
    import soundfile
    from scipy import signal

    plan = replace(draw_take(8000, 8.0, 20.0).plan, notes=round(8 * 54 * minutes), block_notes=8 * 60, click_level=0.0)
    play = play_drill(plan, RecordingChain(), RATE_HZ, 1)
    with tempfile.TemporaryDirectory() as folder:
        path, data = Path(folder) / "long.flac", Path(folder) / "long.npz"
        with soundfile.SoundFile(path, "w", 3 * RATE_HZ, 2) as file:
            for start in range(0, play.sound.size, 10 * RATE_HZ):
                piece = signal.resample_poly(play.sound[start : start + 10 * RATE_HZ], 3, 1)
                file.write(np.repeat(piece[:, None], 2, axis=1))
        block = np.full(play.contact_s.size, -1, np.int64)
        for index, (first, last) in enumerate(play.blocks_s):
            block[(play.contact_s >= first - 0.3) & (play.contact_s < last)] = index
        np.savez(
            data,
            contact=play.contact_s,
            blocks=np.array(play.blocks_s),
            block=block,
            midi=np.array(plan.midi),
            span=(0.0, float(play.contact_s[-1]) + 3.0),
        )
        print(
            "\n| minutes, 48 kHz stereo FLAC | reading, s | hearing, s | both, s of one core | most memory, MB | of "
            "which Python and libraries | notes | |\n|---|---|---|---|---|---|---|---|",
            flush=True,
        )
        subprocess.run([sys.executable, "-c", LONG, str(path), str(data)], check=True)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=500, help="first seed")
    parser.add_argument("--takes", type=int, default=16, help="takes a row")
    parser.add_argument("--quiet-takes", type=int, default=100, help="takes at 16 dB")
    parser.add_argument("--sessions", type=int, default=12, help="sessions through the whole chain")
    parser.add_argument("--minutes", type=int, default=30, help="length of the long recording")
    given = parser.parse_args()
    calibration_rows(pd.concat(rate_rows(given.first, given.takes, 20.0)))
    added_wrong(100_000 + given.first, given.quiet_takes, 16.0)
    judge_sessions(given.first, given.sessions)
    long_recording(given.minutes)


if __name__ == "__main__":
    main()
