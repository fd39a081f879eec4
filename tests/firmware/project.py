"""What these tests use of the project itself, in one place: the host's side of the protocol."""

from __future__ import annotations

from analysis.model.records import RawSamples
from logger.sources.device_profile import load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.messages import (
    Answer,
    Battery,
    Hello,
    Identify,
    Message,
    SampleFrame,
    SetRange,
    SetRate,
    Start,
    Status,
    Stop,
)
from logger.sources.open_source import LinkSettings, open_source
from logger.sources.packets import FrameDecoder, encode, parse, parse_command
from logger.sources.stream import DeviceInfo, Item, join_samples

__all__ = [
    "Answer",
    "Battery",
    "DeviceInfo",
    "FrameDecoder",
    "FrameReader",
    "Hello",
    "Identify",
    "Item",
    "LinkSettings",
    "Message",
    "RawSamples",
    "SampleFrame",
    "SetRange",
    "SetRate",
    "Start",
    "Status",
    "Stop",
    "encode",
    "join_samples",
    "load_profile",
    "open_source",
    "parse",
    "parse_command",
]
