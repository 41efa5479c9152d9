"""From channel samples or audio to frames: one frame a message, from ZCZC to NNNN or to where it was lost.

Soft bits come from `dsp.fsk`. A message is found by its ZCZC in both copies at once, at any bit: no phasing
is needed, and a bit clock that slipped in a fade costs one message, not the broadcast. Each character is the
likeliest of the 35 words under both its copies; one that is not sure stands as lost. The message is kept only
when station, subject and serial were read without doubt, or when it was under way already: there the copies themselves
must agree for a line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from earwitness.coding import ccir476
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.fsk import FskChannel, SoftBits

BAUD, SHIFT_HZ = 100.0, 170.0
WIDTH_HZ = 300.0  # in which the SNR is given
START = "ZCZC"
CHARACTER = 14  # bits from one character to the next of the same copy
# First copies of ZCZC in every second slot, second copies five slots later: (place, bit sign)
_PLACES = np.concatenate(
    [14 * n + copy * ccir476.SPREAD + np.arange(7) for n in range(len(START)) for copy in (0, 1)]
)
_SIGNS = np.concatenate([ccir476.SIGNS[ccir476.INDEX[char]] for char in START for _ in (0, 1)])
# As sent, and inverted: heard on the other sideband, or keyed in the wrong sense.
SIGNS_HEARD = (1, -1)
START_BITS = int(_PLACES.max()) + 1
# Share of the soft bits' weight that must speak for ZCZC; a header must follow.
START_SCORE = 0.55
ECHO_BITS = ccir476.SPREAD + CHARACTER
HEADER_CHARACTERS = 12  # in which station, subject and serial must come, shifts included
SURE = 0.8  # probability from which a character is printed
SURE_HEADER = 0.999  # and from which a character of the header is taken
MOST_CHARACTERS = 20_000
# Where a message is under way whose beginning was missed: characters looked at, of which so many must be the same word in
# both copies (two words by chance are one pair in 470) and so many unlike each other
JOINED, JOINED_SAME, JOINED_UNLIKE = 24, 20, 8
IDLE = tuple(ccir476.INDEX[name] for name in (ccir476.ALPHA, ccir476.BETA, ccir476.REPEAT, ccir476.BLANK))
GONE = 60  # characters over which nearly all are lost when the signal has gone
GONE_SHARE = 0.75
MOST_LOST = 1 / 3  # share of lost characters above which nothing is kept (IMO, from memory)
PASS_RATE = 0.04  # share of lost characters below which a message is printed as whole (IMO, from memory)


@dataclass(slots=True)
class _Reading:
    """A message being read."""

    first: int  # bit of the first copy of its first character
    sign: int
    words: list[int] = field(default_factory=list)  # -1 lost
    guesses: list[int] = field(default_factory=list)  # best word, sure or not
    chances: list[float] = field(default_factory=list)
    agreed: list[bool] = field(default_factory=list)  # both copies were this word exactly
    wrong: int = 0  # bits of both copies against what was decided
    begun: bool = True  # its ZCZC was heard


class Demodulator:
    """Feeds on complex channel samples or float audio; gives one Frame for each message."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self._channel = FskChannel(mode, baud=BAUD, shift_hz=SHIFT_HZ, reach_hz=mode.offset_ok_hz + 30.0)
        self._clock: Samples | None = None
        self._density: float | None = None
        self._llr = np.empty(0, np.float32)
        self._starts = np.empty(0)
        self._figures = np.empty((0, 3))  # centre, signal, noise of each bit
        self._dropped = 0  # bits forgotten
        self._searched = 0  # bits in which ZCZC was looked for
        self._joined = 0  # bits in which a message under way was looked for
        self._reading: _Reading | None = None

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if self._clock is None:
            self._clock = samples
        if samples.noise_dbfs_hz is not None:
            self._density = 10 ** (samples.noise_dbfs_hz / 10)
        return self._take(self._channel.feed(samples), final=False)

    def close(self) -> Iterable[Frame]:
        """Say that no more samples come."""
        out = self._take(self._channel.close(), final=True)
        self._clock = None
        return out

    def _take(self, runs: Iterable[SoftBits], *, final: bool) -> list[Frame]:
        out: list[Frame] = []
        for run in runs:
            self._llr = np.concatenate([self._llr, run.llr])
            self._starts = np.concatenate([self._starts, run.starts])
            figures = np.tile((run.center_hz, run.signal, run.noise), (len(run.llr), 1))
            self._figures = np.concatenate([self._figures, figures])
            out += self._advance()
        if final and self._reading is not None:
            out += self._finish(lost=True)
        self._forget()
        return out

    def _advance(self) -> list[Frame]:
        """Read and search as far as the bits go, in their order."""
        out: list[Frame] = []
        for at, sign in self._find_starts():
            if self._reading is not None:
                if self._reading.begun and at - self._reading.first < START_BITS:
                    continue  # the same one again
                out += self._read(at)
                if self._reading is not None:
                    out += self._finish(lost=True)
            self._reading = _Reading(at, sign)
        out += self._read(None)
        if self._reading is None:
            self._join()
            out += self._read(None)
        else:
            self._joined = max(self._joined, self._searched)
        return out

    def _join(self) -> None:
        """Begin to read where characters have both copies alike: a message is under way whose beginning was missed."""
        begin = self._joined - self._dropped
        span = CHARACTER * (JOINED - 1) + ccir476.SPREAD + 7
        count = min(self._searched - self._joined, len(self._llr) - begin - span + 1)
        if count <= 0:
            return
        self._joined += count
        windows = np.lib.stride_tricks.sliding_window_view(self._llr[begin : begin + count + span - 1], 7)
        for sign in SIGNS_HEARD:
            words = ccir476.hard(sign * windows)
            same = (words[: -ccir476.SPREAD] == words[ccir476.SPREAD :]) & (words[: -ccir476.SPREAD] >= 0)
            same &= ~np.isin(words[: -ccir476.SPREAD], IDLE)
            alike = sum(same[CHARACTER * n :][:count].astype(int) for n in range(JOINED))
            for at in np.flatnonzero(same[:count] & (alike >= JOINED_SAME)).tolist():
                some = words[at : at + CHARACTER * JOINED : CHARACTER]
                if len(np.unique(some)) >= JOINED_UNLIKE:
                    self._reading = _Reading(begin + self._dropped + at, sign, begun=False)
                    return

    def _find_starts(self) -> list[tuple[int, int]]:
        """Give (bit, sign) of each ZCZC with a header after it, in the bits not searched yet."""
        begin = self._searched - self._dropped
        count = len(self._llr) - START_BITS - CHARACTER * HEADER_CHARACTERS - begin
        if count <= 0:
            return []
        self._searched += count
        windows = np.lib.stride_tricks.sliding_window_view(self._llr[begin:], START_BITS)[:, _PLACES]
        score = (windows @ _SIGNS) / (np.abs(windows).sum(axis=1) + 1e-9)
        out = []
        for sign in SIGNS_HEARD:
            for at in np.flatnonzero(sign * score[:count] > START_SCORE):
                # half of a start also shows where one copy's place meets the other copy
                near = sign * score[max(at - ECHO_BITS, 0) : at + ECHO_BITS + 1]
                first = int(at) + begin + self._dropped
                if sign * score[at] >= near.max() and self._header(first, sign) is not None:
                    out.append((first, sign))
        return sorted(out)

    def _decide(
        self, first: int, sign: int, count: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Give likeliest word, its probability, whether both copies are it, and wrong bits of characters from a bit on."""
        places = first - self._dropped + CHARACTER * np.arange(count)[:, None] + np.arange(7)
        one, two = sign * self._llr[places], sign * self._llr[places + ccir476.SPREAD]
        best, chance = ccir476.odds(one + two)
        agreed = (ccir476.hard(one) == best) & (ccir476.hard(two) == best)
        wrong = ((np.stack([one, two]) > 0) != (ccir476.WORDS[best] > 0)).sum(axis=(0, 2))
        return best, chance, agreed, wrong

    def _header(self, first: int, sign: int) -> tuple[int, str, bool] | None:
        """Give the header of a message whose ZCZC begins at a bit, or None."""
        best, chance, agreed, _ = self._decide(first, sign, len(START) + HEADER_CHARACTERS - 2)
        return read_header(best.tolist(), chance.tolist(), agreed.tolist())

    def _read(self, stop: int | None) -> list[Frame]:
        """Read the characters that are complete (and begin before bit `stop`) into the present message."""
        reading = self._reading
        if reading is None:
            return []
        end = len(self._llr) + self._dropped
        first = reading.first + CHARACTER * len(reading.words)
        count = (end - first - ccir476.SPREAD - 7) // CHARACTER + 1
        if stop is not None:
            count = min(count, -(-(stop - first) // CHARACTER))
        if count <= 0:
            return []
        best, chance, agreed, wrong = self._decide(first, reading.sign, count)
        for n in range(count):
            sure = bool(chance[n] >= SURE)
            reading.words.append(int(best[n]) if sure else -1)
            reading.guesses.append(int(best[n]))
            reading.chances.append(float(chance[n]))
            reading.agreed.append(bool(agreed[n]))
            reading.wrong += int(wrong[n])
            if _ended(reading.words):
                return self._finish(lost=False)
            tail = reading.words[-GONE:]
            if len(tail) == GONE and tail.count(-1) > GONE_SHARE * GONE:
                return self._finish(lost=True)
            if len(reading.words) >= MOST_CHARACTERS:
                return self._finish(lost=True)
        return []

    def _finish(self, *, lost: bool) -> list[Frame]:
        reading, self._reading = self._reading, None
        if reading is None:
            return []
        self._joined = max(self._joined, reading.first + CHARACTER * len(reading.words))
        words = list(reading.words)
        if lost:
            words = words[: heard_until(words)]
        count = len(words)
        if reading.begun:
            header = read_header(reading.guesses[:count], reading.chances, reading.agreed)
            if header is None:
                return []
            after, designation, confirmed = header
            body = body_text(words[after:], reading.guesses[after:])
            text = f"{START} {designation}{body}"
        elif count >= JOINED:
            after, confirmed = 0, False
            text = body = body_text(words, reading.guesses, shifted=was_shifted(words))
        else:
            return []
        missing = words[after:].count(-1)
        rate = missing / max(count - after, 1)
        if rate > MOST_LOST or not body.strip():
            return []
        octets = text.encode("ascii")
        first = reading.first - self._dropped
        last = min(first + CHARACTER * (count - 1) + ccir476.SPREAD + 7, len(self._llr)) - 1
        clock = self._clock
        if clock is None:
            return []
        figures = self._figures[max(first, 0) : last + 1]
        center_hz = float(np.average(figures[:, 0], weights=figures[:, 1] + 1e-20))
        signal = float(figures[:, 1].mean())
        noise = self._density or float(figures[:, 2].mean())
        stop = self._starts[last] + clock.rate_hz / BAUD
        good = confirmed and rate <= PASS_RATE and not lost
        header_words = "the same in both" if confirmed else f"sure to {SURE_HEADER:g} from both together"
        return [
            Frame(
                mode=self.mode.name,
                time_ns=clock.time_ns(float(self._starts[max(first, 0)])),
                stop_ns=clock.time_ns(float(stop)),
                bits=Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
                check="pass" if good else "corrected",
                corrected_bits=reading.wrong,
                check_name=(
                    "code words of both copies"
                    + (f"; station, subject and serial {header_words}" if reading.begun else "")
                    + (f"; at most {100 * PASS_RATE:g} % of characters lost" if good else "")
                ),
                extra={
                    "complete": not lost and reading.begun,
                    "begun": reading.begun,
                    "ended": not lost,
                    "characters": count - after,
                    "characters_lost": missing,
                    "character_error_rate": round(rate, 4),
                    "header_confirmed": confirmed,
                    "inverted": reading.sign < 0,
                },
                snr_db=round(10 * np.log10((signal + 1e-30) / (noise * WIDTH_HZ + 1e-30)), 1),
                level_dbfs=round(10 * np.log10(signal + 1e-30), 1),
                frequency_hz=clock.center_hz + center_hz,
            )
        ]

    def _forget(self) -> None:
        """Drop bits no message needs."""
        needed = min(self._searched, self._joined)
        if self._reading is not None:
            needed = min(needed, self._reading.first)
        drop = needed - self._dropped - 16
        if drop > 4000:
            self._llr = self._llr[drop:].copy()
            self._starts = self._starts[drop:].copy()
            self._figures = self._figures[drop:].copy()
            self._dropped += drop


def heard_until(words: list[int]) -> int:
    """Give how many words to keep of a message that broke off: beyond, over a third is lost."""
    worth = np.cumsum([1.0 if word >= 0 else 1.0 - 1.0 / MOST_LOST for word in words])
    return int(worth.argmax()) + 1 if len(words) else 0


def _ended(words: list[int]) -> bool:
    """Tell whether the last four characters are NNNN, one of them perhaps lost."""
    tail = words[-4:]
    return (
        len(words) > 8
        and tail.count(ccir476.INDEX["N"]) >= 3
        and all(word in (-1, ccir476.INDEX["N"]) for word in tail)
    )


def read_header(words: list[int], chances: list[float], agreed: list[bool]) -> tuple[int, str, bool] | None:
    """Give (characters used, the four characters of the header, whether both copies confirm it), or None.

    Two letters, the shift to figures, two digits, each sure.
    """
    out = ""
    confirmed = shifted = True
    for n in range(len(START), min(len(words), len(START) + HEADER_CHARACTERS - 2)):
        name = ccir476.LETTER_OF[words[n]]
        if name in (ccir476.LETTERS, ccir476.FIGURES):
            shifted = name == ccir476.FIGURES
            continue
        if name == " " and not out:
            shifted = False
            continue
        char = name if len(out) < 2 else ccir476.FIGURE_OF[words[n]]
        right = char.isalpha() and not shifted if len(out) < 2 else char.isdigit() and shifted
        if len(char) != 1 or not right or chances[n] < SURE_HEADER:
            return None
        confirmed &= agreed[n]
        out += char
        if len(out) == 4:
            return n + 1, out, confirmed
    return None


def was_shifted(words: list[int]) -> bool:
    """Tell whether what comes before the first shift is figures: that shift is to letters."""
    shifts = (ccir476.INDEX[ccir476.LETTERS], ccir476.INDEX[ccir476.FIGURES])
    return next((word == shifts[0] for word in words if word in shifts), False)


def body_text(words: list[int], guesses: list[int], *, shifted: bool = True) -> str:
    """Give the text after the header; a lost character that most likely was a shift shifts all the same."""
    shifts = (ccir476.INDEX[ccir476.LETTERS], ccir476.INDEX[ccir476.FIGURES])
    out = []
    for word, guess in zip(words, guesses, strict=False):
        if word < 0 and guess in shifts:
            out.append(guess)
        else:
            out.append(word)
    return ccir476.to_text(out, shifted=shifted)
