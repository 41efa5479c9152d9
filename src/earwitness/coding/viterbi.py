"""The convolutional code of space links: constraint length 7, rate 1/2, soft decisions.

CCSDS 131.0-B section 3: connection vectors G1 = 1111001 (171 octal) and G2 = 1011011 (133), G1's symbol first,
G2's symbol inverted. Both vectors have an odd number of ones and both
of their ends set: complemented data give complemented symbols, so a reversed carrier gives reversed data and is
left to the sync word.

Soft symbols are float32 of any scale, positive means one, zero says nothing. Decoding is Viterbi's maximum
likelihood search over all 64 states (A. J. Viterbi 1967; G. D. Forney 1973, from memory). How far the best
path agrees with what was received tells right alignment and rotation from wrong ones.
"""

from __future__ import annotations

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.dsp.jit import kernel

G1 = 0o171  # newest bit is the most significant
G2 = 0o133
MEMORY = 6
STATES = 64
BLOCK = 2048  # bits a streaming decoder settles at a time
DEPTH = 96  # bits looked ahead before a bit is settled; common practice is 5 to 10 constraint lengths


def _signs() -> np.ndarray:
    """Give float32 (2, 32): +1 where the symbol from state 2j on a zero bit is one, else -1."""
    rows = [[2 * (bin(2 * j & taps).count("1") & 1) - 1 for j in range(32)] for taps in (G1, G2)]
    return np.array(rows, np.float32)


_SIGNS = _signs()


@kernel(
    "void(float32, float32, float32[:,::1], float32[::1], float32[::1], uint8[::1])",
    fastmath={"contract", "nsz"},
)
def _extend(
    a: float, b: float, signs: np.ndarray, old: np.ndarray, fresh: np.ndarray, choice: np.ndarray
) -> None:
    """Extend the 64 paths by a pair of symbols: states 2j and 2j + 1 lead to j (bit 0) and j + 32 (bit 1)."""
    first = signs[0]
    second = signs[1]
    for j in range(32):
        m = first[j] * a + second[j] * b
        stay0 = old[2 * j] + m
        stay1 = old[2 * j + 1] - m
        turn0 = old[2 * j] - m
        turn1 = old[2 * j + 1] + m
        choice[j] = stay1 > stay0
        choice[j + 32] = turn1 > turn0
        fresh[j] = stay1 if stay1 > stay0 else stay0
        fresh[j + 32] = turn1 if turn1 > turn0 else turn0


@kernel("float64(float32[::1], float32[:,::1], float32[::1], uint8[:,::1])")
def _forward(soft: np.ndarray, signs: np.ndarray, metrics: np.ndarray, choices: np.ndarray) -> float:
    """Extend the paths over soft symbols (2 n); gives how much was taken off the metrics to keep them small.

    A state is the last six bits, newest most significant.
    """
    taken = 0.0
    other = np.empty(64, np.float32)
    count = len(choices)
    for n in range(0, count - 1, 2):
        _extend(soft[2 * n], soft[2 * n + 1], signs, metrics, other, choices[n])
        _extend(soft[2 * n + 2], soft[2 * n + 3], signs, other, metrics, choices[n + 1])
        if n & 63 == 62:
            least = metrics[0]
            for s in range(64):
                metrics[s] -= least
            taken += least
    if count & 1:
        _extend(soft[2 * count - 2], soft[2 * count - 1], signs, metrics, other, choices[count - 1])
        metrics[:] = other
    return taken


@kernel("int64(uint8[:,::1], int64, uint8[::1])")
def _trace(choices: np.ndarray, state: int, bits: np.ndarray) -> int:
    """Follow the path that ends in a state back to its start, filling `bits`; gives the state it began in."""
    for n in range(len(choices) - 1, -1, -1):
        bits[n] = state >> 5
        state = (state & 31) << 1 | choices[n, state]
    return state


def encode(bits: np.ndarray, *, invert_second: bool = True) -> np.ndarray:
    """Give the symbols of bits (n,), uint8 (2 n), from the zero state; add six zeros for a tail."""
    padded = np.concatenate([np.zeros(MEMORY, np.uint8), np.asarray(bits, np.uint8)])
    out = np.zeros((len(bits), 2), np.uint8)
    for column, taps in enumerate((G1, G2)):
        for delay in range(MEMORY + 1):
            if taps >> (MEMORY - delay) & 1:
                out[:, column] ^= padded[MEMORY - delay : len(padded) - delay]
    if invert_second:
        out[:, 1] ^= 1
    return out.reshape(-1)


def decode(
    soft: np.ndarray, *, invert_second: bool = True, start: int | None = 0, stop: int | None = None
) -> tuple[np.ndarray, float]:
    """Decode a whole block of soft symbols (2 n): gives bits uint8 (n,), and the agreement of the best path.

    `start` and `stop` are the states the encoder began and ended in (0 after a tail of zeros), None when unknown.
    Agreement is the path's correlation with the soft symbols over the sum of their sizes: 1 without noise.
    """
    soft = _even(soft, invert_second)
    count = len(soft) // 2
    metrics = _begin(start)
    choices = np.empty((count, STATES), np.uint8)
    taken = float(_forward(soft, _SIGNS, metrics, choices))
    end = int(np.argmax(metrics)) if stop is None else stop
    bits = np.empty(count, np.uint8)
    _trace(choices, end, bits)
    return bits, (taken + float(metrics[end])) / (float(np.sum(np.abs(soft), dtype=np.float64)) + 1e-30)


def _even(soft: np.ndarray, invert_second: bool) -> np.ndarray:
    if len(soft) % 2:
        raise ParameterError(f"{len(soft)} soft symbols; they come in pairs")
    out = np.array(soft, np.float32)
    if invert_second:
        out[1::2] *= -1
    return out


def _begin(start: int | None) -> np.ndarray:
    metrics = np.zeros(STATES, np.float32)
    if start is not None:
        metrics -= np.float32(1e9)
        metrics[start] = 0
    return metrics


class Viterbi:
    """Decodes an endless stream: bits come DEPTH to DEPTH + BLOCK bits late; block lengths change nothing."""

    def __init__(self, *, invert_second: bool = True, start: int | None = None):
        self.agreement = 0.0  # of the latest block
        self._inverted = invert_second
        self._metrics = _begin(start)
        self._soft = np.zeros(0, np.float32)
        self._choices = np.empty((DEPTH + BLOCK, STATES), np.uint8)
        self._open = 0  # rows of choices that are not settled yet

    def feed(self, soft: np.ndarray) -> np.ndarray:
        """Take soft symbols (n,), any number; give the bits they settle, uint8."""
        held = np.concatenate([self._soft, np.asarray(soft, np.float32)])
        whole = len(held) // (2 * BLOCK) * 2 * BLOCK
        self._soft = held[whole:].copy()
        out = [self._settle(held[at : at + 2 * BLOCK], DEPTH) for at in range(0, whole, 2 * BLOCK)]
        return np.concatenate(out) if out else np.zeros(0, np.uint8)

    def close(self) -> np.ndarray:
        """Give the bits still held: those without DEPTH bits after them are less sure."""
        whole = len(self._soft) // 2 * 2
        rest, self._soft = self._soft[:whole], np.zeros(0, np.float32)
        return self._settle(rest, 0)

    def _settle(self, soft: np.ndarray, keep: int) -> np.ndarray:
        soft = _even(soft, self._inverted)
        rows = self._open + len(soft) // 2
        before = float(self._metrics.max())
        taken = float(_forward(soft, _SIGNS, self._metrics, self._choices[self._open : rows]))
        size = float(np.sum(np.abs(soft), dtype=np.float64))
        self.agreement = (taken + float(self._metrics.max()) - before) / (size + 1e-30)
        bits = np.empty(rows, np.uint8)
        _trace(self._choices[:rows], int(np.argmax(self._metrics)), bits)
        done = max(rows - keep, 0)
        self._open = rows - done
        self._choices[: self._open] = self._choices[done:rows]
        return bits[:done]
