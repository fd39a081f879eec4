"""What single events show of the sensor soon after they end: a first still that moved, a mounting that changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.consistency.stills import measure_still
from analysis.model.errors import InputError
from analysis.model.records import Event, RawSamples, Session
from analysis.reference.mounting import POSES, MountingChange, MountingSettings, Pose, see_poses
from analysis.reference.mounting_doubts import new_gestures_wanted
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals
from logger.sliding.sample_store import SampleStore

MARGIN_S = 1.0


class EventWatch:
    """Look at events one by one, each once.

    Parameters
    ----------
    context : Session
        Sensor and calibration; its samples and events do not matter.
    store : SampleStore
    """

    def __init__(self, context: Session, store: SampleStore) -> None:
        self._context = context
        self._store = store
        self._poses: list[Pose] = []
        self._looked_at = 0
        self._blocks = 0
        self._asked_s: dict[str, float] = {}

    def moved(self, still: Event) -> bool:
        """Whether a still off the hand moved: on a lap, or touched. False where its samples are missing.

        Parameters
        ----------
        still : Event

        Returns
        -------
        bool
        """
        signals = self._signals(still)
        if signals is None:
            return False
        part = signals.grid.slice_of(still.start_s, still.end_s)
        if not signals.grid.valid[part].any():
            return False
        found = measure_still(signals.accel_mps2[part], signals.gyro_radps[part], signals.grid.rate_hz)
        return not found.good(off_hand=True)

    def new_gestures_wanted(
        self, events: Sequence[Event], posture: str, settings: MountingSettings
    ) -> MountingChange | None:
        """The change after which a posture's gestures should be made anew; asked for once until they were.

        Parameters
        ----------
        events : sequence of Event
            All so far, in the order in which they were recorded.
        posture : str
        settings : MountingSettings

        Returns
        -------
        MountingChange or None
        """
        for event in events[self._looked_at :]:
            self._look_at(event)
        self._looked_at = len(events)
        change = new_gestures_wanted(self._poses, events, posture, settings)
        asked_s = self._asked_s.get(posture)
        made = [e.start_s for e in events if e.kind in POSES and e.kind != "play" and e.posture in (posture, "")]
        if change is None or (asked_s is not None and not any(time_s > asked_s for time_s in made)):
            return None
        self._asked_s[posture] = max(event.end_s for event in events)
        return change

    def _look_at(self, event: Event) -> None:
        block = self._blocks
        self._blocks += event.kind == "play"
        signals = self._signals(event) if event.kind in POSES else None
        if signals is not None:
            found = see_poses(signals, (event,))
            self._poses += [replace(pose, block=None if pose.block is None else block) for pose in found]

    def _signals(self, event: Event) -> Signals | None:
        """Signals of one event alone, with a little before it; None where they cannot be used."""
        tick_hz = self._context.profile.tick_hz
        raw = self._store.since(int((event.start_s - MARGIN_S) * tick_hz))
        own = raw.ticks < (event.end_s + MARGIN_S) * tick_hz
        raw = RawSamples(raw.ticks[own], raw.sequence[own], raw.host_time_s[own], raw.counts[own])
        try:
            return prepare_signals(replace(self._context, raw=raw), fit_timebase(raw, self._context.profile))
        except InputError:  # Too few samples, or a sensor that started anew in its midst.
            return None
