"""From a channel, or audio, to slow-scan pictures.

A channel's I/Q may be single sideband or an FM transmission with the picture's tone as its audio: both are
tried. A picture begins with its code (a leader of 1900 Hz, then bits at 1100 and 1300 Hz, with parity), or,
when that was missed, with sync pulses that come at the line period of a known format, with the width that it
has. Either way a picture is given only if the pulses are there in most of its lines.

What is kept of a picture is its frequency over time (16 kB a second, five minutes); the exact line period and
the place of the pulses come from all of it at once, so that it does not slant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Picture, Samples
from earwitness.dsp.aligned import AlignedFir
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile
from earwitness.dsp.raster import Raster, line_period, refine, sharpen_period
from earwitness.dsp.subcarrier import (
    MIDDLE_HZ,
    TRACK_HZ,
    ChannelSubcarriers,
    FrequencyTrack,
    Subcarrier,
    unsteadiness,
)
from earwitness.modes.sstv.colours import to_rgb
from earwitness.modes.sstv.formats import (
    BIT_S,
    BLACK_HZ,
    BREAK_S,
    BY_PERIOD,
    BY_VIS,
    LEADER_HZ,
    LEADER_S,
    SYNC_HZ,
    WHITE_HZ,
    Format,
)

SECOND = round(TRACK_HZ)
CODE = round((2 * LEADER_S + BREAK_S + 10 * BIT_S) * TRACK_HZ)
CENTER_HZ = 0.5 * (SYNC_HZ + WHITE_HZ) - MIDDLE_HZ  # of the picture's band on the track
WIDE_HZ = 1_150.0  # while its place is not known
NARROW_HZ = 850.0
LOOK_S = 10
HELD_S = 13  # it takes so long to be sure of a picture whose code was missed
CODE_S = 3  # a code is looked for in so much; where no second of it is steady, nothing before it is kept
LOST_S = 5
LONGEST_S = 440
STEADY = 1.8
LEAST_LINES = 12
FEW_LINES = 4  # at the end of a picture whose pulses noise may hide
SLACK = 4
LIKENESS = 0.25  # of the pulses with those a line later
AGREE = 4e-4
PULSED = 0.6  # lines whose pulse must be there
STEP = 0.25  # Hz a unit of the stored track


@dataclass(slots=True)
class _Incoming:
    """A picture being received; places count samples of the channel at 8 kHz."""

    kind: Format
    begin: int
    offset_hz: float
    period: float
    vis_end: int | None
    fir: AlignedFir
    follow: FrequencyTrack
    mixed: int
    track: list[np.ndarray]
    quiet: int = 0


class _Sound:
    """The one way that demodulated audio leads to a tone."""

    WAYS = ("audio",)

    def __init__(self, rate_hz: float) -> None:
        self._front = Subcarrier(rate_hz, from_audio=True, raw=True)

    def feed(self, data: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
        return (("audio", block) for block in self._front.feed(data))

    def close(self) -> Iterator[tuple[str, np.ndarray]]:
        return (("audio", block) for block in self._front.close())


class Demodulator:
    """Feeds on complex channel samples of at least 24 kHz, or audio of at least 8; gives Pictures."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self.clock: Samples | None = None
        self._front: _Sound | ChannelSubcarriers

    def feed(self, samples: Samples) -> Iterable[Picture]:
        """Take the next samples."""
        if self.clock is None:
            self.clock = samples.clock()
            audio = not np.iscomplexobj(samples.data)
            rate_hz = samples.rate_hz
            self._front = _Sound(rate_hz) if audio else ChannelSubcarriers(rate_hz)
            self._watchers = {way: Watcher() for way in self._front.WAYS}
        return self._watched(self._front.feed(samples.data))

    def close(self) -> Iterable[Picture]:
        """Say that no more samples come."""
        if self.clock is None:
            return []
        out = self._watched(self._front.close())
        for way, watcher in self._watchers.items():
            out += self._named(way, watcher.close())
        self.clock = None
        return out

    def _watched(self, blocks: Iterable[tuple[str, np.ndarray]]) -> list[Picture]:
        return [
            picture for way, block in blocks for picture in self._named(way, self._watchers[way].feed(block))
        ]

    def _named(self, way: str, drawn: list[Drawn]) -> list[Picture]:
        clock, out = self.clock, []
        for one in drawn:
            if clock is None:
                break
            scale = clock.rate_hz / TRACK_HZ
            base_hz = {
                "audio": MIDDLE_HZ + one.offset_hz,
                "ssb": clock.center_hz + one.offset_hz,
                "fm": clock.center_hz,
            }
            facts: dict[str, Any] = {
                "sstv_mode": one.kind.name,
                "vis": one.kind.vis if one.vis else None,
                "begins": "code" if one.vis else "found in the middle",
                "whole": one.vis and one.lines == one.kind.lines,
                "lines": one.lines,
                "slant_ppm": round((float(one.period) / (one.kind.line_s * TRACK_HZ) - 1) * 1e6, 1),
                "pulses_seen": round(one.pulsed, 2),
                "over": {"audio": "audio", "ssb": "single sideband", "fm": "FM"}[way],
            }
            start, stop = (clock.time_ns(place * scale) for place in (one.start, one.stop))
            out.append(Picture(self.mode.name, start, stop, one.pixels, float(base_hz[way]), facts))
        return out


class Watcher:
    """Looks for pictures in blocks of a second of complex samples at 8 kHz."""

    def __init__(self) -> None:
        self._wide = AlignedFir(_band(WIDE_HZ))
        self._follow = FrequencyTrack()
        self._at = 0  # samples filtered
        self._now: _Incoming | None = None
        self._clear()

    def _clear(self) -> None:
        self._held: list[np.ndarray] = []
        self._tracks: list[np.ndarray] = []
        self._steady: list[float] = []
        self._held_at = self._at
        self._seen: tuple[str, float] | None = None

    def feed(self, block: np.ndarray) -> list[Drawn]:
        """Take the next block; give the pictures that ended."""
        iq = self._wide.feed(block)
        if not len(iq):
            return []
        begin = self._at
        self._at += len(iq)
        self._held.append(iq)
        self._tracks.append(self._follow.feed(iq))
        self._steady.append(unsteadiness(iq))
        hopeless = len(self._steady) > CODE_S and min(self._steady[-CODE_S:]) > STEADY
        while len(self._held) > (CODE_S if hopeless else HELD_S):
            self._held_at += len(self._held.pop(0))
            self._tracks.pop(0)
            self._steady.pop(0)
        out: list[Drawn] = []
        self._take(iq)
        if min(self._steady[-2:]) < STEADY:
            code = self._code(begin)
            if code is not None:
                out += self._finish(code[0] - CODE)
                self._open(code[1], code[0], code[2], code[1].line_s * TRACK_HZ, code[0])
                return out
        if self._now is None:
            self._search()
            return out
        now = self._now
        now.quiet = now.quiet + 1 if self._steady[-1] > STEADY + 0.1 else 0
        length = self._at - now.begin
        whole = (now.kind.lines + 1) * now.kind.line_s * TRACK_HZ + now.kind.lead_s * TRACK_HZ
        if now.quiet >= LOST_S or length > whole * 1.001 or length > LONGEST_S * SECOND:
            out += self._finish(self._at - max(now.quiet - 1, 0) * SECOND)  # it may end within a second
            self._clear()
        return out

    def close(self) -> list[Drawn]:
        """Give the picture still open."""
        out = self.feed(np.zeros(self._wide.half + 2, np.complex64))
        return out + self._finish(self._at)

    def _code(self, begin: int) -> tuple[int, Format, float] | None:
        """Give (its end, format, offset) of a code that ended in the newest second."""
        recent = np.concatenate(self._tracks[-CODE_S:])
        base = self._held_at + sum(len(part) for part in self._tracks[:-CODE_S])
        found = find_code(recent, newest=max(begin - base - 2, 0))
        return (base + found[0], *found[1:]) if found else None

    def _search(self) -> None:
        if len(self._tracks) < CODE_S or median(self._steady[-LOOK_S:]) > STEADY:
            self._seen = None
            return
        if self._at // SECOND % 2:
            return
        found = find_pulses(np.concatenate(self._tracks[-LOOK_S:]))
        if found is None:
            self._seen = None
            return
        kind, period, offset_hz = found
        before, self._seen = self._seen, (kind.name, period)
        if before is None or before[0] != kind.name or abs(period / before[1] - 1) > AGREE:
            return
        first = len(self._held) - 1
        while first > 0 and self._steady[first - 1] < STEADY:
            first -= 1
        self._open(
            kind, self._held_at + sum(len(part) for part in self._held[:first]), offset_hz, period, None
        )

    def _open(self, kind: Format, begin: int, offset_hz: float, period: float, vis_end: int | None) -> None:
        held = np.concatenate(self._held)
        filtered = AlignedFir(lowpass(NARROW_HZ, 450.0, TRACK_HZ, stop_db=50.0))
        self._now = _Incoming(kind, begin, offset_hz, period, vis_end, filtered, FrequencyTrack(), begin, [])
        self._take(held[max(begin - self._held_at, 0) :])
        self._clear()

    def _take(self, iq: np.ndarray) -> None:
        now = self._now
        if now is None:
            return
        at = np.arange(now.mixed, now.mixed + len(iq))
        now.mixed += len(iq)
        turn = (CENTER_HZ + now.offset_hz) / TRACK_HZ * at % 1.0
        mixed = (iq * np.exp(-2j * np.pi * turn)).astype(np.complex64)
        track = now.follow.feed(now.fir.feed(mixed))
        now.track.append(np.clip(track / STEP, -32000, 32000).astype(np.int16))

    def _finish(self, stop: int) -> list[Drawn]:
        now, self._now = self._now, None
        if now is None:
            return []
        track = np.concatenate(now.track).astype(np.float32) * np.float32(STEP)
        drawn = draw(track[: max(stop - now.begin, 0)] + np.float32(CENTER_HZ + MIDDLE_HZ), now)
        return [drawn] if drawn else []


def _band(half_hz: float) -> np.ndarray:
    return lowpass(half_hz + abs(CENTER_HZ), 300.0, TRACK_HZ, stop_db=50.0)


def _code_like(track: np.ndarray) -> bool:
    """Tell whether the frequency stands still for a leader's length and then falls as far as a code's bits do.

    In steps of 30 ms, and so much cheaper than to try all places.
    """
    return bool(_stands_and_falls(np.ascontiguousarray(track, np.float32), round(BIT_S * TRACK_HZ)))


@kernel("boolean(float32[::1], int64)", fastmath={"reassoc", "nsz"})
def _stands_and_falls(track: np.ndarray, part: int) -> bool:
    means = np.empty(len(track) // part, np.float32)
    for k in range(len(means)):
        total = np.float32(0)
        for value in track[k * part : (k + 1) * part]:
            total += min(max(value, np.float32(-1_300)), np.float32(1_300))
        means[k] = total / part
    for k in range(len(means) - 16):
        leader = means[k : k + 8]
        if leader.max() - leader.min() < 150.0:
            fall = leader.mean() - means[k + 9 : k + 17].mean()
            if abs(fall - (LEADER_HZ - SYNC_HZ)) < 200.0:
                return True
    return False


def find_code(track: np.ndarray, newest: int) -> tuple[int, Format, float] | None:
    """Give (sample after its stop bit, format, offset in Hz) of a code ending after sample `newest`, or None."""
    if not _code_like(track):
        return None
    held = np.clip(track, -1_300, 1_300)
    total = np.concatenate([[0.0], np.cumsum(held, dtype=np.float64)])
    span = round(10 * BIT_S * TRACK_HZ)
    first = max(newest - span, round(0.29 * TRACK_HZ))
    ends = np.arange(first, len(track) - span, 8)  # where the leader may end
    if not len(ends):
        return None

    def mean(start_s: float, stop_s: float) -> np.ndarray:
        a, b = (ends + round(edge * TRACK_HZ) for edge in (start_s, stop_s))
        return np.asarray((total[b] - total[a]) / (b - a))

    base = mean(-0.28, -0.01)
    parts = np.stack([mean(-0.28 + 0.03 * k, -0.25 + 0.03 * k) for k in range(9)])
    steady = np.abs(parts - base).max(axis=0) < 60.0
    bits = np.stack([mean(BIT_S * k + 0.006, BIT_S * k + 0.024) for k in range(10)]) - base
    off = bits - (SYNC_HZ - LEADER_HZ)
    good = steady & (np.abs(off[[0, 9]]) < 60.0).all(axis=0)
    good &= ((np.abs(off[1:9]) > 45.0) & (np.abs(off[1:9]) < 165.0)).all(axis=0)
    if not good.any():
        return None
    wrong = np.abs(off[[0, 9]]).sum(axis=0) + np.abs(np.abs(off[1:9]) - 100.0).sum(axis=0)
    at = int(np.where(good, wrong, np.inf).argmin())
    ones = [int(value < 0) for value in off[1:9, at]]
    kind = BY_VIS.get(sum(one << n for n, one in enumerate(ones[:7])))
    if sum(ones) % 2 or kind is None:
        return None
    return int(ends[at]) + span, kind, float(base[at])


@kernel("float64[::1](float32[::1], int64)", fastmath={"reassoc", "nsz"})
def _smoothed_by(track: np.ndarray, slack: int) -> np.ndarray:
    low = np.zeros(len(track) // slack + 6)
    for k in range(len(low) - 6):
        total = np.float32(0)
        for i in range(k * slack, (k + 1) * slack):
            total += min(max(track[i], np.float32(-1_500)), np.float32(1_500))
        low[k + 3] = total / slack
    out = np.zeros(len(low) - 6)
    for i in range(7):
        beside = low[i : i + len(out)]
        for k in range(len(out)):
            out[k] += beside[k] / 7
    return out


def _smoothed(track: np.ndarray) -> np.ndarray:
    """Give the means of SLACK values of a track, float64, smoothed over seven of them: 3.5 ms."""
    return np.asarray(_smoothed_by(np.ascontiguousarray(track, np.float32), SLACK))


def _pulsed(kind: Format, share: float) -> bool:
    """Tell whether a format's pulses take such a share of the time."""
    return 0.4 * kind.sync_s < share * kind.line_s < 1.5 * kind.sync_s + 0.003


def find_pulses(track: np.ndarray) -> tuple[Format, float, float] | None:
    """Give (format, line period in samples, offset in Hz) if sync pulses of one come regularly, or None."""
    smooth = _smoothed(track)
    floor_hz, top_hz = quantile(smooth, 0.004), quantile(smooth, 0.99)
    if not 400.0 < top_hz - floor_hz < 1_350.0:
        return None
    pulses = (smooth < floor_hz + 150.0).astype(np.float32)
    share = float(pulses.mean())
    if not 0.004 < share < 0.12:
        return None
    nominal = [kind.line_s * TRACK_HZ / SLACK for kind in BY_PERIOD]
    fits = [period for period in nominal if 1.4 * 2.1 * period <= len(pulses)]
    if not any(_pulsed(BY_PERIOD[nominal.index(period)], share) for period in fits):
        return None
    found = line_period(pulses, fits, least=LIKENESS) if fits else None
    if found is None:
        return None
    kind = BY_PERIOD[nominal.index(found.nominal)]
    if not _pulsed(kind, share):
        return None
    offset_hz = float(np.median(smooth[pulses > 0])) - (SYNC_HZ - MIDDLE_HZ)
    return kind, sharpen_period(pulses, found.period, reach=2.0) * SLACK, offset_hz


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as drawn; places in samples at 8 kHz from the channel's first."""

    kind: Format
    pixels: np.ndarray
    start: float
    stop: float
    period: float
    offset_hz: float
    lines: int
    pulsed: float
    vis: bool


def draw(track: np.ndarray, now: _Incoming) -> Drawn | None:
    """Give the picture in a track of audio frequencies, or None when too few lines have their pulse."""
    kind, nominal = now.kind, now.kind.line_s * TRACK_HZ
    if len(track) < LEAST_LINES * nominal:
        return None
    pulse = Raster(np.clip((0.5 * (SYNC_HZ + BLACK_HZ) + 50.0 - track) / 150.0, 0, 1))
    period = refine(pulse, 0.0, now.period, nominal=nominal)
    ratio = period / nominal
    if abs(ratio - 1) > 1.5e-3:
        return None
    first = _first_pulse(pulse, period, kind, now.vis_end is not None)
    before = -kind.scans[0].start_s * TRACK_HZ * ratio if kind.lead_s else 0.0
    if now.vis_end is None:  # as much as is there of lines before
        first -= np.floor((first - before) / period) * period
        if first < before:
            first += period
    after = max(scan.start_s + scan.length_s for scan in kind.scans) * TRACK_HZ * ratio
    lines = min(int((len(track) - after - first) / period) + 1, kind.lines)
    if lines < LEAST_LINES:
        return None
    frequency = Raster(np.clip(track, 900.0, 2_700.0))
    at = first + period * np.arange(lines)
    sync_hz = frequency.between(at + 0.15 * kind.sync_s * TRACK_HZ, at + 0.85 * kind.sync_s * TRACK_HZ)
    there = np.abs(sync_hz - np.median(sync_hz)) < 130.0
    near = np.flatnonzero(np.convolve(np.pad(there, 2, mode="edge"), np.ones(5), "valid") >= 3)
    if not len(near):
        return None
    skip, last = int(near[0]) if now.vis_end is None else 0, int(near[-1]) + 1  # what is beyond is noise
    if now.vis_end is None or lines < kind.lines or last < lines - FEW_LINES:
        lines = last
    at, sync_hz, there = at[skip:lines], sync_hz[skip:lines], there[skip:lines]
    pulsed = float(there.mean())
    error_hz = float(np.median(sync_hz)) - SYNC_HZ
    if len(at) < LEAST_LINES or pulsed < PULSED or abs(error_hz) > 90.0:
        return None
    scans = {
        scan.colour: _scan(frequency, at, scan.start_s * ratio, scan.length_s * ratio, kind.width, error_hz)
        for scan in kind.scans
    }
    if "C" in scans:
        parts = frequency.between(at + 0.1005 * TRACK_HZ * ratio, at + 0.104 * TRACK_HZ * ratio)
        scans |= _in_turn(scans["C"], parts)
    pixels = _compose(scans)
    start, stop = at[0] - before, at[-1] + after
    return Drawn(
        kind, pixels, now.begin + start, now.begin + stop, period, now.offset_hz + error_hz, len(at), pulsed,
        now.vis_end is not None,
    )  # fmt: skip


def _first_pulse(pulse: Raster, period: float, kind: Format, known: bool) -> float:
    """Give where the first line's pulse begins: near where the code says, or anywhere in the first line."""
    lines = max(min(int(pulse.count / period) - 2, kind.lines), 1)
    step = 0.25e-3 * TRACK_HZ
    expected = kind.lead_s * TRACK_HZ
    places = (
        np.arange(expected - 0.012 * TRACK_HZ, expected + 0.012 * TRACK_HZ, step)
        if known
        else np.arange(0, period, step)
    )
    length = kind.sync_s * TRACK_HZ
    starts = places[:, None] + period * np.arange(lines)
    inside = pulse.between(starts, starts + length).mean(axis=1)
    around = pulse.between(starts - 0.5 * length, starts).mean(axis=1)
    around += pulse.between(starts + length, starts + 1.5 * length).mean(axis=1)
    return float(places[int((inside - 0.5 * around).argmax())])


def _scan(
    frequency: Raster, at: np.ndarray, start_s: float, length_s: float, width: int, error_hz: float
) -> np.ndarray:
    edges = at[:, None] + (start_s + length_s * np.arange(width + 1) / width) * TRACK_HZ
    hz = frequency.between(edges[:, :-1], edges[:, 1:]) - error_hz
    return np.clip((hz - BLACK_HZ) * (255 / (WHITE_HZ - BLACK_HZ)), 0, 255)


def _in_turn(colour: np.ndarray, separator_hz: np.ndarray) -> dict[str, np.ndarray]:
    """Give V and U of lines that carry them in turn; which is which the tone before them says."""
    middle = 0.5 * (BLACK_HZ + WHITE_HZ)
    odd = np.arange(len(colour)) % 2 == 1
    swapped = np.median(separator_hz[odd]) < middle if len(colour) > 1 else False
    red = odd if swapped else ~odd
    rows = np.arange(len(colour))

    def nearest(which: np.ndarray) -> np.ndarray:
        there = rows[which]
        place = np.clip(np.searchsorted(there, rows, side="right") - 1, 0, len(there) - 1)
        if which is not red:  # blue of a pair comes with its second line
            place = np.clip(np.searchsorted(there, rows, side="left"), 0, len(there) - 1)
        return np.asarray(colour[there[place]])

    return {"V": nearest(red), "U": nearest(~red)}


def _compose(scans: dict[str, np.ndarray]) -> np.ndarray:
    if "R" in scans:
        return np.stack([scans[colour] for colour in "RGB"], axis=-1).round().astype(np.uint8)
    upper = to_rgb(scans["Y"], scans["U"], scans["V"])
    if "Y2" not in scans:
        return upper
    lower = to_rgb(scans["Y2"], scans["U"], scans["V"])
    return np.stack([upper, lower], axis=1).reshape(-1, *upper.shape[1:])
