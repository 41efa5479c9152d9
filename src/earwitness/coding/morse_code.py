"""The international Morse code (ITU-R M.1677-1, from memory): signals, and their lengths in dots."""

from __future__ import annotations

# Part I, section 1: letters, figures, punctuation.
# fmt: off
SIGNALS: dict[str, str] = {
    "A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "F": "..-.", "G": "--.", "H": "....", "I":
    "..", "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---", "P": ".--.", "Q": "--.-",
    "R": ".-.", "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--", "X": "-..-", "Y": "-.--", "Z":
    "--..", "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....", "6": "-....", "7": "--...",
    "8": "---..", "9": "----.", "0": "-----",
    ".": ".-.-.-", ",": "--..--", ":": "---...", "?": "..--..", "'": ".----.", "-": "-....-", "/": "-..-.",
    "(": "-.--.", ")": "-.--.-", '"': ".-..-.", "=": "-...-", "+": ".-.-.", "@": ".--.-.",
}
# fmt: on
# Service signals, written between angle brackets; "+" doubles as AR, "=" as BT, "(" as KN.
SERVICE: dict[str, str] = {
    "<UNDERSTOOD>": "...-.",
    "<ERROR>": "........",
    "<WAIT>": ".-...",
    "<END>": "...-.-",
    "<START>": "-.-.-",
}
CHARACTERS: dict[str, str] = {signal: text for text, signal in {**SIGNALS, **SERVICE}.items()}
# Part I section 2: a dash is three dots; one dot between elements, three between letters, seven between
# words.
DASH_DOTS = 3
LETTER_GAP_DOTS = 3
WORD_GAP_DOTS = 7
PARIS_DOTS = 50  # the word PARIS with its gap: speed in words a minute is 60 / (50 dots)


def dot_s(words_per_minute: float) -> float:
    """Give the length of a dot."""
    return 60.0 / (PARIS_DOTS * words_per_minute)


def keying(text: str) -> list[tuple[bool, int]]:
    """Give (key down, length in dots) runs of a text; characters with no signal are left out.

    Ends with key down; words are split at blanks. Service signals stand in angle brackets.
    """
    runs: list[tuple[bool, int]] = []
    gap = 0
    rest = text.upper()
    while rest:
        name = next((mark for mark in SERVICE if rest.startswith(mark)), rest[0])
        rest = rest[len(name) :]
        if name.isspace():
            gap = WORD_GAP_DOTS
            continue
        signal = SIGNALS.get(name) or SERVICE.get(name)
        if not signal:
            continue
        if runs:
            runs.append((False, gap or LETTER_GAP_DOTS))
        gap = 0
        for place, element in enumerate(signal):
            if place:
                runs.append((False, 1))
            runs.append((True, DASH_DOTS if element == "-" else 1))
    return runs
