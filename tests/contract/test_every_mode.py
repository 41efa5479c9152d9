"""What every mode owes, checked for each folder under modes/ and naming none of them."""

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.core.mode import registry
from earwitness.core.types import Frame, Over, Samples

MODES = list(registry().values())
DATA = [mode for mode in MODES if not mode.voice]
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


@pytest.mark.parametrize("mode", DATA, ids=lambda mode: mode.name)
def test_where_the_cuts_fall_does_not_matter(mode):
    samples = burst(mode, mode.part("synth").examples()[0], snr_db=mode.snr_floor_db + 6)
    whole = run(mode, samples)

    @settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(st.integers(0, len(samples.data)), max_size=6))
    def check(cuts):
        assert run(mode, samples, cuts) == whole

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
    assert [item for item in results if isinstance(item, Over)] == []
    if not mode.voice:
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
