"""A session without its samples, and a session from that and its samples: what files and exports hold in two parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

from analysis.model.records import Event, RawSamples, Session, Stream
from logger.session.session_records import SessionHead, StreamHead


def head_of(session: Session) -> SessionHead:
    """Everything about a session but its samples and events.

    Parameters
    ----------
    session : Session

    Returns
    -------
    SessionHead
    """
    alike = {field.name: getattr(session, field.name) for field in fields(SessionHead) if field.name != "streams"}
    streams = tuple(StreamHead(s.role, s.profile, s.calibration, s.clock, s.sensor) for s in session.streams)
    return SessionHead(**alike, streams=streams)


def session_of(
    head: SessionHead, raw: RawSamples, events: Sequence[Event] = (), stream_samples: Sequence[RawSamples] = ()
) -> Session:
    """Put a session together.

    Parameters
    ----------
    head : SessionHead
    raw : RawSamples
        The hand's.
    events : sequence of Event
    stream_samples : sequence of RawSamples
        Of the head's further streams, in their order; streams beyond the last of these are left out.

    Returns
    -------
    Session
    """
    alike = {field.name: getattr(head, field.name) for field in fields(SessionHead) if field.name != "streams"}
    streams = tuple(
        Stream(each.role, samples, each.profile, each.calibration, each.clock, each.sensor)
        for each, samples in zip(head.streams, stream_samples, strict=False)
    )
    return Session(raw, **alike, events=tuple(events), streams=streams)


def stream_names(roles: Sequence[str]) -> tuple[str, ...]:
    """A name of its own for each stream, by role: ``instrument``, and ``instrument2`` for a second one.

    Parameters
    ----------
    roles : sequence of str

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> stream_names(["instrument", "hand", "instrument"])
    ('instrument', 'hand', 'instrument2')
    """
    names: list[str] = []
    for role in roles:
        before = sum(name.rstrip("0123456789") == role for name in names)
        names.append(role if not before else f"{role}{before + 1}")
    return tuple(names)
