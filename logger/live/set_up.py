"""Who plays on what: what the page offers to choose from, and what a choice changes."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Instrument
from analysis.reference.soundboard import HEIGHTS, read_heights
from logger.guide.asked_gestures import choose_gestures
from logger.guide.orders import Chosen
from logger.guide.stretch import FreePlay
from logger.live.commands import Choose
from logger.live.state import Option, Setup
from logger.player.instrument_presets import describe_instrument, load_presets
from logger.player.player_profile import Players
from logger.player.setup_file import setup_of
from logger.record.recorder import Setup as RecordedSetup

OWN = "own"
"""Value of the instrument that came with the player or a set-up file."""
POSTURES = ("A", "B", "C")
LIMITS: dict[str, tuple[float, float]] = {"tempo_bpm": (20.0, 400.0), "notes_per_beat": (0.25, 32.0)}


class SetUp:
    """The choices and what they come to.

    Parameters
    ----------
    start : RecordedSetup
        Player, instrument and lever to begin with.
    players : Players
        Everybody known on this computer.
    postures : sequence of str
        Of the plan; empty for free play.
    second : bool
        A second sensor sits on the instrument.
    truer : bool
        Two minutes for a truer answer are wanted: stills on the soundboard.
    edge : str
        Height/length (mm) of an edge for the angle check; empty: none is asked for.
    """

    def __init__(
        self,
        start: RecordedSetup,
        players: Players,
        postures: tuple[str, ...] = (),
        second: bool = False,
        truer: bool = False,
        edge: str = "",
    ) -> None:
        self.recorded = start
        self.free = FreePlay(posture=postures[0] if postures else POSTURES[0])
        self.planned = bool(postures)
        self.second = second
        self.truer = truer
        self.edge = edge
        self._players = players
        self._own = start.instrument
        self._instrument = OWN
        self._postures = postures or POSTURES

    @property
    def shown(self) -> Setup:
        """As pages show it."""
        instrument = self.recorded.instrument
        places = np.concatenate([[0.0], np.cumsum(instrument.spacing_mm)])
        presets = [Option(name, preset.name) for name, preset in load_presets().items()]
        own = [Option(OWN, self._own.name or "as set up")]
        names = [profile.player.name for profile in self._players.profiles]
        names += [self.recorded.player.name] * (self.recorded.player.name not in names)
        return Setup(
            players=tuple(Option(name, name or "no name") for name in names),
            player=self.recorded.player.name,
            handed=self.recorded.player.handed,
            instruments=(*own, *presets),
            instrument=self._instrument,
            instrument_words=describe_instrument(instrument),
            courses_mm=tuple((places - places.mean()).tolist()),
            spacing_mm=instrument.mean_spacing_mm,
            plectrum_depth_mm=instrument.plectrum_depth_mm,
            dead_band_deg=instrument.dead_band_deg,
            postures=tuple(Option(name, name or "none") for name in self._postures),
            posture=self.free.posture,
            wanted=self.free.wanted,
            tempo_bpm=self.free.tempo_bpm,
            notes_per_beat=self.free.notes_per_beat,
            planned=self.planned,
            truer=("yes" if self.truer else "no") if self.offers_truer else None,
            heights_mm=self.recorded.metadata.get(HEIGHTS, ""),
        )

    @property
    def offers_truer(self) -> bool:
        """Whether stills on the soundboard are offered: a lap instrument's lies level anyway."""
        return self.recorded.instrument.held == "upright"

    @property
    def postures(self) -> tuple[str, ...]:
        """That can be played."""
        return self._postures

    def forget_lever(self) -> None:
        """The sensor sits elsewhere than remembered."""
        self.recorded = replace(self.recorded, lever_mm=None, lever_sd_mm=None)

    def chosen(self, at_s: float, refused: str = "") -> Chosen:
        """For the guide: which gestures are asked for, and what free play is.

        Parameters
        ----------
        at_s : float
        refused : str, optional

        Returns
        -------
        Chosen
        """
        recorded, free = self.recorded, self.free
        flat, truer = recorded.instrument.held == "flat", self.truer and self.offers_truer
        gestures = choose_gestures(recorded.lever_sd_mm, flat, self.second, truer, self.edge)
        if free.tempo_bpm is None:
            free = replace(free, notes_per_beat=None)
        instrument = recorded.instrument
        return Chosen(at_s, gestures, free, instrument.dead_band_deg, refused, instrument.courses)

    def choose(self, choice: Choose, blocks_only: bool = False) -> None:
        """Follow a choice; ``blocks_only``: the recording has begun, player and instrument stay.

        Raises
        ------
        InputError
            If there is no such choice.

        Parameters
        ----------
        choice : Choose
        blocks_only : bool, optional
        """
        if choice.field in ("player", "handed", "instrument", "truer", "heights_mm"):
            if blocks_only:
                raise InputError(
                    "Player and instrument stay as they are in this session",
                    next_step="end it to change them.",
                )
            self._choose_person(choice)
        elif self.planned:
            raise InputError(
                "The plan says what is played",
                next_step="start without a plan to choose freely.",
            )
        elif choice.field == "posture":
            self.free = replace(self.free, posture=self._one_of(choice.value, self._postures))
        elif choice.field == "wanted":
            wanted = self._one_of(choice.value, ("", "down", "up"))
            self.free = replace(self.free, wanted="down" if wanted == "down" else "up" if wanted else None)
        else:
            low, high = LIMITS[choice.field]
            number = _number(choice.value, low, high)
            if choice.field == "tempo_bpm":
                self.free = replace(self.free, tempo_bpm=number)
            else:
                self.free = replace(self.free, notes_per_beat=number)

    def _choose_person(self, choice: Choose) -> None:
        if choice.field == "truer":
            self.truer = self._one_of(choice.value, ("yes", "no")) == "yes"
        elif choice.field == "heights_mm":
            read_heights(choice.value)
            self._keep_heights(choice.value.strip())
        elif choice.field == "player":
            self._choose_player(choice.value)
        elif choice.field == "handed":
            handed: Literal["right", "left"] = (
                "left" if self._one_of(choice.value, ("right", "left")) == "left" else "right"
            )
            self.recorded = replace(self.recorded, player=replace(self.recorded.player, handed=handed))
        else:
            name = self._one_of(choice.value, (OWN, *load_presets()))
            instrument: Instrument = self._own if name == OWN else load_presets()[name]
            if name != self._instrument:  # Another soundboard.
                self._keep_heights("")
            self._instrument = name
            self.recorded = replace(self.recorded, instrument=instrument)

    def _keep_heights(self, heights_mm: str) -> None:
        """Heights of the outer strings above the soundboard for the recording; empty: nobody measured them."""
        rest = {key: value for key, value in self.recorded.metadata.items() if key != HEIGHTS}
        self.recorded = replace(self.recorded, metadata=rest | ({HEIGHTS: heights_mm} if heights_mm else {}))

    def _choose_player(self, name: str) -> None:
        profile = self._players.find(name)
        if profile is None:
            if name != self.recorded.player.name:
                raise InputError(
                    f"There is no player {name!r} here",
                    next_step="run: strokeplane start",
                )
            return
        self._own, self._instrument = profile.instrument, OWN
        self.recorded = setup_of(profile)

    def _one_of(self, value: str, choices: tuple[str, ...]) -> str:
        if value not in choices:
            raise InputError(
                f"Expected one of {', '.join(name or 'none' for name in choices)}",
                next_step="choose one of those.",
            )
        return value


def _number(text: str, low: float, high: float) -> float | None:
    """A number written as text; None for empty text."""
    if not text:
        return None
    try:
        number = float(text)
    except ValueError as error:
        raise InputError(f"Expected a number from {low:g} to {high:g}, found {text!r}.") from error
    if not low <= number <= high:
        raise InputError(f"Expected a number from {low:g} to {high:g}, found {text!r}.")
    return number
