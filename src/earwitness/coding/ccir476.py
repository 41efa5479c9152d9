"""The seven-element constant-ratio code of ITU-R M.476 and M.625: four B and three Y elements a character.

A code word is seven bits, first on the air first, one for B. Soft bits are positive for B. Text is handed
out in the International Telegraph Alphabet No. 2's two shifts; a character that was lost is `LOST`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from earwitness.core.errors import ParameterError

# Letter, figure, word with the first element as the lowest bit (ITU-R M.625 table 1 by way of the sheet, where all
# 35 words were verified to be distinct and of weight four).
_ROWS = """
A - 47|B ? 72|C : 1D|D \x05 53|E 3 56|F ! 1B|G & 35|H # 69|I 8 4D|J \x07 17|K ( 1E|L ) 65|M . 39|N , 59|O 9 71
P 0 2D|Q 1 2E|R 4 55|S ' 4B|T 5 74|U 7 4E|V = 3C|W 2 27|X / 3A|Y 6 2B|Z + 63
"""
LETTERS, FIGURES, ALPHA, BETA, REPEAT, BLANK = "letters", "figures", "alpha", "beta", "repeat", "blank"
_CONTROLS = {
    ALPHA: 0x0F, BETA: 0x33, BLANK: 0x6A, "\r": 0x78, FIGURES: 0x36, "\n": 0x6C, LETTERS: 0x5A, REPEAT: 0x66,
    " ": 0x5C,
}  # fmt: skip
LOST = "*"

_CELLS = [cell.split(" ") for row in _ROWS.strip().splitlines() for cell in row.split("|")]
_LOW_FIRST = [int(cell[2], 16) for cell in _CELLS] + list(_CONTROLS.values())
# by index: what a word prints in each shift, or the control's name
LETTER_OF: tuple[str, ...] = tuple(cell[0] for cell in _CELLS) + tuple(_CONTROLS)
FIGURE_OF: tuple[str, ...] = tuple(cell[1] for cell in _CELLS) + tuple(_CONTROLS)
WORDS = np.array([[low >> n & 1 for n in range(7)] for low in _LOW_FIRST], np.uint8)  # (35, 7)
SIGNS = (2.0 * WORDS - 1.0).astype(np.float32)
_PLACES = 1 << np.arange(7)
_BY_BITS = np.full(128, -1)
_BY_BITS[WORDS @ _PLACES] = np.arange(len(WORDS))
INDEX = {name: n for n, name in enumerate(LETTER_OF)}
_FIGURE_INDEX = {name: n for n, name in enumerate(FIGURE_OF[:26])}
SPREAD = 35  # bits from the first copy of a character to the second (280 ms and one character)


def to_indices(text: str) -> list[int]:
    """Give the code words of a text, shifts put in; raises ParameterError on what the alphabet lacks."""
    out: list[int] = []
    shifted = False
    for char in text.upper():
        if char in "\r\n ":
            out.append(INDEX[char])
        elif char in INDEX:
            if shifted:
                out.append(INDEX[LETTERS])
            shifted = False
            out.append(INDEX[char])
        elif char in _FIGURE_INDEX:
            if not shifted:
                out.append(INDEX[FIGURES])
            shifted = True
            out.append(_FIGURE_INDEX[char])
        else:
            raise ParameterError(
                f"{char!r} is not in the alphabet of telegraphy; A to Z, digits and -?:!&#().,'=/+"
            )
    return out


def broadcast_bits(characters: Sequence[int], *, phasing_pairs: int = 16) -> np.ndarray:
    """Give the bits of a forward-error-correction broadcast, uint8 (n,): phasing, both copies, end.

    First copies stand in even slots, the second of each five slots later; idle second slots carry the
    first phasing signal (alpha), idle first slots the second (repeat); three alphas end it (ITU-R M.625).
    """
    first = [INDEX[REPEAT]] * phasing_pairs + list(characters) + [INDEX[ALPHA]] * 3
    second = [INDEX[ALPHA]] * (phasing_pairs + 2) + list(characters) + [INDEX[ALPHA]]
    slots = [word for pair in zip(first, second, strict=True) for word in pair]
    return WORDS[slots].reshape(-1)


def odds(llr: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the likeliest word of each row of seven soft bits (n, 7) and its probability among all 35."""
    score = llr @ SIGNS.T / 2  # log likelihood up to a constant
    best = score.argmax(axis=1)
    top = score.max(axis=1, keepdims=True)
    return best, 1.0 / np.exp(score - top).sum(axis=1)


def hard(llr: np.ndarray) -> np.ndarray:
    """Give the word that each row of seven soft bits (n, 7) is exactly, by its signs, or -1."""
    out: np.ndarray = _BY_BITS[(llr > 0) @ _PLACES]
    return out


def to_text(indices: Iterable[int], *, shifted: bool = False) -> str:
    """Give the text of code words; -1 is a lost one. Idle and phasing signals print nothing."""
    out: list[str] = []
    for index in indices:
        if index < 0:
            out.append(LOST)
            continue
        name = (FIGURE_OF if shifted else LETTER_OF)[index]
        if name == LETTERS:
            shifted = False
        elif name == FIGURES:
            shifted = True
        elif len(name) == 1:
            out.append(name)
    return "".join(out)
