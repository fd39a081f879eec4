"""What an import tells: the guess as a table, events that were found, samples that are missing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from analysis.model.records import Event, RawSamples, Stream
from analysis.reference.find_gestures import FoundEvents
from logger.exchange.find_marks import events_table, sure_word
from logger.exchange.guess_map import GuessedMap, map_text
from logger.files.atomic_file import write_text_atomic


def count_missing(raw: RawSamples) -> tuple[int, int]:
    """Missing samples, and in how many gaps, by the sample numbers.

    Parameters
    ----------
    raw : RawSamples

    Returns
    -------
    (int, int)
        Samples and gaps.
    """
    jumps = np.diff(raw.sequence) - 1
    return int(jumps.sum()), int((jumps > 0).sum())


def stream_words(stream: Stream) -> str:
    """One sentence on a further sensor's samples.

    Parameters
    ----------
    stream : Stream

    Returns
    -------
    str
        With a blank before it.
    """
    raw, profile = stream.raw, stream.profile
    missing, gaps = count_missing(raw)
    return (
        f" On the {stream.role}: {raw.ticks.size} samples at {profile.rate_hz:.6g}/s, "
        f"{(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz:.1f} s, {missing} missing in {gaps} gaps."
    )


def guess_lines(guessed: GuessedMap, source: Path, path: Path) -> tuple[str, ...]:
    """The guess as a short table; its MAP.toml is written beside the session, never over a file.

    Parameters
    ----------
    guessed : GuessedMap
    source, path : Path
        The log, and the MAP.toml to write.

    Returns
    -------
    tuple of str
        Lines to show.
    """
    widths = [max(len(line[column]) for line in guessed.table) for column in range(3)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(line, widths, strict=False)), line[3]])
        for line in guessed.table
    ]
    if path.exists():
        lines.append(f"{path} is there already and was left alone.")
    else:
        write_text_atomic(path, map_text(guessed.columns, source.name))
        option = "--instrument-columns" if ".instrument." in path.name else "--columns"
        lines.append(f"Guessed; {path} says so for {option}, to correct and to import again.")
    return tuple(lines)


def event_lines(found: FoundEvents, events: Sequence[Event], output: Path) -> tuple[str, ...]:
    """What was found in the signals; its table is written beside the session, never over a file.

    Parameters
    ----------
    found : FoundEvents
    events : sequence of Event
        One for each item found.
    output : Path
        The session.

    Returns
    -------
    tuple of str
        Lines to show.
    """
    lines = [
        f"{e.start_s:10.1f} to {e.end_s:.1f} s  {e.kind:7} {sure_word(f.sure):7} {e.label or f.why}"
        for e, f in zip(events, found.found, strict=True)
    ]
    path = output.with_suffix(".events.csv")
    if path.exists():
        lines.append(f"{path} is there already and was left alone; if it is right, import with --events {path}")
    else:
        write_text_atomic(path, events_table(events, found))
        lines.append(
            f"Found in the signals: until you confirm it, nothing is called sure. Correct {path} and import with "
            f"--events {path} --replace."
        )
    if found.pair_unclear:
        lines.append("Which of across and along went over the strings cannot be told: look at these two first.")
    return tuple(lines)
