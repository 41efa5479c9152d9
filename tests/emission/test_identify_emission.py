"""Identification of every class at good and poor SNR, of noise, of hostile input; and of the recordings."""

import json
from pathlib import Path

import emission_signals as sig
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from earwitness.core.types import Detection, Samples
from earwitness.emission.burst import cut
from earwitness.emission.features import Features
from earwitness.emission.identify import examine, identify
from earwitness.emission.measure import measure
from earwitness.emission.phase_keying import phase_keying

RECORDINGS = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "independent"
RATES = {"navtex": (100,), "pocsag": (512, 1200, 2400), "gmsk": (9600,), "gfsk": (9600,), "c4fm": (4800,)}
RATES |= {"dmr": (4800,), "bpsk": (1200,), "qpsk": (9600,), "pi4-qpsk": (18_000,), "8psk": (10_500,)}


def examined(name, snr_db, seed, **how):
    make, _, _, seconds = sig.SIGNALS[name]
    rng = np.random.default_rng(seed)
    iq, rate = make(rng, seconds)
    samples, detection, span, _, base = sig.channel(iq, rate, snr_db, rng, **how)
    return *examine(samples, detection, span_hz=span), base


@pytest.mark.parametrize("name", sig.SIGNALS)
def test_every_class_at_20_db(name):
    _, kind, variant, _ = sig.SIGNALS[name]
    _, answer, _ = examined(name, 20, 1001)
    assert answer.kind == kind, answer.reasons
    assert variant is None or answer.variant == variant
    assert answer.confidence > 0.5
    assert answer.reasons
    if name in RATES:
        assert min(abs(answer.symbol_rate_hz - rate) / rate for rate in RATES[name]) < 5e-3


@pytest.mark.parametrize("name", sorted(set(sig.SIGNALS) - {"c4fm", "dmr"}))
def test_every_class_at_10_db(name):
    _, kind, _, _ = sig.SIGNALS[name]
    right = sum(examined(name, 10, seed)[1].kind == kind for seed in (7, 8, 9))
    assert right >= 2


@pytest.mark.parametrize("name", sig.SIGNALS)
def test_weak_is_not_claimed(name):
    _, kind, _, _ = sig.SIGNALS[name]
    _, answer, _ = examined(name, -3, 11)
    assert answer.kind in (kind, "unknown", "carrier") or answer.confidence < 0.75, answer


@pytest.mark.parametrize("name", ["am", "nfm", "gmsk", "qpsk", "cw"])
def test_neighbour_and_eight_bits(name):
    _, kind, _, _ = sig.SIGNALS[name]
    _, answer, _ = examined(name, 18, 21, neighbour_db=0, bits=8)
    assert answer.kind == kind, answer.reasons


@pytest.mark.parametrize(("name", "designator"), [("am", "6K00A3E"), ("usb", "2K70J3E"), ("carrier", "N0N")])
def test_designators(name, designator):
    assert examined(name, 20, 1001)[1].designator == designator


@pytest.mark.parametrize("name", ["cw", "bpsk", "qpsk", "8psk", "am", "usb", "carrier"])
def test_what_is_not_keyed_in_frequency_has_no_deviation(name):
    """D is half the difference of the extreme instantaneous frequencies (RR Appendix 1): nothing where those carry nothing."""
    measured, answer, _ = examined(name, 20, 1001)
    assert answer.kind not in ("fm", "fsk2", "fsk4", "unknown")
    assert (measured.deviation_hz, measured.deviation_uncertainty_hz, answer.deviation_hz) == (
        None,
        None,
        None,
    )
    assert "deviation" not in measured.methods


@pytest.mark.parametrize(
    ("name", "deviation"), [("navtex", 85), ("pocsag", 4500), ("gmsk", 2400), ("c4fm", 1800)]
)
def test_deviation(name, deviation):
    assert examined(name, 20, 1001)[1].deviation_hz == pytest.approx(deviation, rel=0.15)


@pytest.mark.parametrize("name", ["gmsk", "am", "navtex", "8psk", "cw", "bpsk"])
def test_carrier_frequency(name):
    _, answer, base = examined(name, 18, 31)
    assert answer.carrier_hz - base == pytest.approx(0, abs=6)


@pytest.mark.parametrize("name", ["usb", "lsb"])
def test_suppressed_carrier(name):
    errors = [abs(examined(name, 18, seed)[1].carrier_hz - 100e6) for seed in range(1, 8)]
    assert np.median(errors) < 150, errors


# Swami and Sadler 2000, table of theoretical cumulants: C42 = -2 (BPSK), -1 (QPSK, 8PSK).
@pytest.mark.parametrize(("name", "c42"), [("bpsk", -2), ("qpsk", -1), ("8psk", -1)])
def test_cumulants(name, c42):
    make, _, _, seconds = sig.SIGNALS[name]
    rng = np.random.default_rng(5)
    samples, detection, span, (low, high), _ = sig.channel(*make(rng, max(seconds, 0.5)), 25, rng)
    keying = phase_keying(Features(cut(samples, detection, span)), high - low)
    assert keying.c42 == pytest.approx(c42, abs=0.15)


# A dot lasts 1.2 s over the words per minute (ITU-R M.1677: a dash three, between words seven).
@pytest.mark.parametrize("wpm", [5, 8, 12, 18, 30])
@pytest.mark.parametrize("snr_db", [12, 20, 30, 40])
def test_a_carrier_that_goes_off_between_elements_is_keyed(wpm, snr_db):
    right = 0
    for seed in range(5):
        rng = np.random.default_rng(seed)
        iq, rate = sig.cw(rng, 7.5 if wpm < 10 else 4.0, wpm)
        samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, rng)
        right += examine(samples, detection, span_hz=span)[1].kind == "cw"
    assert right >= 4


def test_two_calls_or_one():
    rng = np.random.default_rng(3)
    samples, detection, span, _, _ = sig.channel(*sig.gmsk(rng, 0.026), 15, rng)
    result = measure(samples, detection, span_hz=span)
    together, answer = examine(samples, detection, span_hz=span)
    assert answer == identify(samples, detection, result, span_hz=span)
    # The class tells more of the centre and the deviation; all else is as it was measured.
    assert (together.center_hz, together.deviation_hz) == (answer.carrier_hz, answer.deviation_hz)
    known = {(name, together.methods[name]) for name in ("center", "deviation")}
    assert together.methods.items() - known < result.methods.items()
    assert (together.level_dbfs, together.occupied_bandwidth_hz) == (
        result.level_dbfs,
        result.occupied_bandwidth_hz,
    )


@pytest.mark.parametrize("seed", range(12))
def test_noise_alone_is_nothing(seed):
    rng = np.random.default_rng(seed)
    n = 6000
    data = (rng.standard_normal(n) + 1j * rng.standard_normal(n)).astype(np.complex64) * 0.01
    noise = 10 * np.log10(2e-4 / 48_000)
    samples = Samples(data, 48_000.0, 100e6, 0, 0, noise)
    detection = Detection(1, 1000, 5000, 100e6 - 6000, 100e6 + 6000, 100e6, -40, noise, 3, False)
    _, answer = examine(samples, detection, span_hz=48_000)
    assert answer.kind == "unknown"


@settings(max_examples=60, deadline=None)
@given(
    data=arrays(np.complex64, st.integers(0, 700), elements=st.complex_numbers(max_magnitude=1e3, width=64)),
    noise=st.one_of(st.none(), st.floats(-250, 60)),
    low=st.floats(-30_000, 30_000),
    width=st.floats(0, 60_000),
    stop=st.integers(-10, 900),
)
def test_any_samples(data, noise, low, width, stop):
    samples = Samples(data, 48_000.0, 1e6, 0, 0, noise)
    detection = Detection(
        1, 0, stop, 1e6 + low, 1e6 + low + width, 1e6 + low + width / 2, -20, -100, 10, False
    )
    result, answer = examine(samples, detection, span_hz=48_000)
    assert np.isfinite(result.center_hz)
    assert 0 <= answer.confidence <= 1


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_not_a_number(bad):
    data = np.full(4000, bad, np.complex64)
    detection = Detection(1, 0, 4000, 1e6 - 3e3, 1e6 + 3e3, 1e6, -20, -100, 10, False)
    assert examine(Samples(data, 48_000.0, 1e6, 0, 0), detection, span_hz=48_000)[1].kind == "unknown"


# What the independent transmitters' emissions are, in our classes.
CLASSES = {
    "navtex": "fsk2",
    "cw": "cw",
    "dsc": "fm",
    "nfm": "fm",
    "acars": "am",
    "am": "am",
    "pocsag": "fsk2",
}
CLASSES |= {"ax25": "fm", "ais": "fsk2", "mode-s": "ook"}


def recording_channels(name, limit):
    """Cut the emissions of one recording by one FFT each: (truth, samples, detection, rate)."""
    truth = json.loads((RECORDINGS / f"{name}.truth.json").read_text())
    meta = json.loads((RECORDINGS / f"{name}.sigmf-meta").read_text())
    rate, centre = truth["sample_rate"], truth["center_hz"]
    kind, scale, shift = (
        (np.uint8, 127.5, 127.5) if "u8" in meta["global"]["core:datatype"] else ("<i2", 32768.0, 0.0)
    )
    raw = np.fromfile(RECORDINGS / f"{name}.sigmf-data", kind)
    data = ((raw.astype(np.float32) - shift) / scale).view(np.complex64)
    frames = data[: len(data) // 1024 * 1024].reshape(-1, 1024)[:: max(len(data) // 1024 // 300, 1)]
    window = np.hanning(1024)
    power = np.abs(np.fft.fft(frames * window, axis=1)) ** 2 / (rate * np.sum(window**2))
    noise = 10 * np.log10(np.median(power) / np.log(2))
    for entry in truth["emissions"][:limit]:
        if entry.get("overlaps"):
            continue
        low, high = entry["band_in_file_hz"]
        if "occupied_hz" in entry:
            low, high = (entry["freq_in_file_hz"] + edge for edge in entry["occupied_hz"])
        pre = min(0.05, 20 * (entry["t_stop"] - entry["t_start"]) / 10)
        first = max(int((entry["t_start"] - pre) * rate), 0)
        last = int((min(entry["t_stop"], entry["t_start"] + 2.5) + pre) * rate)
        part = data[first:last]
        n = len(part)
        take = min(int(3 * max(high - low, 3000) / rate * n), n) // 2 * 2
        at = round(((low + high) / 2 - centre) / rate * n)
        spectrum = np.fft.fft(part)[(np.arange(-take // 2, take // 2) + at) % n]
        iq = np.fft.ifft(np.fft.ifftshift(spectrum)) * take / n
        out_rate = rate * take / n
        start = round(first / rate * out_rate)
        samples = Samples(iq.astype(np.complex64), out_rate, centre + at * rate / n, start, 0, noise)
        stop = int(entry["t_stop"] * rate)
        detection = Detection(
            1, int(entry["t_start"] * rate), stop, low, high, (low + high) / 2, -20, noise, 10, False
        )
        yield entry, samples, detection, rate


@pytest.mark.parametrize(
    ("name", "limit"),
    [("hf_518", 9), ("marine156", 9), ("marine162", 40), ("vhf_air", 20), ("vhf_mixed", 20), ("air1090", 60)],
)
def test_independent_transmitters(name, limit):
    if not (RECORDINGS / f"{name}.truth.json").exists():
        pytest.skip("the shared recordings are not beside the project")
    for entry, samples, detection, rate in recording_channels(name, limit):
        result, answer = examine(samples, detection, span_hz=rate)
        snr = entry["snr_db"]
        if snr > 8 or answer.kind != "unknown":
            assert answer.kind == CLASSES[entry["mode"]], (entry["id"], entry["mode"], snr, answer)
        if entry["mode"] in ("navtex", "pocsag", "ais") and snr > 10:
            assert answer.symbol_rate_hz == pytest.approx(entry["bit_rate"], rel=3e-3)
        if "occupied_hz" in entry and "rayleigh_doppler_hz" not in entry and snr > 9:
            width = entry["occupied_hz"][1] - entry["occupied_hz"][0]
            density = entry["cn0_dbhz"] - 10 * np.log10(width)
            if not (entry["t_stop"] - entry["t_start"] > 2.4):  # else only a part was measured
                slack = max(1.5, 3 * result.snr_uncertainty_db)
                assert result.snr_db == pytest.approx(density, abs=slack), entry["id"]


@pytest.mark.parametrize("drift_hz_s", [8, -8])
def test_drifting_carrier(drift_hz_s):
    t = np.arange(12_000) / 12_000
    rng = np.random.default_rng(1)
    samples, detection, span, _, _ = sig.channel(np.exp(1j * np.pi * drift_hz_s * t**2), 12_000, 15, rng)
    _, answer = examine(samples, detection, span_hz=span)
    assert answer.kind == "carrier"
    assert "drifting" in " ".join(answer.reasons)


@pytest.mark.parametrize("drift_hz_s", [-20, -6, 3, 6])
def test_drift_is_no_amplitude_modulation(drift_hz_s):
    # A drifting carrier has no sidebands, and a modulated one has its depth whatever it drifts: by definition.
    rate = 8_000
    t = np.arange(4 * rate) / rate
    turn = np.exp(1j * np.pi * drift_hz_s * t**2)
    samples, detection, span, _, _ = sig.channel(turn, rate, 22, np.random.default_rng(2))
    _, answer = examine(samples, detection, span_hz=span)
    assert answer.kind == "carrier"
    if abs(drift_hz_s) > 6:  # by then the line is too wide for the narrow look at the carrier's phase
        return
    tone = 1 + 0.3 * np.cos(2 * np.pi * 400 * t)
    samples, detection, span, _, _ = sig.channel(tone * turn, rate, 25, np.random.default_rng(3))
    measured, answer = examine(samples, detection, span_hz=span)
    assert answer.kind == "am"
    assert measured.modulation_depth_pct == pytest.approx(30, abs=3)


@pytest.mark.parametrize(("baud", "shift_hz"), [(50, 170), (75, 850), (1200, 9000)])
def test_the_rate_of_noisy_keying_is_no_multiple(baud, shift_hz):
    # Noise makes twice to nine times the rate look as good; data at their own rate change every other symbol. Shifts:
    # common practice of radioteletype and paging.
    right = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        iq, rate = sig.fsk(rng, max(100 / baud, 0.3), baud, shift_hz / 2, 40 * max(shift_hz, baud))
        samples, detection, span, _, _ = sig.channel(iq, rate, 7, rng)
        _, answer = examine(samples, detection, span_hz=span)
        assert answer.kind == "fsk2"
        error = abs(answer.symbol_rate_hz - baud)
        right += error < 2 * answer.symbol_rate_uncertainty_hz
    assert right >= 5


@pytest.mark.parametrize("snr_db", [25, 12])
def test_tones_on_fm_are_no_keying(snr_db):
    # One tone is a sine; two-tone calls (600 and 950 Hz, half a second each) are one after the other: by definition.
    rate = 48_000
    t = np.arange(rate // 2) / rate
    for track in (
        5000 * np.sin(2 * np.pi * 400 * t),
        1500 * np.sin(2 * np.pi * 1000 * t),
        3000 * np.concatenate([np.sin(2 * np.pi * hz * t) for hz in (600, 950)]),
    ):
        rng = np.random.default_rng(1)
        samples, detection, span, _, _ = sig.channel(sig.frequency_modulated(track, rate), rate, snr_db, rng)
        _, answer = examine(samples, detection, span_hz=span)
        assert answer.kind == "fm"


@pytest.mark.parametrize(("baud", "step_hz"), [(1600, 1600), (1600, 3200), (2400, 1200)])
def test_four_clean_levels(baud, step_hz):
    # Unshaped levels at -3 -1 1 3 half steps: a quarter of the values lies on each, none between.
    for seed in range(6):
        rng = np.random.default_rng(seed)
        levels = rng.choice([-1.5, -0.5, 0.5, 1.5], 800) * step_hz
        rate = 40 * baud
        iq = sig.frequency_modulated(sig.held(levels, 40), rate)
        samples, detection, span, _, _ = sig.channel(iq, rate, 22, rng)
        _, answer = examine(samples, detection, span_hz=span)
        assert answer.kind == "fsk4"
        assert answer.symbol_rate_hz == pytest.approx(baud, rel=1e-3)
        assert answer.deviation_hz == pytest.approx(1.5 * step_hz, rel=0.05)


@pytest.mark.parametrize("snr_db", [22, 12])
def test_music_in_a_sideband_is_no_ofdm(snr_db):
    # Strings and pipes: steady lines that repeat themselves as a cyclic prefix does.
    rate = 8000
    t = np.arange(2 * rate) / rate
    for seed in range(4):
        rng = np.random.default_rng(seed)
        notes = rng.choice([220, 261.6, 329.6, 392, 440, 523.3, 659.3, 880], 6)
        swell = [0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.5, 4) * t) for _ in notes]
        wave = sum(np.sin(2 * np.pi * note * t + k) * swell[k] for k, note in enumerate(notes))
        samples, detection, span, _, _ = sig.channel(sig.analytic(wave), rate, snr_db, rng)
        _, answer = examine(samples, detection, span_hz=span)
        assert answer.kind != "noise-like"


def test_unshaped_phase_reversals_are_no_sound():
    rng = np.random.default_rng(1)
    iq = sig.held(2.0 * rng.integers(0, 2, 2400) - 1, 16) + 0j
    samples, detection, span, _, base = sig.channel(iq, 19_200, 20, rng)
    result, answer = examine(samples, detection, span_hz=span)
    assert (answer.kind, answer.variant) == ("psk", "bpsk")
    assert abs(result.center_hz - base) < 2 * result.center_uncertainty_hz
