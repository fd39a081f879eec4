"""Every untidy log is read, mended and told, or refused with one sentence; docs/import.md lists them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.records import FloatArray, Session
from analysis.signal.si_units import counts_to_si
from logger.exchange.guess_map import map_text
from logger.exchange.import_csv import import_csv, import_tables
from tests.logger.exchange.untidy_logs import LOGS, RATE_HZ, SAMPLES, G, Motion, motion
from tests.optional import need_module

PAGE = Path(__file__).parents[3] / "docs/import.md"
TAKEN = [name for name, log in LOGS.items() if log.outcome != "refused"]
REFUSED = [name for name, log in LOGS.items() if log.outcome == "refused"]


def needs(name: str) -> None:
    if name == "parquet":
        need_module("pyarrow")


def deviation(session: Session) -> tuple[float, float]:
    """Largest difference from the true motion, m/s2 and rad/s, at the samples' own places."""
    si = counts_to_si(session.raw.counts, session.profile, session.calibration).T
    k = session.raw.sequence - session.raw.sequence[0]
    start = round(_start(session, si))
    true: Motion = motion()
    places = k + start
    inside = (places >= 0) & (places < SAMPLES)
    if session.profile.rate_hz > 102:  # the faster sensor of a phone keeps its own times
        faster = motion(3300, 104.0, 0.013)
        places = np.arange(k.size)
        errors = [np.abs(si[:, :3] - faster.accel[shift + k]).max() for shift in range(3)]
        shift = int(np.argmin(errors))
        return float(errors[shift]), float(np.abs(si[:, 3:] - faster.gyro[shift + k]).max())
    # Samples after a restart stand later on the grid: compare by row instead.
    rows = np.arange(k.size) if not inside.all() else places
    return (
        float(np.abs(si[:, :3] - true.accel[rows])[:SAMPLES].max()),
        float(np.abs(si[:, 3:] - true.gyro[rows])[:SAMPLES].max()),
    )


def _start(session: Session, si: FloatArray) -> float:
    del session
    true = motion()
    return float(np.argmin(np.abs(true.accel[:10] - si[0, :3]).sum(axis=1)))


@pytest.mark.parametrize("name", TAKEN)
def test_a_log_is_read_without_a_map(name: str, tmp_path: Path) -> None:
    needs(name)
    log = LOGS[name]
    found = import_tables(log.write(tmp_path))
    session = found.session
    said = " ".join(session.warnings)
    assert log.says in said, said
    if log.outcome == "read" and not log.says:
        assert session.warnings == ()
    accel, gyro = deviation(session)
    assert accel < max(log.tolerance, 1.5e-5) * (5 if log.tolerance < 1e-3 else 1) + 1e-5
    assert gyro < max(log.tolerance, 1.5e-5) * 2
    assert session.raw.sequence[-1] - session.raw.sequence[0] + 1 - session.raw.ticks.size == pytest.approx(
        log.lost, abs=2
    )
    # The map that it would have needed reads the same.
    assert found.guessed is not None
    (tmp_path / "map.toml").write_text(map_text(found.guessed.columns, "log"), encoding="utf-8")
    again = import_csv(
        log.write(tmp_path) if not (tmp_path / "phone").exists() else _written(tmp_path), tmp_path / "map.toml"
    )
    np.testing.assert_array_equal(again.raw.counts, session.raw.counts)
    np.testing.assert_array_equal(again.raw.ticks, session.raw.ticks)


def _written(folder: Path) -> Path:
    return folder / "phone.zip" if (folder / "phone.zip").exists() else folder / "phone"


@pytest.mark.parametrize("name", REFUSED)
def test_a_log_that_nobody_can_read_is_refused_with_one_sentence(name: str, tmp_path: Path) -> None:
    log = LOGS[name]
    path = log.write(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError) as caught:
        import_csv(path)
    assert log.says in str(caught.value), str(caught.value)
    assert "\n" not in str(caught.value)
    assert sorted(tmp_path.rglob("*")) == before
    assert not (tmp_path.parent / "escaped.csv").exists()


def test_the_page_lists_every_log() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for log in LOGS.values():
        assert f"| {log.what} | {log.outcome}" in page


@pytest.mark.parametrize("seed", range(60))
def test_no_traceback_for_damaged_logs(seed: int, tmp_path: Path) -> None:
    """Bytes changed, cut, doubled: read or refused, never anything else."""
    rng = np.random.default_rng(seed)
    others = ("parquet", "one_sensor_a_row", "two_files_with_units")
    names = [n for n in TAKEN if n not in others and not n.startswith("phone")]
    path = LOGS[names[seed % len(names)]].write(tmp_path)
    data = bytearray(path.read_bytes()[: 20_000 + int(rng.integers(40_000))])
    for _ in range(int(rng.integers(1, 40))):
        at = int(rng.integers(len(data)))
        kind = rng.integers(4)
        if kind == 0:
            data[at] = int(rng.integers(256))
        elif kind == 1:
            del data[at : at + int(rng.integers(1, 300))]
        elif kind == 2:
            data[at:at] = data[max(0, at - 200) : at]
        else:
            data[at:at] = bytes(rng.choice([b",", b"\n", b"\x00", b'"', b"-", b"e", b"NaN", b"\xff"]))
    path.write_bytes(bytes(data))
    try:
        session = import_csv(path)
    except StrokeplaneError:
        return
    assert session.raw.ticks.size == session.raw.counts.shape[0] >= 2
    assert session.profile.rate_hz == pytest.approx(RATE_HZ, rel=0.2) or session.warnings
    assert G
