"""The whole chain on one session: time base, calibration, orientation, reference, tip path, strokes, tilt, blocks."""

from __future__ import annotations

from collections.abc import Callable

from analysis.errors import NotEnoughDataError
from analysis.model import Session, SessionResult

Progress = Callable[[str, float], None]
"""Called with a stage's name and the share of it that is done, 0..1."""


def analyse_session(session: Session, progress: Progress | None = None) -> SessionResult:
    """Turn one session into strokes, blocks and their uncertainty.

    Parameters
    ----------
    session : Session
        As read from its file; nothing in it is changed.
    progress : callable, optional
        Told the stage and the share done.

    Returns
    -------
    SessionResult

    Raises
    ------
    InputError, GestureError, NotEnoughDataError
        With one sentence each: what was expected, what was found, what to do next.
    """
    raise NotEnoughDataError("the estimator is not built yet")
