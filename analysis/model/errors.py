"""Typed errors. They carry what was expected, what was found, where, and what to do next; one place makes the sentence.

Examples
--------
>>> error = InputError(expected="numbers", found="'abc'", next_step="correct the cell", file="log.csv", row=7)
>>> str(error)
"log.csv, row 7: expected numbers, found 'abc'; correct the cell"
>>> error.facts["row"], InputError("the tab holds no note", next_step="write fret numbers").facts["next_step"]
(7, 'write fret numbers')
"""

from __future__ import annotations

from typing import Self, TypedDict, Unpack, cast


class Facts(TypedDict, total=False):
    """What an error may carry besides its problem; ``file`` to ``block`` say where."""

    expected: str
    found: str
    next_step: str
    file: str
    row: int
    sample: int
    column: str
    block: int


PLACES = ("row", "sample", "column", "block")


class StrokeplaneError(Exception):
    """Base of every error that a user can cause or cure; the command line prints it as one sentence.

    Parameters
    ----------
    problem : str
        What is wrong, where ``expected`` and ``found`` do not say it.
    **facts : Facts
        ``expected``, ``found``, ``next_step``, and where: ``file``, ``row``, ``column``, ``block``.

    Attributes
    ----------
    problem : str
    facts : Facts
        What was given, for programs: the same as the sentence says.
    """

    def __init__(self, problem: str = "", **facts: Unpack[Facts]) -> None:
        super().__init__(problem)
        self.problem = problem
        self.facts = facts

    def __str__(self) -> str:
        """The sentence, without a full stop of its own."""
        facts = self.facts
        places = [f"{name} {facts[name]}" for name in PLACES if name in facts]  # type: ignore[literal-required]
        where = ", ".join([*([facts["file"]] if "file" in facts else []), *places])
        missed = [f"expected {facts['expected']}"] if "expected" in facts else []
        missed += [f"found {facts['found']}"] if "found" in facts else []
        said = "; ".join(part for part in (self.problem, ", ".join(missed), facts.get("next_step", "")) if part)
        return f"{where}: {said}" if where else said

    def __reduce__(self) -> tuple[object, ...]:
        """Errors travel between processes with all that they carry."""
        return _rebuild, (type(self), self.problem, self.facts)

    def at(self, **places: Unpack[Facts]) -> Self:
        """The same error with more said of where it happened; what is known already stays.

        Parameters
        ----------
        **places : Facts

        Returns
        -------
        StrokeplaneError
            Of the same type.
        """
        return type(self)(self.problem, **cast("Facts", {**places, **self.facts}))


def _rebuild(kind: type[StrokeplaneError], problem: str, facts: Facts) -> StrokeplaneError:
    return kind(problem, **facts)


class InputError(StrokeplaneError):
    """A file, row, column, setting or event that cannot be used as it stands."""


class SessionFileError(StrokeplaneError):
    """A session file that cannot be read or written."""


class SoundFileError(StrokeplaneError):
    """A recording of the sound that cannot be read or written."""


class TimebaseError(InputError):
    """Sample times that go backwards, contradict the rate, or cannot be put on a grid."""


class GestureError(StrokeplaneError):
    """Reference gestures that are missing or too poor to give an instrument frame."""


class DeviceError(StrokeplaneError):
    """A sensor or link that cannot be found, opened or understood."""


class NotEnoughDataError(StrokeplaneError):
    """A question that this session cannot answer, with what would answer it."""


class OutputError(StrokeplaneError):
    """A file that cannot be written where it was asked for."""


class ClusterError(StrokeplaneError):
    """Workers elsewhere that cannot be reached or cannot do the work."""
