"""The player's questions against known truth. Run: python -m benchmarks.bench_questions --help."""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.model.errors import StrokeplaneError
from analysis.model.records import SessionResult
from analysis.questions.hold import find_hold_tempo
from analysis.questions.posture import compare_postures
from benchmarks.drill_slips import judge_players, reliability, slip_scores
from benchmarks.question_players import (
    FASTEST,
    SLOWEST,
    draw_ladder,
    draw_player_beyond,
    draw_postures,
    draw_speed_player,
    draw_two_ladders,
    ladder_scenario,
    posture_scenario,
)
from benchmarks.unlike_players import judge_hold

HOLD_COLUMNS = "| players | n | error, median % | error, p90 % | bias % | covered % | interval, width % | failed |"
BOUND_COLUMNS = "| players beyond the ladder | n | said so % | interval covers % | failed |"
HOLDS_COLUMNS = "| two postures | n | error, median | bias | covered % | interval, width | not given | failed |"
UNLIKE_COLUMNS = (
    "| players unlike the model | n | bias % | error, median % | covered % | interval, width % | "
    "reaches above a tempo that plainly fails % |"
)
POSTURE_COLUMNS = (
    "| sessions | n | tilt: shown % | tilt: covered % | tilt error RMS | tilt stated SE | spread: shown % | "
    "spread: covered % | timing: shown % | failed |"
)


def hold_score(result: SessionResult, true: float) -> tuple[float, float, float]:
    """Relative error, whether covered, relative width of the interval (cut at the ladder's ends)."""
    found = find_hold_tempo([result], wanted="down")
    low, high = found.low or 0.0, np.inf if found.high is None else found.high
    width = np.log(min(high, FASTEST) / max(low, SLOWEST))
    return found.strokes_per_s / true - 1, float(low <= true <= high), float(width)


def hold_table_player(task: tuple[int, int, float]) -> tuple[float, float, float] | str:
    """One player's ladder, drawn as a table."""
    seed, rungs, slips = task
    rng = np.random.default_rng([seed, 0x401D])
    player = draw_speed_player(rng, slips)
    return hold_score(draw_ladder(player, rungs, rng), player.hold_strokes_per_s or np.nan)


def hold_chain_player(task: tuple[int, int]) -> tuple[float, float, float] | str:
    """One player's ladder, sampled and analysed."""
    from analysis.pipeline import analyse_session
    from analysis.synthesis.simulate import simulate

    seed, rungs = task
    player = draw_speed_player(np.random.default_rng([seed, 0x401D]))
    # The forward model's scatter does not differ from block to block.
    try:
        result = analyse_session(simulate(ladder_scenario(player, rungs, seed), seed).session)
        return hold_score(result, player.hold_strokes_per_s or np.nan)
    except StrokeplaneError as error:
        return f"seed {seed}: {error}"


def bound_player(task: tuple[int, int, bool]) -> tuple[float, float] | str:
    """One player whose hold tempo lies beyond the ladder: said so, and covered by the interval, open or not."""
    seed, rungs, faster = task
    rng = np.random.default_rng([seed, 0xB0D])
    player = draw_player_beyond(rng, faster)
    found = find_hold_tempo([draw_ladder(player, rungs, rng)], wanted="down")
    true = player.hold_strokes_per_s or np.nan
    covered = (found.low or 0.0) <= true <= (np.inf if found.high is None else found.high)
    return float(found.bound == ("at least" if faster else "below")), float(covered)


def two_ladders(task: tuple[int, int]) -> tuple[float, float, float] | str:
    """Difference of two postures' hold tempi: error (strokes/s), covered, width; nan where none is given."""
    seed, rungs = task
    rng = np.random.default_rng([seed, 0x2401D])
    first = draw_speed_player(rng)
    # The second posture loses its tilt a little sooner or later, and lies in another frame.
    second = replace(first, middle=first.middle * rng.uniform(0.85, 1.15), top=first.top + rng.normal())
    truth = [player.hold_strokes_per_s for player in (first, second)]
    if truth[1] is None or not SLOWEST < truth[1] < FASTEST:
        return f"seed {seed}: the second posture's hold tempo lies beyond the ladder"
    found = compare_postures([draw_two_ladders((first, second), rungs, rng)], ("A", "B")).hold
    if found is None or found.difference is None or found.low is None or found.high is None:
        return np.nan, np.nan, np.nan
    true = truth[1] - (truth[0] or np.nan)
    return found.difference - true, float(found.low <= true <= found.high), found.high - found.low


PostureScore = tuple[float, float, float, float, float, float, float]


def posture_score(result: SessionResult, tilt_deg: float, spread_deg: float) -> PostureScore:
    """Tilt shown, covered, error, stated SE; spread shown, covered; timing shown."""
    found = compare_postures([result], ("A", "B"))
    by_key = {m.key: m for m in found.measures}
    tilt, spread, timing = (by_key[key] for key in ("tilt_deg", "tilt_sd_deg", "timing_pct"))
    return (
        float(tilt.verdict == "different"),
        float(tilt.difference.low <= tilt_deg <= tilt.difference.high),
        tilt.difference.value - tilt_deg,
        tilt.difference.se,
        float(spread.verdict == "different"),
        np.nan if spread_deg else float(spread.difference.low <= 0 <= spread.difference.high),
        float(timing.verdict == "different"),
    )


def posture_table(task: tuple[int, float, float, float]) -> PostureScore | str:
    """One session drawn as a table."""
    seed, tilt_deg, spread_deg, frame_se = task
    result = draw_postures(tilt_deg, spread_deg, frame_se, np.random.default_rng([seed, 0xC0]))
    return posture_score(result, tilt_deg, spread_deg)


def posture_chain(task: tuple[int, float, float, bool]) -> PostureScore | str:
    """One session sampled and analysed."""
    from analysis.pipeline import analyse_session
    from analysis.synthesis.simulate import simulate

    seed, tilt_deg, spread_deg, every_change = task
    try:
        made = simulate(posture_scenario(tilt_deg, spread_deg, seed, every_change), seed)
        return posture_score(analyse_session(made.session), tilt_deg, spread_deg)
    except StrokeplaneError as error:
        return f"seed {seed}: {error}"


def scored(pool: ProcessPoolExecutor, score: Callable[..., object], tasks: Iterable[object]) -> tuple[np.ndarray, int]:
    """Scores as an array, one row a session, and how many failed."""
    found = list(pool.map(score, tasks, chunksize=1))
    failures = [f for f in found if isinstance(f, str)]
    for failure in failures:
        print(f"  {failure}", flush=True)
    return np.array([f for f in found if not isinstance(f, str)], dtype=float), len(failures)


def hold_row(label: str, scores: np.ndarray, failed: int) -> str:
    error = 100 * scores[:, 0]
    return (
        f"| {label} | {len(scores)} | {np.median(np.abs(error)):.1f} | {np.quantile(np.abs(error), 0.9):.1f} | "
        f"{np.median(error):+.1f} | {100 * scores[:, 1].mean():.1f} | {100 * np.median(scores[:, 2]):.0f} | {failed} |"
    )


def bound_row(label: str, scores: np.ndarray, failed: int) -> str:
    return f"| {label} | {len(scores)} | {100 * scores[:, 0].mean():.1f} | {100 * scores[:, 1].mean():.1f} | {failed} |"


def holds_row(label: str, scores: np.ndarray, failed: int) -> str:
    given = scores[np.isfinite(scores[:, 0])]
    return (
        f"| {label} | {len(given)} | {np.median(np.abs(given[:, 0])):.2f} | {np.median(given[:, 0]):+.2f} | "
        f"{100 * given[:, 1].mean():.1f} | {np.median(given[:, 2]):.2f} | {len(scores) - len(given)} | {failed} |"
    )


def posture_row(label: str, scores: np.ndarray, failed: int) -> str:
    tilt_shown, tilt_in, error, se, spread_shown, spread_in, timing_shown = scores.T
    # The scatter's other parts lessen a difference of it, so that its truth is only known where there is none.
    covered = f"{100 * spread_in.mean():.1f}" if np.isfinite(spread_in).all() else ""
    return (
        f"| {label} | {len(scores)} | {100 * tilt_shown.mean():.1f} | {100 * tilt_in.mean():.1f} | "
        f"{np.sqrt(np.mean(error**2)):.2f} | {np.sqrt(np.mean(se**2)):.2f} | {100 * spread_shown.mean():.1f} | "
        f"{covered} | {100 * timing_shown.mean():.1f} | {failed} |"
    )


def bench_hold(pool: ProcessPoolExecutor, players: int, chain: int, first: int) -> None:
    print(HOLD_COLUMNS + "\n|" + " --- |" * 8)
    pooled = []
    for rungs in (6, 8, 10, 12):
        scores, failed = scored(pool, hold_table_player, [(first + i, rungs, 0.0) for i in range(players)])
        pooled.append(scores)
        print(hold_row(f"tables, {rungs} tempi of 20 s", scores, failed), flush=True)
    print(hold_row("tables, 8 to 12 tempi", np.concatenate(pooled[1:]), 0), flush=True)
    scores, failed = scored(pool, hold_table_player, [(first + i, 10, 0.04) for i in range(players)])
    print(hold_row("tables, 10 tempi, slips in stretches", scores, failed), flush=True)
    if chain:
        scores, failed = scored(pool, hold_chain_player, [(first + i, 9) for i in range(chain)])
        print(hold_row("whole chain, 9 tempi of 12 s", scores, failed), flush=True)


def bench_hold_bounds(pool: ProcessPoolExecutor, players: int, first: int) -> None:
    print(BOUND_COLUMNS + "\n|" + " --- |" * 5)
    for label, faster in (("faster than its fastest tempo", True), ("slower than its slowest", False)):
        scores, failed = scored(pool, bound_player, [(first + i, 9, faster) for i in range(players)])
        print(bound_row(f"{label}, 9 tempi", scores, failed), flush=True)
    print(HOLDS_COLUMNS + "\n|" + " --- |" * 8)
    for rungs in (6, 8, 10):
        scores, failed = scored(pool, two_ladders, [(first + i, rungs) for i in range(players)])
        print(holds_row(f"tables, {rungs} tempi of 20 s each", scores, failed), flush=True)


def bench_unlike(pool: ProcessPoolExecutor, players: int, first: int) -> None:
    """Hold tempo of players who lose their tilt in ways that its model does not know, by kind and by plan."""
    found = list(pool.map(judge_hold, range(first, first + players), chunksize=4))
    print(UNLIKE_COLUMNS + "\n|" + " --- |" * 7)
    groups = {"all": found}
    for place in (0, 1):
        for name in sorted({str(row[place]) for row in found}):
            groups[name] = [row for row in found if row[place] == name]
    for name, rows in groups.items():
        error = 100 * np.array([row[2] for row in rows])
        covered, beyond = (100 * float(np.mean([row[i] for row in rows])) for i in (3, 5))
        width = 100 * float(np.median([row[4] for row in rows]))
        print(
            f"| {name} | {len(rows)} | {np.median(error):+.1f} | {np.median(np.abs(error)):.1f} | {covered:.1f} | "
            f"{width:.0f} | {beyond:.1f} |",
            flush=True,
        )


def bench_slips(players: int, first: int) -> None:
    """Drill check with slips, and how often verdicts of a said probability are right."""
    changes = judge_players(range(first, first + players))
    scores = slip_scores(changes)
    print("| drill check with slips | changes | right % | not known % | strings right % |\n|" + " --- |" * 5)
    shares = " | ".join(f"{100 * scores[key]:.1f}" for key in ("right", "not known", "strings right"))
    print(f"| {players} players | {scores['changes']:.0f} | {shares} |")
    print("| said % | right % | verdicts |\n|" + " --- |" * 3)
    for said, right, count in reliability(changes):
        print(f"| {100 * said:.1f} | {100 * right:.1f} | {count} |", flush=True)


def bench_postures(pool: ProcessPoolExecutor, tables: int, chain: int, first: int) -> None:
    print(POSTURE_COLUMNS + "\n|" + " --- |" * 10)
    for label, count, tilt, spread, frame in (
        ("tables, no difference", tables, 0.0, 0.0, 0.45),
        ("tables, 3 deg of tilt", tables // 4, 3.0, 0.0, 0.45),
        ("tables, 2 deg of spread", tables // 4, 0.0, 2.0, 0.45),
        ("tables, 3 deg of tilt, gestures once a posture", tables // 4, 3.0, 0.0, 0.9),
    ):
        scores, failed = scored(pool, posture_table, [(first + i, tilt, spread, frame) for i in range(count)])
        print(posture_row(label, scores, failed), flush=True)
    for label, count, tilt, spread, every in (
        ("whole chain, no difference", chain, 0.0, 0.0, True),
        ("whole chain, 3 deg of tilt and 2 of spread", chain, 3.0, 2.0, True),
        ("whole chain, the same, gestures once a posture", chain // 3, 3.0, 2.0, False),
    ):
        if count:
            scores, failed = scored(pool, posture_chain, [(first + i, tilt, spread, every) for i in range(count)])
            print(posture_row(label, scores, failed), flush=True)


def bench_progress(sessions: int, jobs: int | None) -> None:
    """A folder of many small sessions: the first run, the second, and one with a changed file."""
    from logger.many.session_cache import summarise_folder

    print("| run of progress | sessions | analysed | seconds |\n| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write_sessions(folder, sessions)
        for label in ("first", "second", "one file changed"):
            if label == "one file changed":
                paths[1].write_bytes(paths[2].read_bytes() + b"\0")
            started = time.perf_counter()
            found = summarise_folder(folder, jobs)
            seconds = time.perf_counter() - started
            print(f"| {label} | {sessions} | {found.computed} | {seconds:.2f} |", flush=True)
        print(f"| second, as a command | {sessions} | 0 | {command_seconds(folder):.2f} |", flush=True)


def write_sessions(folder: Path, count: int, kinds: int = 20) -> list[Path]:
    """Short sessions of invented players over weeks; every file has bytes of its own."""
    from analysis.synthesis.draw import random_scenario
    from analysis.synthesis.scenario import PlayBlock
    from analysis.synthesis.simulate import simulate
    from logger.session.session_file import write_session

    drawn = []
    for seed in range(min(kinds, count)):
        base = random_scenario(seed, rate_hz=100.0)
        block = PlayBlock(strokes_per_s=6.0, tilt_deg=12.0 + seed, duration_s=5.0, drill="tune")
        drawn.append(simulate(replace(base, blocks=(block, block), rest_s=(1.0, 2.0)), seed).session)
    paths = []
    for i in range(count):
        session = drawn[i % len(drawn)]
        raw = replace(session.raw, host_time_s=session.raw.host_time_s + 86400.0 * (i // len(drawn)))
        player = replace(session.player, name=f"invented {i % len(drawn):02d}")
        path = folder / f"{i % len(drawn):02d}" / f"{i:05d}.mcap"
        path.parent.mkdir(exist_ok=True)
        write_session(path, replace(session, raw=raw, player=player, metadata={"number": str(i)}))
        paths.append(path)
    return paths


def command_seconds(folder: Path) -> float:
    """Wall time of the command in a process of its own, imports and all."""
    import subprocess
    import sys

    started = time.perf_counter()
    subprocess.run([sys.executable, "-m", "strokeplane", "progress", str(folder)], check=True, capture_output=True)
    return time.perf_counter() - started


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--players", type=int, default=120, help="players a row of the hold tempo")
    parser.add_argument("--tables", type=int, default=1200, help="comparisons drawn as tables")
    parser.add_argument("--chain", type=int, default=120, help="comparisons through the whole chain")
    parser.add_argument("--sessions", type=int, default=1000, help="sessions of progress")
    parser.add_argument("--first", type=int, default=70000, help="first seed")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--unlike", type=int, default=400, help="players unlike the hold tempo's model")
    parser.add_argument("--drills", type=int, default=72, help="drills with slips")
    parser.add_argument("--only", choices=["hold", "unlike", "drills", "postures", "progress"])
    given = parser.parse_args(arguments)
    with ProcessPoolExecutor(given.jobs) as pool:
        if given.only in (None, "hold"):
            bench_hold(pool, given.players, given.chain // 3, given.first)
            bench_hold_bounds(pool, given.players, given.first)
        if given.only in (None, "unlike"):
            bench_unlike(pool, given.unlike, given.first)
        if given.only in (None, "postures"):
            bench_postures(pool, given.tables, given.chain, given.first)
    if given.only in (None, "drills"):
        bench_slips(given.drills, given.first)
    if given.only in (None, "progress"):
        bench_progress(given.sessions, given.jobs)


if __name__ == "__main__":
    main()
