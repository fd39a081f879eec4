"""The next evening's plan, made at the end of this one: what it says, and how it is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from analysis.model.errors import StrokeplaneError
from analysis.model.records import Session, SessionResult
from analysis.report.session_answers import SessionAnswers
from logger.files.atomic_file import check_absent, write_text_atomic
from logger.player.ability_file import keep_evenings, learn_evenings
from logger.practice.ability import Ability
from logger.practice.next_plan import NextPlan, plan_next
from logger.practice.plan import render_plan
from logger.practice.tonight import day_of, reduce_evening
from logger.terminal.plan_text import wrap


@dataclass(frozen=True)
class Tomorrow:
    """A plan that is offered, and what to keep with it.

    Attributes
    ----------
    player : str
        Whose evening it was; of nobody in particular where it is empty.
    ability : Ability
        What the player can do, with tonight.
    next : NextPlan
    cautions : tuple of str
    """

    player: str
    ability: Ability
    next: NextPlan
    cautions: tuple[str, ...]

    def keep(self, path: Path) -> str:
        """Write the plan and remember the evening; return a sentence that says where, or why not.

        Parameters
        ----------
        path : Path
            Of the plan; a file that is there is left alone.

        Returns
        -------
        str
        """
        try:
            check_absent(path, replace=False)
            if self.player:
                keep_evenings(self.player, self.ability)
            write_text_atomic(path, next_text(self.next, self.cautions))
        except StrokeplaneError as error:
            return f"The plan was not saved: {error}."
        return f"Saved as {path.name}."


def plan_tomorrow(session: Session, result: SessionResult, answers: SessionAnswers) -> Tomorrow:
    """Plan the evening after this one.

    Parameters
    ----------
    session : Session
    result : SessionResult
        Of this session.
    answers : SessionAnswers
        Of this session.

    Returns
    -------
    Tomorrow

    Raises
    ------
    InputError
        Nothing is known of any tilt yet, or what is kept of other evenings cannot be read.
    """
    ability = learn_evenings(result.player.name, [reduce_evening(result, answers, day_of(session))])
    found = plan_next(ability, today=date.today().isoformat())
    return Tomorrow(result.player.name, ability, found, result.cautions)


def next_text(found: NextPlan, cautions: Sequence[str]) -> str:
    """A plan as TOML, its reasons and cautions above it as comments.

    Parameters
    ----------
    found : NextPlan
    cautions : sequence of str

    Returns
    -------
    str
    """
    plan = render_plan(found.plan)
    # The plan itself begins with the first caution.
    above = [sentence for sentence in dict.fromkeys((*found.reasons, *cautions)) if sentence not in plan]
    comments = "".join(f"# {line}\n" for sentence in above for line in wrap(sentence).splitlines())
    return f"{comments}\n{plan}"
