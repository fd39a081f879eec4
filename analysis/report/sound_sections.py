"""What the sound says of a session, as a section of its report and as sentences."""

from __future__ import annotations

from analysis.model.number_words import block_number
from analysis.report.sections import Section, Table
from analysis.sound.evenness import Evenness
from analysis.sound.witness import Heard, HeardBlock

COLUMNS = (
    "Block",
    "Notes heard",
    "Strokes felt",
    "Missed by motion",
    "Strokes without a note",
    "Scatter heard, ms",
    "Scatter felt, ms",
)
LIMITS = (
    "Strokes without a note are strokes that missed the string, notes too soft to hear, or motion that was no "
    "stroke; the sound does not tell these apart. Scatter is that of the intervals about their running median.",
    "What the sound is not asked: grazed strings (too few are heard), and loudness from one evening to the next (the "
    "microphone stands elsewhere).",
)


def sound_sections(heard: Heard) -> tuple[Section, ...]:
    """The section of the report about the sound: counts, evenness, tuning; or why there is no answer from it.

    Parameters
    ----------
    heard : Heard
        What was heard, or why nothing was.

    Returns
    -------
    tuple of Section
        One section.
    """
    sentence = sound_sentence(heard)
    if heard.obstacle:
        return (Section("sound", "What the sound says", sentence, notes=(_KEPT,)),)
    rows = tuple(_row(block) for block in heard.blocks)
    table = Table("Notes heard and strokes felt, by block", COLUMNS, rows)
    notes = (*alignment_sentences(heard), *heard.remarks, *LIMITS)
    return (Section("sound", "What the sound says", sentence, table=table, notes=notes),)


_KEPT = "Everything else in this report comes from motion and stays as it is."


def sound_sentence(heard: Heard) -> str:
    """The answer, or why there is none, in a sentence or two."""
    if heard.obstacle:
        return f"No answer from sound: {heard.obstacle}"
    notes, strokes = (sum(getattr(block, name) for block in heard.blocks) for name in ("notes", "strokes"))
    unseen, unheard = (sum(getattr(block, name) for block in heard.blocks) for name in ("unseen", "unheard"))
    return (
        f"The sound has {notes} notes where the motion has {strokes} strokes: {unseen} notes were missed by the "
        f"motion, {unheard} strokes gave no note that can be heard."
    )


def sound_sentences(heard: Heard) -> tuple[str, ...]:
    """Everything that a terminal says about the sound.

    Parameters
    ----------
    heard : Heard
        What was heard, or why nothing was.

    Returns
    -------
    tuple of str
    """
    if heard.obstacle:
        return sound_sentence(heard), *heard.remarks, "Motion's own answer stays."
    return sound_sentence(heard), *alignment_sentences(heard), *heard.remarks


def alignment_sentences(heard: Heard) -> tuple[str, ...]:
    """How sound and motion were laid over each other, how loud the play is, and how the instrument is tuned."""
    said = []
    clock = heard.clock
    if clock is not None:
        by = "three raps and the strokes" if clock.by == "raps" else "the strokes"
        said.append(
            f"Sound and motion were laid over each other by {by}: {100 * clock.matched_share:.0f} % of the strokes "
            f"have a note within 25 ms, over {clock.common_s:.0f} s."
        )
    said.append(f"Your playing is {heard.level.snr_db:.0f} dB above the noise.")
    tuned = heard.tuned
    if tuned is not None:
        capo = (
            "as given"
            if tuned.semitones == 0
            else f"{abs(tuned.semitones)} semitone{'s' * (abs(tuned.semitones) != 1)} "
            f"{'higher (a capo, or another tuning)' if tuned.semitones > 0 else 'lower'}"
        )
        said.append(f"The instrument sounds {capo}, {tuned.cents:+.0f} cents from A = 440 Hz.")
    clicks = sum(block.clicks for block in heard.blocks)
    if clicks:
        said.append(f"The metronome's click was learned from the count-in and taken out {clicks} times.")
    return tuple(said)


def _row(block: HeardBlock) -> tuple[str, ...]:
    counts = (block.notes, block.strokes, block.unseen, block.unheard)
    return (
        str(block_number(block.index)),
        *(str(count) for count in counts),
        _scatter(block.evenness),
        _scatter(block.felt_evenness),
    )


def _scatter(evenness: Evenness | None) -> str:
    return "" if evenness is None else f"{evenness.scatter_ms:.1f}"
