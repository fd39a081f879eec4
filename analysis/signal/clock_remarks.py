"""What is said of a log's clock: losses are counted elsewhere, here stand disorder, repeats, restarts and packets."""

from __future__ import annotations

from analysis.signal.timebase import Timebase


def clock_remarks(base: Timebase) -> list[str]:
    """One sentence for each thing about the times that was mended, or that limits what they tell.

    Parameters
    ----------
    base : Timebase
        As fitted.

    Returns
    -------
    list of str
        Empty where nothing was mended.
    """
    faults = base.faults
    said = []
    if base.repeated_samples:
        said.append(_samples(base.repeated_samples, "at a time already taken", "left out"))
    if faults.moved:
        said.append(_samples(faults.moved, "out of order", "put in order"))
    if faults.strays:
        said.append(_samples(faults.strays, "at a time far from all neighbours", "left out"))
    if faults.wraps:
        said.append(f"the clock's counter wrapped {_times(faults.wraps)}; the time was carried on")
    if faults.restarts:
        said.append(
            f"the clock began anew {_times(len(faults.restarts))}; {faults.restart_gap_s:g} s were assumed between, "
            "and all times after that are later by what the clock lost: check marks made there"
        )
    if base.packet:
        said.append(
            f"samples were stamped in packets of {base.packet} on their way, not by the sensor: they are spread evenly "
            "in the order of the rows, and only lost packets are seen"
        )
    elif base.counted:
        said.append(
            "sample times scatter by more than a sample: rows are spread evenly in their order, and lost samples are "
            "counted only roughly"
        )
    elif not base.even:
        said.append("sample times jitter by a good part of a sample: lost samples are counted only roughly")
    return said


def _samples(count: int, where: str, done: str) -> str:
    return f"1 sample stands {where} and was {done}" if count == 1 else f"{count} samples stand {where} and were {done}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
