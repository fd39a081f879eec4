"""Practice plans and practice material: plans in TOML, tab, MIDI, click.

Comes in: phrases, tempi, postures. Goes out: plans and the files that a player practises with.
May use: files.
"""
