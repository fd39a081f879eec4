"""Strokes of the running block for other programs: each once, when its judgement has settled."""

from __future__ import annotations

from collections.abc import Callable

from logger.live.lsl_streams import LslStreams
from logger.live.protocol import ServerMessage, Strokes


def tell_both(publish: Callable[[ServerMessage], None], streams: LslStreams) -> Callable[[ServerMessage], None]:
    """Give a way to publish to the pages that also sends settled strokes to other programs.

    Parameters
    ----------
    publish : callable
        To the pages.
    streams : LslStreams

    Returns
    -------
    callable
        Takes a message for the pages; a settled stroke is sent on once.
    """
    sent: set[tuple[int, int]] = set()

    def tell(message: ServerMessage) -> None:
        publish(message)
        if isinstance(message, Strokes):
            for stroke in message.strokes:
                if not stroke.provisional and (message.block, stroke.id) not in sent:
                    sent.add((message.block, stroke.id))
                    streams.stroke(stroke, message.against_hand)

    return tell
