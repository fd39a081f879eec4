"""MIDI and MusicXML that others wrote: read to phrases, refused with their place, hostile files turned away.

Outside checks: files written by pretty_midi and music21, libraries that share nothing with the code under test; the
document type and container of the MusicXML 4.0 report (W3C Community Group, 2021); note names and frequencies by ISO
16:1975 (A4 is 440 Hz; MIDI numbers from the MIDI 1.0 specification, from memory).
"""

from __future__ import annotations

import importlib.resources
import io
import zipfile
from itertools import pairwise, product
from pathlib import Path

import mido
import numpy as np
import pytest

from analysis.drills.fingering import REACH_FRETS, PitchedNote, pitch_name, place_notes
from analysis.drills.notes import Note, Phrase
from analysis.drills.phrases import read_demand, read_phrase, write_phrase
from analysis.drills.practice_form import PracticeForm, lay_out
from analysis.drills.tuning import frequency_hz, own_position, own_scale, read_tuning, usual_tuning
from analysis.model.errors import InputError
from analysis.model.records import Instrument
from logger.practice.midi_reading import ReadSettings, read_midi
from logger.practice.music_reading import read_music
from logger.practice.practice_files import render_midi
from logger.practice.score_reading import read_musicxml
from tests.optional import need_module

GUITAR = read_tuning("guitar")
HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
PUBLIC = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)


def note(pitch: str, duration: int = 1, more: str = "", kind: str = "") -> str:
    step, octave = pitch[0], pitch[-1]
    alter = "<alter>1</alter>" if "#" in pitch else ""
    return (
        f"<note>{kind}<pitch><step>{step}</step>{alter}<octave>{octave}</octave></pitch>"
        f"<duration>{duration}</duration>{more}</note>\n"
    )


REST = "<note><rest/><duration>1</duration></note>\n"
ATTRIBUTES = (
    "<attributes><divisions>2</divisions><time><beats>{}</beats><beat-type>{}</beat-type></time>"
    "<transpose><chromatic>0</chromatic><octave-change>-1</octave-change></transpose></attributes>\n"
)


def score(*measures: str, metre: tuple[int, int] = (4, 4), doctype: str = PUBLIC) -> bytes:
    """A score by hand; written an octave higher than it sounds, as for a guitar."""
    body = "".join(
        f'<measure number="{k}">\n{ATTRIBUTES.format(*metre) if k == 1 else ""}{content}</measure>\n'
        for k, content in enumerate(measures, 1)
    )
    parts = '<part-list><score-part id="P1"><part-name>Invented</part-name></score-part></part-list>\n'
    return (
        f'{HEAD}{doctype}<score-partwise version="4.0">\n{parts}<part id="P1">\n{body}</part></score-partwise>'.encode()
    )


def packed(files: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()


CONTAINER = b'<container><rootfiles><rootfile full-path="score.xml"/></rootfiles></container>'
EIGHT = "".join(note(pitch) for pitch in ("G4", "A4", "B4", "C5", "D5", "C5", "B4", "A4"))


def test_a_file_of_another_library_reads_back_note_for_note(tmp_path: Path) -> None:
    pretty_midi = need_module("pretty_midi")
    rng = np.random.default_rng(3)
    for _ in range(20):
        pitches = [int(p) for p in rng.integers(45, 70, 24)]
        written = pretty_midi.PrettyMIDI(initial_tempo=90.0)
        track = pretty_midi.Instrument(program=24)
        starts = np.cumsum(rng.choice([1, 1, 2, 3], 24)) / 4
        for start, pitch, until in zip(starts, pitches, [*starts[1:], starts[-1] + 0.25], strict=True):
            track.notes.append(pretty_midi.Note(80, pitch, start * 60 / 90, (start + 0.9 * (until - start)) * 60 / 90))
        written.instruments.append(track)
        path = tmp_path / "theirs.mid"
        written.write(str(path))
        read = read_music(path, GUITAR)
        assert [GUITAR.pitch(n) for n in read.phrase.notes] == pitches
        gaps = [float(n.span) for n in read.phrase.notes][:-1]
        unit = gaps[0] / (starts[1] - starts[0])
        assert gaps == pytest.approx(unit * np.diff(starts))
        assert read.tempo_bpm == pytest.approx(90, abs=0.01)


def test_what_we_write_as_midi_reads_back() -> None:
    phrase = read_phrase("4:5-7-5-7 3:4-7-4-7", 6)
    data = render_midi(lay_out(phrase, phrase, PracticeForm(tempi_bpm=(80.0,), repeats=2)), GUITAR, "x")
    read = read_midi(data, GUITAR, ReadSettings(part=2))
    assert [GUITAR.pitch(n) for n in read.phrase.notes] == [GUITAR.pitch(n) for n in phrase.notes] * 2
    with pytest.raises(InputError, match=r"several tracks have notes; expected one track, found 2, 3; .*--part 2"):
        read_midi(data, GUITAR)


def midi_of(notes: list[tuple[float, float, int]]) -> bytes:
    """Beat, length and pitch of each note, written by mido."""
    events = sorted([(round(a * 480), 1, p) for a, _, p in notes] + [(round((a + n) * 480), 0, p) for a, n, p in notes])
    track, now = mido.MidiTrack(), 0
    for tick, on, pitch in events:
        track.append(mido.Message("note_on" if on else "note_off", note=pitch, velocity=64 * on, time=tick - now))
        now = tick
    file = mido.MidiFile(ticks_per_beat=480)
    file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def test_triplets_and_rests_of_a_midi_file() -> None:
    read = read_midi(midi_of([(0, 1 / 3, 57), (1 / 3, 1 / 3, 59), (2 / 3, 1 / 3, 60), (2, 1, 62)]), GUITAR)
    assert [(n.length, n.rest) for n in read.phrase.notes] == [(1, 0), (1, 0), (1, 3), (3, 0)]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"MThd", "no MIDI file that can be read"),
        (midi_of([]), "holds no note"),
        (midi_of([(0, 1, 57), (0, 1, 61)]), "two notes sound together at beat 1"),
        (midi_of([(0, 0.02, 57), (0.04, 0.02, 58), (0.1, 0.05, 57)]), "notes lie on no grid"),
        (midi_of([(0, 1, 57), (1, 1, 20)]), r"note 2, beat 2: G#0 is outside the instrument's range"),
        (midi_of([(k / 4, 0.25, 57) for k in range(16 * 1000)]), "more than 4096 notes"),
    ],
)
def test_a_midi_file_that_cannot_be_a_phrase_is_one_sentence(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_midi(data, GUITAR)
    assert "\n" not in str(caught.value)


def test_broken_midi_files_never_raise_anything_else() -> None:
    rng = np.random.default_rng(4)
    good = bytearray(midi_of([(k / 4, 0.25, 57 + k % 5) for k in range(16)]))
    for _ in range(400):
        data = bytearray(good)
        for _ in range(int(rng.integers(1, 6))):
            data[int(rng.integers(len(data)))] = int(rng.integers(256))
        said = ""
        try:
            read_midi(bytes(data), GUITAR)
        except InputError as error:
            said = str(error)
        assert "\n" not in said


def test_a_score_with_slurs_rests_ties_strokes_and_places() -> None:
    slur = "<notations><slur type='{}' number='1'/></notations>"
    place = "<notations><technical>{}<string>4</string><fret>5</fret></technical></notations>"
    first = (
        note("G4", 1, slur.format("start"))
        + note("A4", 1, slur.format("stop"))
        + REST
        + note("G4", 1, place.format("<up-bow/>"))
        + note("B4", 4, kind="")
    )
    read = read_musicxml(score(first, EIGHT), GUITAR, ReadSettings(loops=False))
    notes = read.phrase.notes
    assert len(notes[0].slurs) == 1
    assert (notes[0].slurs[0].kind, notes[0].rest) == ("hammer-on", 1)
    assert (notes[1].string, notes[1].fret, notes[1].stroke) == (4, 5, "up")
    assert notes[2].length == 4
    assert read.phrase.metre is not None
    assert read.phrase.metre.bar_units == 8
    assert [GUITAR.pitch(n) for n in notes[3:]] == [55, 57, 59, 60, 62, 60, 59, 57]
    tie = note("G4", 2, kind="").replace("</note>", "<tie type='start'/></note>")
    tied = note("G4", 1).replace("</note>", "<tie type='stop'/></note>")
    assert read_musicxml(score(tie + tied + note("A4", 5)), GUITAR).phrase.stroke_count(1) == 2


def test_pickup_repeats_endings_and_seven_eighths() -> None:
    ending = "<barline location='left'><ending number='{}' type='start'/></barline>"
    back = "<barline location='right'><repeat direction='backward'/></barline>"
    bars = [note("D4") * 7, ending.format(1) + note("E4") * 7 + back, ending.format(2) + note("G4") * 7]
    read = read_musicxml(score(note("A4") * 2, *bars, metre=(7, 8)), GUITAR)
    assert len(read.phrase.lead) == 2
    pitches = [GUITAR.pitch(n) for n in read.phrase.notes]
    assert pitches == [50] * 7 + [52] * 7 + [50] * 7 + [55] * 7
    assert read.phrase.metre is not None
    assert (read.phrase.metre.beats, read.phrase.metre.value, read.phrase.metre.beats_per_bar) == (7, 8, 7)


def test_scores_written_by_hand_are_what_the_published_schema_says() -> None:
    """The W3C Community Group's own musicxml.xsd, as music21 carries it, through a validator that is not ours.

    So that what is read rightly here is the format, and not our idea of it.
    """
    xmlschema = need_module("xmlschema")
    need_module("music21")
    published = importlib.resources.files("music21") / "musicxml" / "musicxml.xsd"
    assert "W3C" in published.read_text(encoding="utf-8")[:3000]
    schema = xmlschema.XMLSchema(str(published), allow="local")
    place = "<notations><technical><string>4</string><fret>5</fret></technical></notations>"
    slur = '<notations><slur type="{}"/><technical><up-bow/></technical></notations>'
    scores = [
        score(EIGHT),
        score(note("A4") * 2, note("G4") * 7, metre=(7, 8)),
        score(note("G4", 8, place), note("G4", 4, slur.format("start")) + note("A4", 4, slur.format("stop"))),
        score(REST * 8),
    ]
    for each in scores:
        assert [error.reason for error in schema.iter_errors(io.BytesIO(each))] == []
    wrong = score(EIGHT).replace(b"<octave>", b"<octaves>").replace(b"</octave>", b"</octaves>")
    assert list(schema.iter_errors(io.BytesIO(wrong)))


def test_a_score_of_another_library_reads_back_note_for_note(tmp_path: Path) -> None:
    music21 = need_module("music21")
    rng = np.random.default_rng(9)
    for number, suffix in enumerate(("musicxml", "mxl")):
        part = music21.stream.Part()
        part.append(music21.meter.TimeSignature("3/4"))
        pitches = [int(p) for p in rng.integers(45, 70, 24)]
        for pitch in pitches:
            written = music21.note.Note(pitch)
            written.quarterLength = 0.5
            part.append(written)
        path = tmp_path / f"theirs{number}.{suffix}"
        made = music21.stream.Score([part]).write("mxl" if suffix == "mxl" else "musicxml", fp=str(path))
        read = read_music(Path(made), GUITAR)
        assert [GUITAR.pitch(n) for n in read.phrase.notes] == pitches
        assert read.phrase.metre is not None
        assert read.phrase.metre.bar_units == 6
        # And the other way: what the library finds in the same file.
        theirs = [p.midi for p in music21.converter.parse(str(made)).flatten().pitches]
        assert theirs == pitches


BOMB = "<!DOCTYPE score-partwise [<!ENTITY a 'x'><!ENTITY b '&a;&a;&a;'>]>"
OUTSIDE = "<!DOCTYPE score-partwise [<!ENTITY a SYSTEM 'file:///etc/hostname'>]>"
SYSTEM = "<!DOCTYPE score-partwise SYSTEM 'http://127.0.0.1:9/own.dtd'>"
LONG_BAR = note("G4") * 9


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (score(EIGHT, doctype=BOMB), "document type or entities of its own"),
        (score(EIGHT, doctype=OUTSIDE), "document type or entities of its own"),
        (score(EIGHT, doctype=SYSTEM), "document type or entities of its own"),
        (score(EIGHT)[:-30], "row .*: the score is damaged"),
        (b"<?xml version='1.0'?><html/>", "expected score-partwise, found html"),
        (score(LONG_BAR, EIGHT), "bar 1, line 6: the bar does not add up; expected 4 quarters, found 9/2"),
        (
            score(EIGHT, note("G4") * 3, EIGHT),
            "bar 2, line 17: the bar does not add up; expected 4 quarters, found 3/2",
        ),
        (score(EIGHT, note("G4") + note("B4", kind="<chord/>")), "bar 2, line 17: two notes sound together"),
        (score(EIGHT, note("G4") + note("B4", kind="<grace/>")), "bar 2, line 17: a grace note"),
        (score(note("C2") * 8), "bar 1, line 6: C1 is outside the instrument's range; expected E2 to D6"),
        (score(*[EIGHT] * 10_000), "the piece has 10000 bars; expected 4000 at most"),
        (score(*[EIGHT] * 600), "1 to 4096 notes|more notes"),
        (score(REST * 8), "no note with a pitch"),
        (
            score(note("G4", 8, "<notations><technical><string>4</string><fret>9</fret></technical></notations>")),
            "bar 1, line 6: string 4, fret 9 does not sound as G3 in this tuning",
        ),
        (packed({"score.xml": score(EIGHT)}), "holds no META-INF/container.xml"),
        (packed({"META-INF/container.xml": CONTAINER}), "holds no score.xml"),
        (
            packed({"META-INF/container.xml": CONTAINER, "score.xml": b" " * 30_000_000}),
            "would unpack to 30000000 bytes",
        ),
        (packed({"META-INF/container.xml": CONTAINER, "score.xml": b" " * 3_000_000}), "would unpack to 3000000 bytes"),
        (packed({f"{k}": b"" for k in range(200)}), "too many files; expected 100 at most, found 200"),
        (b"PK\x03\x04 not a zip", "compressed score is damaged"),
    ],
)
def test_a_score_that_cannot_be_a_phrase_is_one_sentence_and_opens_nothing(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_musicxml(data, GUITAR)
    assert "\n" not in str(caught.value)


def test_a_compressed_score_and_its_published_document_type_are_read() -> None:
    plain = read_musicxml(score(EIGHT), GUITAR).phrase
    assert (
        read_musicxml(packed({"META-INF/container.xml": CONTAINER, "score.xml": score(EIGHT)}), GUITAR).phrase == plain
    )
    assert read_musicxml(score(EIGHT, doctype=""), GUITAR).phrase == plain
    assert read_musicxml(score(EIGHT).decode().replace("UTF-8", "UTF-16").encode("utf-16"), GUITAR).phrase == plain


def test_chosen_strings_have_the_fewest_changes_after_the_wrong_stroke() -> None:
    """Against every fingering there is, on a small instrument."""
    tuning = read_tuning("E3 A3 D4")
    rng = np.random.default_rng(6)
    for _ in range(120):
        pitches = [int(p) for p in rng.integers(52, 70, 7)]
        loops = bool(rng.random() < 0.5)
        pitched = [PitchedNote(p, Note(1)) for p in (pitches[:6] if loops else pitches)]
        skeleton = Phrase(1, tuple(each.note for each in pitched), "down", loops)
        found = place_notes(pitched, skeleton, tuning, "up", last_fret=12)
        options = [
            [(s, each.pitch - o) for s, o in enumerate(tuning.open_midi, 1) if 0 <= each.pitch - o <= 12]
            for each in pitched
        ]
        least = None
        for reach in (*range(REACH_FRETS, 12), 36):
            for way in product(*options):
                closed = [*way, way[0]] if loops else list(way)
                if all(abs(a[1] - b[1]) <= reach or 0 in (a[1], b[1]) for a, b in pairwise(closed)):
                    # Strokes alternate from a downstroke: the change after an even place follows a downstroke.
                    wrong = sum(a[0] != b[0] and k % 2 == 0 for k, (a, b) in enumerate(pairwise(closed)))
                    least = wrong if least is None else min(least, wrong)
            if least is not None:
                break
        assert found.wrong == least
        assert [tuning.pitch(n) for n in found.notes] == [each.pitch for each in pitched]
        demand = read_demand(Phrase(3, found.notes, "down", loops))
        assert demand.after_down == found.wrong
        assert "write the phrase or its tab" in found.words


def test_names_frequencies_and_tunings_by_the_standards() -> None:
    # ISO 16:1975 (technically identical to ISO/R 16 of 1955): the A above middle C is 440 Hz. Equal temperament: an
    # octave doubles. The open strings by a reference library; their printed values are common practice, from memory.
    pretty_midi = need_module("pretty_midi")
    for pitch in range(24, 100):
        assert frequency_hz(pitch) == pytest.approx(pretty_midi.note_number_to_hz(pitch), rel=1e-12)
        # Where the library spells a flat we spell a sharp, or the other way round.
        assert pretty_midi.note_name_to_number(pitch_name(pitch)) == pitch
    assert frequency_hz(69) == 440.0
    assert frequency_hz(57) == 220.0
    found = [frequency_hz(pitch) for pitch in reversed(GUITAR.open_midi)]
    assert found == pytest.approx([82.41, 110.0, 146.83, 196.0, 246.94, 329.63], abs=0.005)
    assert [pitch_name(pitch) for pitch in (60, 69, 40)] == ["C4", "A4", "E2"]
    assert (
        usual_tuning(Instrument(name="mandolin", strings=8, courses=4, spacing_mm=(8.0,) * 3)).spelled == "G3 D4 A4 E5"
    )
    with pytest.raises(InputError, match="has no usual tuning"):
        usual_tuning(Instrument(name="oud, eleven strings", strings=11, courses=6))
    for name in ("guitar", "seven strings", "bass", "mandolin", "tenor banjo", "ukulele"):
        tuning = read_tuning(name)
        root, degrees = own_scale(tuning)
        held = sum((pitch - root) % 12 in degrees for pitch in tuning.open_midi)
        assert held == tuning.strings
        assert len(degrees) == 7
        assert 1 <= own_position(tuning, root, degrees, 4) <= 12


def test_a_read_tab_is_written_so_that_it_reads_back(tmp_path: Path) -> None:
    from logger.terminal.drill_text import render_reading

    path = tmp_path / "mine.txt"
    path.write_text("An invented walk\n\nG|-------4-7-|\nD|-5h7-5-----|\n", encoding="utf-8")
    read = read_music(path, GUITAR)
    text = render_reading(read, GUITAR)
    assert "# An invented walk" in text
    path.write_text(text, encoding="utf-8")
    assert read_music(path, GUITAR).phrase == read.phrase
    assert write_phrase(read.phrase) == "4:5h7-5 3:4-7"
