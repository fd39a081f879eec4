"""The sensor on the instrument as the options name it, opened once the hand's is there; a phone's address is told."""

from __future__ import annotations

from logger.commands.sensor_options import PHONE_SOURCE, instrument_from_options, say_offer
from logger.sources.base import Source


class SecondSource:
    """The sensor on the instrument as the options name it; a phone's address is said once it is there."""

    def __init__(self, text: str, profile_name: str, speed: float) -> None:
        self._text, self._profile_name, self._speed = text, profile_name, speed
        self._source: Source | None = None
        self._said = ""

    def open(self, hand: Source) -> Source | None:
        """Make the source, given the hand's."""
        self._source = instrument_from_options(self._text, self._profile_name, hand, self._speed)
        return self._source

    def phone_address(self) -> str:
        """Where a phone finds its page; empty where none is waited for."""
        if self._text != PHONE_SOURCE or self._source is None:
            return ""
        from logger.phone.phone_source import PhoneSource

        offer = self._source.offer if isinstance(self._source, PhoneSource) else None
        address = "" if offer is None else offer.address
        if address and address != self._said:
            self._said = address
            say_offer(self._source)
        return address
