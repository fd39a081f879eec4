"""Records of files: what is wrong with one is said on one line, whatever it holds."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.model.errors import SessionFileError
from analysis.model.records import SensorProfile
from logger.session.typed_records import build


@pytest.mark.parametrize("record", ["a\nb", ["a\nb"], {"a\nb": 1}, None, 7])
def test_a_record_of_another_kind_is_refused_on_one_line(record: Any) -> None:
    with pytest.raises(SessionFileError, match="expected the fields of SensorProfile") as caught:
        build(SensorProfile, record)
    assert "\n" not in str(caught.value)
