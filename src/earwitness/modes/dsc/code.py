"""The ten-unit code of ITU-R M.493 and the order of a call's characters on the air.

A symbol 0..127 is seven information bits, least significant first, and three that count its B elements. A call
is sent twice, interleaved: slot 2k carries a character's first copy (DX), slot 2k + 5 its second (RX).
Here a bit is one for Y, which is the lower tone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

BITS = 10
WORDS = np.array(
    [
        [symbol >> n & 1 for n in range(7)] + [(7 - symbol.bit_count()) >> n & 1 for n in (2, 1, 0)]
        for symbol in range(128)
    ],
    np.uint8,
)
SIGNS = (2.0 * WORDS - 1.0).astype(np.float32)  # (128, 10)
DX_PHASING = (125,) * 6
RX_PHASING = tuple(range(111, 103, -1))
SPREAD = 5  # slots from a character's first copy to its second
FIRST_SLOT = 2 * len(DX_PHASING)  # of the format specifier, counted from the first phasing slot
EOS_SYMBOLS = (117, 122, 127)


def slots_of(symbols: Sequence[int]) -> list[int]:
    """Give all slots of a call, phasing first, from its information symbols (format specifier once, to EOS).

    The format specifier goes twice, EOS three times in DX with the error-check character after the first,
    once in RX.
    """
    called = [symbols[0], *symbols, check_character(symbols)]
    dx = [*DX_PHASING, *called, symbols[-1], symbols[-1]]
    rx = [*RX_PHASING, *called]
    return [symbol for pair in zip(dx, rx, strict=True) for symbol in pair]


def check_character(symbols: Sequence[int]) -> int:
    """Give the error-check character: the exclusive-or of all information symbols, format specifier and EOS once."""
    out = 0
    for symbol in symbols:
        out ^= symbol
    return out


def bits_of(symbols: Sequence[int], dots: int) -> np.ndarray:
    """Give the bits of a call after `dots` bits of dot pattern (0101...), uint8 (n,)."""
    return np.concatenate([np.arange(dots, dtype=np.uint8) & 1, WORDS[slots_of(symbols)].reshape(-1)])


def phasing() -> tuple[np.ndarray, np.ndarray]:
    """Give (places, signs) of the phasing bits, counted from the first phasing slot."""
    slots = [(2 * n, symbol) for n, symbol in enumerate(DX_PHASING)]
    slots += [(2 * n + 1, symbol) for n, symbol in enumerate(RX_PHASING)]
    places = np.concatenate([BITS * slot + np.arange(BITS) for slot, _ in slots])
    return places, np.concatenate([SIGNS[symbol] for _, symbol in slots])
