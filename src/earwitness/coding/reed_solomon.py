"""Reed-Solomon codes over GF(256), shortened to any length, with errors and erasures.

A code is stated as standards state it: the field polynomial, and the roots a^(s f), a^(s (f + 1)), ... of
its generator, where f is the first root's exponent and s the step between exponents. Octets are bytes
from highest power to lowest, check octets last; a shortened code leaves out leading octets (those of the
highest powers). A standard that fills at the end instead pads the message before it comes here.

CCSDS codes travel in Berlekamp's dual basis: `TO_DUAL` and `FROM_DUAL` are tables for bytes.translate.
Method: syndromes, Berlekamp-Massey started on the erasure locator, search of roots, Forney's formula, as in
R. E. Blahut, Theory and Practice of Error Control Codes (1983), from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.dsp.jit import kernel


@kernel("void(uint8[::1], int64[::1], int64[::1], int64[::1], uint8[::1])")
def _divide(message: np.ndarray, log: np.ndarray, exp: np.ndarray, taps: np.ndarray, reg: np.ndarray) -> None:
    """Leave in reg the remainder of message * x^n by the generator; taps: logarithms, highest power first."""
    count = len(reg)
    for octet in message:
        back = octet ^ reg[0]
        for k in range(count - 1):
            reg[k] = reg[k + 1]
        reg[count - 1] = 0
        if back:
            lift = log[back]
            for k in range(count):
                if taps[k] >= 0:
                    reg[k] ^= exp[lift + taps[k]]


@kernel("boolean(uint8[::1], uint8[:,::1], int64[::1])")
def _syndromes(word: np.ndarray, times: np.ndarray, out: np.ndarray) -> bool:
    """Evaluate the word at each root; say whether any value is not zero. times[i] holds all products with root i."""
    count = len(out)
    values = np.zeros(count, np.uint8)
    for octet in word:
        for i in range(count):  # all roots at once: no product waits for the one before
            values[i] = times[i, values[i]] ^ octet
    wrong = False
    for i in range(count):
        out[i] = values[i]
        wrong |= values[i] != 0
    return wrong


@kernel("int64(uint8[::1], int64[::1], int64[::1], uint8[:,::1], int64, int64, int64[::1])")
def _correct(
    word: np.ndarray,
    log: np.ndarray,
    exp: np.ndarray,
    times: np.ndarray,
    first: int,
    step: int,
    erasures: np.ndarray,
) -> int:
    """Correct the word in place; give the number of octets changed, or -1 when it cannot be."""
    size = len(word)
    roots = len(times)
    syndromes = np.zeros(roots, np.int64)
    if not _syndromes(word, times, syndromes):
        return 0
    erased = len(erasures)
    locator = np.zeros(roots + 2, np.int64)
    locator[0] = 1
    for k in range(erased):
        where = (size - 1 - erasures[k]) * step % 255
        for j in range(k + 1, 0, -1):
            if locator[j - 1]:
                locator[j] ^= exp[log[locator[j - 1]] + where]
    spare = locator.copy()
    degree = erased
    for r in range(erased, roots):
        gap = np.int64(0)
        for j in range(min(degree, r) + 1):
            if locator[j] and syndromes[r - j]:
                gap ^= exp[log[locator[j]] + log[syndromes[r - j]]]
        for j in range(roots + 1, 0, -1):
            spare[j] = spare[j - 1]
        spare[0] = 0
        if gap:
            grown = 2 * degree <= r + erased
            lift = log[gap]
            for j in range(roots + 2):
                old = locator[j]
                if spare[j]:
                    locator[j] ^= exp[lift + log[spare[j]]]
                if grown:
                    spare[j] = exp[log[old] + 255 - lift] if old else 0
            if grown:
                degree = r + 1 + erased - degree
    if 2 * degree - erased > roots:
        return -1
    for j in range(degree + 1, roots + 2):
        if locator[j]:
            return -1
    evaluator = np.zeros(roots, np.int64)
    for i in range(roots):
        for j in range(min(i, degree) + 1):
            if locator[j] and syndromes[i - j]:
                evaluator[i] ^= exp[log[locator[j]] + log[syndromes[i - j]]]
    found = 0
    changed = 0
    for at in range(size):
        where = (size - 1 - at) * step % 255
        back = (255 - where) % 255
        value = np.int64(0)
        slope = np.int64(0)  # the locator's derivative times x: its odd terms
        for j in range(degree + 1):
            if locator[j]:
                term = exp[(log[locator[j]] + j * back) % 255]
                value ^= term
                if j & 1:
                    slope ^= term
        if value:
            continue
        found += 1
        if slope == 0:
            return -1
        top = np.int64(0)
        for i in range(roots):
            if evaluator[i]:
                top ^= exp[(log[evaluator[i]] + i * back) % 255]
        if top:
            # X^(1 - first) evaluator / locator', with the derivative taken times 1/X.
            word[at] ^= exp[(log[top] - log[slope] - first * where) % 255]
            changed += 1
    if found != degree or _syndromes(word, times, syndromes):
        return -1
    return changed


class ReedSolomon:
    """A code of `nroots` check octets; the generator's roots are a^(prim_step (first_root + i))."""

    def __init__(self, nroots: int, prim_poly: int, first_root: int = 0, prim_step: int = 1):
        if not 0 < nroots < 255:
            raise ParameterError(f"{nroots} check octets; 1 to 254 can be done")
        if np.gcd(prim_step, 255) != 1:
            raise ParameterError(f"a step of {prim_step} does not reach all of the field")
        self.nroots = nroots
        self._first, self._step = first_root % 255, prim_step % 255
        self._exp, self._log = _field(prim_poly)
        self._times = np.zeros((nroots, 256), np.uint8)
        for i in range(nroots):
            root = (self._first + i) * self._step % 255
            self._times[i, 1:] = self._exp[(self._log[1:] + root) % 255]
        self.generator = self._generator()
        self._taps = np.array([self._log[c] if c else -1 for c in self.generator[1:]], np.int64)

    def encode(self, message: bytes) -> bytes:
        """Give the message with its check octets after it. Raises ParameterError when it is too long."""
        if len(message) > 255 - self.nroots:
            raise ParameterError(f"{len(message)} octets; {255 - self.nroots} fit a word")
        checks = np.zeros(self.nroots, np.uint8)
        _divide(np.frombuffer(bytearray(message), np.uint8), self._log, self._exp, self._taps, checks)
        return message + checks.tobytes()

    def decode(self, word: bytes, erasures: Iterable[int] = ()) -> tuple[bytes, int] | None:
        """Give the message of a word and the number of octets changed; None when it cannot be corrected.

        `erasures` are indices into `word` of octets not to be trusted. Twice the errors plus the erasures
        may be `nroots`. Changed octets are counted in the whole word, check octets too.
        """
        where = np.array(sorted(set(erasures)), np.int64)
        if not self.nroots < len(word) <= 255:
            raise ParameterError(f"a word of {len(word)} octets; {self.nroots + 1} to 255 can be one")
        if len(where) and not 0 <= where[0] <= where[-1] < len(word):
            raise ParameterError("an erasure outside the word")
        if len(where) > self.nroots:
            return None
        fixed = np.frombuffer(word, np.uint8).copy()
        count = int(_correct(fixed, self._log, self._exp, self._times, self._first, self._step, where))
        return (fixed[: -self.nroots].tobytes(), count) if count >= 0 else None

    def _generator(self) -> bytes:
        out = [1]
        for i in range(self.nroots):
            root = (self._first + i) * self._step % 255
            shifted = [int(self._exp[self._log[c] + root]) if c else 0 for c in out]
            out = [a ^ b for a, b in zip([*out, 0], [0, *shifted], strict=True)]
        return bytes(out)


def _field(prim_poly: int) -> tuple[Any, Any]:
    """Give powers of a (twice over, 512 of them) and logarithms; raises unless a reaches all of the field."""
    exp, log = np.zeros(512, np.int64), np.zeros(256, np.int64)
    value = 1
    for power in range(255):
        if (power and value == 1) or not 0 < value < 256:
            raise ParameterError(f"0x{prim_poly:X} is no primitive polynomial of degree 8")
        exp[power] = exp[power + 255] = value
        log[value] = power
        value = value << 1 ^ (prim_poly if value & 0x80 else 0)
    exp[510:] = exp[:2]
    return exp, log


def _dual_table() -> bytes:
    """Give the dual-basis form of each octet: bit j (first bit 0) is Tr(u a^(117 j)), CCSDS 131.0-B annex."""
    exp, log = _field(0x187)
    out = []
    for u in range(256):
        form = 0
        for j in range(8):
            value = int(exp[(log[u] + 117 * j) % 255]) if u else 0
            trace = 0
            for _ in range(8):  # sum of the conjugates
                trace ^= value
                value = int(exp[2 * log[value] % 255]) if value else 0
            form = form << 1 | trace & 1
        out.append(form)
    return bytes(out)


TO_DUAL = _dual_table()
FROM_DUAL = bytes(TO_DUAL.index(k) for k in range(256))
