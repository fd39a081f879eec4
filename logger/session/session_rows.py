"""Samples of a session file: little-endian rows after a 24-byte head, the narrowest that keep every bit."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.model.errors import SessionFileError
from analysis.model.records import RawSamples

BATCH_HEAD = struct.Struct("<IIqq")  # rows, flags, first tick, first sequence
WIDE_INDEX = 1  # ticks and sequence as int64 in full; otherwise uint32 above the head's first values
WIDE_COUNTS = 2  # counts as int32; otherwise int16
MOST_JOINED = 512
HOST_TIMES = 4  # each row ends with its host time

SAMPLES_LAYOUT = (
    "head: uint32 rows, uint32 flags, int64 first_tick, int64 first_sequence; then rows, packed, little-endian: "
    "tick, sequence (uint32 above the first values; int64 in full if flags & 1), "
    "accelerometer x y z and gyroscope x y z (int16; int32 if flags & 2), "
    "host time as float64 seconds since the epoch (only if flags & 4)"
)


def row_dtype(flags: int) -> np.dtype[np.void]:
    """Layout of one sample for these flags."""
    index = "<i8" if flags & WIDE_INDEX else "<u4"
    counts = "<i4" if flags & WIDE_COUNTS else "<i2"
    columns: list[Any] = [("tick", index), ("sequence", index), ("counts", counts, (6,))]
    if flags & HOST_TIMES:
        columns.append(("host", "<f8"))
    return np.dtype(columns)


def encode_samples(raw: RawSamples) -> bytes:
    """Pack one batch (at least one sample) with the narrowest rows that keep every bit of it."""
    tick, sequence = int(raw.ticks[0]), int(raw.sequence[0])
    flags = 0
    if not (_fits_above(raw.ticks, tick) and _fits_above(raw.sequence, sequence)):
        flags |= WIDE_INDEX
    if int(raw.counts.min()) < -(2**15) or int(raw.counts.max()) >= 2**15:
        flags |= WIDE_COUNTS
    if not np.isnan(raw.host_time_s).all():
        flags |= HOST_TIMES
    rows = np.empty(raw.ticks.size, row_dtype(flags))
    rows["tick"] = raw.ticks if flags & WIDE_INDEX else raw.ticks - tick
    rows["sequence"] = raw.sequence if flags & WIDE_INDEX else raw.sequence - sequence
    rows["counts"] = raw.counts
    if flags & HOST_TIMES:
        rows["host"] = raw.host_time_s
    return BATCH_HEAD.pack(rows.size, flags, tick, sequence) + rows.tobytes()


def _fits_above(values: NDArray[np.int64], first: int) -> bool:
    """Whether every value lies less than 2**32 above the first."""
    return int(values.min()) >= first and int(values.max()) - first < 2**32


def decode_samples(batches: Sequence[bytes | memoryview]) -> RawSamples:
    """Unpack batches, in order, into one set of arrays.

    Neighbouring batches of one layout are joined first, some hundred at a time: few array operations, little memory.

    Raises
    ------
    SessionFileError
        A batch whose length contradicts its own head.
    """
    heads = [_batch_head(batch) for batch in batches]
    total = sum(head[0] for head in heads)
    ticks, sequence = np.empty(total, np.int64), np.empty(total, np.int64)
    known = any(head[1] & HOST_TIMES for head in heads)
    host = np.full(total, np.nan) if known else np.broadcast_to(np.nan, total)  # hours of nothing take no memory
    wide = any(head[1] & WIDE_COUNTS for head in heads)
    counts = np.empty((total, 6), np.int32 if wide else np.int16)
    at = start = 0
    while start < len(batches):
        flags = heads[start][1]
        stop = start
        while stop < min(len(batches), start + MOST_JOINED) and heads[stop][1] == flags:
            stop += 1
        rows = np.frombuffer(b"".join(b[BATCH_HEAD.size :] for b in batches[start:stop]), row_dtype(flags))
        here = slice(at, at + rows.size)
        ticks[here], sequence[here], counts[here] = rows["tick"], rows["sequence"], rows["counts"]
        if not flags & WIDE_INDEX:
            sizes, _, first_tick, first_sequence = np.array(heads[start:stop], dtype=np.int64).T
            ticks[here] += np.repeat(first_tick, sizes)
            sequence[here] += np.repeat(first_sequence, sizes)
        if flags & HOST_TIMES:
            host[here] = rows["host"]
        at, start = here.stop, stop
    return RawSamples(ticks, sequence, host, counts)


def _batch_head(batch: bytes | memoryview) -> tuple[int, int, int, int]:
    """Rows, flags, first tick, first sequence, checked against the batch's length."""
    if len(batch) >= BATCH_HEAD.size:
        rows, flags, tick, sequence = BATCH_HEAD.unpack_from(batch)
        if flags < 8 and BATCH_HEAD.size + rows * _ROW_SIZES[flags] == len(batch):
            return rows, flags, tick, sequence
    raise SessionFileError(
        expected="a batch of samples",
        found=f"{len(batch)} bytes that are none",
        next_step="the program that wrote the file does not follow docs/session-file.md",
    )


_ROW_SIZES = tuple(row_dtype(flags).itemsize for flags in range(8))
