"""CRC-32 of any stretch of a file at a cost that does not grow with its length, from the sums of what stands before.

The CRC-32 of two stretches in a row is the sum of the first, multiplied by x to the power of the second's bits modulo
the polynomial, plus the sum of the second; solved for the second it gives every stretch from two sums of beginnings.

References
----------
Adler, M., zlib's ``crc32_combine``; polynomial of ISO 3309, bits reflected.
"""

from __future__ import annotations

import functools
import zlib

POLYNOMIAL = 0xEDB88320
ONE = 1 << 31
"""The polynomial 1: bits are reflected."""
BLOCK = 4096


class RangeSums:
    """Sums of stretches of some bytes.

    Parameters
    ----------
    data : bytes

    Examples
    --------
    >>> RangeSums(b"a plectrum's stroke").crc(2, 10) == zlib.crc32(b"plectrum")
    True
    """

    def __init__(self, data: bytes) -> None:
        self._view = memoryview(data)

    @functools.cached_property
    def _blocks(self) -> list[int]:
        """Sum of everything before each block."""
        sums = [0]
        for at in range(0, len(self._view), BLOCK):
            sums.append(zlib.crc32(self._view[at : at + BLOCK], sums[-1]))
        return sums

    def crc(self, start: int, stop: int) -> int:
        """CRC-32 of the bytes from ``start`` up to ``stop``."""
        if stop - start <= BLOCK:
            return zlib.crc32(self._view[start:stop])
        return self._before(stop) ^ _times(_power(stop - start), self._before(start))

    def _before(self, at: int) -> int:
        block = at // BLOCK
        return zlib.crc32(self._view[block * BLOCK : at], self._blocks[block])


def _times(a: int, b: int) -> int:
    """Product of two polynomials over GF(2), modulo :data:`POLYNOMIAL`."""
    product, mask = 0, ONE
    while True:
        if a & mask:
            product ^= b
            if not a & (mask - 1):
                return product
        mask >>= 1
        b = (b >> 1) ^ POLYNOMIAL if b & 1 else b >> 1


@functools.cache
def _square(exponent: int) -> int:
    """The polynomial x to the power of 2 to the power of ``exponent``."""
    if exponent == 0:
        return ONE >> 1
    half = _square(exponent - 1)
    return _times(half, half)


def _power(length: int) -> int:
    """The polynomial x to the power of the bits in ``length`` bytes."""
    power, exponent = ONE, 3
    while length:
        if length & 1:
            power = _times(_square(exponent), power)
        length >>= 1
        exponent += 1
    return power
