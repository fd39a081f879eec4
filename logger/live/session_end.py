"""The end of a session: the file closed, the whole analysis run on it, the report written beside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import session_cautions
from analysis.model.errors import InputError, StrokeplaneError
from logger.live.state import PlanOffer, Report
from logger.many.analyse import analyse_recording
from logger.player.player_profile import remember_edges, remember_lever
from logger.player.tomorrow import Tomorrow, plan_tomorrow
from logger.record.recorder import Recorder
from logger.report.session_page import write_report
from logger.session.session_file import read_session
from logger.sound.session_take import hear_own
from logger.terminal.plan_text import describe_plan

REPORT_URL = "/report"


def end_recording(recorder: Recorder) -> str:
    """Close the file; a sentence where the disk failed."""
    try:
        recorder.stop()
    except StrokeplaneError as error:
        return str(error)
    return ""


@dataclass(frozen=True)
class SessionEnd:
    """What the end of a session came to; ``tomorrow`` None: no plan can be made of it."""

    report: Report
    tomorrow: Tomorrow | None = None


def write_session_report(path: Path) -> SessionEnd:
    """Analyse a session file and write its report; where that cannot be done, the reason is the sentence.

    Parameters
    ----------
    path : Path
        The session; the report gets the same name with ``.html``.
    """
    try:
        session = read_session(path)
    except StrokeplaneError as error:
        return SessionEnd(Report(None, path.name, str(error), session_cautions((), False)))
    try:
        result = analyse_recording(session).result
        report = path.with_suffix(".html")
        heard, silent = hear_own(path, session, result)
        found = weigh_session(result, session.metadata, heard)
        write_report(found, report)
        remember_lever(session, result)
        edges = remember_edges(session, result)
    except StrokeplaneError as error:
        sentence = f"There is no report: {error}."
        return SessionEnd(Report(None, path.name, sentence, session_cautions(session.events, False)))
    done = Report(REPORT_URL, report.name, " ".join(filter(None, (found.answer.claim, silent, edges))), result.cautions)
    try:
        tomorrow = plan_tomorrow(session, result, found.answers)
    except InputError as error:
        return SessionEnd(replace(done, plan=PlanOffer(f"No plan: {error}.", ())))
    offer = PlanOffer(describe_plan(tomorrow.next.plan), tomorrow.next.reasons)
    return SessionEnd(replace(done, plan=offer), tomorrow)
