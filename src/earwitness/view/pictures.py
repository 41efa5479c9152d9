"""Evidence pictures: what one stretch of I/Q looks like in frequency, in time and as symbols.

Arrays in, PNG bytes out. Levels are densities in dBFS/Hz, so that pictures of different stretches compare.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from earwitness.core.types import Samples
from earwitness.dsp import fft
from earwitness.dsp.aligned import centred
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.filters import lowpass, root_raised_cosine
from earwitness.view.canvas import Plot, heat, unit_for
from earwitness.view.palette import INK, OCHRE, SLATE, VERMILION
from earwitness.view.words import decibels, number, width

WIDTH, HEIGHT = 640, 300
SQUARE = 340
_MOST_SAMPLES = 4_000_000  # of a long stretch, the first so many are pictured
_MOST_SYMBOLS = 4096


@dataclass(frozen=True, slots=True)
class Box:
    """A region to mark on a spectrogram, in the units of its scales."""

    start: float
    stop: float
    low_hz: float
    high_hz: float
    label: str = ""


@dataclass(frozen=True, slots=True)
class Spectrogram:
    """Power density over time and frequency: `density_db` float32 shape (rows, bins), rows in time."""

    density_db: np.ndarray
    times_s: np.ndarray  # of the rows' middles
    freqs_hz: np.ndarray  # of the bins' middles, rising


def compute_spectrogram(samples: Samples, *, resolution_hz: float, rows: int = 900) -> Spectrogram:
    """Give the density in dBFS/Hz (Hann window; periodograms averaged when more than `rows` would come)."""
    data = np.ascontiguousarray(samples.data, np.complex64)
    longest = min(4096, max(64, len(data) // 8))
    size = fft.good_size(int(np.clip(2 * samples.rate_hz / max(resolution_hz, 1e-3), 64, longest)))
    if len(data) < size:
        data = np.pad(data, (0, size - len(data)))
    window = np.hanning(size + 1)[:size].astype(np.float32)
    hop = max(1, min(size // 2, max(size // 8, len(data) // rows)))
    starts = np.arange(0, len(data) - size + 1, hop)
    group = -(-len(starts) // rows)
    starts = starts[: len(starts) // group * group]
    gain = 1.0 / (samples.rate_hz * float(np.sum(window.astype(np.float64) ** 2)))
    out = np.empty((len(starts) // group, size), np.float32)
    per = max(1, 65_536 // (size * group))
    offsets = np.arange(size)
    for at in range(0, len(out), per):
        begin = starts[at * group : (at + per) * group]
        bins = fft.forward(data[begin[:, None] + offsets] * window)
        power = (bins.real**2 + bins.imag**2).reshape(-1, group, size).mean(axis=1) * gain
        out[at : at + len(power)] = np.roll(power, size // 2, axis=1)
    middle = (starts.reshape(-1, group).mean(axis=1) + size / 2) / samples.rate_hz
    freqs = samples.center_hz + (np.arange(size) - size // 2) * samples.rate_hz / size
    return Spectrogram(_db(out), middle, freqs)


def span_db(density_db: np.ndarray) -> tuple[float, float]:
    """Give the levels drawn as paper and as ink: from the floor to the strongest, 18 to 60 dB apart.

    The floor is the lower third, so that a crowded stretch keeps its noise pale.
    """
    good = density_db[np.isfinite(density_db)]
    if good.size == 0:
        return -140.0, -100.0
    if good.size > 400_000:
        good = good[:: good.size // 400_000]
    floor, top = float(np.quantile(good, 0.35)), float(np.quantile(good, 0.9995))
    return floor, min(max(top, floor + 18), floor + 60)


def shrink(density_db: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Reduce shape (r, c) to at most (rows, columns) by the strongest of each cell, so that bursts stay."""
    r, c = density_db.shape
    if r > rows:
        density_db = np.maximum.reduceat(density_db, np.arange(rows) * r // rows, axis=0)
    if c > columns:
        density_db = np.maximum.reduceat(density_db, np.arange(columns) * c // columns, axis=1)
    return density_db


def spectrogram(
    density_db: np.ndarray,
    times_s: np.ndarray,
    freqs_hz: np.ndarray,
    *,
    boxes: Iterable[Box] = (),
    title: str = "Spectrogram",
    size: tuple[int, int] = (WIDTH, HEIGHT),
) -> bytes:
    """Give the PNG of a spectrogram: time to the right, frequency upwards, a scale of levels at the side.

    `density_db` float32 shape (rows, bins) in dBFS/Hz with rows in time; `times_s` and `freqs_hz` are the
    middles of rows and bins.
    """
    wide, high = size
    low_db, high_db = span_db(density_db)
    plot = Plot(wide, high, _edges(times_s), _edges(freqs_hz), left=78, right=74)
    left, top, right, bottom = plot.box
    level = (shrink(density_db, right - left, bottom - top) - low_db) / (high_db - low_db)
    plot.picture(heat(np.clip(level, 0, 1).T[::-1]), smooth=True)
    unit, factor = unit_for(*plot.y)
    time_label, second = _time_scale(times_s)
    plot.scales(title, time_label, unit, x_unit=second, y_unit=factor, behind=False)
    for box in list(boxes)[:200]:
        plot.frame(box.start, box.stop, box.low_hz, box.high_hz, VERMILION)
        if box.label:
            plot.note(box.start, box.high_hz, box.label, VERMILION)
    _key(plot, low_db, high_db)
    return plot.png()


def _time_scale(times_s: np.ndarray) -> tuple[str, float]:
    """Give the words under a time scale and the unit its marks are in."""
    span_s = float(times_s[-1] - times_s[0]) if len(times_s) > 1 else 1.0
    for word, unit_s in (("microseconds", 1e-6), ("milliseconds", 1e-3)):
        if span_s < 500 * unit_s:
            return f"{word} from the start", unit_s
    return "seconds from the start", 1.0


def _key(plot: Plot, low_db: float, high_db: float) -> None:
    """Draw the scale of levels right of the frame."""
    _, top, right, bottom = plot.box
    plot.picture(heat(np.linspace(1, 0, 128)[:, None]), at=(right + 14, top, right + 24, bottom))
    for part in (0.0, 0.5, 1.0):
        y = bottom - part * (bottom - top)
        plot.text(right + 29, y, f"{low_db + part * (high_db - low_db):.0f}", anchor="lm", size=10)
    plot.text(right + 14, bottom + 7, "dBFS/Hz", anchor="lt", size=10)


def spectrum(
    density_db: np.ndarray,
    freqs_hz: np.ndarray,
    *,
    peak_db: np.ndarray | None = None,
    noise_db_hz: float | None = None,
    occupied_hz: tuple[float, float] | None = None,
    carrier_hz: float | None = None,
    title: str = "Spectrum",
) -> bytes:
    """Give the PNG of mean density in dBFS/Hz shape (bins,) over frequency in Hz shape (bins,).

    The occupied bandwidth is tinted between its edges, the noise density dashed, the carrier ruled.
    """
    shown = density_db if peak_db is None else np.concatenate([density_db, peak_db])
    good = shown[np.isfinite(shown)]
    low, high = (float(np.quantile(good, 0.02)), float(good.max())) if good.size else (-140.0, -100.0)
    if noise_db_hz is not None:
        low = max(low, noise_db_hz - 10)  # the skirts of a channel filter say nothing
    plot = Plot(WIDTH, HEIGHT, _edges(freqs_hz), (low - 4, max(high, low + 12) + 5))
    if occupied_hz:
        plot.band(*occupied_hz, (244, 232, 217))
    unit, factor = unit_for(*plot.x)
    plot.scales(title, unit, "dBFS/Hz", x_unit=factor)
    plot.fill(freqs_hz, density_db, (214, 224, 224))
    if occupied_hz:
        for edge in occupied_hz:
            plot.rule(x=edge, colour=VERMILION)
        beside = occupied_hz[1] < plot.x[0] + 0.8 * (plot.x[1] - plot.x[0])
        plot.note(
            min(occupied_hz[1], plot.x[1]),
            plot.y[1] - 0.09 * (plot.y[1] - plot.y[0]),
            f"99 % in {width(occupied_hz[1] - occupied_hz[0])}",
            VERMILION,
            anchor="lb" if beside else "rb",
        )
    if carrier_hz is not None:
        plot.rule(x=carrier_hz, colour=OCHRE, dash=4)
    if peak_db is not None:
        plot.curve(freqs_hz, peak_db, (166, 182, 188), weight=0.8)
    plot.curve(freqs_hz, density_db, SLATE)
    if noise_db_hz is not None:
        plot.rule(y=noise_db_hz, colour=INK, dash=5)
        plot.note(plot.x[0], noise_db_hz, f"noise {decibels(noise_db_hz, 'dBFS/Hz')}", INK)
    return plot.png()


def constellation(symbols: np.ndarray, *, title: str = "Constellation") -> bytes:
    """Give the PNG of complex symbols shape (n,): how often each place was met, darkest the most."""
    scale = np.sqrt(np.mean(np.abs(symbols) ** 2)) if len(symbols) else 1.0
    points = symbols / (scale or 1.0)
    reach = 1.9
    cells = 150
    counts, _, _ = np.histogram2d(points.imag, points.real, bins=cells, range=[[-reach, reach]] * 2)
    plot = Plot(SQUARE, SQUARE, (-reach, reach), (-reach, reach), left=44)
    plot.picture(heat(_darken(_spread(counts, 1.6 if len(points) < 1500 else 0.9)))[::-1], smooth=True)
    plot.scales(title, "in phase", "quadrature", behind=False)
    plot.rule(x=0.0, colour=OCHRE, dash=3)
    plot.rule(y=0.0, colour=OCHRE, dash=3)
    return plot.png()


def eye(traces: np.ndarray, *, y_label: str = "Hz", title: str = "Eye", unit: float = 1.0) -> bytes:
    """Give the PNG of traces float32 shape (n, points), each two symbols long, laid over one another."""
    wide, high = 460, HEIGHT
    traces = traces[np.isfinite(traces).all(axis=1)] if len(traces) else traces
    if len(traces) == 0:
        traces = np.zeros((1, 3), np.float32)
    reach = float(np.quantile(np.abs(traces), 0.985)) * 1.35 or 1.0
    columns, cells = 240, 120
    at = np.linspace(0, traces.shape[1] - 1, columns)
    below = np.minimum(at.astype(int), traces.shape[1] - 2)
    part = at - below
    dense = traces[:, below] * (1 - part) + traces[:, below + 1] * part
    rows = np.floor((dense + reach) / (2 * reach) * cells).astype(int)
    inside = (rows >= 0) & (rows < cells)
    flat = rows * columns + np.arange(columns)
    counts = np.bincount(flat[inside], minlength=cells * columns).reshape(cells, columns).astype(float)
    plot = Plot(wide, high, (-1, 1), (-reach, reach))
    plot.picture(heat(_darken(_spread(counts, 0.7)))[::-1], smooth=True)
    plot.scales(title, "symbols from the decision", y_label, y_unit=unit, behind=False)
    plot.rule(x=0.0, colour=OCHRE, dash=4)
    return plot.png()


def trace(
    times_s: np.ndarray,
    values: np.ndarray,
    *,
    y_label: str,
    title: str,
    levels: Mapping[str, float] | None = None,
    y_unit: float = 1.0,
    y_range: tuple[float, float] | None = None,
) -> bytes:
    """Give the PNG of a value over time in s, both shape (n,), with named levels dashed."""
    good = values[np.isfinite(values)]
    if y_range is None:
        low, high = (
            (float(np.quantile(good, 0.002)), float(np.quantile(good, 0.998))) if good.size else (0.0, 1.0)
        )
        room = max((high - low) * 0.18, 1e-12)
        y_range = (low - room, high + room)
    plot = Plot(WIDTH, HEIGHT, _edges(times_s), y_range)
    label, second = _time_scale(times_s)
    plot.scales(title, label, y_label, x_unit=second, y_unit=y_unit)
    plot.curve(times_s, values, SLATE, weight=0.9)
    for name, value in (levels or {}).items():
        plot.rule(y=value, colour=VERMILION, dash=5)
        plot.note(plot.x[1], value, name, VERMILION, anchor="rb")
    return plot.png()


# -- one emission ------------------------------------------------------------------------------------------


def evidence_pictures(samples: Samples, facts: Mapping[str, Any]) -> dict[str, bytes]:
    """Give the pictures that help to judge one emission, by name, from its I/Q stretch.

    `facts` is the emission's row as exported (missing keys are allowed). Always `spectrogram` and
    `spectrum`; by class also `constellation`, `eye`, `frequency` or `envelope`.
    """
    data = np.asarray(samples.data)[:_MOST_SAMPLES]
    if len(data) < 64 or not samples.rate_hz > 0:
        return {}
    if not np.isfinite(data).all():
        data = np.nan_to_num(data, nan=0.0, posinf=0.0, neginf=0.0)
    samples = Samples(
        np.ascontiguousarray(data if np.iscomplexobj(data) else _one_sided(data), np.complex64),
        samples.rate_hz,
        samples.center_hz,
        samples.start,
        samples.epoch_ns,
        samples.noise_dbfs_hz,
    )
    half = samples.rate_hz / 2
    center = number(facts.get("frequency_hz"))
    if center is None or abs(center - samples.center_hz) >= half:
        center = samples.center_hz
    measured = number(facts.get("occupied_bandwidth_hz"))
    measured = measured if measured and measured > 0 else None
    occupied = measured or samples.rate_hz / 4
    occupied = min(max(occupied, samples.rate_hz / 2000), samples.rate_hz)
    shown = compute_spectrogram(samples, resolution_hz=max(occupied / 32, samples.rate_hz / 1500))
    noise = _noise(shown, samples, center, occupied)
    edges = (center - occupied / 2, center + occupied / 2)
    near = np.abs(shown.freqs_hz - center) <= max(2.5 * occupied, 12 * samples.rate_hz / len(shown.freqs_hz))
    view = Spectrogram(shown.density_db[:, near], shown.times_s, shown.freqs_hz[near])
    burst = _burst_rows(view.density_db[:, np.abs(view.freqs_hz - center) <= occupied / 2], noise)
    rows = view.density_db[burst] if burst.any() else view.density_db
    out = {
        "spectrogram": spectrogram(
            view.density_db,
            view.times_s,
            view.freqs_hz,
            boxes=[_burst_box(view, burst, edges)] if measured and burst.any() else [],
        ),
        "spectrum": spectrum(
            _db(np.mean(10 ** (rows.astype(np.float64) / 10), axis=0)),
            view.freqs_hz,
            peak_db=rows.max(axis=0),
            noise_db_hz=noise,
            occupied_hz=edges if measured else None,
            carrier_hz=center,
        ),
    }
    out.update(_symbol_pictures(samples, facts, center, occupied))
    return out


def _one_sided(audio: np.ndarray) -> np.ndarray:
    """Give the analytic signal of audio: the same waveform without its mirror below 0 Hz."""
    bins = fft.forward(audio.astype(np.complex64))
    bins[len(bins) // 2 + 1 :] = 0
    return np.asarray(fft.inverse(bins))


def _burst_box(view: Spectrogram, burst: np.ndarray, edges: tuple[float, float]) -> Box:
    where = np.flatnonzero(burst)
    step = (view.times_s[-1] - view.times_s[0]) / max(len(view.times_s) - 1, 1)
    return Box(view.times_s[where[0]] - step, view.times_s[where[-1]] + step, *edges)


def _symbol_pictures(
    samples: Samples, facts: Mapping[str, Any], center: float, occupied: float
) -> dict[str, bytes]:
    """Give what shows the modulation of the named class."""
    kind = str(facts.get("class") or "unknown")
    rate = number(facts.get("symbol_rate_hz"))
    iq = _bring_down(samples, center, max(occupied, 1.2 * (rate or 0.0)))
    busy = _active(iq)
    if len(busy.data) < 32:
        return {}
    t = np.arange(len(busy.data)) / busy.rate_hz
    if rate is not None and not busy.rate_hz / 2000 < rate < busy.rate_hz:
        rate = None
    if kind == "psk" and rate:
        symbols = recover_symbols(busy.data, busy.rate_hz, rate, order=_order(facts))
        if len(symbols) >= 16:
            return {"constellation": constellation(symbols, title=f"Constellation, {len(symbols)} symbols")}
    if kind in ("fsk2", "fsk4", "fm", "carrier", "cw"):
        hz = discriminate(busy.data, rate_hz=busy.rate_hz, before=complex(busy.data[0]) or 1)
        out = {}
        if kind.startswith("fsk") and rate:
            traces = eye_traces(_smooth(hz, busy.rate_hz, 0.75 * rate), busy.rate_hz, rate)
            if len(traces):
                out["eye"] = eye(
                    traces, title=f"Eye of the frequency, {len(traces)} symbols", unit=1e3, y_label="kHz"
                )
        deviation = number(facts.get("deviation_hz"))
        levels = {"deviation": deviation, " ": -deviation} if deviation else {}
        if kind in ("cw", "carrier"):
            return {**out, "envelope": _envelope(t, busy, 3.0)}
        few = slice(0, round(busy.rate_hz * (60 / rate if rate else 0.06)))
        smooth = _smooth(hz, busy.rate_hz, 0.75 * rate if rate else min(occupied / 2, 0.4 * busy.rate_hz))
        out["frequency"] = trace(
            t[few],
            smooth[few],
            y_label="kHz",
            y_unit=1e3,
            title="Frequency from the centre",
            levels=levels,
            y_range=_fair_range(smooth[few], deviation),
        )
        return out
    if kind in ("am", "ook", "unknown", "ssb", "noise-like"):
        return {"envelope": _envelope(t, busy, 60 / rate if rate else 0.12)}
    return {}


def _fair_range(hz: np.ndarray, deviation: float | None) -> tuple[float, float]:
    reach = max(float(np.quantile(np.abs(hz), 0.97)) if len(hz) else 1.0, deviation or 0.0, 1.0) * 1.5
    return -reach, reach


def _envelope(t: np.ndarray, busy: Samples, span_s: float) -> bytes:
    few = slice(0, max(32, round(busy.rate_hz * span_s)))
    size = np.abs(busy.data[few])
    top = float(size.max()) * 1.15 or 1.0
    return trace(t[few], size, y_label="of full scale", title="Envelope", y_range=(0.0, top))


def _order(facts: Mapping[str, Any]) -> int:
    words = f"{facts.get('variant') or ''} {' '.join(str(r) for r in _listed(facts.get('reasons')))}".lower()
    if "8psk" in words or "8-psk" in words:
        return 8
    return 2 if "bpsk" in words and "qpsk" not in words else 4


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _bring_down(samples: Samples, center_hz: float, width_hz: float) -> Samples:
    """Shift the emission to 0 Hz, filter to its width and drop to about four times that rate."""
    rate = samples.rate_hz
    n = np.arange(len(samples.data))
    turn = np.exp(-2j * np.pi * np.mod((center_hz - samples.center_hz) / rate * n, 1.0)).astype(np.complex64)
    x = samples.data * turn
    step = max(1, int(rate / (4 * width_hz)))
    if width_hz < 0.8 * rate:
        taps = lowpass(min(0.65 * width_hz, 0.45 * rate), max(0.3 * width_hz, rate / 400), rate)
        x = centred(x, taps)[::step]
    else:
        step = 1
    return Samples(
        np.ascontiguousarray(x), rate / step, center_hz, 0, samples.epoch_ns, samples.noise_dbfs_hz
    )


def _active(samples: Samples) -> Samples:
    """Keep the longest run that stands out of the quiet parts, if there are any."""
    power = np.abs(samples.data) ** 2
    size = max(8, len(power) // 400)
    blocks = power[: len(power) // size * size].reshape(-1, size).mean(axis=1)
    if len(blocks) < 8:
        return samples
    low, high = np.quantile(blocks, [0.05, 0.98])
    if not high > 4 * low:
        return samples
    on = np.concatenate([[0], (blocks > np.sqrt(low * high)).astype(np.int8), [0]])
    # fades and pauses of a few blocks do not end a run
    begin, end = np.flatnonzero(np.diff(on) == 1), np.flatnonzero(np.diff(on) == -1)
    best = int(np.argmax(end - begin))
    a, b = int(begin[best]) * size, int(end[best]) * size
    return Samples(samples.data[a:b], samples.rate_hz, samples.center_hz, 0, samples.epoch_ns)


def _line_phase(value: np.ndarray, rate_hz: float, line_hz: float) -> float:
    """Give the phase in turns of the spectral line that a squared signal has at its symbol rate."""
    n = np.arange(len(value))
    return float(np.angle(np.sum(value * np.exp(-2j * np.pi * line_hz / rate_hz * n))) / (2 * np.pi))


def _sharpen(value: np.ndarray, rate_hz: float, symbol_rate_hz: float) -> float:
    """Give the rate within 2 % of the stated one at which the line is strongest.

    A short burst tells its rate only vaguely.
    """
    few = (value - value.mean())[: int(600 * rate_hz / symbol_rate_hz)]
    turns = -2j * np.pi * np.arange(len(few)) / rate_hz
    tried = symbol_rate_hz * np.linspace(0.98, 1.02, 81)
    return float(tried[np.argmax([np.abs(np.sum(few * np.exp(turns * hz))) for hz in tried])])


def _decision_times(value: np.ndarray, rate_hz: float, symbol_rate_hz: float) -> np.ndarray:
    """Give the sample positions (fractional) where `value` peaks once per symbol.

    Square-law timing (Oerder and Meyr 1988), anew for every 200 symbols so that clocks may differ.
    """
    symbol_rate_hz = _sharpen(value, rate_hz, symbol_rate_hz)
    per = rate_hz / symbol_rate_hz
    block = int(200 * per)
    out = []
    for at in range(0, len(value), block):
        part = value[at : at + block]
        if len(part) < 8 * per:
            break
        late = -_line_phase(part - part.mean(), rate_hz, symbol_rate_hz) % 1.0
        out.append(at + (late + np.arange(int(len(part) / per - late))) * per)
        if sum(map(len, out)) >= _MOST_SYMBOLS:
            break
    return np.concatenate(out) if out else np.empty(0)


def recover_symbols(iq: np.ndarray, rate_hz: float, symbol_rate_hz: float, *, order: int) -> np.ndarray:
    """Give complex symbols shape (n,) of phase-shift keying, for the eye only: simple timing and carrier.

    A root-raised-cosine filter (roll-off 0.4 guessed), square-law timing, and carrier phase from the
    `order`-th power (Viterbi and Viterbi 1983) over windows of 32 symbols.
    """
    per = rate_hz / symbol_rate_hz
    if per < 2 or len(iq) < 16 * per:
        return np.empty(0, np.complex64)
    x = np.convolve(iq, root_raised_cosine(0.4, per, 5).astype(np.float32), "same")
    at = _decision_times(np.abs(x) ** 2, rate_hz, symbol_rate_hz)
    at = at[(at >= 1) & (at < len(x) - 2)]
    if len(at) < 16:
        return np.empty(0, np.complex64)
    n = np.arange(len(x))
    symbols = np.interp(at, n, x.real) + 1j * np.interp(at, n, x.imag)
    raised = (symbols / np.maximum(np.abs(symbols), 1e-12)) ** order
    size = fft.good_size(4 * len(raised))
    lines = np.abs(fft.forward(raised.astype(np.complex64), size))
    peak = int(np.argmax(lines))
    turns = (peak if peak < size / 2 else peak - size) / size / order
    symbols = symbols * np.exp(-2j * np.pi * turns * np.arange(len(symbols)))
    raised = raised * np.exp(-2j * np.pi * turns * order * np.arange(len(symbols)))
    width_symbols = min(32, len(raised))
    phase = np.unwrap(np.angle(np.convolve(raised, np.ones(width_symbols), "same"))) / order
    rest = np.pi / order if order > 2 else 0.0  # four points stand on the diagonals, two on the axis
    return (symbols * np.exp(-1j * (phase - rest))).astype(np.complex64)


def eye_traces(hz: np.ndarray, rate_hz: float, symbol_rate_hz: float) -> np.ndarray:
    """Give traces float32 shape (n, 33), two symbols long, centred on the decisions of a real signal."""
    per = rate_hz / symbol_rate_hz
    if per < 2 or len(hz) < 16 * per:
        return np.empty((0, 33), np.float32)
    # between symbols the frequency moves, at the decision it rests: minus its speed peaks there
    speed = np.abs(np.gradient(hz)) ** 2
    at = _decision_times(-speed, rate_hz, symbol_rate_hz)
    at = at[(at > per + 1) & (at < len(hz) - per - 2)]
    points = at[:, None] + np.linspace(-1, 1, 33) * per
    values = np.interp(points.ravel(), np.arange(len(hz)), hz).reshape(points.shape)
    return (values - np.median(values)).astype(np.float32) if len(values) else np.empty((0, 33), np.float32)


def _smooth(x: np.ndarray, rate_hz: float, cutoff_hz: float) -> np.ndarray:
    if cutoff_hz > 0.4 * rate_hz:
        return x
    taps = lowpass(cutoff_hz, max(0.6 * cutoff_hz, rate_hz / 300), rate_hz, stop_db=40)
    return np.convolve(x, taps, "same") if len(x) > len(taps) else x


def _noise(shown: Spectrogram, samples: Samples, center: float, occupied: float) -> float:
    """Give the noise density: as measured by the survey, else the quieter third outside the emission."""
    if samples.noise_dbfs_hz is not None:
        return float(samples.noise_dbfs_hz)
    outside = np.abs(shown.freqs_hz - center) > occupied
    region = shown.density_db[:, outside] if outside.sum() >= 8 else shown.density_db
    return float(np.quantile(_db(np.mean(10 ** (region.astype(np.float64) / 10), axis=0)), 0.35))


def _burst_rows(inside_db: np.ndarray, noise_db: float) -> np.ndarray:
    """Tell the rows in which the emission is on."""
    if inside_db.shape[1] == 0:
        return np.zeros(len(inside_db), bool)
    level = 10 * np.log10(np.mean(10 ** (inside_db.astype(np.float64) / 10), axis=1) + 1e-30)
    top = np.quantile(level, 0.98)
    return level > max((top + noise_db) / 2, noise_db + 2)


def _spread(counts: np.ndarray, cells: float) -> np.ndarray:
    """Blur counts a little, so that single points show."""
    reach = int(3 * cells) + 1
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / cells) ** 2)
    kernel /= kernel.sum()
    counts = np.apply_along_axis(np.convolve, 0, counts, kernel, "same")
    return np.apply_along_axis(np.convolve, 1, counts, kernel, "same")


def _darken(counts: np.ndarray) -> np.ndarray:
    top = float(np.quantile(counts[counts > 0], 0.995)) if (counts > 0).any() else 1.0
    return np.clip(counts / top, 0, 1) ** 0.6


def _db(power: np.ndarray) -> np.ndarray:
    return (10 * np.log10(np.maximum(power, 1e-25))).astype(np.float32)


def _edges(middles: np.ndarray) -> tuple[float, float]:
    if len(middles) == 0:
        return 0.0, 1.0
    if len(middles) == 1:
        return float(middles[0]) - 0.5, float(middles[0]) + 0.5
    half = float(middles[1] - middles[0]) / 2
    return float(middles[0]) - half, float(middles[-1]) + half
