"""What the framings share: sync words looked for all at once, and what a framing gives of a frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from earwitness.dsp.jit import kernel

END = 16  # bits that tell quickly whether a word may end in them


@dataclass(frozen=True, slots=True)
class Found:
    """A frame that passed its check: octets, first symbol and end in symbols, and which check it was."""

    octets: bytes
    start: int
    stop: int
    framing: str
    check_name: str
    corrected: int = 0  # octets or bits, as the check counts
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Word:
    """A sync word, first bit most significant, and how many of its bits may be wrong."""

    value: int
    size: int
    errors: int


@kernel("int64(uint8[::1], int64[::1], int64[::1], int64[::1], boolean[::1], int64[:,::1])")
def _search(
    bits: np.ndarray,
    words: np.ndarray,
    sizes: np.ndarray,
    errors: np.ndarray,
    ends: np.ndarray,
    out: np.ndarray,
) -> int:
    """Note (first bit, word, complemented) wherever a word or its complement ends; gives how many.

    `ends`: whether a word may end in the latest END bits.
    """
    found = 0
    register = np.int64(0)
    for n in range(len(bits)):
        register = (register << 1 | bits[n]) & 0xFFFFFFFF
        if not ends[register & ((1 << END) - 1)]:
            continue
        for k in range(len(words)):
            size = sizes[k]
            if n < size - 1:
                continue
            x = (register ^ words[k]) & ((np.int64(1) << size) - 1)
            x -= (x >> 1) & 0x55555555
            x = (x & 0x33333333) + ((x >> 2) & 0x33333333)
            x = (x + (x >> 4)) & 0x0F0F0F0F
            wrong = (x + (x >> 8) + (x >> 16) + (x >> 24)) & 0x3F
            if (wrong <= errors[k] or wrong >= size - errors[k]) and found < len(out):
                out[found, 0] = n - size + 1
                out[found, 1] = k
                out[found, 2] = wrong > errors[k]
                found += 1
    return found


@lru_cache(maxsize=8)
def _facts(words: tuple[Word, ...]) -> tuple[np.ndarray, ...]:
    """Give values, sizes and errors of words, int64, and whether each END bits may be the end of one, bool."""
    values, sizes, errors = (
        np.array([getattr(word, name) for word in words], np.int64) for name in ("value", "size", "errors")
    )
    register = np.arange(1 << END)
    ends = np.zeros(1 << END, np.bool_)
    for word in words:
        size = min(word.size, END)
        wrong = np.bitwise_count((register ^ word.value) & ((1 << size) - 1))
        ends |= (wrong <= word.errors) | (wrong >= size - word.errors)
    return values, sizes, errors, ends


def find_words(bits: np.ndarray, words: tuple[Word, ...]) -> list[tuple[int, int, int]]:
    """Give (first bit, which word, 1 if complemented) of sync words in bits uint8 (n,)."""
    out = np.empty((len(bits) // 8 + 8, 3), np.int64)
    count = int(_search(np.ascontiguousarray(bits, np.uint8), *_facts(words), out))
    return [(a, b, c) for a, b, c in out[:count].tolist()]


def number(bits: np.ndarray) -> int:
    """Give the number that bits make, first bit most significant."""
    return int("".join("1" if bit else "0" for bit in bits.tolist()) or "0", 2)
