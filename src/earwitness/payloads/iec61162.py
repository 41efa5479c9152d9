"""IEC 61162-1 sentences that carry AIS messages (VDM: received, VDO: own): build, check, join, take apart.

Six bits of the message become one printable character. A message longer than one sentence is split at
a six-bit boundary; a sequential number 0 to 9 ties the parts. No line is longer than 82 characters.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from dataclasses import dataclass

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits

MOST_CHARACTERS = 60  # of payload in one sentence, so that the longest stays below 82
MOST_SENTENCES = 9
_ALPHABET = "0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVW`abcdefghijklmnopqrstuvw"
_VALUE = {char: value for value, char in enumerate(_ALPHABET)}
_SENTENCE = re.compile(
    r"!([A-Z]{2})(VDM|VDO),([1-9]),([1-9]),([0-9]?),([AB12]?),([0-W`a-w]*),([0-5])\*([0-9A-Fa-f]{2})\r?\n?"
)


def checksum(body: str) -> str:
    """Give the two hexadecimal digits of the exclusive-or over all characters between `!` and `*`."""
    total = 0
    for octet in body.encode("latin-1", "replace"):
        total ^= octet
    return f"{total:02X}"


def armour(bits: Bits) -> tuple[str, int]:
    """Give the characters of a message and how many zero bits (0 to 5) fill the last one."""
    fill = -bits.size % 6
    value, count = bits.value << fill, (bits.size + fill) // 6
    return "".join(_ALPHABET[value >> 6 * n & 63] for n in range(count - 1, -1, -1)), fill


def unarmour(text: str, fill: int = 0) -> Bits:
    """Give the bits of characters without the last `fill`; raises ParameterError on other characters."""
    value = 0
    for char in text:
        if char not in _VALUE:
            raise ParameterError(f"{char!r} is not a character of the six-bit code")
        value = value << 6 | _VALUE[char]
    size = 6 * len(text) - fill
    if not 0 <= fill <= 5 or size < 0:
        raise ParameterError(f"{fill} fill bits in {len(text)} characters; 0 to 5 fit")
    return Bits(value >> fill, size)


def sentences(
    bits: Bits, *, channel: str | None = None, sequence: int = 0, talker: str = "AI", own: bool = False
) -> list[str]:
    """Give the sentences of one message, without line ends.

    `channel` is "A", "B" or None; `sequence` 0 to 9 is used when more than one sentence is needed.
    """
    text, fill = armour(bits)
    parts = [text[n : n + MOST_CHARACTERS] for n in range(0, len(text), MOST_CHARACTERS)] or [""]
    if len(parts) > MOST_SENTENCES:
        raise ParameterError(f"a message of {bits.size} bits needs {len(parts)} sentences; 9 are allowed")
    if channel not in (None, "A", "B") or not 0 <= sequence <= 9:
        raise ParameterError(f"channel {channel!r}, sequence {sequence}; allowed: A, B or None, and 0 to 9")
    out = []
    for number, part in enumerate(parts, 1):
        tie = str(sequence) if len(parts) > 1 else ""
        rest = fill if number == len(parts) else 0
        kind = "VDO" if own else "VDM"
        body = f"{talker}{kind},{len(parts)},{number},{tie},{channel or ''},{part},{rest}"
        out.append(f"!{body}*{checksum(body)}")
    return out


@dataclass(frozen=True, slots=True)
class Sentence:
    """One sentence taken apart; its checksum was right."""

    talker: str
    own: bool
    total: int
    number: int
    sequence: int | None
    channel: str | None
    payload: str
    fill: int


def parse_sentence(line: str) -> Sentence | None:
    """Give the parts of one line; None when it is not a well-formed VDM or VDO with a right checksum."""
    if len(line) > 120:
        return None
    match = _SENTENCE.fullmatch(line.strip(" \t"))
    if not match:
        return None
    talker, kind, total, number, sequence, channel, payload, fill, check = match.groups()
    if checksum(line[line.index("!") + 1 : line.rindex("*")]) != check.upper() or int(number) > int(total):
        return None
    named = {"": None, "1": "A", "2": "B"}.get(channel, channel)
    return Sentence(
        talker,
        kind == "VDO",
        int(total),
        int(number),
        int(sequence) if sequence else None,
        named,
        payload,
        int(fill),
    )


class SentenceAssembler:
    """Joins the sentences of messages. At most `most_open` unfinished ones are kept; the oldest gives way."""

    def __init__(self, most_open: int = 32):
        self._most = most_open
        self._open: OrderedDict[tuple[str, bool, int | None, str | None, int], list[Sentence]] = OrderedDict()

    def feed(self, line: str) -> tuple[Bits, str | None] | None:
        """Take a line; give message bits and channel when it completes a message.

        Parts must come in order, as the standard has them; a part out of order drops its message.
        """
        sentence = parse_sentence(line)
        if sentence is None:
            return None
        key = (sentence.talker, sentence.own, sentence.sequence, sentence.channel, sentence.total)
        parts = self._open.pop(key, [])
        if sentence.number == 1:
            parts = []
        if len(parts) != sentence.number - 1:
            return None
        parts.append(sentence)
        if sentence.number < sentence.total:
            self._open[key] = parts
            while len(self._open) > self._most:
                self._open.popitem(last=False)
            return None
        value = size = 0
        for part in parts:
            if 6 * len(part.payload) < part.fill:
                return None
            bits = unarmour(part.payload, part.fill)
            value, size = value << bits.size | bits.value, size + bits.size
        return Bits(value, size), sentence.channel
