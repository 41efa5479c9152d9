"""What every mode owes, checked for each folder under modes/ and naming none of them."""

import json
from itertools import pairwise

import numpy as np
import pytest
import scipy.fft
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.core.mode import registry
from earwitness.core.types import Frame, Over, Picture, Samples

MODES = list(registry().values())
PICTURES = [mode for mode in MODES if hasattr(mode.part("synth"), "pictures")]
DATA = [mode for mode in MODES if not mode.voice and mode not in PICTURES]
ALIKE = 0.8  # correlation of a received picture with the sent one, 6 dB over the mode's stated least SNR
CENTER_HZ = 150e6


def burst(mode, item, *, snr_db, offset_hz=0.0, lead_s=0.1, tail_s=0.6, seed=1):
    """One transmission of a mode in noise at its channel rate, SNR over the mode's bandwidth."""
    rate = mode.rate_hz * 1.07  # never a round number of samples per symbol
    clean = mode.part("synth").transmit(item, rate)
    rng = np.random.default_rng(seed)
    lead = round(lead_s * rate)
    count = lead + len(clean) + round(tail_s * rate)
    noise_power = rate / mode.bandwidth_hz * 10 ** (-snr_db / 10)
    data = (rng.standard_normal(count) + 1j * rng.standard_normal(count)) * np.sqrt(noise_power / 2)
    turn = np.exp(2j * np.pi * offset_hz / rate * np.arange(len(clean)))
    data[lead : lead + len(clean)] += clean * turn
    scale = 0.05
    noise_dbfs_hz = 10 * np.log10(noise_power * scale**2 / rate)
    return Samples((scale * data).astype(np.complex64), rate, CENTER_HZ, 12345, 10**18, noise_dbfs_hz)


def run(mode, samples, cuts=()):
    """All results of a fresh demodulator, fed in pieces."""
    demodulator = mode.demodulator()
    out = []
    edges = [0, *sorted(cuts), len(samples.data)]
    for begin, end in pairwise(edges):
        piece = Samples(
            samples.data[begin:end], samples.rate_hz, samples.center_hz, samples.start + begin, samples.epoch_ns,
            samples.noise_dbfs_hz,
        )  # fmt: skip
        out += demodulator.feed(piece)
    return out + list(demodulator.close())


def likeness(sent, got):
    """The best correlation of two pictures over all shifts of one against the other (edges may be unknown)."""
    if sent.shape[1:] != got.shape[1:]:
        return 0.0
    high = max(len(sent), len(got))
    total = 0.0
    energy = [0.0, 0.0]
    for colour in range(sent[0, 0].size):
        padded = []
        for number, image in enumerate((sent, got)):
            plane = image.reshape(*image.shape[:2], -1)[:, :, colour].astype(float)
            plane -= plane.mean()
            energy[number] += (plane**2).sum()
            padded.append(np.pad(plane, ((0, high - len(plane)), (0, 0))))
        spectra = [scipy.fft.fft2(plane) for plane in padded]
        total = total + scipy.fft.ifft2(spectra[0] * spectra[1].conj()).real
    return float(np.max(total) / np.sqrt(energy[0] * energy[1] + 1e-9))


def same(results):
    """Results in a form that compares: arrays by their octets."""
    return [
        (item.mode, item.start_ns, item.stop_ns, item.pixels.shape, item.pixels.tobytes(), dict(item.extra))
        if isinstance(item, Picture)
        else item
        for item in results
    ]


def messages(mode, results):
    assembler = mode.assembler()
    out = []
    for frame in results:
        if isinstance(frame, Frame):
            out += assembler.feed(frame)
    return out + list(assembler.close())


@pytest.mark.parametrize("mode", MODES, ids=lambda mode: mode.name)
def test_facts(mode):
    assert mode.sources, "a mode names its publications"
    assert mode.package
    assert mode.rate_hz > mode.bandwidth_hz * 0.5
    assert mode.min_width_hz < mode.max_width_hz
    assert mode.classes or mode.wideband or mode.by_frequency
    json.dumps(mode.part("synth").examples())


@pytest.mark.parametrize("mode", DATA, ids=lambda mode: mode.name)
def test_sent_is_received(mode):
    synth = mode.part("synth")
    for item in synth.examples()[:3]:
        sent = synth.payloads(item)
        got = messages(mode, run(mode, burst(mode, item, snr_db=mode.snr_floor_db + 6)))
        heard = [message.frame.bits for message in got]
        assert [bits for bits in sent if bits not in heard] == [], f"of {len(sent)}, heard {len(heard)}"
        for message in got:
            json.dumps(message.fields, allow_nan=False)
            assert message.check in ("pass", "corrected", "address")
            assert message.frame.check_name


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("mode", DATA, ids=lambda mode: mode.name)
def test_carrier_error_it_claims_to_bear(mode, sign):
    synth = mode.part("synth")
    item = synth.examples()[0]
    got = messages(
        mode, run(mode, burst(mode, item, snr_db=mode.snr_floor_db + 6, offset_hz=sign * mode.offset_ok_hz))
    )
    heard = [message.frame.bits for message in got]
    assert [bits for bits in synth.payloads(item) if bits not in heard] == []


@pytest.mark.parametrize("mode", PICTURES, ids=lambda mode: mode.name)
def test_sent_picture_is_received(mode):
    synth = mode.part("synth")
    for number, item in enumerate(synth.examples()[:3]):
        offset_hz = (0, -1, 1)[number] * mode.offset_ok_hz
        results = run(mode, burst(mode, item, snr_db=mode.snr_floor_db + 6, offset_hz=offset_hz))
        got = [result for result in results if isinstance(result, Picture)]
        for sent in synth.pictures(item):
            alike = [likeness(sent, picture.pixels) for picture in got]
            assert max(alike, default=0.0) > ALIKE, f"{item}: {alike}"
        for picture in got:
            json.dumps(dict(picture.extra), allow_nan=False)
            assert picture.pixels.dtype == np.uint8
            assert picture.stop_ns > picture.start_ns


@pytest.mark.parametrize("mode", DATA + PICTURES, ids=lambda mode: mode.name)
def test_where_the_cuts_fall_does_not_matter(mode):
    samples = burst(mode, mode.part("synth").examples()[0], snr_db=mode.snr_floor_db + 6)
    whole = same(run(mode, samples))
    assert whole or mode not in PICTURES

    @settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(st.integers(0, len(samples.data)), max_size=6))
    def check(cuts):
        assert same(run(mode, samples, cuts)) == whole

    check()


@pytest.mark.parametrize("mode", MODES, ids=lambda mode: mode.name)
def test_noise_gives_nothing(mode):
    rate = mode.rate_hz * 1.03
    rng = np.random.default_rng(7)
    count = round(rate * min(5.0, 4e6 / rate))
    data = (rng.standard_normal(count) + 1j * rng.standard_normal(count)).astype(np.complex64) * np.float32(
        0.02
    )
    noise_dbfs_hz = 10 * np.log10(2 * 0.02**2 / rate)
    results = run(mode, Samples(data, rate, CENTER_HZ, 0, 0, noise_dbfs_hz))
    assert [item for item in results if isinstance(item, Over | Picture)] == []
    if mode in DATA:
        assert messages(mode, results) == []


@pytest.mark.parametrize("mode", MODES, ids=lambda mode: mode.name)
def test_odd_input_is_borne(mode):
    rate = mode.rate_hz
    for data in (
        np.zeros(0, np.complex64),
        np.zeros(5000, np.complex64),
        np.ones(5000, np.complex64),
        np.full(5000, 1e3 + 1e3j, np.complex64),
        np.array([1, 0] * 2500, np.complex64),
    ):
        run(mode, Samples(data, rate, CENTER_HZ, 0, 0, None))
