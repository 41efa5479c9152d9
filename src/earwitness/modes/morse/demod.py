"""From channel samples to frames of Morse text.

A line that comes and goes is kept from half a second before its first half second to 3 s after its last, or
until two minutes are held; then the whole stretch is read at once by `dsp.keying`. A longer transmission is cut at
its last gap between words. It may be two stations in turn, of other speed or carrier: where nothing was heard for a
second it is read in parts, if each of them is Morse or the whole is none. A reading becomes a frame only when its timing is that of Morse: see
`timing_fault`.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from earwitness.coding.morse_code import CHARACTERS
from earwitness.core.types import Bits, Frame
from earwitness.dsp import fft
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.keying import KeyingFind, read_keying

REACH_HZ = 150.0
QUIET_BLOCKS = 6  # 3 s
BETWEEN_BLOCKS = 2  # between two stations, a second
BETWEEN_S, BETWEEN_DOTS = 1.0, 11.0  # and so many dots: a pause between words has seven
LEAST_PART_BLOCKS = 4  # of a part that is read
LONGEST_BLOCKS = 240  # two minutes
LEAST_CHARACTERS = 5
LEAST_MORE = 2  # of what goes on where a text has just been read
SAME_HZ, SAME_SPEED = 15.0, 0.25  # by which it may differ
GOES_ON_S = 10.0
LEAST_OF_EACH = 2  # dots, dashes
SLOWEST_WPM, FASTEST_WPM = 4.5, 46.0
LEAST_RATIO = 2.35  # of a dash to a dot, three by the book (ITU-R M.1677-1): hands come down to this
MOST_UNEVEN = 1.8
UNKNOWN = "_"
SIMPLE, MANY = "ETIANM", 30  # characters of one or two elements; from how many on a text is judged by them
MOST_SIMPLE, LEAST_WORD = 0.65, 3.0  # English has 0.46 of them (letter counts, from memory), and longer words


class Demodulator(FramedReceiver):
    """Feeds on complex channel samples of at least 2 kHz; gives one Frame for each stretch of text."""

    block_frames = 50  # half a second

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter: 500 Hz wide."""
        self._held: list[np.ndarray] = []
        self._heard: list[bool] = []  # whether a line stood out in each
        self._held_at = 0  # block number of the first held
        self._blocks = 0
        self._busy_at = -1
        self._last: tuple[float, KeyingFind] | None = None  # the end of the latest text, and how it was keyed
        self._window = np.hanning(self.frame * self.block_frames).astype(np.float32)
        return lowpass(250.0, 120.0, rate_hz, stop_db=50.0)

    def block(self, iq: np.ndarray) -> list[Frame]:
        """Take half a second."""
        busy = self._busy(iq)
        self._held.append(iq)
        self._heard.append(busy)
        self._blocks += 1
        if busy:
            self._busy_at = self._blocks - 1
        if self._busy_at < 0:  # idle: keep one block as pre-roll
            self._drop(len(self._held) - 1)
            return []
        if self._blocks - 1 - self._busy_at >= QUIET_BLOCKS:
            return self._read(final=True)
        if len(self._held) >= LONGEST_BLOCKS:
            return self._read(final=False)
        return []

    def finish(self) -> list[Frame]:
        """Read what is held."""
        return self._read(final=True) if self._busy_at >= 0 else []

    def _busy(self, iq: np.ndarray) -> bool:
        """Tell whether a line stands out: 14 times the median bin. Noise alone does so in 1 block of 50."""
        power = np.abs(fft.forward(iq * self._window)) ** 2
        reach = int(REACH_HZ * len(iq) / self.rate_hz)
        near = np.concatenate([power[-reach:], power[: reach + 1]])
        return bool(near.max() > 14.0 * np.median(near) > 0)

    def _drop(self, count: int) -> None:
        del self._held[:count], self._heard[:count]
        self._held_at += count

    def _read(self, *, final: bool) -> list[Frame]:
        """Read the held blocks; keep the last one when final, or all after the last gap between words."""
        iq = np.concatenate(self._held)
        find = read_keying(iq, self.rate_hz, reach_hz=REACH_HZ)
        start = self._held_at
        size = self.frame * self.block_frames
        whole = find is not None and timing_fault(find, read_text(find)) is None
        one = whole and find is not None and not _pauses(find)
        parts = [] if one else self._parts(final=final)
        frames = [self._frame_of(iq[a * size : b * size], (start + a) * size) for a, b in parts]
        if parts and (all(frames) or not whole):
            if final:
                self._busy_at = -1
            self._drop(len(self._held) - 1 if final else parts[-1][1])
            return [frame for frame in frames if frame]
        if final:
            self._busy_at = -1
            self._drop(len(self._held) - 1)
        stop_s = len(iq) / self.rate_hz
        if not final:
            gaps = (
                []
                if find is None
                else [
                    item.stop_s for item in find.elements[:-1] if item.gap == 2 and item.stop_s < stop_s - 2.0
                ]
            )
            cut_s = gaps[-1] if gaps else stop_s - 1.0
            self._drop(max(int(cut_s * self.rate_hz / size), 1))
            held_from_s = (self._held_at - start) * size / self.rate_hz
            if held_from_s < cut_s:  # silence what was read, so that it is not read again
                quiet = round((cut_s - held_from_s) * self.rate_hz)
                self._held[0] = np.concatenate([np.zeros(quiet, np.complex64), self._held[0][quiet:]])
            if find is not None:
                find = _until(find, cut_s)
        frame = self._frame(find, start * size) if find is not None else None
        return [frame] if frame else []

    def _parts(self, *, final: bool) -> list[tuple[int, int]]:
        """Give the held blocks as parts between silences; none when there is one part, the last only when final."""
        ends, last = [0], -1
        for at, heard in enumerate(self._heard):
            if heard:
                if last >= 0 and at - last > BETWEEN_BLOCKS:
                    ends.append((at + last + 1) // 2)
                last = at
        out = [*pairwise(ends), *([(ends[-1], len(self._held))] if final else [])]
        return out if len(ends) > 1 else []

    def _frame_of(self, iq: np.ndarray, start: int) -> Frame | None:
        if len(iq) < LEAST_PART_BLOCKS * self.frame * self.block_frames:
            return None
        find = read_keying(iq, self.rate_hz, reach_hz=REACH_HZ)
        return None if find is None else self._frame(find, start)

    def _frame(self, find: KeyingFind, start: int) -> Frame | None:
        text = read_text(find)
        if timing_fault(find, text, least=LEAST_MORE if self._goes_on(find, start) else LEAST_CHARACTERS):
            return None
        self._last = start / self.rate_hz + find.elements[-1].stop_s, find
        octets = text.encode("ascii")[:4000]
        return Frame(
            mode=self.mode.name,
            time_ns=self.time_ns(start + find.elements[0].start_s * self.rate_hz),
            stop_ns=self.time_ns(start + find.elements[-1].stop_s * self.rate_hz),
            bits=Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
            check="pass",
            check_name="timing of Morse kept by every element",
            extra={
                "words_per_minute": round(1.2 / find.dot_s, 1),
                "timing_spread": round(find.spread, 3),
                "explained": round(find.captured, 3),
            },
            snr_db=find.snr_db,
            frequency_hz=(self.clock.center_hz if self.clock else 0.0) + find.frequency_hz,
        )

    def _goes_on(self, find: KeyingFind, start: int) -> bool:
        """Tell whether a reading goes on from the latest text: same carrier, same speed, soon after."""
        if self._last is None:
            return False
        end_s, last = self._last
        return (
            start / self.rate_hz + find.elements[0].start_s - end_s < GOES_ON_S
            and abs(find.frequency_hz - last.frequency_hz) < SAME_HZ
            and abs(find.dot_s / last.dot_s - 1) < SAME_SPEED
        )


def _pauses(find: KeyingFind) -> bool:
    """Tell whether a reading has a silence longer than one between words."""
    longest = max((b.start_s - a.stop_s for a, b in pairwise(find.elements)), default=0.0)
    return longest > max(BETWEEN_S, BETWEEN_DOTS * find.dot_s)


def _until(find: KeyingFind, stop_s: float) -> KeyingFind | None:
    kept = tuple(item for item in find.elements if item.stop_s <= stop_s + 1e-6)
    return replace(find, elements=kept) if kept else None


def read_text(find: KeyingFind) -> str:
    """Give the text of a reading; a signal that is none stands as an underscore."""
    out: list[str] = []
    signal = ""
    for element in find.elements:
        signal += "-" if element.dash else "."
        if element.gap:
            out.append(CHARACTERS.get(signal, UNKNOWN))
            signal = ""
            if element.gap == 2:
                out.append(" ")
    return "".join(out).strip()


def timing_fault(find: KeyingFind, text: str, *, least: int = LEAST_CHARACTERS) -> str | None:
    """Give why a reading is not Morse, or None when it is; it has `least` characters.

    Limits set between readings of Morse at -1 dB in 100 Hz and upward, and what noise, speech, telex and
    other data give (benchmarks/bench_voice.py measures both).
    """
    characters = text.replace(" ", "")
    if len(characters) < least:
        return "too short"
    if characters.count(UNKNOWN) > 0.1 * len(characters):
        return "signals that are no characters"
    if not SLOWEST_WPM <= 1.2 / find.dot_s <= FASTEST_WPM:
        return "too slow or too fast"
    simple = sum(char in SIMPLE for char in characters)
    if (
        len(characters) >= MANY
        and simple > MOST_SIMPLE * len(characters)
        and len(characters) < LEAST_WORD * len(text.split())
    ):
        return "snatches of the simplest characters: no language, but something that comes again"
    dashes = sum(element.dash for element in find.elements)
    if min(dashes, len(find.elements) - dashes) < LEAST_OF_EACH:
        return "elements of one length: pulses, for Morse has dots and dashes three times as long"
    long, short = (
        np.array([e.stop_s - e.start_s for e in find.elements if e.dash == dash]) for dash in (True, False)
    )
    if np.median(long) < LEAST_RATIO * np.median(short):
        return "long elements of twice the short: a code of two half symbols"
    if len(long) >= 8 and np.quantile(long, 0.9) > MOST_UNEVEN * np.quantile(long, 0.1):
        return "long elements of many lengths: runs of data"
    if sum(char in "ET" for char in characters) > 0.5 * len(characters):
        return "mostly single elements"
    if find.captured < 0.93 or find.spoiled > 0.12:
        return "key-down that the reading does not explain"
    if find.spread > (0.17 if len(characters) >= 15 else 0.13):
        return "uneven lengths"
    if find.evidence < 10.0:
        return "too weak"
    return None
