"""Binary cyclic codes (BCH, shortened or not) in systematic form, corrected by a table of syndromes.

Bounded-distance decoding: a word further than `most` errors from every codeword is refused, so how easily
noise passes is known beforehand (`chance`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import comb


@dataclass(frozen=True)
class Bch:
    """A code of words of `size` bits, data first, most significant bit first.

    `most` errors are corrected; the caller answers for the code's distance being above twice that.
    """

    generator: int
    size: int
    most: int

    @property
    def parity_bits(self) -> int:
        """Give the number of check bits."""
        return self.generator.bit_length() - 1

    def remainder(self, word: int) -> int:
        """Give the remainder of a word: zero for a codeword."""
        for at in range(self.size - 1, self.parity_bits - 1, -1):
            if word >> at & 1:
                word ^= self.generator << (at - self.parity_bits)
        return word

    def encode(self, data: int) -> int:
        """Give the codeword of data bits."""
        word = data << self.parity_bits
        return word | self.remainder(word)

    def decode(self, word: int, most: int | None = None) -> tuple[int, int] | None:
        """Give the codeword within `most` errors (the code's own when None) and what was wrong, or None.

        The second value has a one at each bit corrected.
        """
        error = self._patterns.get(self.remainder(word))
        if error is None or error.bit_count() > (self.most if most is None else most):
            return None
        return word ^ error, error

    def chance(self, most: int) -> float:
        """Give the probability that a random word passes with at most `most` corrections."""
        near: int = sum(comb(self.size, count) for count in range(most + 1))
        return near / (1 << self.parity_bits)

    @cached_property
    def _patterns(self) -> dict[int, int]:
        single = [self.remainder(1 << place) for place in range(self.size)]
        table = {0: 0}
        for weight in range(1, self.most + 1):
            for places in combinations(range(self.size), weight):
                syndrome = error = 0
                for place in places:
                    syndrome ^= single[place]
                    error |= 1 << place
                table.setdefault(syndrome, error)
        return table
