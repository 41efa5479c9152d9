"""AIS on the air: the sheet's burst, a real burst, an independent recording, faults, cuts and noise."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Samples
from earwitness.dsp import fft
from earwitness.modes.ais import synth
from earwitness.modes.ais.gmsk import modulate
from earwitness.modes.ais.messages import Assembler

RATE_HZ = 52_345.0
RECORDINGS = Path(__file__).parents[5] / ".." / "shared" / "recordings"


def listen(iq, rate_hz=RATE_HZ, centre_hz=161.975e6, cuts=(), noise=None):
    demodulator = get_mode("ais").demodulator()
    out, edges = [], [0, *cuts, len(iq)]
    for low, high in pairwise(edges):
        data = iq[low:high].astype(np.complex64)
        out += demodulator.feed(Samples(data, rate_hz, centre_hz, low, 1_000_000_000, noise))
    return out + list(demodulator.close())


def air(bursts, seconds, snr_db=25.0, rate_hz=RATE_HZ, seed=1):
    """Put (start s, offset Hz, amplitude, item) on noise; the SNR is in the symbol rate, of amplitude 1."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate_hz)
    power = rate_hz / 9600 * 10 ** (-snr_db / 10)
    out = np.sqrt(power / 2) * (rng.normal(size=count) + 1j * rng.normal(size=count))
    for start, offset, amplitude, item in bursts:
        wave = synth.transmit(item, rate_hz)
        at = round(start * rate_hz)
        turn = np.exp(1j * (2 * np.pi * offset * np.arange(len(wave)) / rate_hz + rng.uniform(0, 6)))
        out[at : at + len(wave)] += amplitude * wave * turn
    return 0.1 * out


def cut(iq, rate_hz, offset_hz, out_hz=50_000.0):
    """Cut one channel with a single FFT; gives samples and the exact offset of its centre."""
    spectrum = fft.forward(iq.astype(np.complex64))
    count = round(len(iq) * out_hz / rate_hz)
    shift = round(offset_hz / rate_hz * len(iq))
    spectrum = np.roll(spectrum, -shift)
    kept = np.concatenate([spectrum[: count // 2], spectrum[-(count - count // 2) :]])
    edge = np.abs(np.arange(count) - count * (np.arange(count) >= count // 2)) * out_hz / count
    kept *= np.clip((18_000 - edge) / 4_000, 0, 1).astype(np.float32)
    return fft.inverse(kept) * np.float32(count / len(iq)), shift * rate_hz / len(iq)


SHIP = {"message": {"message_id": 1, "mmsi": "232001234", "longitude_deg": -4.125, "latitude_deg": 50.35}}


def test_sheet_burst():
    """Marine sheet 1.4: levels of a published sentence's burst, computed there by other code."""
    levels = np.unpackbits(
        np.frombuffer(bytes.fromhex("CCCCCCFE95C9E60D6155758948F02BBD096D26793085AAA8B263708080"), np.uint8),
        count=225,
    )
    item = {"payload_hex": "044B572F74000C4DC8EEC31C2712A92E758E006094"}
    burst = synth.burst_bits(item)
    assert np.array_equal(burst, np.unpackbits(np.frombuffer(bytes.fromhex(
        "5555557E20D2EAF42E0030B21377C19C72244ABA5738800314AD373F00"), np.uint8), count=225))  # fmt: skip
    iq = np.zeros(6000, np.complex64)
    wave = modulate(levels, RATE_HZ)
    iq[2000 : 2000 + len(wave)] = wave
    (frame,) = listen(iq)
    assert frame.bits.hex() == item["payload_hex"]
    assert frame.check == "pass"
    # First message bit: 32 bits after the start of the training sequence.
    assert frame.time_ns == pytest.approx(1e9 + (2000 / RATE_HZ + 32 / 9600) * 1e9, abs=3_000)
    assert frame.stop_ns == pytest.approx(1e9 + (2000 / RATE_HZ + 225 / 9600) * 1e9, abs=5_000)


def test_real_burst():
    """One off-air burst with the publisher's fields (IMT Atlantique student project, 2023)."""
    folder = RECORDINGS / "ais-iq"
    if not folder.exists():
        pytest.skip("no off-air AIS burst here: ../shared/recordings/ais-iq is absent")
    columns = np.loadtxt(folder / "exOutBurst34.txt")
    iq = columns[:, 0] + 1j * columns[:, 1]
    iq = np.concatenate([np.zeros(300), iq / np.abs(iq).max(), np.zeros(300)])
    (frame,) = listen(iq, rate_hz=31_250.0)
    assembler = Assembler()
    (message,) = [*assembler.feed(frame), *assembler.close()]
    want = {"message_id": 1, "mmsi": "305323000", "speed_kn": 12.2, "course_deg": 25.3, "heading_deg": 32}
    want |= {"longitude_deg": -6.233335, "latitude_deg": 47.99603, "utc_second": 35}
    assert {name: message.fields[name] for name in want} == pytest.approx(want, abs=6e-6)
    # The publisher: sync state UTC direct, time-out 0, slot offset 2239.
    assert message.fields["communication_state"]["slot_offset"] == 2239


def test_independent_recording():
    """marine162: every burst no other one overlaps, and no frame that was not sent."""
    base = RECORDINGS / "independent" / "marine162"
    if not base.with_suffix(".truth.json").exists():
        pytest.skip("no independent AIS recording here: ../shared/recordings/independent is absent")
    truth = json.loads(base.with_suffix(".truth.json").read_text())
    raw = np.fromfile(base.with_suffix(".sigmf-data"), np.uint8).astype(np.float32)
    iq = ((raw - 127.5) / 127.5).view(np.complex64)
    frames = []
    for channel_hz in (161.975e6, 162.025e6):
        data, offset = cut(iq, truth["sample_rate"], channel_hz - truth["center_hz"])
        frames += listen(data, 50_000.0, truth["center_hz"] + offset)
    missed = []
    for emission in truth["emissions"]:
        (sent,) = emission["messages"]
        start_ns = 1e9 + (emission["t_start"] + sent.get("dt", 40 / 9600)) * 1e9
        hits = [
            frame
            for frame in frames
            if frame.bits.hex().startswith(sent["payload_hex"])
            and abs(frame.time_ns - start_ns) < 200_000
            and abs(frame.frequency_hz - emission["freq_in_file_hz"]) < 50
        ]
        if hits:
            frames.remove(hits[0])
        else:
            missed.append(emission)
    assert frames == []  # nothing that was not sent, nothing twice
    assert [emission["id"] for emission in missed if not emission["overlaps"]] == []
    assert len(missed) <= 5  # of 10 that overlap


def test_every_type_back_to_back():
    bursts, at = [], 0.02
    for item in synth.examples():
        bursts.append((at, 0.0, 1.0, item))
        at += len(synth.transmit(item, RATE_HZ)) / RATE_HZ
    frames = listen(air(bursts, at + 0.05))
    assert [frame.bits for frame in frames] == [
        bits for item in synth.examples() for bits in synth.payloads(item)
    ]


@pytest.mark.parametrize("offset_hz", [-3500.0, -2500.0, 0.0, 1300.0, 3500.0])
def test_measured_figures(offset_hz):
    noise_dbfs_hz = -20 - 25 - 10 * np.log10(9600)
    (frame,) = listen(air([(0.03, offset_hz, 1.0, SHIP)], 0.1), noise=noise_dbfs_hz)
    assert frame.frequency_hz == pytest.approx(161.975e6 + offset_hz, abs=4)
    # `transmit` has unit mean power with its ramps; the burst proper is 0.2 dB above that.
    assert frame.level_dbfs == pytest.approx(-19.8, abs=0.3)
    assert frame.snr_db == pytest.approx(25.2 - 10 * np.log10(16 / 9.6), abs=0.5)
    (guessed,) = listen(air([(0.03, offset_hz, 1.0, SHIP)], 0.1, snr_db=12))
    assert guessed.snr_db == pytest.approx(12.2 - 10 * np.log10(16 / 9.6), abs=1.2)


def test_drift_fading_echo_and_clock():
    """500 Hz drift in a burst, 12 dB of fade, an echo at 15 us and 10 dB less, a clock 80 ppm off."""
    item = synth.examples()[4]  # two slots
    wave = synth.transmit(item, RATE_HZ * (1 + 80e-6))
    t = np.arange(len(wave)) / len(wave)
    wave = wave * np.exp(2j * np.pi * 250 * t**2 * len(wave) / RATE_HZ)
    wave = wave * 10 ** (-12 * np.abs(t - 0.5) / 20 * 2)
    echo = np.interp(np.arange(len(wave)) - 15e-6 * RATE_HZ, np.arange(len(wave)), wave)
    iq = air([], 0.15, snr_db=28)
    iq[1500 : 1500 + len(wave)] += 0.1 * (wave + 0.3j * echo)
    (frame,) = listen(iq)
    assert frame.bits == synth.payloads(item)[0]


def test_wrong_deviation():
    """A transmitter whose deviation is 12 % wide: the discriminator's case."""
    levels = modulate(np.array(synth.nrzi_encode(synth.burst_bits(SHIP), 1)), RATE_HZ)
    wave = np.exp(1.12j * np.unwrap(np.angle(levels)))
    iq = air([], 0.1, snr_db=22)
    iq[2000 : 2000 + len(wave)] += 0.1 * wave
    (frame,) = listen(iq)
    assert frame.bits == synth.payloads(SHIP)[0]


def test_weaker_burst_beneath():
    """Two bursts half a slot over one another, 12 dB apart: both, each once."""
    items = [synth.examples()[0], synth.examples()[17]]
    iq = air([(0.03, 300.0, 1.0, items[0]), (0.042, -200.0, 0.25, items[1])], 0.15, snr_db=30)
    frames = listen(iq)
    assert sorted(frame.bits for frame in frames) == sorted(synth.payloads(item)[0] for item in items)


def test_neighbour_channel_is_no_trouble():
    loud = [(0.03, 0.0, 1.0, SHIP), (0.03, 25_000.0, 10.0, synth.examples()[2])]
    (frame,) = listen(air(loud, 0.1, rate_hz=62_000.0), rate_hz=62_000.0)
    assert frame.bits == synth.payloads(SHIP)[0]


def test_near_the_bound():
    """At 7.5 dB Eb/N0 at least 26 of 30 bursts (the benchmark has the curve: 0.98)."""
    items = [{"message": {"message_id": 1, "mmsi": f"2320012{n:02d}"}} for n in range(30)]
    frames = listen(air([(0.03 + 0.04 * n, 100.0 * n - 1500, 1.0, items[n]) for n in range(30)], 1.3, 7.3))
    good = {frame.bits for frame in frames}
    assert good <= {synth.payloads(item)[0] for item in items}
    assert len(good) >= 26


def test_repaired_frames_say_so():
    items = [{"message": {"message_id": 1, "mmsi": f"2320012{n:02d}"}} for n in range(20)]
    frames = listen(air([(0.03 + 0.04 * n, 0.0, 1.0, items[n]) for n in range(20)], 0.9, 5.8))
    repaired = [frame for frame in frames if frame.check == "corrected"]
    assert repaired
    assert all(1 <= frame.corrected_bits <= 2 for frame in repaired)
    assert all(frame.corrected_bits == 0 for frame in frames if frame.check == "pass")


STREAM = air([(0.03, 900.0, 1.0, SHIP), (0.09, -1200.0, 0.7, synth.examples()[17])], 0.2, snr_db=9)
WHOLE = listen(STREAM)


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, len(STREAM)), max_size=40))
def test_cuts_do_not_matter(cuts):
    frames = listen(STREAM, cuts=sorted(cuts))
    assert frames == WHOLE
    assert [frame.frequency_hz for frame in frames] == [frame.frequency_hz for frame in WHOLE]


def test_single_samples():
    assert len(WHOLE) == 2
    assert listen(STREAM[:6000], cuts=range(1, 6000)) == listen(STREAM[:6000])


def test_hostile_samples():
    bad = np.array([np.nan, np.inf, 0, 1e30, -1e-30], np.complex64)
    assert listen(np.tile(bad, 3000)) == []
    assert listen(np.zeros(20_000)) == []
    assert listen(np.zeros(0)) == []
    assert listen(np.exp(0.3j * np.arange(20_000))) == []
    assert get_mode("ais").demodulator().close() == []


def test_noise_gives_nothing():
    rng = np.random.default_rng(4)
    assert listen(rng.normal(size=500_000) + 1j * rng.normal(size=500_000)) == []


def test_payload_items():
    item = {"payload_hex": "3E0C", "payload_bits": 12}
    assert synth.payloads(item) == [Bits(0x3E00, 16)]
    wave = synth.transmit(SHIP, 50_000.0)
    assert wave.dtype == np.complex64
    assert np.mean(np.abs(wave) ** 2) == pytest.approx(1)
