"""Numbers as a player reads them: one decimal, a true minus sign, shares as so many of 100."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.records import BlockSummary

MINUS = "\N{MINUS SIGN}"


def signed(value: float, decimals: int = 1) -> str:
    """A number with a true minus sign.

    Parameters
    ----------
    value : float
    decimals : int
        Decimals to round to.

    Returns
    -------
    str
        Never a negative zero.

    Examples
    --------
    >>> signed(-3.14159) == MINUS + "3.1"
    True
    >>> signed(-0.01)
    '0.0'
    """
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def degrees(value: float) -> str:
    """An angle, as ``16.4°``.

    Parameters
    ----------
    value : float
        Degrees.

    Returns
    -------
    str
        One decimal.
    """
    return f"{signed(value)}°"


def millimetres(value: float) -> str:
    """A length, as ``15.1 mm``.

    Parameters
    ----------
    value : float
        Millimetres.

    Returns
    -------
    str
        One decimal.
    """
    return f"{signed(value)} mm"


def of_100(share: float) -> str:
    """A share as so many of 100: whole ones, so that what falls short of a limit never reads as if it reached it.

    Parameters
    ----------
    share : float
        0 to 1.

    Returns
    -------
    str

    Examples
    --------
    >>> of_100(0.513), of_100(0.948), of_100(0.999), of_100(1.0), of_100(0.29)
    ('51 of 100', '94 of 100', '99 of 100', '100 of 100', '29 of 100')
    """
    return f"{in_100(share)} of 100"


def in_100(share: float) -> str:
    """The number alone, for a table: as :func:`of_100` says it.

    Parameters
    ----------
    share : float
        0 to 1.

    Returns
    -------
    str
    """
    return str(int(100 * share + 1e-9))


def clock(seconds: float) -> str:
    """A time into the session, as ``1:05`` or ``1:02:05``.

    Parameters
    ----------
    seconds : float
        Not negative; rounded to whole ones.

    Returns
    -------
    str

    Examples
    --------
    >>> clock(65.4), clock(3725)
    ('1:05', '1:02:05')
    """
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, second = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{second:02d}" if hours else f"{minutes}:{second:02d}"


def duration(seconds: float) -> str:
    """A length of time in words.

    Parameters
    ----------
    seconds : float

    Returns
    -------
    str

    Examples
    --------
    >>> duration(77), duration(600), duration(7300)
    ('77 s', '10 min', '2 h 2 min')
    """
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60} min"


def block_number(index: int) -> int:
    """A block's number as people count them, from 1; its index, as in tables and files, counts from 0.

    Parameters
    ----------
    index : int
        From 0.

    Returns
    -------
    int
    """
    return index + 1


def name_blocks(indices: Sequence[int]) -> str:
    """Blocks by their numbers, as inside a sentence.

    Parameters
    ----------
    indices : sequence of int
        From 0, one at least.

    Returns
    -------
    str

    Examples
    --------
    >>> name_blocks([1]), name_blocks([0, 2])
    ('block 2', 'blocks 1, 3')
    """
    return f"block{'s' * (len(indices) > 1)} " + ", ".join(str(block_number(index)) for index in indices)


def speed(block: BlockSummary) -> str:
    """A block's speed: its tempo where one was given, else its strokes a second.

    Parameters
    ----------
    block : BlockSummary

    Returns
    -------
    str
    """
    if block.tempo_bpm is not None:
        return f"{block.tempo_bpm:g} BPM"
    if block.strokes_per_s is not None:
        return f"{block.strokes_per_s:.1f} strokes a second"
    return "unknown speed"
