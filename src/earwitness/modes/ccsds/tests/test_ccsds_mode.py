"""Telemetry frames from real signals, from every keying, and nothing from what is none."""

from pathlib import Path

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.dsp import carrier
from earwitness.dsp.filters import shaped
from earwitness.modes.ccsds.demod import equalised
from earwitness.modes.ccsds.gate import RATES_HZ
from earwitness.modes.ccsds.messages import Assembler

MODE = get_mode("ccsds")
SYNTH = MODE.part("synth")
RECORDINGS = Path(__file__).parents[5] / "../shared/recordings/satellite-audio"


def received(data, rate_hz, noise_dbfs_hz=None):
    demodulator = MODE.demodulator()
    samples = Samples(data, rate_hz, 437e6 if np.iscomplexobj(data) else 0.0, 0, 0, noise_dbfs_hz)
    return [*demodulator.feed(samples), *demodulator.close()]


def keyed(item, es_n0_db, rate_hz, rng, offset_hz=0.0):
    clean = np.concatenate([np.zeros(4000), SYNTH.transmit(item, rate_hz), np.zeros(20_000)])
    power = rate_hz / item["symbol_rate_hz"] * 10 ** (-es_n0_db / 10)
    clean = clean * np.exp(2j * np.pi * offset_hz / rate_hz * np.arange(len(clean)))
    noise = rng.standard_normal(len(clean)) + 1j * rng.standard_normal(len(clean))
    return (0.05 * (clean + np.sqrt(power / 2) * noise)).astype(np.complex64)


@pytest.mark.parametrize(("number", "es_n0_db"), [(0, 3.0), (1, 4.0), (2, 8.0), (3, 4.0), (4, 8.0), (5, 8.0)])
def test_every_keying_near_its_threshold(number, es_n0_db):
    """Coherent keying with Reed-Solomon (255,223) needs some 6.5 dB a bit, with the K = 7 code before it 2.5 dB
    (CCSDS 130.1-G, from memory); two symbols a bit or two bits a symbol make 3 dB each."""
    item = SYNTH.examples()[number]
    data = keyed(
        item, es_n0_db, 205_440.0, np.random.default_rng(number), offset_hz=-0.1 * item["symbol_rate_hz"]
    )
    got = [frame.bits for frame in received(data, 205_440.0)]
    assert got == SYNTH.payloads(item)


@pytest.mark.parametrize(("number", "es_n0_db"), [(0, 4.0), (1, 5.0), (2, 9.0), (3, 5.0)])
@pytest.mark.parametrize("clock", [0.991, 1.001, 1.009])
def test_clocks_that_are_off(number, es_n0_db, clock):
    """Dividers of radio chips and recorders' clocks are off by nearly a percent (one recorded satellite by 0.8 %)."""
    item = SYNTH.examples()[number]
    item["symbol_rate_hz"] *= clock
    got = received(keyed(item, es_n0_db, 205_440.0, np.random.default_rng(number), 400.0), 205_440.0)
    assert [frame.bits for frame in got] == SYNTH.payloads(item)
    assert got[0].extra["symbol_rate_hz"] == pytest.approx(item["symbol_rate_hz"], rel=1e-3)


@pytest.mark.parametrize(("width_hz", "rate_hz"), MODE.narrow_rates_hz)
def test_narrow_channels_hold_what_they_are_for(width_hz, rate_hz):
    """An emission may be twice as wide as what stands out of the noise: half of a channel's rate a second."""
    assert MODE.rate_for(width_hz) == rate_hz
    assert MODE.rate_for(1.01 * width_hz) > rate_hz
    rate_bd = max(rate for rate in RATES_HZ if 1.3 * rate <= 2 * width_hz)
    item = {"modulation": "qpsk", "symbol_rate_hz": rate_bd, "texts": ["a", "b"], "spacecraft": 9}
    data = keyed(item, 10.0, 1.07 * rate_hz, np.random.default_rng(1), offset_hz=0.05 * rate_bd)
    assert [frame.bits for frame in received(data, 1.07 * rate_hz)] == SYNTH.payloads(item)


@pytest.mark.parametrize(("symbol_rate_hz", "offset_hz", "rate_hz"), [(9600, 50_000.0, 205_440.0), (9600, -10_000.0, 205_440.0), (2400, 9_000.0, 25_680.0), (1200, -3_500.0, 25_680.0)])  # fmt: skip
def test_doppler_of_low_orbits(symbol_rate_hz, offset_hz, rate_hz):
    """Some 25e-6 of the carrier: 50 kHz at 2.2 GHz, 10 kHz at 435 MHz, 3.5 kHz at 145 MHz."""
    item = {"modulation": "bpsk", "symbol_rate_hz": symbol_rate_hz, "texts": ["a", "b", "c"], "spacecraft": 9}
    data = keyed(item, 8.0, rate_hz, np.random.default_rng(3), offset_hz)
    got = received(data, rate_hz, 10 * np.log10(0.0025 / symbol_rate_hz * 10**-0.8))
    assert SYNTH.payloads(item)[-2:] == [frame.bits for frame in got][-2:]
    assert got[-1].frequency_hz - 437e6 == pytest.approx(offset_hz, abs=0.02 * symbol_rate_hz)


@pytest.mark.parametrize(("modulation", "es_n0_db"), [("bpsk", 6.5), ("qpsk", 9.5), ("oqpsk", 9.5)])
@pytest.mark.parametrize(("symbol_rate_hz", "hz_s"), [(1200, 50.0), (1200, -3.0), (2400, -100.0), (4800, 200.0), (9600, -400.0)])  # fmt: skip
def test_drift_about_closest_approach(modulation, es_n0_db, symbol_rate_hz, hz_s):
    """A low orbit's Doppler changes by up to some 150 Hz/s at 437 MHz (from memory), and in proportion to the carrier."""
    item = {"modulation": modulation, "symbol_rate_hz": symbol_rate_hz, "texts": [*"abcd"], "spacecraft": 9}
    rate_hz = 51_360.0
    data = keyed(item, es_n0_db, rate_hz, np.random.default_rng(symbol_rate_hz))
    t = (np.arange(len(data)) - len(data) / 2) / rate_hz
    data = (data * np.exp(1j * np.pi * hz_s * t * t)).astype(np.complex64)
    got = received(data, rate_hz)
    assert [frame.bits for frame in got] == SYNTH.payloads(item)
    middle = 0.5 * (got[1].time_ns + got[1].stop_ns) / 1e9 - len(data) / rate_hz / 2
    assert got[1].frequency_hz - 437e6 == pytest.approx(hz_s * middle, abs=0.01 * symbol_rate_hz)


def test_drift_of_minimum_shift_keying():
    """It is read by rails of half its rate, but drifts as what is keyed at all of it; a frame may be lost at first."""
    item = {"modulation": "gmsk", "symbol_rate_hz": 1200, "texts": [*"abcdef"], "spacecraft": 9}
    data = keyed(item, 9.0, 51_360.0, np.random.default_rng(1200))
    t = (np.arange(len(data)) - len(data) / 2) / 51_360.0
    data = (data * np.exp(1j * np.pi * 50.0 * t * t)).astype(np.complex64)
    assert len({frame.bits for frame in received(data, 51_360.0)} & set(SYNTH.payloads(item))) >= 5


def test_a_slow_carrier_drifts_across_the_tuning():
    """Loud enough for the channel to be tuned after it while it drifts by a thousand hertz; one frame may be lost."""
    words = {"texts": [*"abcdef"], "spacecraft": 9}
    item = {"modulation": "bpsk", "symbol_rate_hz": 1200, "convolutional": True, **words}
    rate_hz = 51_360.0
    data = keyed(item, 6.0, rate_hz, np.random.default_rng(6))
    t = np.arange(len(data)) / rate_hz
    data = (data * np.exp(1j * np.pi * 50.0 * t * t)).astype(np.complex64)
    got, sent = [frame.bits for frame in received(data, rate_hz)], SYNTH.payloads(item)
    assert len(got) >= 5
    assert all(bits in sent for bits in got)


def test_audio_of_a_discriminator_and_of_a_sideband_receiver():
    rng = np.random.default_rng(5)
    words = {"texts": ["one", "two"], "spacecraft": 9}
    fsk = SYNTH.transmit({"modulation": "gmsk", "symbol_rate_hz": 4800, **words}, 48_000.0)
    heard = np.angle(fsk[1:] * fsk[:-1].conj()).astype(np.float32)
    heard = np.concatenate([np.zeros(9000), heard, np.zeros(9000)])
    heard = (heard + 0.05 * rng.standard_normal(len(heard))).astype(np.float32)
    assert len(received(heard, 48_000.0)) == 2
    item = {"modulation": "bpsk", "symbol_rate_hz": 1200, "convolutional": True, **words}
    clean = SYNTH.transmit(item, 48_000.0)
    clean = (clean * np.exp(2j * np.pi * 1500 / 48_000 * np.arange(len(clean)))).real
    tone = np.concatenate([np.zeros(9000), clean, np.zeros(30_000)])
    got = received((0.1 * (tone + 0.5 * rng.standard_normal(len(tone)))).astype(np.float32), 48_000.0)
    assert [frame.bits for frame in got] == SYNTH.payloads(item)
    assert got[0].extra["audio_carrier_hz"] == pytest.approx(1500, abs=3)


def test_real_frames_of_a_small_spacecraft(satellite_audio):
    """Off-air recording of a public collection, symbols 0.8 % fast: every one of five Reed-Solomon words of three frames
    without a wrong octet, one counter running on. Read without its randomizer, a frame lies near words of another depth."""
    samples = satellite_audio("astrocast_9k6")
    got = received(samples.data, samples.rate_hz)
    octets = [frame.bits.value.to_bytes(frame.bits.size // 8, "big") for frame in got]
    assert [row[:8].hex() for row in octets] == ["001917431ffe0807", "001918441ffe0807", "001919451ffe0807"]
    for frame in got:
        assert (frame.check, frame.extra["interleave_depth"], frame.extra["randomizer"]) == (
            "pass",
            5,
            "255-bit",
        )
        assert 9670 < frame.extra["symbol_rate_hz"] < 9685


def test_no_other_recording_gives_frames():
    """Recordings of packet radio and other framings in the same rates."""
    soundfile = pytest.importorskip("soundfile")
    paths = [RECORDINGS / f"{name}.wav" for name in ("aalto1", "az02", "beesat_9", "aistechsat3")]
    if not all(path.exists() for path in paths):
        pytest.skip("the recordings are not here")
    for path in paths:
        data, rate_hz = soundfile.read(path, dtype="float32")
        assert received(data, float(rate_hz)) == []


def test_voice_like_sound_and_bare_carriers_give_nothing():
    rng = np.random.default_rng(6)
    t = np.arange(5 * 48_000) / 48_000
    buzz = sum(np.sin(2 * np.pi * k * 120 * t) / k for k in range(1, 30)) * (np.sin(2 * np.pi * 2 * t) > 0)
    assert received((0.1 * buzz + 0.01 * rng.standard_normal(len(t))).astype(np.float32), 48_000.0) == []
    assert received(np.exp(2j * np.pi * 0.01 * np.arange(400_000)).astype(np.complex64), 200_000.0) == []


def test_message_fields():
    item = SYNTH.examples()[0]
    power = 0.0025 * 205_440.0 / 19_200 / 10  # of the noise: Es/N0 of 10 dB
    noise_dbfs_hz = 10 * np.log10(power / 205_440.0)
    got = received(keyed(item, 10.0, 205_440.0, np.random.default_rng(1)), 205_440.0, noise_dbfs_hz)
    assert got[0].level_dbfs == pytest.approx(10 * np.log10(0.0025), abs=1.0)
    assert got[0].snr_db == pytest.approx(10 + 10 * np.log10(19_200 / MODE.bandwidth_hz), abs=1.0)
    message = Assembler().feed(got[0])[0]
    assert message.fields["spacecraft"] == 77
    assert message.fields["packets"][0]["apid"] == 100
    assert message.fields["convolutional"] == "K=7 rate 1/2"
    assert message.fields["modulation"] == "BPSK"
    assert b"invented telemetry" in bytes.fromhex(message.fields["data_hex"])


def test_filter_takes_out_an_offset():
    rng = np.random.default_rng(2)
    bits = rng.integers(0, 2, 400)
    half = np.repeat(2.0 * bits - 1, 2) * 0.7 + 0.4 + 0.1 * rng.standard_normal(800)
    soft = equalised(np.pad(half, (5, 5)).astype(np.float32))
    assert np.array_equal(soft[8:-8] > 0, bits[: len(soft)][8:-8] > 0)


def test_what_is_quiet_before_a_burst_is_no_part_of_a_trial():
    """Half a decibel above the threshold; the second burst begins so that two windows before it are counted to it."""
    item = {"modulation": "qpsk", "symbol_rate_hz": 38_400, "convolutional": True, "spacecraft": 5}
    rng = np.random.default_rng(7)
    power = 205_440.0 / 38_400 * 10 ** (-0.3) * 255 / 223  # 3 dB of Eb/N0, two symbols a bit on two rails
    for burst in range(3):
        item["texts"] = [f"3.0 {12 * burst + k}" for k in range(12)]
        signal = SYNTH.transmit(item, 205_440.0)
        clean = np.concatenate([np.zeros(rng.integers(4000, 30_000)), signal, np.zeros(20_000)])
        turns = rng.uniform(-0.05, 0.05) * 38_400 / 205_440.0 * np.arange(len(clean)) + rng.random()
        noise = rng.standard_normal(len(clean)) + 1j * rng.standard_normal(len(clean))
        data = clean * np.exp(2j * np.pi * turns) + np.sqrt(power / 2) * noise
        noise_dbfs_hz = 10 * np.log10(0.0025 * power / 205_440.0)
        heard = {
            frame.bits for frame in received((0.05 * data).astype(np.complex64), 205_440.0, noise_dbfs_hz)
        }
        assert sum(bits in heard for bits in SYNTH.payloads(item)) >= 11


def test_only_its_own_rate_starts_a_loop():
    """Lines of other rates, thinned out, lie beside each other's clocks; half the rate has this rate's twice over."""
    rng = np.random.default_rng(8)
    per, size = 5.35, 16_384  # 9600 Bd in the octave of twice that
    levels = rng.choice([-1.0, 1.0], int(size / per) + 2)
    pulses = shaped(levels, per, 0.5)[:size]
    noise = 0.01 * (rng.standard_normal(size) + 1j * rng.standard_normal(size))
    z = (pulses / pulses.std() + noise).astype(np.complex64)[:8192]
    keyed_in_frequency = np.convolve(levels[(np.arange(size) / per).astype(int)], np.full(3, 1 / 3), "same")
    steps = (0.3 * keyed_in_frequency + 0.03 * noise.real).astype(np.complex64)[:8192]

    def begun(kind, x, rate_hz):
        return carrier.acquire(kind, x, 51_360.0 / rate_hz, roll_off=0.5, reach=0.1, clock_error=0.0092)

    for kind, x in ((carrier.BPSK, z), (carrier.REAL, steps)):
        assert begun(kind, x, 9600.0).per == pytest.approx(per, rel=1e-4)
        assert [rate for rate in (14_400.0, 19_200.0, 20_000.0) if begun(kind, x, rate)] == []
