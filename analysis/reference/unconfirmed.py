"""Doubts on how a session's events and its sensor's place are known."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.model.doubts import Doubt

EVENTS_KEY = "events"
FOUND = "found in the signals"
FOUND_UNCLEAR = "found in the signals, across and along unclear"
"""Metadata of a session whose events nobody confirmed."""
PLACE_KEY = "sensor_place"


def metadata_doubts(metadata: Mapping[str, str]) -> tuple[Doubt, ...]:
    """Doubts that a session's metadata tells of.

    Parameters
    ----------
    metadata : mapping of str to str
        Of the session.

    Returns
    -------
    tuple of Doubt
        Empty where everything was confirmed.

    Examples
    --------
    >>> [doubt.cap for doubt in metadata_doubts({"events": FOUND, "sensor_place": "forearm"})]
    ['likely', 'open']
    """
    doubts = []
    known = metadata.get(EVENTS_KEY)
    if known in (FOUND, FOUND_UNCLEAR):
        doubts.append(
            Doubt(
                kind="events",
                cap="likely",
                fault="gestures and play were found in the signals",
                evidence="nobody has confirmed what was done when",
                change="look at the events table that import wrote, correct it, and import with --events",
            )
        )
    if known == FOUND_UNCLEAR:
        doubts.append(
            Doubt(
                kind="across or along",
                cap="open",
                fault="across and along cannot be told apart",
                evidence="neither runs up and down, as where the instrument lies flat",
                change="say in the events table which of the two went over the strings, and import with --events",
                about="tip",
            )
        )
    if metadata.get(PLACE_KEY) == "forearm":
        doubts.append(
            Doubt(
                kind="sensor place",
                cap="open",
                fault="the sensor sat on the forearm",
                evidence="the wrist that picks lies between it and the plectrum",
                change="strap it on the back of the picking hand; no tilt is claimed from the forearm",
            )
        )
    return tuple(doubts)
