"""Turn a scene into a recording with its truth, block by block in bounded memory.

Every burst is made at a low rate of its own (at least four times its width), then interpolated and mixed
into the wide stream by one kernel: a 16-tap Kaiser-windowed sinc read from a table of 1024 phases with
linear interpolation between them, and a rotation in double precision. Images and steps stay below
-80 dB. Start times are exact to a fraction of a sample; the receiver's crystal shifts frequency and
stretches time alike. Only the bursts on the air at the time are in memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError, StorageError
from earwitness.core.mode import get_mode
from earwitness.core.times import format_time
from earwitness.dsp import fft
from earwitness.dsp.filters import kaiser_beta
from earwitness.dsp.jit import kernel
from earwitness.scene.describe import Burst, Receiver, Scene, load_scene
from earwitness.scene.plain import KINDS, plain_burst
from earwitness.sources.write import SigmfAppender

__all__ = ["load_scene", "render"]

_BLOCK = 1 << 18
_TAPS = 16
_PHASES = 1024
_OVERSAMPLING = 4.0
_LOWEST_HZ = 8000.0  # so that keying edges stay steeper than 0.2 ms
_MOST_BURST_SAMPLES = 1 << 27
_PATHS = 24  # scatterers of a fading path

SNR_DEFINITION = "mean burst power / noise power in bandwidth_hz, before fading and echo"


def _interpolator(widening: float) -> np.ndarray:
    """Give the table of taps, float32 shape (phases + 1, taps), for an input `widening` times too fast.

    `widening` above 1 lowers the cut-off (to half of the output rate) and lengthens the taps alike.
    """
    taps = int(np.ceil(_TAPS * widening / 2)) * 2
    phase = np.arange(_PHASES + 1)[:, None] / _PHASES
    place = np.arange(taps)[None, :] - taps // 2 + 1 - phase
    window = np.i0(kaiser_beta(85.0) * np.sqrt(np.maximum(1 - (2 * place / taps) ** 2, 0)))
    table = np.sinc(place / widening) * window
    return (table / table.sum(axis=1, keepdims=True)).astype(np.float32)


@kernel(
    "void(complex64[::1], complex64[::1], float32[:, ::1], float64, float64, float64, float64, float64,"
    " complex64)",
    fastmath=True,
)
def _mix_in(
    out: np.ndarray,
    burst: np.ndarray,
    table: np.ndarray,
    place: float,
    step: float,
    turn: float,
    turn_step: float,
    turn_bend: float,
    gain: complex,
) -> None:
    """Add `burst`, read from input index `place` on in steps of `step`, to all of `out`.

    Carrier phase in turns: `turn` at the first sample, growing by `turn_step`, itself by `turn_bend`.
    """
    taps = table.shape[1]
    phases = table.shape[0] - 1
    size = len(burst)
    half = taps // 2 - 1
    phasor = np.exp(2j * np.pi * turn)
    spin = np.exp(2j * np.pi * (turn_step + 0.5 * turn_bend))
    bend = np.exp(2j * np.pi * turn_bend)
    for i in range(len(out)):
        whole = np.floor(place)
        first = np.int64(whole) - half
        fine = (place - whole) * phases
        row = np.int64(fine)
        mix = np.float32(fine - row)
        re = np.float32(0)
        im = np.float32(0)
        low = max(np.int64(0), -first)
        high = min(np.int64(taps), size - first)
        for k in range(low, high):
            weight = table[row, k] + mix * (table[row + 1, k] - table[row, k])
            re += weight * burst[first + k].real
            im += weight * burst[first + k].imag
        out[i] += np.complex64(complex(re, im) * phasor) * gain
        place += step
        phasor *= spin
        spin *= bend
        if i & 1023 == 1023:
            phasor /= abs(phasor)
            spin /= abs(spin)


@dataclass
class _OnAir:
    """A burst that has been made: its low-rate samples and how they get into the file."""

    burst: Burst
    wave: np.ndarray  # unit mean power, then faded
    rate_hz: float
    table: np.ndarray
    amplitude: float
    turn: float  # carrier phase at its start, in turns
    stop_s: float
    occupied_hz: tuple[float, float]


def _low_rate(burst: Burst, wide_hz: float) -> float:
    """Give the rate a burst is made at: a multiple of its symbol rate where it has one."""
    wanted = max(_OVERSAMPLING * burst.bandwidth_hz, _LOWEST_HZ)
    if burst.kind in KINDS:
        symbol_hz = float(burst.item.get("symbol_rate_hz", 0.0))
    else:
        mode = get_mode(burst.kind)
        symbol_hz = mode.symbol_rate_hz or 0.0
        wanted = max(wanted, mode.rate_hz)
    unit = symbol_hz or 1000.0
    if wanted >= wide_hz:
        unit = wide_hz
    return float(np.ceil(wanted / unit) * unit)


def _make(burst: Burst, scene: Scene) -> _OnAir:
    """Run the transmitter of one burst, set its level and fade it."""
    rng = np.random.default_rng(burst.seed)
    rate_hz = _low_rate(burst, scene.rate_hz)
    where = f"[[emission]] {burst.emission + 1}"
    if burst.kind in KINDS:
        if burst.item["duration_s"] * rate_hz > _MOST_BURST_SAMPLES:
            raise ParameterError(f"{where}: duration_s = {burst.item['duration_s']:g} is too long; repeat it")
        wave = plain_burst(burst.kind, burst.item, rate_hz, rng)
    else:
        try:
            wave = get_mode(burst.kind).part("synth").transmit(burst.item, rate_hz)
        except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
            raise ParameterError(f"{where}: {burst.kind} cannot send this item: {error}") from error
    wave = np.ascontiguousarray(wave, np.complex64)
    if len(wave) == 0 or len(wave) > _MOST_BURST_SAMPLES:
        raise ParameterError(f"{where}: the burst has {len(wave)} samples")
    power = float(np.mean(wave.real**2 + wave.imag**2))
    if burst.level_dbfs is not None:
        wanted = 10 ** (burst.level_dbfs / 10)
    else:
        density = scene.receiver.noise_rms**2 / scene.rate_hz
        wanted = 10 ** ((burst.snr_db or 0.0) / 10) * density * burst.bandwidth_hz
    occupied = _occupied(wave, rate_hz)
    turn = float(rng.random())
    if burst.fading != "none":
        wave = wave * _fading(burst, len(wave), rate_hz, rng)
    stretch = 1 + scene.receiver.ppm * 1e-6
    return _OnAir(
        burst,
        wave,
        rate_hz,
        _interpolator(max(rate_hz / scene.rate_hz, 1.0)),
        float(np.sqrt(wanted / power)) if power > 0 else 0.0,
        turn,
        burst.start_s + len(wave) / rate_hz * stretch,
        occupied,
    )


def _occupied(wave: np.ndarray, rate_hz: float) -> tuple[float, float]:
    """Give the band in Hz about the carrier that leaves half a percent of the power on either side."""
    size = min(fft.good_size(len(wave)), 1 << 16)
    pieces = min(-(-len(wave) // size), 64)
    power = np.zeros(size)
    for n in range(pieces):
        start = (len(wave) - size) * n // max(pieces - 1, 1) if len(wave) > size else 0
        piece = np.zeros(size, np.complex64)
        part = wave[start : start + size]
        piece[: len(part)] = part
        power += np.abs(fft.forward(piece)) ** 2
    power = np.concatenate([power[(size + 1) // 2 :], power[: (size + 1) // 2]])
    share = np.cumsum(power) / max(power.sum(), 1e-30)
    low, high = np.searchsorted(share, [0.005, 0.995])
    middle = size - (size + 1) // 2
    return float((low - middle) * rate_hz / size), float((high - middle) * rate_hz / size)


def _fading(burst: Burst, count: int, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Give a complex gain of unit mean power: scatterers around the receiver (Clarke's model), plus for
    Rician fading a steady path `rician_k_db` above them.
    """
    control_hz = min(32 * burst.doppler_hz, rate_hz)
    time_s = np.arange(int(count / rate_hz * control_hz) + 3) / control_hz
    doppler_hz = burst.doppler_hz * np.cos(2 * np.pi * rng.random(_PATHS))
    phases = rng.random(_PATHS)
    gain = np.zeros(len(time_s), complex)
    for shift_hz, phase in zip(doppler_hz, phases, strict=True):
        gain += np.exp(2j * np.pi * (shift_hz * time_s + phase))
    gain /= np.sqrt(_PATHS)
    if burst.fading == "rician":
        k = 10 ** (burst.rician_k_db / 10)
        steady = np.exp(2j * np.pi * (0.7 * burst.doppler_hz * time_s + rng.random()))
        gain = np.sqrt(k / (k + 1)) * steady + np.sqrt(1 / (k + 1)) * gain
    at = np.arange(count) / rate_hz
    return (np.interp(at, time_s, gain.real) + 1j * np.interp(at, time_s, gain.imag)).astype(np.complex64)


def _file_offset_hz(frequency_hz: float, scene: Scene) -> float:
    """Give where a frequency on the air lies in the file relative to its centre, at time 0."""
    return frequency_hz / (1 + scene.receiver.ppm * 1e-6) - scene.center_hz


def _add(on_air: _OnAir, out: np.ndarray, start: int, scene: Scene) -> None:
    """Add one burst, and its echo, to the wide block that begins at sample `start`."""
    burst, stretch = on_air.burst, 1 + scene.receiver.ppm * 1e-6
    paths = [(burst.start_s, on_air.amplitude, 0.0)]
    if burst.echo_db is not None:
        extra = burst.echo_delay_us * 1e-6
        turn = -extra * burst.frequency_hz
        paths.append((burst.start_s + extra, on_air.amplitude * 10 ** (burst.echo_db / 20), turn))
    reach = on_air.table.shape[1] / on_air.rate_hz
    for begin_s, amplitude, turn in paths:
        end_s = begin_s + len(on_air.wave) / on_air.rate_hz * stretch + reach
        first = max(int((begin_s - reach) * scene.rate_hz) - start, 0)
        last = min(int(end_s * scene.rate_hz) + 1 - start, len(out))
        if first >= last:
            continue
        time_s = (start + first) / scene.rate_hz
        offset_hz = _file_offset_hz(burst.frequency_hz, scene)
        # Emission drift counts from its own start, receiver drift from the start of the recording.
        own_s = time_s - burst.start_s
        drift_hz_per_s = burst.drift_hz_per_s + scene.receiver.drift_hz_per_s
        now_hz = offset_hz + burst.drift_hz_per_s * own_s + scene.receiver.drift_hz_per_s * time_s
        phase = (
            on_air.turn
            + turn
            + offset_hz * time_s
            + 0.5 * burst.drift_hz_per_s * own_s**2
            + 0.5 * scene.receiver.drift_hz_per_s * time_s**2
        )
        _mix_in(
            out[first:last],
            on_air.wave,
            on_air.table,
            (time_s - begin_s) / stretch * on_air.rate_hz,
            on_air.rate_hz / stretch / scene.rate_hz,
            float(phase % 1.0),
            now_hz / scene.rate_hz,
            drift_hz_per_s / scene.rate_hz**2,
            np.complex64(amplitude),
        )


def _receive(block: np.ndarray, start: int, scene: Scene) -> tuple[np.ndarray, int]:
    """Give (samples, clipped count): spurs, gain, imbalance, offset and clipping of the receiver."""
    receiver: Receiver = scene.receiver
    for spur in receiver.spurs:
        offset = (spur.frequency_hz - scene.center_hz) / scene.rate_hz
        turns = (start % (1 << 40)) * offset % 1.0 + offset * np.arange(len(block))
        block += (10 ** (spur.level_dbfs / 20) * np.exp(2j * np.pi * turns)).astype(np.complex64)
    if receiver.gain_db:
        block *= np.float32(10 ** (receiver.gain_db / 20))
    if receiver.iq_gain_db or receiver.iq_phase_deg:
        phase = np.deg2rad(receiver.iq_phase_deg)
        gain = np.float32(10 ** (receiver.iq_gain_db / 20))
        block.imag = gain * (np.float32(np.cos(phase)) * block.imag + np.float32(np.sin(phase)) * block.real)
    block += np.complex64(complex(receiver.dc_i, receiver.dc_q))
    flat = block.view(np.float32)
    clipped = int(np.count_nonzero(np.abs(flat) >= receiver.clip_level))
    np.clip(flat, -receiver.clip_level, receiver.clip_level, out=flat)
    return block, clipped


def stream(scene: Scene, made: list[_OnAir] | None = None) -> Iterator[tuple[int, np.ndarray, int]]:
    """Give (start, complex64 block, clipped numbers) for the whole scene in order.

    `made` collects the bursts, their samples dropped, for the truth.
    """
    rng = np.random.default_rng((scene.seed, 0xEA5))
    total = max(round(scene.duration_s * scene.rate_hz), 1)
    waiting = list(scene.bursts)
    on_air: list[_OnAir] = []
    sigma = np.float32(scene.receiver.noise_rms / np.sqrt(2))
    margin_s = 64 / scene.rate_hz + 0.01
    for start in range(0, total, _BLOCK):
        count = min(_BLOCK, total - start)
        block = np.zeros(count, np.complex64)
        if sigma:
            block += (rng.standard_normal((count, 2), np.float32) * sigma).view(np.complex64)[:, 0]
        until_s = (start + count) / scene.rate_hz
        while waiting and waiting[0].start_s <= until_s + margin_s:
            on_air.append(_make(waiting.pop(0), scene))
        for one in on_air:
            _add(one, block, start, scene)
        still = []
        for one in on_air:
            if one.stop_s + margin_s + one.burst.echo_delay_us * 1e-6 > until_s:
                still.append(one)
            elif made is not None:
                made.append(_spent(one))
        on_air = still
        yield (start, *_receive(block, start, scene))
    if made is not None:
        made += [_spent(one) for one in on_air]


def _spent(one: _OnAir) -> _OnAir:
    one.wave = one.wave[:0]
    return one


def render(scene: Scene, out_dir: str | Path, progress: Callable[[int, int], None] | None = None) -> Path:
    """Write NAME.sigmf-data, NAME.sigmf-meta and NAME.truth.json; give the path of the metadata.

    `progress(done, total)` is called with samples after every block. The same scene and seed give the
    same samples. ParameterError when a transmitter cannot send its item, LogError when the disk refuses.
    """
    folder = Path(out_dir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(f"{folder} cannot be made: {error.strerror}") from error
    total = max(round(scene.duration_s * scene.rate_hz), 1)
    made: list[_OnAir] = []
    clipped = 0
    with SigmfAppender(
        folder / scene.name,
        rate_hz=scene.rate_hz,
        sample_type=scene.sample_type,
        facts={
            "description": f"synthesised scene {scene.name}, seed {scene.seed}",
            "hw": "simulated receiver",
        },
    ) as out:
        for start, block, over in stream(scene, made):
            clipped += over
            if start == 0:
                out.append(block, center_hz=scene.center_hz, epoch_ns=scene.start_ns)
            else:
                out.append(block)
            if progress:
                progress(start + len(block), total)
    truth = _truth(scene, made, clipped / (2 * total))
    try:
        path = folder / f"{scene.name}.truth.json"
        path.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise StorageError(f"{scene.name}.truth.json cannot be written: {error.strerror}") from error
    return out.meta_path


def _truth(scene: Scene, made: list[_OnAir], clipped_fraction: float) -> dict[str, Any]:
    """Give the truth document: frequencies on the air and in the file, levels, and every payload."""
    receiver = scene.receiver
    entries = []
    for number, one in enumerate(sorted(made, key=lambda each: each.burst.start_s)):
        burst = one.burst
        stretch = 1 + receiver.ppm * 1e-6
        in_file_hz = burst.frequency_hz / stretch + receiver.drift_hz_per_s * burst.start_s
        entry: dict[str, Any] = {
            "mode": burst.kind,
            "t_start": burst.start_s,
            "t_stop": min(one.stop_s, scene.duration_s),
            "freq_hz": burst.frequency_hz,
            "freq_in_file_hz": in_file_hz,
            "bandwidth_hz": burst.bandwidth_hz,
            "band_in_file_hz": [in_file_hz - burst.bandwidth_hz / 2, in_file_hz + burst.bandwidth_hz / 2],
            "occupied_hz": [round(edge, 1) for edge in one.occupied_hz],
            "drift_hz_per_s": burst.drift_hz_per_s,
            "fading": burst.fading,
            "cut_at_end": one.stop_s > scene.duration_s,
            "messages": _messages(burst),
            "emission": burst.emission + 1,
            "id": number,
        }
        if one.amplitude > 0 and receiver.noise_rms > 0:
            entry |= _levels(one, scene)
        entries.append(entry)
    spans = np.array([[e["t_start"], e["t_stop"], *e["band_in_file_hz"]] for e in entries]).reshape(-1, 4)
    for entry, span in zip(entries, spans, strict=True):
        both = (spans[:, 0] < span[1]) & (spans[:, 1] > span[0])
        both &= (spans[:, 2] < span[3]) & (spans[:, 3] > span[2])
        entry["overlaps"] = int(both.sum()) - 1
    facts = {name: getattr(receiver, name) for name in Receiver.__dataclass_fields__ if name != "spurs"}
    spurs = [{"frequency_hz": spur.frequency_hz, "level_dbfs": spur.level_dbfs} for spur in receiver.spurs]
    return {
        "name": scene.name,
        "seed": scene.seed,
        "sample_rate": scene.rate_hz,
        "center_hz": scene.center_hz,
        "start": format_time(scene.start_ns),
        "duration_s": scene.duration_s,
        "snr_definition": SNR_DEFINITION,
        "receiver": facts | {"spurs": spurs, "clipped_fraction": clipped_fraction},
        "emissions": entries,
    }


def _levels(one: _OnAir, scene: Scene) -> dict[str, float]:
    """Give SNR in the burst's bandwidth and C/N0."""
    burst = one.burst
    noise_hz = scene.receiver.noise_rms**2 / scene.rate_hz
    if burst.level_dbfs is None:
        snr_db = burst.snr_db or 0.0
    else:
        snr_db = burst.level_dbfs - 10 * np.log10(noise_hz * burst.bandwidth_hz)
    cn0 = snr_db + 10 * np.log10(burst.bandwidth_hz)
    return {"snr_db": round(float(snr_db), 3), "cn0_dbhz": round(float(cn0), 3)}


def _messages(burst: Burst) -> list[dict[str, Any]]:
    """Give what a right receiver must report: every payload, beside the item as the scene states it."""
    if burst.kind in KINDS:
        return []
    synth = get_mode(burst.kind).part("synth")
    item = dict(burst.item)
    payloads = synth.payloads(item) if hasattr(synth, "payloads") else []
    if not payloads:
        return [{"item": item}] if item else []
    return [{"payload_hex": bits.hex(), "payload_bits": bits.size, "item": item} for bits in payloads]
