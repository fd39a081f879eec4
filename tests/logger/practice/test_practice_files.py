"""Practice material: MIDI read back by another library and byte by byte, the click measured."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from analysis.drills.phrases import make_twin, read_phrase
from analysis.drills.practice_form import PracticeForm, lay_out, read_notes_per_beat, tempo_ladder
from analysis.drills.tab import read_tab
from analysis.drills.tuning import read_tuning
from analysis.model.errors import InputError, OutputError
from logger.practice.practice_files import (
    CUE_KEY,
    FILE_NAMES,
    KEYS,
    render_midi,
    track_name,
    write_material,
)
from logger.practice.practice_tracks import CUE_S, click_samples, render_track
from tests.optional import need_module

GUITAR = read_tuning("guitar")
PHRASE = read_phrase("4:5-7 3:4-7 2:5-8 3:7-4", 6)
FORM = PracticeForm(tempi_bpm=(93.0, 104.0, 137.0), repeats=3, rest_beats=2, postures=("wrist bent", "Übung ş"))


def practice_of(form: PracticeForm = FORM, phrase=PHRASE):
    return lay_out(phrase, make_twin(phrase), form)


def smf_events(data: bytes) -> Iterator[tuple[int, int, tuple]]:
    """Read a standard MIDI file from its bytes: track, absolute tick, event.

    Written from the Standard MIDI Files 1.0 specification (MIDI Manufacturers Association 1996), from memory: chunks,
    variable-length quantities, running status.
    """
    kind, length, form, tracks, _ = struct.unpack(">4sIHHH", data[:14])
    assert (kind, length, form) == (b"MThd", 6, 1)
    at = 14
    for track in range(tracks):
        kind, length = struct.unpack(">4sI", data[at : at + 8])
        assert kind == b"MTrk"
        at += 8
        end, tick, status = at + length, 0, 0
        while at < end:
            delta, at = variable_length(data, at)
            tick += delta
            if data[at] & 0x80:
                status = data[at]
                at += 1
            if status == 0xFF:
                kind_of_meta = data[at]
                size, at = variable_length(data, at + 1)
                yield track, tick, ("meta", kind_of_meta, data[at : at + size])
                at += size
            else:
                size = 1 if status >> 4 in (0xC, 0xD) else 2
                yield track, tick, (status >> 4, status & 15, *data[at : at + size])
                at += size
        assert at == end
    assert at == len(data)


def variable_length(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    while True:
        value = value << 7 | data[at] & 0x7F
        at += 1
        if not data[at - 1] & 0x80:
            return value, at


def expected_times(form: PracticeForm, notes: int) -> tuple[list[float], list[list[float]]]:
    """Click times and the note times of each section, counted out beat by beat in seconds."""
    clicks, sections, now = [], [], 0.0
    per_beat = float(form.notes_per_beat)
    for tempo in form.tempi_bpm:
        beat = round(60e6 / tempo) / 1e6
        clicks += [now + k * beat for k in range(form.count_in)]
        now += form.count_in * beat
        for _ in range(2):
            played = form.repeats * notes
            sections.append([now + k * beat / per_beat for k in range(played)])
            beats = int(np.ceil(round(played / per_beat, 9))) + form.rest
            clicks += [now + k * beat for k in range(beats)]
            now += beats * beat
    return clicks, sections


@pytest.mark.parametrize(
    ("form", "text"),
    [
        (FORM, "4:5-7 3:4-7 2:5-8 3:7-4"),
        (PracticeForm(notes_per_beat=Fraction(3, 2), tempi_bpm=(83.0,), repeats=5), "4:5-7 3:4-7"),
        (PracticeForm(notes_per_beat=Fraction(7), tempi_bpm=(60.0, 61.5), repeats=3, rest_beats=2), "6:0-3 5:2-0"),
        (
            PracticeForm(notes_per_beat=Fraction(6), tempi_bpm=(77.0,), repeats=2, count_in_beats=0, beats_per_bar=3),
            "4:5-7-5-7 3:4-7",
        ),
    ],
)
def test_an_independent_reader_finds_click_and_notes_on_their_times(
    form: PracticeForm, text: str, tmp_path: Path
) -> None:
    pretty_midi = need_module("pretty_midi")
    phrase = read_phrase(text, 6)
    practice = practice_of(form, phrase)
    data = render_midi(practice, GUITAR, "An invented practice")
    path = tmp_path / "practice.mid"
    path.write_bytes(data)
    read = pretty_midi.PrettyMIDI(str(path))
    assert [track.name for track in read.instruments] == ["phrase", "twin", "click"]
    assert [track.is_drum for track in read.instruments] == [False, False, True]
    clicks, sections = expected_times(form, len(phrase.notes))
    found = sorted(note.start for note in read.instruments[2].notes if note.pitch != CUE_KEY)
    np.testing.assert_allclose(found, clicks, atol=1e-6)
    for k, track in enumerate(read.instruments[:2]):
        notes = sorted(track.notes, key=lambda note: note.start)
        np.testing.assert_allclose([note.start for note in notes], np.concatenate(sections[k::2]), atol=1e-6)
        each = (phrase, make_twin(phrase))[k].notes
        pitches = [GUITAR.open_midi[note.string - 1] + note.fret for note in each]
        assert [note.pitch for note in notes] == pitches * (len(notes) // len(pitches))
        assert all(note.end > note.start for note in notes)
    times, tempi = read.get_tempo_changes()
    np.testing.assert_allclose(tempi, form.tempi_bpm, rtol=1e-5)
    assert times[0] == 0


def test_every_click_and_note_lies_exactly_on_its_tick() -> None:
    practice = practice_of(PracticeForm(notes_per_beat=Fraction(7, 2), tempi_bpm=(90.0, 100.0), repeats=3))
    data = render_midi(practice, GUITAR, "name")
    ticks = struct.unpack(">H", data[12:14])[0]
    events = list(smf_events(data))
    clicks = [(t, event[2]) for k, t, event in events if k == 3 and event[0] == 9 and event[2] != CUE_KEY]
    assert clicks == [(beat * ticks, KEYS[sound][0]) for beat, sound in practice.clicks]
    for channel in (0, 1):
        starts = [tick for track, tick, event in events if track == channel + 1 and event[0] == 9]
        exact = [
            Fraction(ticks) * (section.start_beat + Fraction(2, 7) * k)
            for section in practice.sections[channel::2]
            for k in range(section.note_count)
        ]
        assert starts == exact  # equal as fractions: none is rounded
    # Every sound that starts ends, before the next of its key starts.
    for track in (1, 2, 3):
        sounding: set[int] = set()
        for each, _, event in events:
            if each != track or event[0] not in (8, 9):
                continue
            if event[0] == 9 and event[3] > 0:
                assert event[2] not in sounding
                sounding.add(event[2])
            else:
                sounding.remove(event[2])
        assert not sounding


def test_tempo_map_and_names_byte_by_byte() -> None:
    data = render_midi(practice_of(), GUITAR, "Übung ş")
    events = list(smf_events(data))
    names = [event[2].decode() for _, _, event in events if event[:2] == ("meta", 0x03)]
    assert names == ["Übung ş", "phrase", "twin", "click"]
    tempi = [int.from_bytes(event[2], "big") for _, _, event in events if event[:2] == ("meta", 0x51)]
    assert tempi == [645161, 576923, 437956]
    markers = [event[2].decode() for track, _, event in events if track == 0 and event[:2] == ("meta", 0x06)]
    assert markers[:3] == ["93 BPM, count-in", "93 BPM, phrase, posture wrist bent", "93 BPM, twin, posture Übung ş"]
    assert len(markers) == 9


METRES = [
    # Text, time signature, click beats in a bar, quarters in a click's beat.
    ("metre=7/8 note=1/16 4:5-7-5-7-5-7-5 3:4-7-4-7-4-7-4", (7, 8), 7, 0.5),
    ("metre=6/8 note=1/8 4:5-7-5 3:4-7-4", (6, 8), 2, 1.5),
    ("metre=3/4 note=1/8 4:5-7 3:4-7 2:5-8", (3, 4), 3, 1.0),
    ("4:5-7 3:4-7", (5, 4), 5, 1.0),
]


@pytest.mark.parametrize(("text", "signature", "bar", "quarters"), METRES)
def test_a_midi_file_has_its_time_signature_and_its_bars(
    tmp_path: Path, text: str, signature: tuple[int, int], bar: int, quarters: float
) -> None:
    """Read by pretty_midi, which counts bars by the signature itself: each downbeat is one of the click's accents.

    A beat of the click is an eighth in 7/8 and a dotted quarter in 6/8 (common practice), a quarter where no metre
    is stated; MIDI's tempo and division are per quarter note (Standard MIDI Files 1.0, from memory).
    """
    pretty_midi = need_module("pretty_midi")
    phrase = read_phrase(text, 6)
    metre = phrase.metre
    rate = Fraction(4) if metre is None else metre.units_per_beat
    form = PracticeForm(tempi_bpm=(120.0,), notes_per_beat=rate, repeats=3, beats_per_bar=bar)
    practice = lay_out(phrase, phrase, form)
    path = tmp_path / "practice.mid"
    path.write_bytes(render_midi(practice, GUITAR, "name"))
    read = pretty_midi.PrettyMIDI(str(path))
    first = read.time_signature_changes[0]
    assert (first.numerator, first.denominator, first.time) == (*signature, 0.0)
    assert read.get_tempo_changes()[1] == pytest.approx([120.0 * quarters], rel=1e-4)
    accents = [practice.seconds_at(beat) for beat, sound in practice.clicks if sound in ("accent", "announce first")]
    downbeats = read.get_downbeats()
    assert all(np.abs(downbeats - at).min() < 1e-4 for at in accents)
    clicks = sorted(note.start for note in read.instruments[2].notes if note.pitch != CUE_KEY)
    np.testing.assert_allclose(clicks, [practice.seconds_at(beat) for beat, _ in practice.clicks], atol=1e-4)


def test_lengths_are_seconds_and_rests_are_bars_unless_the_player_says_otherwise() -> None:
    practice = practice_of(PracticeForm(tempi_bpm=(90.0,)))
    first, second = practice.sections
    # 8 notes at 4 a beat and 90 BPM last 4/3 s: twelve passes, 16 s, are the first that reach fifteen.
    assert (first.repeats, first.start_beat, second.start_beat) == (12, 4, 4 + 24 + 4)
    assert (first.posture, second.posture) == ("A", "B")
    assert second.phrase == make_twin(first.phrase)
    assert practice.end_beat == 4 + 28 + 28
    assert practice.cues == (4 + 24,)
    once = read_phrase("4:5-7 3:4-7 once", 6)
    assert [section.repeats for section in practice_of(PracticeForm(tempi_bpm=(90.0,)), once).sections] == [1, 1]
    faster = practice_of(PracticeForm(tempi_bpm=(180.0,), beats_per_bar=7))
    assert faster.sections[0].repeats == 23  # 2/3 s a pass
    assert (faster.form.rest, faster.form.count_in) == (7, 7)


def test_an_uneven_phrase_with_a_pickup_sounds_on_its_times() -> None:
    """Beats counted by hand: a pickup of a beat, the bar on the next one; a triplet, a slur, a rest, swing."""
    phrase = read_phrase("4:5 then 4:5*2/3-6*2/3-7*2/3 3:4h7 r", 6)
    form = PracticeForm(tempi_bpm=(60.0,), notes_per_beat=Fraction(1), repeats=2, count_in_beats=3, beats_per_bar=5)
    practice = lay_out(phrase, phrase, form)
    section = practice.sections[0]
    starts = [float(beat) for beat, *_ in practice.sounds(section)]
    once = [4, 4 + 2 / 3, 4 + 4 / 3, 6, 7]
    assert starts == pytest.approx([3, *once, *(start + 5 for start in once)])
    assert [place for *_, place in practice.sounds(section)] == [0, 1, 2, 3, 4, None, 5, 6, 7, 8, None]
    sounds = dict(practice.clicks)
    # The bar lines are beats 4 and 9; the second bar, the last one, announces the twin; then comes the rest.
    assert [sounds[beat] for beat in range(3, 9)] == ["plain", "accent", *["plain"] * 4]
    assert [sounds[beat] for beat in range(9, 14)] == ["announce first", *["announce"] * 4]
    assert {sounds[beat] for beat in range(14, practice.sections[1].start_beat)} == {"rest"}
    swung = lay_out(read_phrase("swing=2/3 4x2 3x2", 6), read_phrase("4x2 3x2", 6), form)
    assert [float(b) for b, *_ in swung.sounds(swung.sections[0])][:4] == pytest.approx([3, 3 + 4 / 3, 5, 5 + 4 / 3])


def test_every_click_of_a_track_is_within_a_sample_of_its_time() -> None:
    form = PracticeForm(tempi_bpm=(61.0, 97.3, 187.0), section_s=60.0)
    practice = practice_of(form)
    for place, tempo in enumerate(form.tempi_bpm):
        rate, sound = wavfile.read(io.BytesIO(render_track(practice, place)))
        assert sound.dtype == np.int16
        assert sound.ndim == 1
        start, stop = practice.at_tempo(place)
        beats = np.array([beat - start for beat, _ in practice.clicks if start <= beat < stop])
        exact = beats * 60 / tempo * rate  # samples, by the definition of a beat a minute
        # A click starts at full size out of silence, or out of the cue's last, slow ringing.
        onsets = np.flatnonzero(np.abs(np.diff(np.concatenate([[0], sound.astype(int)]))) > 9000)
        found = np.array([onsets[np.argmin(np.abs(onsets - at))] for at in exact])
        assert np.abs(found - exact).max() <= 0.5 + 1e-6
        assert np.all(np.diff(found) > 0)
        assert click_samples(practice, place) == found.tolist()
        assert len(beats) == stop - start
        cue = next(beat for beat in practice.cues if start <= beat < stop)
        at = round((cue - start) * 60 / tempo * rate)
        ringing = sound[at + 1200 : at + round(CUE_S * rate)].astype(float)
        quiet = sound[at - 2000 : at - 200].astype(float)
        assert np.abs(ringing).max() > 10 * max(np.abs(quiet).max(), 1.0)


def test_all_files_are_written_and_the_tab_reads_back(tmp_path: Path) -> None:
    practice = practice_of()
    paths = write_material(tmp_path / "new" / "folder", practice, GUITAR, "An invented practice")
    tracks = ["track-01-93-bpm.wav", "track-02-104-bpm.wav", "track-03-137-bpm.wav"]
    assert [track_name(practice, place) for place in range(3)] == tracks
    names = sorted([*FILE_NAMES.values(), *tracks])
    assert sorted(path.name for path in paths.values()) == names
    assert sorted(path.name for path in (tmp_path / "new" / "folder").iterdir()) == names
    both = read_tab(paths["tab"].read_text(encoding="utf-8"), GUITAR).phrase
    places = [(note.string, note.fret) for note in both.notes]
    assert places == [(note.string, note.fret) for note in PHRASE.notes + make_twin(PHRASE).notes]


def test_nothing_is_written_where_it_cannot_be_or_the_phrase_does_not_fit(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(OutputError, match="cannot be made"):
        write_material(blocked / "folder", practice_of(), GUITAR, "name")
    with pytest.raises(InputError, match="the tuning has 4"):
        write_material(tmp_path / "other", practice_of(), read_tuning("mandolin"), "name")
    with pytest.raises(InputError, match="printable"):
        write_material(tmp_path / "other", practice_of(), GUITAR, "two\nlines")
    assert not (tmp_path / "other").exists()


def test_ladders() -> None:
    assert tempo_ladder(93, 93, 8) == (93.0,)
    assert tempo_ladder(120, 100, -10) == (120.0, 110.0, 100.0)
    assert tempo_ladder(60, 60.3, 0.1) == pytest.approx((60, 60.1, 60.2, 60.3))
    for first, last, step in ((100, 120, 0), (100, 120, -5), (100, 4000, 1), (float("nan"), 120, 5)):
        with pytest.raises(InputError):
            tempo_ladder(first, last, step)
    with pytest.raises(InputError, match=r"from 150 to 90 BPM .* steps of 8 BPM; take steps of -8 BPM, or swap"):
        tempo_ladder(150, 90, 8)


@pytest.mark.parametrize(
    "changes",
    [
        {"tempi_bpm": ()},
        {"tempi_bpm": (5.0,)},
        {"notes_per_beat": Fraction(1, 9)},
        {"notes_per_beat": Fraction(33)},
        {"repeats": 0},
        {"section_s": 0.0},
        {"rest_beats": -1},
        {"count_in_beats": 65},
        {"beats_per_bar": 0},
    ],
)
def test_a_form_that_cannot_be_played_is_refused(changes: dict) -> None:
    with pytest.raises(InputError):
        PracticeForm(**{"tempi_bpm": (90.0,)} | changes)


def test_a_practice_of_many_hours_is_refused_before_it_fills_the_disk() -> None:
    with pytest.raises(InputError, match="minutes"):
        practice_of(PracticeForm(tempi_bpm=(20.0,) * 50, repeats=256))


def test_notes_per_beat_are_read_as_fractions() -> None:
    assert [read_notes_per_beat(text) for text in ("4", "1.5", "3/2")] == [4, Fraction(3, 2), Fraction(3, 2)]
    for bad in ("", "x", "1/0", "nan"):
        with pytest.raises(InputError):
            read_notes_per_beat(bad)
