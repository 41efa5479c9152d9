"""From samples to frames where the contract suite does not go: clocks, shapes, long bursts, crowded channels."""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.vdl2 import burst, synth
from earwitness.modes.vdl2.d8psk import SYMBOL_RATE_HZ, modulate

RATE_HZ = 41_234.5
EPOCH_NS = 1_700_000_000_000_000_000


def listen(iq):
    demodulator = get_mode("vdl2").demodulator()
    frames = list(demodulator.feed(Samples(iq.astype(np.complex64), RATE_HZ, 136.975e6, 0, EPOCH_NS, None)))
    return frames + list(demodulator.close())


def noisy(parts, count, esn0_db, seed=1):
    """Bursts (place, waveform, carrier in Hz) of amplitude as given, on noise for that of amplitude 1."""
    rng = np.random.default_rng(seed)
    power = RATE_HZ / SYMBOL_RATE_HZ * 10 ** (-esn0_db / 10)
    iq = np.sqrt(power / 2) * (rng.normal(size=count) + 1j * rng.normal(size=count))
    for at, wave, carrier_hz in parts:
        iq[at : at + len(wave)] += wave * np.exp(2j * np.pi * carrier_hz / RATE_HZ * np.arange(len(wave)))
    return 0.05 * iq


def heard(iq, item):
    got = [frame.bits for frame in listen(iq)]
    return [bits for bits in synth.payloads(item) if bits not in got] == []


def long_item(octets):
    return {"payload_hex": "b0f4d8f60442828d00" + np.random.default_rng(3).bytes(octets).hex()}


@pytest.mark.parametrize("item", synth.examples())
def test_time_and_carrier(item):
    wave = synth.transmit(item, RATE_HZ)
    frames = listen(noisy([(3000, wave, 1234.0)], 3000 + len(wave) + 2000, 22))
    assert [frame.bits for frame in frames] == synth.payloads(item)
    # On the air: one pulse's skirt, four symbols of ramp, the unique word, header and flag.
    symbols = 1 + 4 + 16 + (burst.HEADER_BITS + 8) / 3 - 0.5
    at_s = 3000 / RATE_HZ + symbols / SYMBOL_RATE_HZ
    assert (frames[0].time_ns - EPOCH_NS) / 1e9 == pytest.approx(at_s, abs=3e-5)
    assert frames[0].frequency_hz - 136.975e6 == pytest.approx(1234.0, abs=12.0)
    assert frames[0].check == "pass"


@pytest.mark.parametrize("ppm", [-120, 120])
def test_long_burst_with_a_clock_in_error(ppm):
    """Annex 10 allows 50 parts in a million; receivers add theirs."""
    item = long_item(1500)
    wave = synth.transmit(item, RATE_HZ * (1 + ppm * 1e-6))
    assert heard(noisy([(2000, wave, -800.0)], len(wave) + 5000, 19), item)


def test_rows_that_were_hit_are_mended():
    item = long_item(900)
    wave = synth.transmit(item, RATE_HZ)
    iq = noisy([(2000, wave, 0.0)], len(wave) + 5000, 40)
    iq[6000:6030] = 0  # about eight symbols: three octets, in rows of their own
    (frame,) = listen(iq)
    assert frame.bits == synth.payloads(item)[0]
    assert frame.check == "corrected"
    assert frame.corrected_bits > 0
    assert "RS(255,249)" in frame.check_name


def test_a_transmitter_with_the_root_shape():
    """The standard's shape is full raised cosine; a sender that splits it must not be lost."""
    item = synth.examples()[0]
    wave = modulate(synth.steps(item), RATE_HZ, root=True)
    assert heard(noisy([(2000, wave / np.abs(wave).max(), 300.0)], len(wave) + 4000, 20), item)


def test_neighbour_channel_forty_db_up():
    """Annex 10 vol. III 6.3.5: same error rate beside a signal 40 dB stronger on the next channel."""
    item, other = synth.examples()[0], long_item(400)
    rate = RATE_HZ * 2
    near = synth.transmit(other, rate)
    wave = np.zeros(len(near), complex)
    mine = synth.transmit(item, rate)
    wave[4000 : 4000 + len(mine)] = mine
    wave += 100 * near * np.exp(2j * np.pi * 25_000 / rate * np.arange(len(near)))
    # The channel bank's filter: 70 dB down beyond the channel's edge.
    taps = np.sinc(0.47 * (np.arange(401) - 200)) * np.kaiser(401, 7.0)
    cut = np.convolve(wave, taps / taps.sum(), "same")[::2]
    assert heard(noisy([(1000, cut, 0.0)], len(cut) + 3000, 25), item)


def test_bursts_one_after_another():
    items = synth.examples()
    waves = [synth.transmit(item, RATE_HZ) for item in items]
    at, parts = 1500, []
    for k, wave in enumerate(waves):
        parts.append((at, wave * (0.3 if k % 2 else 1.0), 2500.0 * (-1) ** k))
        at += len(wave) + 60
    got = [frame.bits for frame in listen(noisy(parts, at + 3000, 32))]
    assert got == [bits for item in items for bits in synth.payloads(item)]


def test_a_burst_cut_off_gives_nothing_false():
    wave = synth.transmit(long_item(600), RATE_HZ)
    for part in (0.1, 0.4, 0.8):
        assert listen(noisy([(1000, wave[: int(part * len(wave))], 0.0)], 1000 + len(wave), 30)) == []


def test_first_sample_of_a_burst_is_the_first_of_the_channel():
    item = synth.examples()[1]
    wave = synth.transmit(item, RATE_HZ)[int((1 + 3) * RATE_HZ / SYMBOL_RATE_HZ) :]
    assert heard(np.concatenate([wave, np.zeros(400)]), item)
