"""The 24-bit parity of Mode S (ICAO Annex 10 Vol. IV 3.1.2.3.3): one syndrome per message bit.

A message's remainder is the exclusive-or of the syndromes of its set bits: zero for a clean squitter, the
aircraft address where the parity is overlaid with it, the interrogator code in an all-call reply.
"""

from __future__ import annotations

GENERATOR = 0x1FFF409  # x24+x23+...+x12+x10+x3+1, most significant bit x24
LONG = 112
SHORT = 56


def _syndromes() -> tuple[int, ...]:
    out = []
    value = 1
    for _ in range(LONG):
        out.append(value)
        value <<= 1
        if value >> 24:
            value ^= GENERATOR
    return tuple(reversed(out))


# SYNDROMES[LONG - size + n] belongs to bit n (0 = first) of a message of `size` bits
SYNDROMES = _syndromes()


def remainder(value: int, size: int) -> int:
    """Give the remainder of a whole message of `size` bits (56 or 112), first bit most significant."""
    out = 0
    at = LONG - size
    for n in range(size):
        if value >> (size - 1 - n) & 1:
            out ^= SYNDROMES[at + n]
    return out


def seal(value: int, size: int, overlay: int = 0) -> int:
    """Give the message with its last 24 bits set to parity exclusive-or `overlay`."""
    body = value >> 24 << 24
    return body | (remainder(body, size) ^ overlay)
