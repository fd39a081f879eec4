"""``strokeplane verify``: whole files, damaged ones, and a repair into a new file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from mcap.reader import make_reader

from analysis.model.errors import OutputError
from logger.cli import cli
from logger.session.session_file import read_session, write_session
from logger.session.verify import verify_file
from tests.logger.session import make
from tests.logger.session.test_versions import VERSIONS, two_streams


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["verify", *map(str, words)])


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    path = tmp_path / "s.mcap"
    write_session(path, make.session(4000))
    data = bytearray(path.read_bytes())
    at = data.index(make.session(4000).raw.counts[1000].astype("<i2").tobytes())
    data[at] ^= 4
    path.write_bytes(data)
    return path


def test_whole_files_of_every_version(tmp_path: Path) -> None:
    done = run(*sorted(VERSIONS.iterdir()))
    assert done.exit_code == 0
    assert "version-1.mcap: whole; format 1" in done.output
    assert "version-2.mcap: whole; format 2" in done.output
    # 300 samples, one each 2500 of 32768 ticks a second.
    assert "instrument (1): 300 samples in 22.8 s, 13.1072/s" in done.output
    assert "Noted when written: written before" in done.output


def test_gaps_and_clock_are_measured(tmp_path: Path) -> None:
    session = two_streams(4000)
    keep = list(range(1000)) + list(range(1010, 4000))
    raw = session.raw
    cut = type(raw)(raw.ticks[keep], raw.sequence[keep], raw.host_time_s[keep] * 1.0, raw.counts[keep])
    write_session(tmp_path / "s.mcap", replace(session, raw=cut))
    hand = verify_file(tmp_path / "s.mcap").streams[0]
    assert (hand.samples, hand.gaps, hand.missing, hand.backward) == (3990, 1, 10, 0)
    assert hand.rate_hz == pytest.approx(400.0)
    assert hand.clock_ppm == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("host_time_s", [1e300, -1.7e308, 5e-324])
def test_host_times_that_are_none_tell_no_clock(host_time_s: float, tmp_path: Path) -> None:
    """Found by fuzzing: the fit of the clock overflowed."""
    raw = make.session(4000).raw
    times = np.linspace(0.0, host_time_s, raw.ticks.size)
    spoilt = type(raw)(raw.ticks, raw.sequence, times, raw.counts)
    write_session(tmp_path / "s.mcap", replace(make.session(4000), raw=spoilt))
    found = verify_file(tmp_path / "s.mcap").streams[0].clock_ppm
    assert np.isnan(found)
    assert run(tmp_path / "s.mcap").exit_code == 0


def test_damage_is_told_and_repaired_into_a_new_file(damaged: Path, tmp_path: Path) -> None:
    before = damaged.read_bytes()
    done = run(damaged)
    assert done.exit_code == 1
    assert "s.mcap: DAMAGED" in done.output
    assert "512 of 4000 samples are missing" in done.output
    new = tmp_path / "new.mcap"
    assert run(damaged, "--repair", new).exit_code == 0
    assert damaged.read_bytes() == before
    mended = read_session(new)
    assert mended.raw.ticks.size == 4000 - 512
    assert any("512 of 4000" in warning for warning in mended.warnings)
    assert "new.mcap: whole" in run(new).output
    with new.open("rb") as stream:  # The MCAP library reads it, too.
        assert sum(1 for _ in make_reader(stream, validate_crcs=True).iter_messages()) > 5


def test_a_repair_replaces_nothing(damaged: Path, tmp_path: Path) -> None:
    there = tmp_path / "there.mcap"
    there.write_bytes(b"mine")
    for target in (there, damaged):
        assert isinstance(run(damaged, "--repair", target).exception, OutputError)
    assert there.read_bytes() == b"mine"
    assert run(damaged, there, "--repair", tmp_path / "n.mcap").exit_code == 2


def test_what_is_no_session_is_one_sentence_each(tmp_path: Path) -> None:
    (tmp_path / "a.mcap").write_text("text")
    (tmp_path / "b.mcap").write_bytes(bytes(1000))
    done = run(tmp_path / "a.mcap", tmp_path / "b.mcap", tmp_path / "none.mcap", tmp_path)
    assert done.exit_code == 1
    assert len(done.output.splitlines()) == 4
