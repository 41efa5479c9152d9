"""One emission being followed from row to row, and the small judgements that takes."""

from __future__ import annotations

from collections import deque
from math import sqrt

import numpy as np

from earwitness.detect.artefacts import Traces
from earwitness.spectrum.stft import Plan, looks

FORGETS = 0.02  # of the way to the newest band, a batch
SHORT_DASH_S, LONG_DASH_S, WORD_DASHES = 0.16, 1.0, 3.0
NARROW_HZ = 3200.0  # up to here it may be keyed by hand or by speech
SPEECH_HZ = 3000.0  # and so wide is speech, at most
FORMANTS_HZ = 600.0  # what is narrower is no voice yet
_RARE = 0.005  # share of its power at either edge of what a voice says
DOUBT_S = 0.2  # silence after which what comes is first asked whether it is still the same
WAIT_SPEECH_S = 1.7  # speech on a suppressed carrier pauses so long
WAIT_FADE_S = 1.5  # and so long a fade that was seen to begin may last
_LIVELY = 0.2  # relative variance of power: speech has 0.4 to 0.8, a carrier with voice on it below 0.1
_OTHER_DB = 5.0  # by which another station differs from one that only paused
SOFT = 0.5  # of its level, at the edge of a fade; a keyed edge is steeper than a row
EDGE_S = 0.010  # looked at beside a silence
BEGIN_S = 0.3  # parts of an emission begin so near to each other
SYLLABLE_S = 1.5  # what is longer is not
BRIEF_S = 0.2  # a syllable: no answer is so short
_SENTENCE_S = 0.6  # from which on a voice is known by its level and middle
_SYLLABLES_S, _SYLLABLE_DB = (
    0.5,
    6.0,
)  # one voice's pauses within a sentence, and how much louder it may go on
_FADED_DB = 12.0  # the same where its carrier is just where it was: that is fading
_STEPS, _STEPS_KEPT = 2, 8  # batches that show a sweep, and over which its pace is taken
_UNEVEN = 0.4  # by which steps differ, as a share
SWEEP_S = 0.5  # for which a sweep may be behind something else
_LINE_WIDTH, _SAME_LINE = 4.2, 0.05  # bins: of a band with one line, of two lines that are one
_LINE = 0.6  # share of the power in three bins that makes a line of it
_VALLEY, _SHALLOW = 0.4, 0.1  # of the power beside it, and of the lower hill: less is a valley
STEP = 20.0  # power ratio of two hills that no one signal has side by side
_SOUND_HZ, _MIDDLE = (
    12e3,
    0.15,
)  # width of sound broadcasting; share of it by which a carrier is off its middle
_LINE_BINS, _LINE_HZ = 0.4, 25.0  # by which two stations' carriers differ


def is_narrow(width_hz: float, bin_hz: float) -> bool:
    """Tell whether a band may be keyed by hand or by speech on a suppressed carrier, of which bins smear the edges."""
    return width_hz <= max(NARROW_HZ, SPEECH_HZ + 2.5 * bin_hz, 4.5 * bin_hz)


def bridge_s(width_hz: float, run_s: float, span_hz: float, bin_hz: float) -> float:
    """Give how long a silence an emission bridges, by its width and its longest unbroken run so far.

    Narrow ones may be Morse (word gaps 0.42 s at 20 words per minute) or speech on a suppressed carrier; one that
    has been on without a break for a second is neither, and only its fades are bridged. Wide ones
    are packets or constant-carrier overs: a tenth of the run, 3 to 100 ms.
    """
    if is_narrow(width_hz, bin_hz):
        return 0.9 if run_s < 1.0 and span_hz <= 500e3 else 0.5
    return min(max(0.1 * run_s, 0.003), 0.1)


def word_gap_s(e: Emission, run_s: float, of: Plan) -> float:
    """Give how long slow Morse may pause between words: seven dots, a dash is three, and hands are uneven.

    Only a line that is keyed does so.
    """
    if not SHORT_DASH_S < run_s < LONG_DASH_S or not is_narrow((e.high - e.low) * of.bin_hz, of.bin_hz):
        return 0.0
    return WORD_DASHES * run_s if _line(e.excess) is not None else 0.0


class Emission:
    """One emission being followed."""

    def __init__(self, number: int, low: float, high: float, start: float, bins: int):
        self.number = number
        self.low = low
        self.high = high
        self.near_low = low  # the band of the last few seconds
        self.near_high = high
        self.least = low
        self.most = high
        self.start = start
        self.stop = start
        self.run_start = start
        self.longest_run = 0.0
        self.rows = 0  # on, so far
        self.outside = 0.0  # part of them that lies before its start or after its stop
        self.excess = np.zeros(bins, np.float32)  # power over the floor, summed over the on rows
        self.floor = np.zeros(bins, np.float32)  # the floor, summed over the same rows
        self.reported = False
        self.artefact: str | None = None  # what it is of the receiver's own doing, as far as is known
        self.spike: str | None = None  # it is the receiver's constant offset for certain: why
        self.traces = Traces()
        self.slow = False  # too weak to be claimed within a batch
        self.before: Emission | None = None  # which this may be the continuation of
        self.late_power = 0.0  # over the floor, of the rows of the last second or two, and
        self.late_rows = 0.0  # how many those are, older ones counting less
        self.soft_start = self.soft_stop = False  # it came up, or went down, more slowly than keying does
        self.first_power = 0.0  # mean of its first rows
        self.moved = self.steady = 0.0  # variance within a batch and square of the mean, summed over batches
        self.strength = 0.0  # power over the noise's in its band, worked out last for
        self.strength_of = (0, 0, 0)  # so many rows and these bins
        self.crowded = False  # something else touches its band in this batch
        self.torn = 0  # batches of late in which its band held others
        self.settled = False  # its stop has been refined
        self.latest = (low, high)  # the band of the latest batch that showed it
        self.latest_row = float("nan")  # where that begins
        self.pace = 0.0  # bins a row by which the band has moved of late, and
        self.paced = 0  # in how many batches on end
        self.recent: deque[float] = deque(maxlen=8)  # mean excess over noise of the last batches, if slow

    def follow(self, low: float, high: float, row: int) -> None:
        """Move the band towards where the energy was in the batch of a row: out at once, in slowly; with a sweep."""
        self._keep_pace(low, high, row)
        if self.sweeps:
            self.low, self.high = low, high
            self.near_low, self.near_high = low, high
            self.least, self.most = min(self.least, low), max(self.most, high)
            return
        self.low = low if low < self.low else self.low + 0.25 * (low - self.low)
        self.high = high if high > self.high else self.high + 0.25 * (high - self.high)
        self.near_low = min(low, self.near_low + FORGETS * (low - self.near_low))
        self.near_high = max(high, self.near_high + FORGETS * (high - self.near_high))
        self.least = min(self.least, low)
        self.most = max(self.most, high)

    def _keep_pace(self, low: float, high: float, row: int) -> None:
        rows = row - self.latest_row
        if rows > 0:
            down, up = (low - self.latest[0]) / rows, (high - self.latest[1]) / rows
            step = (down + up) / 2
            slack = 1 / rows
            even = abs(down - up) <= _UNEVEN * abs(step) + slack and abs(step) >= 2 * slack
            if even and (self.paced == 0 or abs(step - self.pace) <= _UNEVEN * abs(self.pace) + slack):
                self.pace += (step - self.pace) / (self.paced + 1)
                self.paced = min(self.paced + 1, _STEPS_KEPT)
            elif self.sweeps:  # partly behind something else
                low, high = (edge + self.pace * rows for edge in self.latest)
            else:
                self.pace, self.paced = 0.0, 0
        self.latest, self.latest_row = (low, high), row

    @property
    def sweeps(self) -> bool:
        """Tell whether it runs steadily through the bins, further than it is wide."""
        return self.paced >= _STEPS and self.most - self.least > 2 * (self.latest[1] - self.latest[0])

    def is_due(self, low: float, high: float, row: int) -> bool:
        """Tell whether bins [low, high) are where a sweep should be in the batch of a row."""
        if not self.sweeps:
            return False
        middle = (self.latest[0] + self.latest[1]) / 2 + self.pace * (row - self.latest_row)
        return abs((low + high) / 2 - middle) <= (self.latest[1] - self.latest[0])

    def count(self, power: float, rows: int, memory_rows: float) -> None:
        """Take the power over the floor of further rows into its level of late."""
        keep = max(0.0, 1 - rows / memory_rows)
        self.late_power = keep * self.late_power + power
        self.late_rows = keep * self.late_rows + rows

    @property
    def late_level(self) -> float:
        """Give its mean power over the floor in the last second or two."""
        return self.late_power / self.late_rows if self.late_rows else 0.0

    def absorb(self, later: Emission, memory_rows: float) -> None:
        """Go on as what was first followed by itself, and turned out to be the same."""
        self.low, self.high = later.low, later.high
        self.near_low, self.near_high = (
            min(self.near_low, later.near_low),
            max(self.near_high, later.near_high),
        )
        self.least, self.most = min(self.least, later.least), max(self.most, later.most)
        self.stop = later.stop
        self.run_start = later.run_start
        self.longest_run = max(self.longest_run, later.longest_run)
        self.rows += later.rows
        self.excess += later.excess
        self.floor += later.floor
        self.traces.join(later.traces)
        self.count(later.late_power, round(later.late_rows), memory_rows)
        self.moved += later.moved
        self.steady += later.steady
        self.soft_stop = later.soft_stop
        self.settled = later.settled


def is_lively(e: Emission, of: Plan) -> bool:
    """Tell whether its power moves within a tenth of a second as that of speech without a carrier does.

    The noise's part is taken off; fades are slower.
    """
    if not is_narrow((e.high - e.low) * of.bin_hz, of.bin_hz) or e.steady <= 0:
        return False
    a, b = int(e.low), max(int(e.high), int(e.low) + 1)
    noise = float(e.floor[a:b].sum()) / max(float(e.excess[a:b].sum()), 1e-30)
    return e.moved / e.steady - (2 * noise + noise**2) / band_looks(of, 1, b - a) > _LIVELY


def wait_s(e: Emission, of: Plan) -> float:
    """Give how long a silence may be before what comes next is another emission for certain."""
    usual = bridge_s((e.high - e.low) * of.bin_hz, e.longest_run * of.row_s, of.rate_hz, of.bin_hz)
    if e.rows * of.row_s < 0.5:
        return usual
    if is_lively(e, of):
        return max(usual, WAIT_SPEECH_S)
    return max(usual, WAIT_FADE_S) if e.soft_stop else usual


def is_voice(e: Emission, low: float, high: float, of: Plan) -> bool:
    """Tell whether bins [low, high) may be formants of a voice that has been heard lower or higher so far."""
    if (e.high - e.low) * of.bin_hz <= FORMANTS_HZ or not is_lively(e, of):
        return False
    least, most = _bulk(e)
    return (max(most, high) - min(least, low)) * of.bin_hz <= SPEECH_HZ


def _bulk(e: Emission) -> tuple[int, int]:
    """Give the bins [low, high) that hold nearly all of its power: a mirror image beside it widens its band, no more."""
    a, b = int(max(e.least, 0)), int(np.ceil(e.most))
    share = np.cumsum(np.maximum(e.excess[a:b], 0))
    low, high = np.searchsorted(share, (_RARE * share[-1], (1 - _RARE) * share[-1]))
    return a + int(low), a + int(high) + 1


def is_syllable(part: Emission, e: Emission, of: Plan) -> bool:
    """Tell whether something short was part of what a voice says: within its sideband, in its time, and weaker."""
    if e is part or (part.stop - part.start) * of.row_s > SYLLABLE_S:
        return False
    if not part.start < e.stop or (e.start - part.start) * of.row_s > BEGIN_S:
        return False
    return is_voice(e, part.least, part.most, of) and part.excess.sum() < e.excess.sum()


def is_clear(before: Emission, later: Emission, of: Plan) -> bool:
    """Tell whether enough has been heard after a silence to say whether it is still the same."""
    heard_s = later.rows * of.row_s
    if not is_lively(before, of):
        return heard_s > 0.25
    return heard_s > 1.2 or (heard_s > 0.6 and not 0.4 < _unlike(before, later, of) < 1.6)


def is_same(before: Emission, later: Emission, of: Plan) -> bool:
    """Tell whether what came after a silence is the emission from before it.

    A fade goes down and comes up gently, and the level beyond it says little. What was keyed off comes back at
    its level, and speech at about its level and pitch. Carriers tell stations apart: they are some hertz off.
    """
    if later.late_level <= 0 or before.late_level <= 0:
        return True
    change_db = 10 * float(np.log10(later.late_level / before.late_level))
    if is_lively(before, of):
        pause_s = (later.start - before.stop) * of.row_s
        heard_s = later.rows * of.row_s
        if heard_s >= BRIEF_S:
            within = pause_s < (_SYLLABLES_S if heard_s < _SENTENCE_S else DOUBT_S)
            return within or _unlike(before, later, of) < 0.8
        return change_db < (_SYLLABLE_DB if pause_s < _SYLLABLES_S else 0.0)
    one, two = _line(before.excess), _line(later.excess)
    alike_db = _OTHER_DB
    if one is not None and two is not None:
        narrow = before.high - before.low <= _LINE_WIDTH
        if narrow and abs(one - two) > max(_LINE_BINS, _LINE_HZ / of.bin_hz):
            return False
        if abs(one - two) < _SAME_LINE:
            alike_db = _FADED_DB
    if before.soft_stop and (later.soft_start or change_db < 3):
        return True  # or it is what can be heard of it within the fade
    width_hz = (before.high - before.low) * of.bin_hz
    usual = bridge_s(width_hz, before.longest_run * of.row_s, of.rate_hz, of.bin_hz)
    return (later.start - before.stop) * of.row_s <= usual and abs(change_db) < alike_db


def _unlike(before: Emission, later: Emission, of: Plan) -> float:
    """Give by how much two stretches of speech differ in level and middle; one voice stays below 0.4

    Both vary from sentence to sentence, by 3.5 dB and 150 Hz (from a second of speech at a time).
    """
    a, b = int(min(before.least, later.least)), int(np.ceil(max(before.most, later.most)))
    middle = [float((e.excess[a:b] * np.arange(a, b)).sum() / e.excess[a:b].sum()) for e in (before, later)]
    change_db = 10 * float(np.log10(later.late_level / before.late_level))
    return ((change_db / 3.5) ** 2 + ((middle[1] - middle[0]) * of.bin_hz / 150) ** 2) / 8


def _line(excess: np.ndarray) -> float | None:
    """Give the place of the line that holds most of the power, in bins, or None where no line does."""
    total = float(excess.sum())
    top = int(excess.argmax())
    a, b = max(0, top - 1), min(len(excess), top + 2)
    three = excess[a:b]
    share = float(three.sum())
    if total <= 0 or share < _LINE * total:
        return None
    return float((three * np.arange(a, b)).sum() / share)


def is_one(left: Emission, right: Emission) -> bool:
    """Tell whether two emissions whose bands touch are parts of one: no valley lies where they meet.

    What two emissions had in common was cut half-way; the parts of one with deep holes (broadcast FM in quiet
    passages) grow together in the mean. What the receiver did itself is part of no station.
    """
    meet = round((left.high + right.low) / 2)
    width = int(min(left.high - left.low, right.high - right.low))
    if left.sweeps or right.sweeps:
        return False
    if right.low - left.high > 1.5 or width < 6 or (left.artefact is None) != (right.artefact is None):
        return False
    beside = max(width // 2, 3)
    before = left.excess[max(meet - beside, 0) : meet] / max(left.rows, 1)
    after = right.excess[meet : meet + beside] / max(right.rows, 1)
    share = max(width // 16, 1)
    here = np.concatenate([before, after])
    valley = float(here[len(before) - share : len(before) + share].mean())
    levels = float(before.mean()), float(after.mean())
    tops = [float(e.excess.max()) / max(e.rows, 1) for e in (left, right)]
    if max(tops) > STEP * min(tops):  # the slope of the stronger one reaches beyond where they meet
        valley = float(np.convolve(here, np.ones(2 * share) / (2 * share), "valid").min())
    return valley > max(_VALLEY * min(levels), _SHALLOW * min(tops)) > 0


def is_carrier_of(inner: Emission, outer: Emission, of: Plan) -> bool:
    """Tell whether an emission is the carrier of a narrow one that has come to enclose it: strongest, and in its middle."""
    width = outer.high - outer.low
    if inner.low < outer.low or inner.high > outer.high or width * of.bin_hz > _SOUND_HZ:
        return False
    if outer.sweeps or inner.sweeps or inner.artefact is not None or 2 * (inner.high - inner.low) > width:
        return False
    top = int(outer.excess.argmax()) + 0.5
    off = abs(inner.low + inner.high - outer.low - outer.high) / 2
    return inner.low <= top <= inner.high and off <= _MIDDLE * width + 1


def united(left: Emission, right: Emission, number: int) -> Emission:
    """Give what two parts come to as one emission."""
    meet = round((left.high + right.low) / 2)
    enclosed = right.high <= left.high  # by the other
    if enclosed:
        meet = len(left.excess)
    high = max(left.high, right.high)
    one = Emission(number, left.low, high, min(left.start, right.start), len(left.excess))
    one.near_low, one.near_high = left.near_low, max(left.near_high, right.near_high)
    one.least, one.most = min(left.least, right.least), max(left.most, right.most)
    one.stop, one.run_start = max(left.stop, right.stop), min(left.run_start, right.run_start)
    one.longest_run = max(left.longest_run, right.longest_run)
    one.rows = max(left.rows, right.rows)
    one.outside = min(left.outside, right.outside)
    for part, bins in ((left, slice(0, meet)), (right, slice(meet, None))):
        share = one.rows / max(part.rows, 1)
        one.excess[bins] = part.excess[bins] * share
        one.floor[bins] = part.floor[bins] * share
    one.traces = max(left, right, key=lambda part: part.traces.power).traces
    one.reported = True
    one.artefact = left.artefact
    one.slow = left.slow and right.slow
    one.late_power, one.late_rows = left.late_power, max(left.late_rows, right.late_rows)
    one.moved, one.steady = left.moved, left.steady
    if not enclosed:
        one.late_power += right.late_power
        one.moved, one.steady = one.moved + right.moved, one.steady + right.steady
    one.recent.extend(left.recent)
    return one


def weak_limit(count: float) -> float:
    """Give the excess that a mean of `count` looks of noise has with a probability of 1e-3.

    Wilson and Hilferty's cube-root approximation of the gamma distribution (textbook); good to a few percent.
    """
    ninth = 1 / (9 * count)
    return (1 - ninth + 3.09 * sqrt(ninth)) ** 3 - 1


def band_looks(of: Plan, rows: int, width: int) -> float:
    """Give the looks in `rows` x `width` cells; beyond 8 x 8 cells they grow in proportion."""
    few_rows, few_bins = min(rows, 8), min(width, 8)
    return looks(of, few_rows, few_bins) * (rows / few_rows) * (width / few_bins)
