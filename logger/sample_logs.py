"""The shipped logs: ``python -m logger.sample_logs`` (``make samples``) makes them anew, the same every time.

The scenario is invented: a mandolin player who works up a tune of her own. Beside each session stand its truth and
the answer that ``strokeplane analyse`` is expected to give, rounded.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from analysis.drills.phrases import read_phrase
from analysis.findings.arbiter import weigh_session
from analysis.model.records import Instrument, Player, SessionResult
from analysis.synthesis.disturbance import lean_before_play
from analysis.synthesis.plucked_string import PluckedNotes, StringModel, pluck_strings
from analysis.synthesis.scenario import GesturePlan, InstrumentSensor, PlayBlock, Posture, Recording, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from analysis.synthesis.sound_recording import RecordingChain, record
from logger.exchange.simulated_texts import events_csv, imu_csv, map_toml, truth_json
from logger.files.atomic_file import write_text_atomic
from logger.practice.played_drill import played_drill
from logger.report.result_files import render_result_json
from logger.session.session_file import write_session
from logger.sound.sound_file import write_sound
from logger.terminal.say import show

FOLDER = Path(__file__).resolve().parent.parent / "sample_logs"
RATE_HZ = 200.0
NOTE = "synthetic: an invented mandolin player and her invented tune, simulated by strokeplane"
DECIMALS = 2
# What changes with a word or with every release, and is no figure of the session.
UNEXPECTED = ("made_by", "synthetic", "cautions", "settings", "version", "log_hash")

MANDOLIN = Instrument(
    name="mandolin",
    strings=8,
    courses=4,
    # Between the middles of neighbouring courses where the plectrum meets them, a hand's breadth from the bridge; the
    # arch of a curved fingerboard; a firm plectrum's tip. From memory, not measured on any instrument.
    spacing_mm=(11.0, 11.0, 11.0),
    radius_mm=300.0,
    plectrum_depth_mm=1.5,
)
TUNE = "4:0-2-4 3:0-2 2:0-2 3:4-2 4:4-2-0"
"""A line of the invented tune on the courses G D A E: every string change follows a downstroke."""

OPEN_MIDI = (55, 62, 69, 76)
"""Open courses of a mandolin, the one that a downstroke meets first in front: G3, D4, A4, E5."""
SOUND_HZ = 16_000
SOUND_LEAD_S = 1.5
MISSED_STROKES = (22, 41, 98)
"""Strokes that miss their string: the motion has them, the sound has not."""
SOUND_QUALITY = 0.9
"""Of OGG, 0 best to 1 smallest: small, and still good enough to be heard."""

RESTING = Posture("hand resting")
LIFTED = Posture("hand lifted", yaw_deg=12.0, grip_change_mm=(3.0, -2.0, 2.0))


@dataclass(frozen=True)
class Sample:
    """One shipped log: its file's name, the seed, what is played, how often the gestures are made at a time.

    ``watch`` is a sensor on the instrument, ``lean_deg`` how far the instrument leans after the gestures.
    """

    name: str
    seed: int
    blocks: tuple[PlayBlock, ...]
    repetitions: int = 2
    watch: InstrumentSensor | None = None
    lean_deg: float = 0.0

    @property
    def scenario(self) -> Scenario:
        """The whole scenario."""
        return Scenario(
            rate_hz=RATE_HZ,
            instrument=MANDOLIN,
            player=Player(name="an invented mandolin player"),
            blocks=tuple(played_drill(block, MANDOLIN.courses) for block in self.blocks),
            postures=(RESTING, LIFTED),
            gestures=GesturePlan(length="short", repetitions=self.repetitions, rock=self.watch is not None),
            instrument_sensor=self.watch,
            # Short rests and no host times keep the files small.
            rest_s=(2.0, 3.0),
            recording=Recording(host_times=False, start_s=0.0),
            metadata={"note": NOTE},
        )


def _block(tempo_bpm: float, tilt_deg: float, seconds: float, **more: Any) -> PlayBlock:
    """Four strokes on each beat, the downstroke to clear unless something else is said."""
    given = {"posture": RESTING.label, "wanted": "down", "span_mm": 18.0, **more}
    return PlayBlock(tempo_bpm=tempo_bpm, notes_per_beat=4, tilt_deg=tilt_deg, duration_s=seconds, **given)


def _in_turn(order: str) -> tuple[PlayBlock, ...]:
    """Short blocks in two postures: the downstroke clears in r, the upstroke in l."""
    kinds = {
        "r": _block(112.0, 28.0, 6.0),
        "l": _block(112.0, -28.0, 6.0, posture=LIFTED.label, wanted="up"),
    }
    return tuple(kinds[letter] for letter in order)


LADDER = ((76.0, 26.0), (97.0, 22.0), (121.0, 6.0), (148.0, 1.0))
"""Tempo in beats a minute, tilt in degrees: steady while it is slow, level when it gets fast."""

SAMPLES = (
    Sample("steady_and_tilted", 1, (_block(112.0, 28.0, 10.0), _block(112.0, 28.0, 10.0, drill=TUNE))),
    Sample("level_at_speed", 2, tuple(_block(tempo, tilt, 6.0) for tempo, tilt in LADDER)),
    Sample("two_postures", 3, _in_turn("rllrrl"), repetitions=1),
    Sample(
        "leaning_instrument", 4, (_block(112.0, 10.0, 8.0),) * 2, watch=InstrumentSensor(rate_hz=100.0), lean_deg=7.0
    ),
)
AS_CSV = SAMPLES[0]
"""The log that is shipped as CSV too, for ``strokeplane import``."""
WITH_SOUND = SAMPLES[0]
"""The log that a microphone heard, too."""


def make_sample(sample: Sample) -> SimulatedSession:
    """Simulate one sample; ruler and stopwatch give whole millimetres and hundredths of a second."""
    leans = lean_before_play(sample.lean_deg) if sample.lean_deg else None
    made = simulate(sample.scenario, sample.seed, disturbance=leans)
    x, y, z = (float(round(value)) for value in made.session.lever_mm or ())
    events = tuple(
        replace(event, start_s=round(event.start_s, 2), end_s=round(event.end_s, 2)) for event in made.session.events
    )
    return replace(made, session=replace(made.session, lever_mm=(x, y, z), events=events))


def expected_summary(result: SessionResult) -> dict[str, Any]:
    """Return the figures of a result, rounded, in the shape of the JSON of ``strokeplane analyse``."""
    answer: dict[str, Any] = json.loads(
        render_result_json(weigh_session(result)), parse_float=lambda text: round(float(text), DECIMALS) + 0.0
    )
    del answer["session"]["warnings"]
    return {key: value for key, value in answer.items() if key not in UNEXPECTED}


def write_sample(sample: Sample, folder: Path) -> None:
    """Write a sample's session, its truth, its expected summary and, for :data:`AS_CSV`, the files for an import.

    Raises
    ------
    OutputError
        The folder is missing or may not be written to.
    """
    from logger.many.analyse import analyse_file

    made = make_sample(sample)
    path = folder / f"{sample.name}.mcap"
    write_session(path, made.session)
    strokes = made.truth.strokes.assign(synthetic="true").to_csv(index=False, float_format="%.4f", lineterminator="\n")
    write_text_atomic(path.with_suffix(".truth.csv"), strokes)
    write_text_atomic(path.with_suffix(".truth.json"), truth_json(made, sample.scenario, sample.seed))
    # From the file, as a player's answer is.
    expected = expected_summary(analyse_file(path).result)
    write_text_atomic(path.with_suffix(".expected.json"), json.dumps(expected, indent=1, ensure_ascii=False) + "\n")
    if sample is AS_CSV:
        write_csv(made, folder / "csv")
    if sample is WITH_SOUND:
        write_sound(path.with_suffix(".ogg"), render_sound(made).astype(np.float32), SOUND_HZ, SOUND_QUALITY)


def render_sound(made: SimulatedSession) -> NDArray[np.float64]:
    """What a phone on the table would have recorded of a session: every stroke's course, the drill's frets, a room.

    A block without a drill plays open courses. The recorder was started 1.5 s before the log.
    """
    rng = np.random.default_rng([0x50, 1])
    strokes = made.truth.strokes
    frets = np.zeros(len(strokes), dtype=np.int64)
    drill = [note.fret or 0 for note in read_phrase(TUNE, MANDOLIN.courses).notes]
    for index, block in enumerate(event for event in made.session.events if event.kind == "play"):
        rows = np.flatnonzero(strokes["block"].to_numpy() == index)
        frets[rows] = np.resize(drill, rows.size) if block.drill == TUNE else 0
    course = strokes["course"].to_numpy(np.int64)
    at_s = strokes["contact_s"].to_numpy() + SOUND_LEAD_S
    strength = rng.uniform(0.7, 1.3, len(strokes))
    midi = np.array(OPEN_MIDI)[course] + frets
    hit = np.setdiff1d(np.arange(len(strokes)), MISSED_STROKES)
    ring = np.full(hit.size, 0.3)
    notes = PluckedNotes(at_s[hit], midi[hit].astype(np.float64), course[hit], strength[hit], ring)
    # Until two seconds after the log's last sample.
    raw, profile = made.session.raw, made.session.profile
    length_s = float(raw.ticks[-1]) / profile.tick_hz + SOUND_LEAD_S + 2.0
    strings = pluck_strings(notes, length_s, SOUND_HZ, StringModel(decay_s=1.5), rng)
    return record(strings, np.zeros(strings.size), SOUND_HZ, RecordingChain(snr_db=26.0), rng)


def write_csv(made: SimulatedSession, folder: Path) -> None:
    """Write a session as the three files that ``strokeplane import`` reads, each marked as synthetic."""
    folder.mkdir(exist_ok=True)
    for name, text in (("IMU.csv", imu_csv(made.session)), ("EVENTS.csv", events_csv(made.session))):
        write_text_atomic(folder / name, f"# {NOTE}\n{text}")
    write_text_atomic(folder / "MAP.toml", map_toml(made.session))


@click.command()
@click.option(
    "--folder",
    type=click.Path(file_okay=False, exists=True, path_type=Path),
    default=FOLDER,
    help="Where to write them [default: sample_logs of the checkout].",
)
def command(folder: Path) -> None:
    """Make the shipped logs anew."""
    for sample in SAMPLES:
        write_sample(sample, folder)
        size_kb = (folder / f"{sample.name}.mcap").stat().st_size // 1000
        show(f"{folder / sample.name}.mcap: {size_kb} kB, with its truth and the expected summary")
    show(f"{folder / 'csv'}: {AS_CSV.name} as CSV, for strokeplane import")


if __name__ == "__main__":
    command()
