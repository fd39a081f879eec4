"""Long rows piece by piece: the same values whatever the pieces, gaps and lost samples across their borders too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.records import Session
from analysis.motion.orientation import chain_turns
from analysis.signal import working_grid
from analysis.signal.pieces import all_sound, thinned
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import count_clipped, prepare_signals
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.simulate import simulate


def lossy_session() -> Session:
    """Single samples, bridged gaps and one of five seconds lost; the last sample of a pair stands beside a gap."""
    session = simulate(random_scenario(641, 8.0, 10.0), 641).session
    rng = np.random.default_rng(641)
    keep = rng.random(session.raw.ticks.size) > 0.03
    for first in range(300, keep.size - 3000, 911):
        keep[first : first + rng.integers(2, 60)] = False
    keep[-2900:-900] = False
    keep[[0, -1]] = True
    raw = session.raw
    parts = (raw.ticks[keep], raw.sequence[keep], raw.host_time_s[keep], raw.counts[keep])
    return replace(session, raw=type(raw)(*parts))


@pytest.mark.parametrize("rows", [64, 257])
def test_pieces_change_nothing(rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    session = lossy_session()
    timebase = fit_timebase(session.raw, session.profile)
    monkeypatch.setattr(working_grid, "PIECE_ROWS", session.raw.ticks.size)
    whole = prepare_signals(session, timebase)
    monkeypatch.setattr(working_grid, "PIECE_ROWS", rows)
    parts = prepare_signals(session, timebase)
    np.testing.assert_allclose(parts.accel_mps2, whole.accel_mps2, rtol=0, atol=1e-12)
    np.testing.assert_allclose(parts.gyro_radps, whole.gyro_radps, rtol=0, atol=1e-12)
    np.testing.assert_array_equal(parts.grid.valid, whole.grid.valid)
    assert parts.fine_attack_mps2 is not None
    assert whole.fine_attack_mps2 is not None
    np.testing.assert_allclose(parts.fine_attack_mps2, whole.fine_attack_mps2, rtol=1e-6, atol=1e-6)


def test_clipping_is_counted_alike_in_16_and_32_bits() -> None:
    """The least count of 16 bits has no magnitude in them."""
    session = simulate(random_scenario(642, 8.0, 2.0), 642).session
    counts = session.raw.counts.astype(np.int32)
    counts[[100, 9000 % len(counts)]] = -32768
    counts[200, 4] = 32767
    profile = replace(session.profile, accel_clip_counts=32767, gyro_clip_counts=32767)
    found = [
        count_clipped(replace(session, profile=profile, raw=replace(session.raw, counts=counts.astype(kind))))
        for kind in (np.int16, np.int32)
    ]
    assert found == [3, 3]


@pytest.mark.parametrize("factor", [1, 3, 5])
def test_thinned_rows_are_means(factor: int) -> None:
    values = np.random.default_rng(3).normal(size=(1003, 3))
    valid = np.arange(1003) % 97 > 0
    count = 1003 // factor
    grouped = values[: count * factor].reshape(count, factor, 3)
    np.testing.assert_allclose(thinned(values, factor), grouped.mean(axis=1), atol=1e-14)
    np.testing.assert_array_equal(all_sound(valid, factor), valid[: count * factor].reshape(count, factor).all(axis=1))


def test_chained_turns_are_those_of_scipy() -> None:
    step = 0.1 * np.random.default_rng(4).normal(size=(3, 700, 3))
    for window, found in zip(step, chain_turns(step), strict=True):
        total = Rotation.identity()
        for at, turn in enumerate(Rotation.from_rotvec(window)):
            total = total * turn
            if at % 100 == 0 or at == 699:
                own = Rotation.from_quat(found[at], scalar_first=True)
                assert (own.inv() * total).magnitude() < 1e-12
