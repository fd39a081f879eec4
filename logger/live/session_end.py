"""The end of a session: the file closed, the whole analysis run on it, the report written beside it."""

from __future__ import annotations

from pathlib import Path

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import session_cautions
from analysis.model.errors import StrokeplaneError
from logger.live.state import Report
from logger.many.analyse import analyse_recording
from logger.player.player_profile import remember_lever
from logger.record.recorder import Recorder
from logger.report.session_page import write_report
from logger.session.session_file import read_session
from logger.sound.session_take import hear_own

REPORT_URL = "/report"


def end_recording(recorder: Recorder) -> str:
    """Close the file; a sentence where the disk failed."""
    try:
        recorder.stop()
    except StrokeplaneError as error:
        return str(error)
    return ""


def write_session_report(path: Path) -> Report:
    """Analyse a session file and write its report; where that cannot be done, the reason is the sentence.

    Parameters
    ----------
    path : Path
        The session; the report gets the same name with ``.html``.
    """
    try:
        session = read_session(path)
    except StrokeplaneError as error:
        return Report(None, path.name, str(error), session_cautions((), False))
    try:
        result = analyse_recording(session).result
        report = path.with_suffix(".html")
        heard, silent = hear_own(path, session, result)
        found = weigh_session(result, session.metadata, heard)
        write_report(found, report)
        remember_lever(session, result)
    except StrokeplaneError as error:
        return Report(None, path.name, f"There is no report: {error}.", session_cautions(session.events, False))
    return Report(REPORT_URL, report.name, f"{found.answer.claim} {silent}".strip(), result.cautions)
