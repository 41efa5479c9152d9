"""From soft bits to calls: phasing found, both copies of each character combined, the check done.

Soft bits are positive for Y. A call counts only when its format specifier stands there twice, its end is where
the standard's grammar wants it, its error-check character is right and every character may stand where it stands.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.modes.dsc import code
from earwitness.modes.dsc.messages import legal

PLACES, EXPECTED = code.phasing()
PHASING_BITS = int(PLACES.max()) + 1
_PATTERN = np.zeros(PHASING_BITS, np.float32)
_PATTERN[PLACES] = EXPECTED
# share of the soft bits' weight that must speak for the phasing; noise reaches it rarely
PHASING_SCORE = 0.45
MOST_CHARACTERS = 44
CALL_BITS = code.BITS * (code.FIRST_SLOT + 2 * MOST_CHARACTERS + code.SPREAD + 1)
LEAST_FIT = 0.85  # of the soft bits' weight that speaks for the words chosen
# The check character finds one wrong character for certain, two with one chance in 128. So only one may be doubtful: the
# others must lead their next best by so many usual soft bits. Of 1500 calls at 4 to 7 dB this refuses 2 in 3
# of the wrong ones (3 without it) and 3 in 100 of the right ones.
LEAST_LEAD = 0.6


@dataclass(frozen=True, slots=True)
class Call:
    """A call read: information symbols, where its bits lie after the first phasing bit, what was mended."""

    symbols: tuple[int, ...]
    first_bit: int
    stop_bit: int
    bits: np.ndarray  # uint8: all bits from the first phasing bit to the last, as they were sent
    corrected_bits: int  # wrong bits in the copies of the characters used
    both_right: bool  # each copy of each character was its word


def phasing_scores(llr: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give for each place (n - 159,) of soft bits (n,) how much they speak for phasing from there.

    First as a share of their weight, -1..1, then as it is: of two clocks or carriers the better has more.
    """
    if len(llr) < PHASING_BITS:
        return np.zeros(0), np.zeros(0)
    speaking = np.correlate(llr, _PATTERN, "valid")
    weight = np.correlate(np.abs(llr), np.abs(_PATTERN), "valid")
    return speaking / (weight + 1e-9), speaking


def read_call(llr: np.ndarray) -> Call | None:
    """Read the call whose first phasing bit is llr[0]; None when there is none that holds."""
    llr = np.pad(llr[:CALL_BITS], (0, max(0, CALL_BITS - len(llr))))
    slots = llr.reshape(-1, code.BITS)
    first = slots[code.FIRST_SLOT :: 2][:MOST_CHARACTERS]
    second = slots[code.FIRST_SLOT + code.SPREAD :: 2][:MOST_CHARACTERS]
    score = (first + second) @ code.SIGNS.T
    words = score.argmax(axis=1).tolist()
    if words[0] != words[1]:
        return None
    for end in range(9, MOST_CHARACTERS - 3):
        if words[end] not in code.EOS_SYMBOLS:
            continue
        symbols = words[1 : end + 1]
        if words[end + 1] == code.check_character(symbols) and legal(symbols):
            return _call(symbols, first, second)
    return None


def _call(symbols: list[int], first: np.ndarray, second: np.ndarray) -> Call | None:
    slots = code.slots_of(symbols)
    bits = code.WORDS[slots].reshape(-1)
    sent = np.array([symbols[0], *symbols, code.check_character(symbols)])
    both = np.stack([first[: len(sent)], second[: len(sent)]])
    weight = float(np.abs(both).sum()) + 1e-9
    fit = float((both * code.SIGNS[sent]).sum()) / weight
    scores = np.sort(both.sum(axis=0) @ code.SIGNS.T, axis=1)
    lead = np.sort(scores[:, -1] - scores[:, -2]) / (weight / both.size)
    if fit < LEAST_FIT or lead[1] < LEAST_LEAD:
        return None
    wrong = ((both > 0) != (code.WORDS[sent] > 0)).sum(axis=2)
    return Call(
        tuple(symbols),
        code.FIRST_SLOT * code.BITS,
        len(bits),
        bits,
        int(wrong.sum()),
        not wrong.any(),
    )
