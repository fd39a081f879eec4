"""A TOML table that hands out checked values: every reader of settings files uses it, so mistakes read alike."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import TypeGuard

from analysis.model.errors import DeviceError, StrokeplaneError

LARGEST = sys.float_info.max


class Table:
    """A TOML table that hands out checked values and refuses keys that nobody asked for.

    ``failure`` is the type of the errors it raises: it serves other files than profiles, too.

    Parameters
    ----------
    values : mapping of str to object
        As a TOML parser gives them.
    where : str
        Name of the file and of the table in it, for the sentences.
    failure : type of StrokeplaneError
    """

    def __init__(self, values: Mapping[str, object], where: str, failure: type[StrokeplaneError] = DeviceError) -> None:
        self._values = dict(values)
        self._where = where
        self._failure = failure
        self._used: set[str] = set()
        self._children: list[Table] = []

    def error(self, sentence: str) -> StrokeplaneError:
        """Return an error that names this table.

        Parameters
        ----------
        sentence : str

        Returns
        -------
        StrokeplaneError
        """
        return self._failure(f"{self._where}: {sentence}")

    def has(self, key: str) -> bool:
        """Whether the file gives this key.

        Parameters
        ----------
        key : str

        Returns
        -------
        bool
        """
        return key in self._values

    def list_length(self, key: str) -> int | None:
        """Length of the list that the file gives here; None where it gives another kind of value.

        Parameters
        ----------
        key : str

        Returns
        -------
        int or None
        """
        value = self._values.get(key)
        return len(value) if isinstance(value, list) else None

    def table(self, key: str, optional: bool = False) -> Table:
        """Return a table inside this one; an empty one where it is optional and absent.

        Parameters
        ----------
        key : str
        optional : bool, optional

        Returns
        -------
        Table

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, {} if optional else None)
        if not isinstance(value, dict):
            raise self.error(f"[{key}] must be a table")
        child = Table(value, f"{self._where} [{key}]", self._failure)
        self._children.append(child)
        return child

    def text(self, key: str, default: str | None = None, longest: int = 200) -> str:
        """Return a string of at most ``longest`` characters.

        Parameters
        ----------
        key : str
        default : str, optional
        longest : int, optional

        Returns
        -------
        str

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, default)
        if not isinstance(value, str) or len(value) > longest:
            raise self.error(f"{key} must be text of at most {longest} characters, not {value!r:.200}")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of 1 to 64 strings.

        Parameters
        ----------
        key : str

        Returns
        -------
        tuple of str

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, None)
        if not isinstance(value, list) or not 1 <= len(value) <= 64 or not all(isinstance(v, str) for v in value):
            raise self.error(f"{key} must be a list of 1 to 64 texts")
        return tuple(value)

    def choice(self, key: str, choices: tuple[str, ...]) -> str:
        """Return one of the choices.

        Parameters
        ----------
        key : str
        choices : tuple of str

        Returns
        -------
        str

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, None)
        if value not in choices:
            raise self.error(f"{key} must be one of {', '.join(choices)}, not {value!r}")
        return str(value)

    def date(self, key: str) -> datetime | None:
        """Return a date, with or without a time of day, or None where the key is absent.

        Parameters
        ----------
        key : str

        Returns
        -------
        datetime or None

        Raises
        ------
        StrokeplaneError
        """
        self._used.add(key)
        value = self._values.get(key)
        if value is None or isinstance(value, datetime):
            return value
        try:
            if isinstance(value, date):
                return datetime.combine(value, time())
            return datetime.fromisoformat(str(value)[:40])
        except ValueError as error:
            raise self.error(f"{key} must be a date as 2026-11-26 or 2026-11-26T18:30:00, not {value!r:.60}") from error

    def number(self, key: str, low: float, high: float) -> float:
        """Return a number in ``[low, high]``.

        Parameters
        ----------
        key : str
        low : float
        high : float

        Returns
        -------
        float

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, None)
        if not _is_number(value) or not low <= value <= high:
            raise self.error(f"{key} must be a number from {low:g} to {high:g}, not {value!r}")
        return float(value)

    def number_or_none(self, key: str, low: float, high: float) -> float | None:
        """Return a number in ``[low, high]``, or None where the key is absent.

        Parameters
        ----------
        key : str
        low : float
        high : float

        Returns
        -------
        float or None
        """
        self._used.add(key)
        return self.number(key, low, high) if key in self._values else None

    def numbers(self, key: str, count: int, low: float, high: float) -> tuple[float, ...]:
        """Return a list of ``count`` numbers in ``[low, high]``.

        Parameters
        ----------
        key : str
        count : int
        low : float
        high : float

        Returns
        -------
        tuple of float

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, None)
        if (
            not isinstance(value, list)
            or len(value) != count
            or not all(_is_number(v) and low <= v <= high for v in value)
        ):
            raise self.error(f"{key} must be a list of {count} numbers from {low:g} to {high:g}, not {value!r}")
        return tuple(float(v) for v in value)

    def integer(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """Return a whole number in ``[low, high]``.

        Parameters
        ----------
        key : str
        low : int
        high : int
        default : int, optional

        Returns
        -------
        int

        Raises
        ------
        StrokeplaneError
        """
        value = self._take(key, default)
        if not _is_number(value) or value != int(value) or not low <= value <= high:
            raise self.error(f"{key} must be a whole number from {low} to {high}, not {value!r}")
        return int(value)

    def refuse_unknown(self) -> None:
        """Raise if a key was never asked for, here or in a table inside.

        Raises
        ------
        StrokeplaneError
        """
        for key in self._values:
            if key not in self._used:
                raise self.error(f"key {key!r} is not known; remove it or correct its spelling")
        for child in self._children:
            child.refuse_unknown()

    def _take(self, key: str, default: object) -> object:
        self._used.add(key)
        value = self._values.get(key, default)
        if value is None:
            raise self.error(f"{key} is missing")
        return value


def _is_number(value: object) -> TypeGuard[int | float]:
    # A comparison, not isfinite: whole numbers of a TOML file may be larger than any float.
    return isinstance(value, int | float) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST
