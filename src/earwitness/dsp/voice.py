"""What every voice mode shares: fixed blocks, squelch, audio filters, noise reduction, the speech judge.

Everything here works on frames of about 10 ms counted from the first sample of a channel, in blocks of fixed
length, so that where the caller cuts the stream cannot change what comes out. Sample index i of every
stage stands for the same moment: filter delays are taken out where they arise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import convolve_valid, kaiser_beta, lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile

FRAME_S = 0.01
AUDIO_RATE_HZ = 8000.0
HANG_S = 0.5
NEEDLESS_DB = 30.0  # speech over noise from which noise reduction only harms
QUANTILE_BIAS = 2.6  # mean of white noise over its 2 % quantile as _noise_floor smooths, measured
_DIRECT = 512  # taps up to which a sum for each sample is quicker than transforms
_LANES = 32  # floats that the compiler adds up at a time
_SHAPES = 64  # frames of which the spectra are held at a time, in a near cache
_LIFT_TO, _LIFT_STEPS = 16, 256  # from 16 on it is 1 within 1e-8
LONGEST_S = 45.0  # an over is cut here, which bounds memory to 1.5 MB a channel


class FixedBlocks:
    """Cuts a stream into blocks of one length."""

    def __init__(self, size: int):
        self.size = size
        self._held: list[np.ndarray] = []
        self._count = 0

    def feed(self, x: np.ndarray) -> Iterator[np.ndarray]:
        """Take samples (n,); give every complete block (size,)."""
        self._held.append(x)
        self._count += len(x)
        if self._count < self.size:
            return
        joined = np.concatenate(self._held)
        whole = self._count - self._count % self.size
        self._held = [joined[whole:].copy()]
        self._count -= whole
        for at in range(0, whole, self.size):
            yield joined[at : at + self.size]

    def rest(self) -> np.ndarray:
        """Give what is left over, shorter than a block."""
        left = np.concatenate(self._held) if self._held else np.empty(0, np.float32)
        self._held, self._count = [], 0
        return left


@kernel("void(float32[::1], float32[::1], int64, float32[::1])", fastmath=True)
def fir(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Fill out[i] with the sum of taps[k] x[i + k stride]: for short filters faster than any transform.

    With stride 2 the real and imaginary parts of a complex signal are filtered at once. Runs are kept to
    what the first-level cache holds.
    """
    for first in range(0, len(out), 2048):
        some = out[first : first + 2048]
        some[:] = 0
        k = 0
        while k + 4 <= len(taps):
            t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
            at = first + k * stride
            a = x[at : at + len(some)]
            b = x[at + stride : at + stride + len(some)]
            c = x[at + 2 * stride : at + 2 * stride + len(some)]
            d = x[at + 3 * stride : at + 3 * stride + len(some)]
            for i in range(len(some)):
                some[i] += t0 * a[i] + t1 * b[i] + t2 * c[i] + t3 * d[i]
            k += 4
        while k < len(taps):
            t0 = taps[k]
            a = x[first + k * stride : first + k * stride + len(some)]
            for i in range(len(some)):
                some[i] += t0 * a[i]
            k += 1


class AlignedFir:
    """A linear-phase FIR whose output index equals its input index; the last half of the taps lags.

    `feed` gives fewer samples at first; feed `half` zeros at the end to flush.
    """

    def __init__(self, taps: np.ndarray):
        self.half = len(taps) // 2
        self._taps = np.ascontiguousarray(taps[::-1], np.float32)
        self._held: np.ndarray | None = None

    def feed(self, x: np.ndarray) -> np.ndarray:
        """Filter the next block (n,)."""
        x = x.astype(np.complex64 if np.iscomplexobj(x) else np.float32, copy=False)
        if self._held is None:
            self._held = np.zeros(len(self._taps) - 1 - self.half, x.dtype)
        joined = np.concatenate([self._held, x])
        count = max(len(joined) - len(self._taps) + 1, 0)
        out = np.zeros(count, x.dtype)
        if count and (joined[-1] or joined.any()):  # silence costs nothing
            fir(joined.view(np.float32), self._taps, 2 if np.iscomplexobj(x) else 1, out.view(np.float32))
        self._held = joined[count:]
        return out


@kernel("void(float32[::1], float32[:, ::1], float64, float64, float32[::1])", fastmath=True)
def _polyphase(x: np.ndarray, bank: np.ndarray, first: float, step: float, out: np.ndarray) -> None:
    # Unsigned places need no look whether they count from the end: only so does the sum use whole vectors.
    phases = bank.shape[0]
    taps = np.uint64(bank.shape[1])
    for i in range(len(out)):
        at = first + i * step
        whole = np.uint64(np.int64(at))
        phase = np.uint64(np.int64((at - np.int64(at)) * phases))
        total = np.float32(0)
        for k in range(taps):
            total += bank[phase, k] * x[whole + k]
        out[i] = total


@kernel("void(complex64[::1], float32[:, ::1], float64, float64, complex64[::1])", fastmath=True)
def _polyphase_complex(x: np.ndarray, bank: np.ndarray, first: float, step: float, out: np.ndarray) -> None:
    phases = bank.shape[0]
    taps = np.uint64(bank.shape[1])
    real = x.real.copy()  # apart, so that the sums use whole vectors
    imag = x.imag.copy()
    for i in range(len(out)):
        at = first + i * step
        whole = np.uint64(np.int64(at))
        phase = np.uint64(np.int64((at - np.int64(at)) * phases))
        re = np.float32(0)
        im = np.float32(0)
        for k in range(taps):
            re += bank[phase, k] * real[whole + k]
            im += bank[phase, k] * imag[whole + k]
        out[i] = complex(re, im)


@kernel("void(float64[::1], int64, float64, float64[::1])")
def _kaiser(away: np.ndarray, half: int, beta: float, out: np.ndarray) -> None:
    """Give Kaiser's window `away` from its middle: I0 by its power series, a fifth of the time of numpy's."""
    for i in range(len(away)):
        square = 0.25 * beta * beta * max(1 - (away[i] / half) ** 2, 0.0)
        term = total = 1.0
        k = 0
        while term > 1e-17 * total:
            k += 1
            term *= square / (k * k)
            total += term
        out[i] = total


@lru_cache(maxsize=64)
def _bank(cutoff: float, half: int) -> np.ndarray:
    """Give a windowed-sinc low-pass at 512 phases, float32 (512, n), `cutoff` in cycles a sample.

    Rows are 2 `half` taps and then zeros up to a multiple of _LANES: whole vectors only are a third quicker.
    """
    away = np.arange(2 * half) - (half - 1) - np.arange(512)[:, None] / 512
    window = np.empty_like(away)
    _kaiser(away.ravel(), half, kaiser_beta(55.0), window.ravel())
    bank = np.sinc(2 * cutoff * away) * window
    out = np.zeros((512, -(-2 * half // _LANES) * _LANES), np.float32)
    out[:, : 2 * half] = bank / bank.sum(axis=1, keepdims=True)
    return out


class Resampler:
    """Turns a float32 or complex64 stream of any rate into one of a lower rate; output i stands for i / rate_out_hz.

    Windowed-sinc polyphase bank, 512 phases (timing error below 1/1024 input sample).
    """

    def __init__(
        self,
        rate_in_hz: float,
        rate_out_hz: float,
        *,
        cutoff_hz: float,
        width_hz: float,
        dtype: type[np.float32] | type[np.complex64] = np.float32,
    ):
        half = int(np.ceil((55.0 - 7.95) / (2.285 * 2 * np.pi * width_hz / rate_in_hz) / 2)) + 1
        self._bank = _bank(cutoff_hz / rate_in_hz, half)
        self._step = rate_in_hz / rate_out_hz
        self._half = half
        self._held: np.ndarray = np.zeros(self._half, dtype)
        self._beyond = np.zeros(_LANES, dtype)  # that the zeros of a filter may look at
        self._run = _polyphase_complex if dtype is np.complex64 else _polyphase
        self._held_at = -self._half
        self._next = 0

    @property
    def half(self) -> int:
        """Input samples the output lags by; feed this many zeros at the end to flush."""
        return self._half

    def feed(self, x: np.ndarray, *, silent: bool = False) -> np.ndarray:
        """Take input samples (n,); give the output samples they complete, or as many zeros."""
        joined = np.concatenate([self._held, x, self._beyond])
        end = self._held_at + len(joined) - _LANES  # input index after the last
        count = max(int(np.ceil((end - self._half - 1) / self._step)) - self._next, 0)
        first = self._next * self._step - self._half - self._held_at + 1
        out = np.zeros(count, joined.dtype)
        if not silent:
            self._run(joined, self._bank, first, self._step, out)
        self._next += count
        keep = int(np.floor(self._next * self._step)) - self._half - self._held_at
        self._held = joined[keep:-_LANES].copy()
        self._held_at += keep
        return out


@dataclass(frozen=True, slots=True)
class Segment:
    """One stretch the squelch was open: frames [start, stop), their features, and the audio under them."""

    start: int
    stop: int
    features: np.ndarray  # float32 (frames, columns); column 0 is the level as linear power
    held: np.ndarray  # bool (frames,): the frame held the squelch
    audio: np.ndarray  # float32 (n,) at AUDIO_RATE_HZ
    cut: bool  # the squelch did not close: the transmission goes on in the next segment

    def pieces(self, gap_s: float, least_s: float, frame_s: float) -> list[Segment]:
        """Give the parts between gaps of at least `gap_s` in which no frame held; parts all over `least_s`.

        Gives the segment itself when there is no such gap: what to make of them, fades or several
        senders close upon each other, is for the mode to say.
        """
        at = np.flatnonzero(self.held)
        if not len(at):
            return [self]
        breaks = np.flatnonzero(np.diff(at) > gap_s / frame_s)
        starts = [0, *at[breaks + 1].tolist()]
        stops = [*(at[breaks] + 1).tolist(), len(self.held)]
        if min(stop - start for start, stop in zip(starts, stops, strict=True)) < least_s / frame_s:
            return [self]
        return [
            self.between(self.start + start, self.start + stop)
            for start, stop in zip(starts, stops, strict=True)
        ]

    def between(self, start: int, stop: int) -> Segment:
        """Give the part of frames [start, stop), numbered as this segment's own."""
        scale = len(self.audio) / max(len(self.held), 1)
        first, last = start - self.start, stop - self.start
        return Segment(
            start,
            stop,
            self.features[first:last],
            self.held[first:last],
            self.audio[round(first * scale) : round(last * scale)],
            self.cut and stop == self.stop,
        )

    def held_samples(self) -> np.ndarray:
        """Give which audio samples lie in frames that held, bool (n,), three frames of grace each side."""
        grown = np.convolve(self.held, np.ones(7), "same") > 0
        return np.asarray(_spread(grown, len(self.audio))) if len(grown) else np.zeros(0, bool)


@kernel("boolean[::1](boolean[::1], int64)")
def _spread(frames: np.ndarray, count: int) -> np.ndarray:
    """Give what is told of frames for each of `count` samples that lie evenly in them."""
    out = np.empty(count, np.bool_)
    step = len(frames) / max(count, 1)
    for i in range(count):
        out[i] = frames[int(i * step)]
    return out


class OverGate:
    """Squelch with hysteresis and hang over frames; keeps the audio of what is open, and of a little before.

    A frame that `opens` three times running opens it; it stays while a frame `holds` at least every
    HANG_S; start and stop are then refined to the frame where the level crosses half way (in dB) between
    before and after.
    """

    def __init__(self, frame_s: float, *, hang_s: float = HANG_S, longest_s: float = LONGEST_S):
        self.frame_s = frame_s
        self._hang = round(hang_s / frame_s)
        self._longest = round(longest_s / frame_s)
        self._before = 20
        self._frame = 0  # number of the next frame
        self._base = 0  # number of the first frame kept
        self._features: list[np.ndarray] = []
        self._holds: list[np.ndarray] = []
        self._audio: list[np.ndarray] = []
        self._audio_base = 0
        self._run = 0
        self._open_at: int | None = None
        self._floor = 0  # no segment starts before this frame
        self._good = 0  # last frame that held

    def feed(
        self, opens: np.ndarray, holds: np.ndarray, features: np.ndarray, audio: np.ndarray
    ) -> list[Segment]:
        """Take frames: bool (n,), bool (n,), float32 (n, columns), and the next audio; give what closed."""
        done: list[Segment] = []
        self._features.append(features)
        self._holds.append(holds)
        self._audio.append(audio)
        last = self._frame + len(holds)
        if self._open_at is not None and last - self._open_at < self._longest and holds.all():
            self._frame, self._good = last, last - 1  # nothing changes
            self._forget()
            return done
        for opening, holding in zip(opens.tolist(), holds.tolist(), strict=True):
            at = self._frame
            self._frame += 1
            if self._open_at is None:
                self._run = self._run + 1 if opening else 0
                if self._run >= 3:
                    self._open_at, self._good = at - 2, at
            elif holding:
                self._good = at
                if at + 1 - self._open_at >= self._longest:
                    done.append(self._segment(self._start(), at + 1, cut=True))
                    self._open_at = self._floor = at + 1
            elif at - self._good >= self._hang:
                done += self._close()
        self._forget()
        return done

    def close(self) -> list[Segment]:
        """Give what is still open."""
        return self._close() if self._open_at is not None and self._good >= self._open_at else []

    def _close(self) -> list[Segment]:
        start, stop = self._start(), self._stop()
        self._open_at, self._run = None, 0
        self._floor = max(stop, start)
        return [self._segment(start, stop, cut=False)] if stop > start else []

    def _levels(self, first: int, last: int) -> np.ndarray:
        kept = np.concatenate(self._features)[:, 0]
        return kept[max(first - self._base, 0) : max(last - self._base, 0)]

    def _start(self) -> int:
        at = self._open_at or 0
        if at <= self._floor:
            return self._floor
        edge = _edge(
            self._levels(at - 16, at - 5), self._levels(at - 5, at + 2), self._levels(at + 2, at + 8)
        )
        return max(self._floor, at - 2 if edge is None else at + 2 - edge, 0)

    def _stop(self) -> int:
        at = self._good
        edge = _edge(
            self._levels(at + 6, at + 17), self._levels(at - 1, at + 6)[::-1], self._levels(at - 7, at - 1)
        )
        return min(at + 3 if edge is None else at - 1 + edge, self._frame)

    def _segment(self, start: int, stop: int, *, cut: bool) -> Segment:
        features = np.concatenate(self._features)[start - self._base : stop - self._base]
        rate = self.frame_s * AUDIO_RATE_HZ
        first, last = (max(round(at * rate) - self._audio_base, 0) for at in (start, stop))
        held = np.concatenate(self._holds)[start - self._base : stop - self._base]
        return Segment(start, stop, features, held, np.concatenate(self._audio)[first:last], cut)

    def _forget(self) -> None:
        wanted = (self._frame if self._open_at is None else self._open_at) - self._before
        while len(self._features) > 1 and self._base + len(self._features[0]) <= wanted:
            self._base += len(self._features.pop(0))
            self._holds.pop(0)
        wanted_audio = int(wanted * self.frame_s * AUDIO_RATE_HZ)
        while len(self._audio) > 1 and self._audio_base + len(self._audio[0]) <= wanted_audio:
            self._audio_base += len(self._audio.pop(0))


def _edge(outside: np.ndarray, across: np.ndarray, inside: np.ndarray) -> int | None:
    """Give how many of the last frames of `across` belong inside; None when there is no step to see.

    `across` runs from outside to inside.
    """
    if not len(inside):
        return None
    high = float(np.median(inside))
    low = float(np.median(outside)) if len(outside) else 0.0
    if high <= 1.4 * low:
        return None
    threshold = max(np.sqrt(low * high), 0.25 * high)
    below = np.flatnonzero(across < threshold)
    return len(across) - 1 - int(below[-1]) if len(below) else len(across)


@cache
def _audio_band(low_hz: float, high_hz: float) -> np.ndarray:
    wide = lowpass(high_hz, 250.0, AUDIO_RATE_HZ, stop_db=50.0)
    narrow = lowpass(low_hz, 100.0, AUDIO_RATE_HZ, stop_db=50.0)
    taps = -narrow
    centre = len(narrow) // 2 - len(wide) // 2
    taps[centre : centre + len(wide)] += wide
    return taps


def band_pass(audio: np.ndarray, low_hz: float = 300.0, high_hz: float = 3000.0) -> np.ndarray:
    """Give audio (n,) at 8 kHz within a band, same length and timing, float32.

    300 to 3000 Hz is the land mobile audio band (TIA-603, from memory); it keeps sub-audible tones out.
    """
    return centred(audio.astype(np.float32), _audio_band(low_hz, high_hz))


def centred(x: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Give x (n,) through an odd-length linear-phase FIR with its delay taken out, zeros assumed outside."""
    if x.dtype != np.float32 or len(taps) > _DIRECT or not len(x):
        return convolve_valid(np.pad(x, len(taps) // 2), taps)
    padded = np.zeros(len(x) + len(taps) - 1, np.float32)
    padded[len(taps) // 2 :][: len(x)] = x
    out = np.empty(len(x), np.float32)
    fir(padded, np.ascontiguousarray(taps[::-1], np.float32), 1, out)
    return out


@kernel("void(float64, float64, float32[::1], float32[::1])")
def _one_pole(gain: float, pole: float, x: np.ndarray, out: np.ndarray) -> None:
    state = 0.0
    for i in range(len(x)):
        state = gain * x[i] + pole * state
        out[i] = state


def de_emphasise(audio: np.ndarray, tau_s: float, rate_hz: float, *, unity_hz: float = 1000.0) -> np.ndarray:
    """Give audio (..., n) through a one-pole low-pass of time constant tau_s, unit gain at unity_hz.

    750 us for narrow FM voice (6 dB an octave, TIA-603), 50 or 75 us for broadcasting (ITU-R BS.450).
    The pole is exp(-1 / (rate tau)).
    """
    pole = float(np.exp(-1.0 / (rate_hz * tau_s)))
    gain = float(abs(1 - pole * np.exp(-2j * np.pi * unity_hz / rate_hz)))
    rows = np.ascontiguousarray(audio, np.float32).reshape(-1, audio.shape[-1])
    out = np.empty_like(rows)
    for row, filtered in zip(rows, out, strict=True):
        _one_pole(gain, pole, row, filtered)
    return out.reshape(audio.shape)


def pre_emphasise(audio: np.ndarray, tau_s: float, rate_hz: float, *, unity_hz: float = 1000.0) -> np.ndarray:
    """Give audio (n,) with its high notes lifted: the exact inverse of `de_emphasise`."""
    pole = float(np.exp(-1.0 / (rate_hz * tau_s)))
    gain = float(abs(1 - pole * np.exp(-2j * np.pi * unity_hz / rate_hz)))
    return (
        np.diff(audio.astype(np.float64), prepend=0.0) / gain
        + (1 - pole) / gain * np.concatenate([np.zeros(1), audio[:-1]])
    ).astype(np.float32)


def press(audio: np.ndarray, *, over_s: float = 0.05) -> np.ndarray:
    """Give audio (n,) at 8 kHz evened out and limited to full scale, as a transmitter's speech processor does."""
    size = max(round(over_s * AUDIO_RATE_HZ), 1)
    envelope = np.sqrt(np.convolve(audio.astype(np.float64) ** 2, np.full(size, 1 / size), "same"))
    evened = audio / (envelope + 0.25 * float(envelope.max()) + 1e-9)
    peak = float(np.quantile(np.abs(evened), 0.99)) if len(evened) else 1.0
    return np.clip(evened / max(peak, 1e-9), -1, 1).astype(np.float32)


def clip_level(audio: np.ndarray) -> np.ndarray:
    """Give audio (..., n) scaled so that its 99.5 % peak is half of full scale, clipped at full scale."""
    peak = quantile(np.abs(audio).ravel(), 0.995) if audio.size else 0.0
    return np.clip(audio * np.float32(0.5 / max(peak, 1e-9)), -1.0, 1.0).astype(np.float32)


def _framed(audio: np.ndarray, size: int, hop: int) -> np.ndarray:
    if len(audio) < size:
        audio = np.pad(audio, (0, size - len(audio)))
    return np.lib.stride_tricks.sliding_window_view(audio, size)[::hop]


@kernel("float64(float64)")
def exponential_integral(x: float) -> float:
    """Give E1(x) for x > 0, to 1e-4 relative (Abramowitz and Stegun 5.1.53 and 5.1.54, from memory)."""
    if x <= 1.0:
        series = 0.05519968 + x * (-0.00976004 + x * 0.00107857)
        return -np.log(x) - 0.57721566 + x * (0.99999193 + x * (-0.24991055 + x * series))
    return np.exp(-x) / x * (x * x + 2.334733 * x + 0.250621) / (x * x + 3.330657 * x + 1.681534)


@kernel("float32[::1]()")
def _fill_lift() -> np.ndarray:
    lift = np.empty(_LIFT_TO * _LIFT_STEPS + 2, np.float32)
    for i in range(len(lift)):
        v = max(i / _LIFT_STEPS, 1e-9)
        lift[i] = np.sqrt(v) * np.exp(0.5 * exponential_integral(v))
    return lift


@cache
def _lift() -> np.ndarray:
    """Give sqrt(v) exp(E1(v) / 2), which is smooth down to 0, in steps of 1 / _LIFT_STEPS."""
    return _fill_lift()  # type: ignore[no-any-return]


@kernel("void(complex64[:, ::1], float32[:, ::1], float32[:, ::1], int64[::1], float32[::1], float32, float32, float32[::1])", fastmath=True)  # fmt: skip
def _turn_down(
    spectra: np.ndarray,
    power: np.ndarray,
    noise: np.ndarray,
    which: np.ndarray,
    part: np.ndarray,
    floor: float,
    share: float,
    lift: np.ndarray,
) -> None:
    """Turn down what is noise in spectra (frames, bins), frames in time order, by `share` of the estimator's gain.

    The noise of frame i lies `part[i]` of the way from row `which[i]` of `noise` to the next.
    """
    one = np.float32(1)
    frames, bins = power.shape
    before = np.ones(bins, np.float32)
    seen, own, lifted = np.empty((3, bins), np.float32)
    for i in range(frames):
        row, out = power[i], spectra[i]
        low, high = noise[which[i]], noise[min(which[i] + 1, len(noise) - 1)]
        for k in range(bins):
            under = (one - part[i]) * low[k] + part[i] * high[k]
            seen[k] = min(row[k] / under, np.float32(1e4))
            over = max(seen[k] - one, np.float32(0))
            prior = max(np.float32(0.97) * before[k] + np.float32(0.03) * over, np.float32(0.003))
            own[k] = prior / (one + prior)
        for k in range(bins):  # by itself: places in a table are no whole vectors
            place = min(own[k] * seen[k], np.float32(_LIFT_TO)) * np.float32(_LIFT_STEPS)
            at = np.int32(place)
            lifted[k] = lift[at] + (place - at) * (lift[at + 1] - lift[at])
        for k in range(bins):
            v = max(own[k] * seen[k], np.float32(1e-6))
            gain = min(own[k] * lifted[k] / np.sqrt(v), one) if v < np.float32(_LIFT_TO) else own[k]
            before[k] = gain * gain * seen[k]
            turned = one - share * (one - max(gain, floor))
            out[k] = complex(turned * out[k].real, turned * out[k].imag)


def reduce_noise(audio: np.ndarray, *, floor_db: float = -12.0) -> np.ndarray:
    """Give audio (n,) at 8 kHz with steady noise turned down by up to `floor_db`, float32, same timing.

    Short-time spectral amplitude with the log-spectral estimator and decision-directed a priori SNR
    (Ephraim and Malah 1984, 1985); noise by a low quantile of the smoothed spectrum over 3 s, so that it
    follows slow changes (after the idea of minimum statistics, Martin 2001). 32 ms root-Hann frames, half
    overlapped. Where speech stands 20 dB and more over the noise it is applied less, from 30 dB not at all:
    there it would only bend the speech.
    """
    size, hop = 256, 128
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    padded = np.pad(audio.astype(np.float32), (hop, size + hop - len(audio) % hop))
    spectra = fft.forward_real(_framed(padded, size, hop) * window)
    power = _power(spectra)
    noise, which, part = _noise_floor(power)
    rows = noise.sum(axis=1, dtype=np.float64)
    whole = float(((1 - part) * rows[which] + part * rows[np.minimum(which + 1, len(rows) - 1)]).sum())
    ratio_db = 10 * np.log10(float(power.sum()) / whole + 1e-9)
    if ratio_db >= NEEDLESS_DB:
        return audio.astype(np.float32)
    share = min((NEEDLESS_DB - ratio_db) / 10, 1.0)
    _turn_down(spectra, power, noise, which, part, 10 ** (floor_db / 20), share, _lift())
    parts = fft.inverse_real(spectra, size) * window
    out = np.zeros(len(padded) + size, np.float32)
    for half in (0, 1):
        block = parts[half::2].reshape(-1)
        out[half * hop : half * hop + len(block)] += block
    return out[hop : hop + len(audio)]


@kernel("float32[:, ::1](float32[:, ::1], int64[::1], int64)", fastmath=True)
def _low_quantiles(power: np.ndarray, starts: np.ndarray, length: int) -> np.ndarray:
    """Give the 2 % quantile of each bin's smoothed power in each stretch of so many frames."""
    frames, bins = power.shape
    smooth = np.empty((frames, bins), np.float32)
    smooth[0] = power[0]
    for i in range(1, frames):
        before, row, own = smooth[i - 1], smooth[i], power[i]
        for k in range(bins):
            row[k] = np.float32(0.7) * before[k] + np.float32(0.3) * own[k]
    out = np.empty((len(starts), bins), np.float32)
    left = np.empty(bins, np.float32)
    for s in range(len(starts)):
        first = starts[s]
        last = min(first + length, frames)
        place = 0.02 * (last - first - 1)
        whole = int(place)
        part = np.float32(place - whole)
        # so many of the least values are kept, in order: each new one goes down the rows, and the larger goes on
        least = np.full((min(whole + 2, last - first), bins), np.float32(1e38))
        for i in range(first, last):
            row = smooth[i]
            for k in range(bins):
                left[k] = row[k]
            for j in range(len(least)):
                kept = least[j]
                for k in range(bins):
                    value, other = kept[k], left[k]
                    kept[k] = min(value, other)
                    left[k] = max(value, other)
        low, high = least[whole], least[min(whole + 1, len(least) - 1)]
        for k in range(bins):
            out[s, k] = low[k] + part * (high[k] - low[k])
    return out


@kernel("float32[:, ::1](complex64[:, ::1])", fastmath=True)
def _power(spectra: np.ndarray) -> np.ndarray:
    """Give the power of spectra, a little more than none everywhere."""
    out = np.empty(spectra.shape, np.float32)
    for i in range(len(out)):
        some, row = spectra[i], out[i]
        for k in range(len(row)):
            row[k] = some[k].real * some[k].real + some[k].imag * some[k].imag + np.float32(1e-20)
    return out


def _noise_floor(power: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the noise power of bins every 1.5 s: the 2 % quantile of the smoothed power in 3 s, unbiased.

    Then, for each frame, after which of these rows it lies and what part of the way to the next.
    """
    block = 94
    starts = range(0, max(len(power) - block // 2, 1), block)
    quantiles = _low_quantiles(power, np.array(starts), 2 * block)
    centres = np.array([min(at + block, len(power)) for at in starts], float)
    at = np.clip(np.interp(np.arange(len(power)), centres, np.arange(len(centres))), 0, len(centres) - 1)
    which = at.astype(np.int64)
    return quantiles * np.float32(QUANTILE_BIAS), which, (at - which).astype(np.float32)


@dataclass(frozen=True, slots=True)
class SpeechFacts:
    """What tells speech from data, tones and noise; figures of one stretch of 300 to 3000 Hz audio."""

    likelihood: float  # 0..1
    active_s: float  # time in 20 ms frames 6 dB over the stretch's quiet level
    envelope_db: float  # standard deviation of the 20 ms level
    syllabic: float  # share of the envelope's 1 to 16 Hz power that lies in 2 to 8 Hz
    kurtosis: float  # of the amplitude: 1.5 a tone, 3 noise, above that speech
    voiced: float  # share of active frames with a pitch of 70 to 350 Hz
    flux_db: float  # change of spectral shape between active frames three apart
    two_lines: float  # share of an active frame's power in its two strongest lines, median


def speech_facts(audio: np.ndarray) -> SpeechFacts:
    """Judge audio (n,) at 8 kHz, band-passed and with its high notes tilted down 6 dB an octave.

    Frames of 32 ms that stand 6 dB out of the quiet ones are judged: most must have a pitch (normalised
    autocorrelation over 0.6 at 70 to 350 Hz), the spectral shape must change, and more than two lines must
    carry it. Steady-level data has no such frames at all. Where noise hides the speech the judgement is
    repeated with the noise turned down, with stricter limits; then the amplitude before must also not
    be bunched as that of data and tones (kurtosis 1.5 to 2.5; noise 3, speech more). Limits were set between
    measured speech and measured data bursts (AFSK, FSK, GMSK, MSK, off air), tones and noise;
    benchmarks/bench_voice.py measures what it confuses.
    """
    plain = _facts(audio)
    likelihood = (
        _rising(plain.voiced, 0.42, 0.05)
        * _rising(plain.flux_db, 2.65, 0.12)
        * _rising(plain.active_s, 0.1, 0.02)
        * _rising(-plain.two_lines, -0.98, 0.006)
    )
    if likelihood < 0.5 and plain.kurtosis > 2.5:
        clean = _facts(reduce_noise(audio, floor_db=-20.0))
        under_noise = (
            _rising(clean.voiced, 0.58, 0.04)
            * _rising(clean.flux_db, 4.3, 0.2)
            * _rising(clean.active_s, 0.3, 0.03)
            * _rising(plain.kurtosis, 2.7, 0.05)
            * _rising(-plain.two_lines, -0.94, 0.006)
        )
        likelihood = max(likelihood, under_noise)
    return replace(plain, likelihood=likelihood)


def _rising(value: float, middle: float, width: float) -> float:
    return float(1 / (1 + np.exp(np.clip((middle - value) / width, -50, 50))))


def _facts(audio: np.ndarray) -> SpeechFacts:
    """Give the figures, without the likelihood."""
    if len(audio) < 256:
        audio = np.pad(audio, (0, 256 - len(audio)))
    size, hop = 256, 160
    frames = _framed(np.ascontiguousarray(audio, np.float32), size, hop)
    level_db = 10 * np.log10(np.einsum("ij,ij->i", frames, frames) / size + 1e-12)
    loud_db = quantile(level_db, 0.95)
    level_db = np.maximum(level_db, loud_db - 40)
    quiet_db = quantile(level_db, 0.1)
    active = level_db > max(quiet_db + 6, loud_db - 25)
    envelope_db = float(np.std(level_db))
    spread = fft.forward(
        (level_db - level_db.mean()).astype(np.complex64) * np.hanning(len(level_db) + 2)[1:-1]
    )
    freq_hz = np.arange(len(level_db)) * (AUDIO_RATE_HZ / hop / len(level_db))
    power = np.abs(spread) ** 2
    span = power[(freq_hz >= 1) & (freq_hz < 16)].sum()
    syllabic = float(power[(freq_hz >= 2) & (freq_hz < 8)].sum() / span) if span > 0 else 0.0
    kurtosis = float(_kurtosis(np.ascontiguousarray(audio, np.float32)))
    voiced = flux_db = two_lines = 0.0
    if active.sum() >= 3:
        places = np.flatnonzero(active)
        parts = [_shapes(frames[places[at : at + _SHAPES]]) for at in range(0, len(places), _SHAPES)]
        lags, bands, lines = (np.concatenate(each) for each in zip(*parts, strict=True))
        voiced = float(np.mean(lags > 0.6))
        flux_db = float(np.mean(np.abs(bands[3:] - bands[:-3]))) if len(bands) > 3 else 0.0
        two_lines = float(np.median(lines))
    active_s = float(active.sum() * hop / AUDIO_RATE_HZ)
    return SpeechFacts(0.0, active_s, envelope_db, syllabic, kurtosis, voiced, flux_db, two_lines)


def _shapes(frames: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give how strong the pitch of frames (n, 256) is, their level in eleven bands, dB, and the share of two lines."""
    padded = np.zeros((len(frames), 512), np.float32)
    np.multiply(frames, _HANN, out=padded[:, :256])
    shape = _power(fft.forward_real(padded))
    correlation = fft.inverse_real(shape.astype(np.complex64), 512)
    bands = np.empty((len(shape), 11), np.float32)
    lags = np.empty(len(shape), np.float32)
    _pitch_and_bands(shape, correlation, _WINDOW_LIFT, lags, bands)
    return lags, 10 * np.log10(bands), _two_lines(shape)


@kernel("void(float32[:, ::1], float32[:, ::1], float32[::1], float32[::1], float32[:, ::1])", fastmath=True)
def _pitch_and_bands(
    shape: np.ndarray, correlation: np.ndarray, lift: np.ndarray, lags: np.ndarray, bands: np.ndarray
) -> None:
    """Give the largest autocorrelation at lags of 23 and more, and the share of eleven bands of sixteen bins each."""
    for row in range(len(shape)):
        line = correlation[row]
        best = np.float32(0)
        for k in range(len(lift)):
            best = max(best, line[23 + k] * lift[k])
        lags[row] = best / (line[0] + np.float32(1e-20))
        whole = np.float32(1e-20)
        for band in range(bands.shape[1]):
            total = np.float32(0)
            some = shape[row, 16 + 16 * band : 32 + 16 * band]
            for k in range(16):
                total += some[k]
            bands[row, band] = total / np.float32(16)
            whole += bands[row, band] / np.float32(bands.shape[1])
        for band in range(bands.shape[1]):
            bands[row, band] = bands[row, band] / whole + np.float32(1e-3)


@kernel("float64(float32[::1])")
def _kurtosis(audio: np.ndarray) -> float:
    second = fourth = 0.0
    for value in audio:
        power = float(value) ** 2
        second += power
        fourth += power * power
    second /= len(audio)
    return fourth / len(audio) / (second + 1e-20) ** 2


@kernel("int64(float32[::1], int64, int64)", fastmath=True)
def _largest(line: np.ndarray, begin: int, end: int) -> int:
    """Give the first place of the largest value in [begin, end), or -1: the value first, in whole vectors."""
    if begin >= end:
        return -1
    most = line[begin]
    for i in range(begin, end):
        most = max(most, line[i])
    for i in range(begin, end):
        if line[i] == most:
            return i
    return begin


@kernel("float64[::1](float32[:, ::1])", fastmath=True)
def _two_lines(power: np.ndarray) -> np.ndarray:
    """Give the share of each spectrum (rows, bins of 15.6 Hz, Hann) that lies in its two strongest lines."""
    rows, bins = power.shape
    out = np.empty(rows)
    for row in range(rows):
        line = power[row]
        total = np.float32(1e-20)
        for i in range(bins):
            total += line[i]
        first = _largest(line, 0, bins)
        before, after = max(first - 5, 0), min(first + 6, bins)
        second = _largest(line, 0, before)
        other = _largest(line, after, bins)
        if second < 0 or (other >= 0 and line[other] > line[second]):
            second = other
        taken = np.float32(0)
        for i in range(before, after):
            taken += line[i]
        for i in range(max(second - 5, 0), min(second + 6, bins)):
            taken += np.float32(0) if before <= i < after else line[i]
        out[row] = taken / total
    return out


def _fade() -> np.ndarray:
    window = np.hanning(256)
    own = np.correlate(window, window, "full")[255:]
    return np.maximum(own[23:115] / own[0], 0.2).astype(np.float32)


_WINDOW_LIFT = (
    1 / _fade()
)  # makes good what the window takes from the autocorrelation at lags of 23 to 114 samples
_HANN = np.hanning(256).astype(np.float32)
