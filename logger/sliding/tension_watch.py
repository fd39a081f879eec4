"""After every block: does anything drift away from the session's first minutes, as the report would ask."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.model.records import BlockSummary, Event, SessionResult
from analysis.tension.caution_level import TensionLevel, assess_tension
from analysis.tension.marker_table import tension_blocks


class TensionWatch:
    """Collect the blocks of a session and assess them together."""

    def __init__(self) -> None:
        self._strokes: list[pd.DataFrame] = []
        self._blocks: list[BlockSummary] = []

    def add(self, block: SessionResult, events: Sequence[Event]) -> TensionLevel:
        """Take one more block.

        Parameters
        ----------
        block : SessionResult
            Of this block alone.
        events : sequence of Event
            All so far: ratings and reports of discomfort count.

        Returns
        -------
        TensionLevel
        """
        number = len(self._blocks)
        numbers = pd.array(np.full(len(block.strokes), number), dtype="Int64")
        self._strokes.append(block.strokes.assign(block=numbers))
        self._blocks.append(block.blocks[0])
        strokes = pd.concat([part for part in self._strokes if len(part)] or self._strokes[:1], ignore_index=True)
        return assess_tension(tension_blocks(strokes, self._blocks, (), events), events)
