"""Both public validators of BIDS data sets, run for real: on what is exported, and on what only our checks see."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from logger.exchange.bids_recording import BidsSettings
from logger.exchange.check_bids import check_dataset
from logger.exchange.export_bids import export_bids
from tests.house.test_house import ROOT
from tests.logger.exchange.make import saved, with_gaps
from tests.logger.exchange.test_bids import edit, with_header, without_channels, wrong_unit
from tests.logger.exchange.validators import deno_errors, npm_errors


@pytest.fixture(scope="module")
def dataset(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions of two players, one of them a shipped log with strokes and blocks."""
    folder = tmp_path_factory.mktemp("validated")
    paths = [
        saved(folder, "one", with_gaps(300, 1)),
        saved(folder, "two", with_gaps(300, 2)),
        ROOT / "sample_logs" / "steady_and_tilted.mcap",
    ]
    export_bids(paths, folder / "set", BidsSettings())
    return folder / "set"


@pytest.mark.parametrize("validate", [deno_errors, npm_errors])
def test_a_data_set_of_two_players_is_accepted(dataset: Path, validate: Callable[[Path], list[str]]) -> None:
    assert (dataset / "derivatives").exists()
    assert validate(dataset) == []


@pytest.mark.parametrize("validate", [deno_errors, npm_errors])
def test_the_validators_do_find_faults(dataset: Path, tmp_path: Path, validate: Callable[[Path], list[str]]) -> None:
    top = shutil.copytree(dataset, tmp_path / "set")
    for path in top.rglob("*_motion.json"):
        edit(path, '"SamplingFrequency"', '"Sampling"')
    assert validate(top) != []


@pytest.mark.parametrize("spoil", [without_channels, with_header, wrong_unit])
def test_what_they_accept_our_own_checks_do_not(tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    """If a newer validator sees one of these, this says so, and the check of ours can go."""
    export_bids([saved(tmp_path, "one", with_gaps(300))], tmp_path / "set", BidsSettings(strokes=False))
    spoil(tmp_path / "set")
    assert len(check_dataset(tmp_path / "set")) == 1
    assert npm_errors(tmp_path / "set") == []
    assert deno_errors(tmp_path / "set") == []
