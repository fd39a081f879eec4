"""Values out of TOML files: numbers within their bounds, whatever their size."""

from __future__ import annotations

import tomllib

import pytest

from analysis.model.errors import StrokeplaneError
from logger.files.toml_table import Table


@pytest.mark.parametrize("written", ["1" + 400 * "0", "-1" + 400 * "0", "inf", "nan", "true", "'1'", "[1]"])
def test_what_is_no_number_within_bounds_is_refused(written: str) -> None:
    """Found by fuzzing: a whole number beyond every float ended in a traceback."""
    values = tomllib.loads(f"version = {written}")
    with pytest.raises(StrokeplaneError, match="version must be a whole number from 1 to 9"):
        Table(values, "players.toml", StrokeplaneError).integer("version", 1, 9)
    with pytest.raises(StrokeplaneError, match="version must be a number from 1 to 9"):
        Table(values, "players.toml", StrokeplaneError).number("version", 1.0, 9.0)
