"""A microphone as a second witness: onsets, the pitches of a known phrase, and how sound and motion lie in time.

Sound is float32 (n,), one channel, full scale at 1; its times are seconds from its first sample. Nothing here is open
transcription: the phrase is known, and only its own pitches are asked for.

Comes in: sound, strokes, blocks and their phrases. Goes out: counts, evenness, and a score of every stroke and note.
May use: drills, model.
"""
