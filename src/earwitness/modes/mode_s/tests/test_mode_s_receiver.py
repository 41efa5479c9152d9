"""From samples to messages: rates, carriers, overlaps, noise, and recordings by others where they are present."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from earwitness.core.errors import ParameterError
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Samples
from earwitness.modes.mode_s import parity, synth
from earwitness.modes.mode_s.messages import Assembler

SHARED = Path(__file__).parents[5].parent / "shared" / "recordings"
CENTER_HZ = 1090e6
IDENT = Bits(0x8D4840D6202CC371C32CE0576098, 112)  # The 1090 Megahertz Riddle: KLM1023


def receive(data, rate_hz):
    demodulator = get_mode("mode-s").demodulator()
    frames = list(demodulator.feed(Samples(data.astype(np.complex64), rate_hz, CENTER_HZ, 0, 0)))
    frames += demodulator.close()
    assembler = Assembler()
    messages = [message for frame in frames for message in assembler.feed(frame)]
    return frames, messages + list(assembler.close())


def noise(rng, count, power):
    return (rng.standard_normal(count) + 1j * rng.standard_normal(count)) * math.sqrt(power / 2)


def add(data, bits, at_us, rate_hz, *, amplitude=1.0, offset_hz=0.0, phase=0.0):
    """Put a reply into data; `at_us` is where its first preamble pulse rises."""
    whole = math.floor((at_us - 1) * rate_hz * 1e-6)
    wave = synth.burst(bits, rate_hz, delay_us=at_us - 1 - whole / (rate_hz * 1e-6))
    turn = np.exp(1j * (2 * np.pi * offset_hz / rate_hz * np.arange(len(wave)) + phase))
    data[whole : whole + len(wave)] += amplitude * wave * turn


@pytest.mark.parametrize(
    "rate_hz", [2e6, 2.048e6, 2.4e6, 2.56e6, 3.2e6, 4e6, 5e6, 6e6, 8e6, 10e6, 12e6, 20e6]
)
def test_any_rate_time_and_carrier(rate_hz):
    rng = np.random.default_rng(int(rate_hz))
    data = noise(rng, int(3e-3 * rate_hz), 1e-3 * rate_hz / 2.4e6)
    times = [200.123, 700.777, 1300.5, 1900.25]
    for at_us in times:
        add(data, IDENT, at_us, rate_hz, offset_hz=170e3, phase=at_us)
    frames, messages = receive(data * 0.1, rate_hz)
    frames = [frame for frame in frames if frame.check]  # those without only an address could confirm
    assert [frame.bits for frame in frames] == [IDENT] * 4
    assert [frame.check for frame in frames] == ["pass"] * 4
    assert [message.frame for message in messages] == frames
    for frame, at_us in zip(frames, times, strict=True):
        assert frame.time_ns == pytest.approx((at_us + 8) * 1e3, abs=80)
        assert frame.frequency_hz == pytest.approx(CENTER_HZ + 170e3, abs=2e3)
        # half the burst is pulse: 27 dB over the noise in 2.4 MHz, less what the band limit takes
        assert frame.snr_db == pytest.approx(26.8, abs=2.5)
    assert messages[0].fields["callsign"] == "KLM1023"


@pytest.mark.parametrize("offset_hz", [-1e6, -500e3, 500e3, 1e6])
def test_carrier_of_an_old_transponder(offset_hz):
    data = noise(np.random.default_rng(1), 5000, 1e-3)
    add(data, IDENT, 300.3, 4e6, offset_hz=offset_hz)
    frames, _ = receive(data, 4e6)
    assert [frame.bits for frame in frames] == [IDENT]
    assert frames[0].frequency_hz == pytest.approx(CENTER_HZ + offset_hz, abs=3e3)


@pytest.mark.parametrize("scale", [1e-5, 1e-2, 1.0, 300.0])
def test_level_does_not_matter(scale):
    data = noise(np.random.default_rng(2), 5000, 1e-2)
    add(data, IDENT, 300.3, 2.4e6)
    frames, _ = receive(data * scale, 2.4e6)
    assert [frame.bits for frame in frames] == [IDENT]


def test_clipped_and_in_eight_bits():
    data = noise(np.random.default_rng(3), 5000, 1e-3)
    add(data, IDENT, 300.3, 2.4e6, amplitude=3, offset_hz=60e3)
    octets = np.clip(np.round(data.real * 127.5), -127, 127) + 1j * np.clip(
        np.round(data.imag * 127.5), -127, 127
    )
    frames, _ = receive(octets / 127.5 + 0.02, 2.4e6)
    assert [frame.bits for frame in frames] == [IDENT]


@pytest.mark.parametrize(("gap_us", "weaker_db"), [(30.3, 6), (-30.3, 6), (55.1, 12), (-70.9, 12), (14.7, 9)])
def test_overlapping_replies_are_both_read(gap_us, weaker_db):
    """The weaker one begins `gap_us` after the stronger."""
    other = synth.encode_item({"kind": "identification", "icao_address": "ABCDE1", "callsign": "TEST12"})
    data = noise(np.random.default_rng(4), 6000, 1e-3)
    add(data, IDENT, 800.4, 2.4e6, offset_hz=80e3)
    add(data, other, 800.4 + gap_us, 2.4e6, amplitude=10 ** (-weaker_db / 20), offset_hz=-90e3, phase=1.0)
    frames, _ = receive(data, 2.4e6)
    assert {frame.bits for frame in frames if frame.check} == {IDENT, other}


def test_a_train_of_replies_across_chunks_comes_out_once_each():
    rate_hz = 2.4e6
    rng = np.random.default_rng(5)
    data = noise(rng, int(0.12 * rate_hz), 1e-3)
    sent = []
    for n in range(280):
        bits = Bits(parity.seal(0x8DABCDE1 << 80 | int(rng.integers(1 << 56)) << 24, 112), 112)
        sent.append(bits)
        add(data, bits, 400 * n + 30 + rng.uniform(0, 200), rate_hz, phase=n)
    frames, _ = receive(data, rate_hz)
    assert [frame.bits for frame in frames] == sent


def test_noise_and_pulses_that_are_no_replies_give_no_messages():
    rng = np.random.default_rng(6)
    rate_hz = 2.4e6
    data = noise(rng, int(2 * rate_hz), 1e-3)
    at = np.flatnonzero(rng.random(len(data)) < 0.03)  # 72 000 pulses a second of random heights
    data[at] += rng.exponential(0.5, len(at)) * np.exp(2j * np.pi * rng.random(len(at)))
    for _n in range(2000):  # pairs and trains at fixed spacings, as other secondary radars make
        whole = int(rng.integers(len(data) - 100))
        data[whole : whole + 60 : int(rng.integers(2, 6))] += rng.uniform(0.2, 2)
    _, messages = receive(data, rate_hz)
    assert messages == []


def sent_through(bits, at_us, rate_hz, count):
    """Pulses of Annex 10 Vol. IV 3.1.2.1 to 3.1.2.2 by the clause: 0.5 us, four of them, then one half of each us."""
    t_us = np.arange(count) * 1e6 / rate_hz - at_us
    starts = [0.0, 1.0, 3.5, 4.5]
    starts += [8 + n + (0 if bits.value >> (bits.size - 1 - n) & 1 else 0.5) for n in range(bits.size)]
    return sum(((t_us >= start) & (t_us < start + 0.5)).astype(float) for start in starts)


@pytest.mark.parametrize(("cut", "least"), [(0.4, 0.65), (0.5, 0.8)])
def test_one_sample_a_half_bit_behind_a_receivers_filter(cut, least):
    """2.0 MS/s at 12 dB Eb/N0, noise and pulses through one filter; 0.54 and 0.88 before sequences were weighed."""
    rng = np.random.default_rng(12)
    rate_hz, by = 2e6, 8
    aircraft, count = 4, 84
    wide = np.zeros(count * 300 * 16, complex)
    sent = []
    for n in range(count):
        address = 0x400000 + n % aircraft
        bits = Bits(parity.seal(0x8D << 104 | address << 80 | int(rng.integers(1 << 56)) << 24, 112), 112)
        sent.append(bits)
        turn = np.exp(2j * np.pi * (rng.uniform(-1e5, 1e5) * np.arange(2200) / 16e6 + rng.random()))
        at = n * 4800 + 600 + int(rng.integers(1200))
        strength = 10 if n < aircraft else 1  # each is heard well once
        wide[at : at + 2200] += strength * turn * sent_through(bits, rng.uniform(0, 0.06), 16e6, 2200)
    wide += noise(rng, len(wide), 0.5 * 16 / 10**1.2)  # energy 0.5 us a bit, density over 16 MHz
    t = np.arange(-64, 65)
    taps = np.sinc(2 * cut / by * t) * np.hamming(len(t))
    data = np.convolve(wide, taps / taps.sum(), "same")[::by]
    _, messages = receive(data * 0.05, rate_hz)
    told = {message.frame.bits for message in messages}
    assert told <= set(sent)
    assert len(told) / count > least


def behind_a_filter(sent, rate_hz, off_hz, rng, snr_db=20.0):
    """Replies 300 us apart, `off_hz` from the middle of a receiver's filter that passes 0.46 of its rate each side."""
    by = 20
    wide = np.zeros(len(sent) * int(300 * by * rate_hz * 1e-6), complex)
    for n, bits in enumerate(sent):
        span = int(90 * by * rate_hz * 1e-6)
        turn = np.exp(2j * np.pi * (off_hz * np.arange(span) / (by * rate_hz) + rng.random()))
        at = int((n * 300 + 40) * by * rate_hz * 1e-6) + int(rng.integers(by))
        wide[at : at + span] += turn * sent_through(bits, 1.0, by * rate_hz, span)
    t = np.arange(-8 * by, 8 * by + 1)
    taps = np.sinc(0.92 / by * t) * np.kaiser(len(t), 5)
    data = np.convolve(wide, taps / taps.sum(), "same")[::by]
    return 0.05 * (data + noise(rng, len(data), rate_hz / 2.4e6 / 10 ** (snr_db / 10)))


@pytest.mark.parametrize(("rate_hz", "off_hz"), [(2.0e6, 3e5), (2.0e6, -6e5), (2.048e6, 6e5)])
def test_replies_beside_the_middle_of_the_receivers_filter(rate_hz, off_hz):
    """Transponders may be 1 MHz off (Annex 10 Vol. IV 3.1.2.1.1), and 2 MS/s then keeps one side of the spectrum.

    Replies that nothing but their own bits vouches for, at 20 dB: 34, 18 and 5 of 40 were read before the filter was
    learnt from the reply.
    """
    rng = np.random.default_rng(4)
    sent = []
    for n in range(40):
        address = 0x400000 + n
        if n % 2:
            value = parity.seal((0x5D << 24 | address) << 24, 56, 22)  # an interrogator's code in the parity
        else:
            value = parity.seal((0x20 << 24 | int(rng.integers(1 << 12))) << 24, 56, address)
        sent.append(Bits(value, 56))
    frames, _ = receive(behind_a_filter(sent, rate_hz, off_hz, rng), rate_hz)
    assert sum(bits in {frame.bits for frame in frames} for bits in sent) >= 38


def test_the_code_of_an_all_call_is_read_with_one_sample_a_half_bit():
    """None was told at 2 MS/s while leftovers in the empty halves stood for another reply (Annex 10 Vol. IV 3.1.2.3.3.2)."""
    rng = np.random.default_rng(5)
    plain = [Bits(parity.seal((0x5D << 24 | 0x400000 + n) << 24, 56), 56) for n in range(20)]
    coded = [Bits(parity.seal((0x5D << 24 | 0x400000 + n) << 24, 56, 1 + n), 56) for n in range(20)]
    _, messages = receive(behind_a_filter(plain + coded, 2.0e6, 1e5, rng), 2.0e6)
    told = [message.frame.bits for message in messages]
    assert set(told) <= {*plain, *coded}
    assert sum(bits in told for bits in coded) >= 18


def test_noise_makes_no_interrogator_of_a_weak_all_call():
    """No parity guards the seven bits where its code stands (Annex 10 Vol. IV 3.1.2.3.3.2)."""
    rng = np.random.default_rng(6)
    sent = [Bits(parity.seal((0x5D << 24 | 0x400000 + n % 5) << 24, 56), 56) for n in range(500)]
    told = set()
    for off_hz, snr_db in ((4e5, 9.0), (4e5, 10.0), (6e5, 9.0), (6e5, 10.0)):
        _, messages = receive(behind_a_filter(sent, 2.4e6, off_hz, rng, snr_db), 2.4e6)
        told |= {message.frame.bits for message in messages}
    assert told == set(sent)


def test_rates_out_of_range_are_refused():
    demodulator = get_mode("mode-s").demodulator()
    with pytest.raises(ParameterError, match="2 to 25 MS/s"):
        demodulator.feed(Samples(np.zeros(10, np.complex64), 1e6, CENTER_HZ, 0, 0))


def test_replies_of_an_example_follow_its_squitter():
    item = synth.examples()[-1]
    rng = np.random.default_rng(7)
    data = np.concatenate([np.zeros(3000), synth.transmit(item, 2.4e6), np.zeros(3000)])
    _, messages = receive(data + noise(rng, len(data), 1e-2), 2.4e6)
    assert [message.frame.bits for message in messages] == synth.payloads(item)
    assert messages[-1].fields["comm_b_register"] == "2,0"


# recordings by others, beside the project where its makers put them


def recording(*parts):
    path = SHARED.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"the recording {parts[-1]} is not beside the project")
    return path


def test_independent_recording():
    """Written from the standards by others, with truth: eight bits, 12 ppm, 40 aircraft, some overlaps."""
    octets = np.fromfile(recording("independent", "air1090.sigmf-data"), np.uint8).astype(np.float32)
    truth = json.loads(recording("independent", "air1090.truth.json").read_text())["emissions"]
    _, messages = receive(((octets - 127.5) / 127.5).view(np.complex64), 2.4e6)
    sent = {item["messages"][0]["hex"]: item for item in truth}
    heard = {message.frame.bits.hex() for message in messages}
    assert heard <= set(sent), "false messages"
    clear = [
        item["messages"][0]["hex"] in heard for item in truth if item["snr_db"] > 8 and not item["overlaps"]
    ]
    assert np.mean(clear) > 0.995
    assert len(messages) >= 485
    for message in messages:
        said = sent[message.frame.bits.hex()]["messages"][0]
        assert message.fields["icao_address"] == said["icao"]
        for name, ours in (("altitude_ft", "altitude_ft"), ("squawk", "squawk"), ("callsign", "callsign"),
                           ("east_kt", "east_kn"), ("north_kt", "north_kn"), ("vertical_fpm", "vertical_rate_fpm"),
                           ("bds", "comm_b_register")):  # fmt: skip
            if name in said:
                assert message.fields[ours] == said[name]
        if "latitude_deg" in message.fields:
            # the same bits may be sent again a little later on the way: 0.3 NM
            away = abs(message.fields["latitude_deg"] - said["lat"]) + abs(
                message.fields["longitude_deg"] - said["lon"]
            )
            assert away < 5e-3


def test_eleven_frames_of_a_course():
    path = recording("adsb-iq", "trames.mat")
    from scipy.io import loadmat

    rng = np.random.default_rng(8)
    heard = 0
    for column in loadmat(path)["trames"].T:
        data = noise(rng, 4000, 8.0)
        data[1000:1480] += column
        frames, _ = receive(data / 2000, 4e6)
        # all carry address 3944E8 and leave no remainder
        heard += any(f.check == "pass" and f.bits.value >> 80 & 0xFFFFFF == 0x3944E8 for f in frames)
    assert heard == 11


def test_half_a_recording_from_the_air():
    """Only the real part was kept, so each reply fades with its beat: what is told must hold together."""
    path = recording("adsb-iq", "real_cplxBuffer_2014.mat")
    from scipy.io import loadmat

    samples = loadmat(path)["real_cplxBuffer"][0].astype(np.float32)
    _, messages = receive((samples - samples.mean()) / 32768, 4e6)
    heard = {message.frame.bits.hex() for message in messages}
    # one of the eight listed beside it; most others have bits in the nulls of the beat
    assert "8D4B1A659945519F00081B287B0F" in heard
    assert len(heard) >= 3
    altitudes = [message.fields["altitude_ft"] for message in messages if message.fields.get("altitude_ft")]
    assert altitudes == [37000] * len(altitudes)


@pytest.mark.parametrize(("apart_us", "down_db"), [(12.3, 0), (41.7, 0), (41.7, 2), (87.1, 1)])
@pytest.mark.parametrize("rate_hz", [2.4e6, 3.2e6])
def test_two_replies_of_like_power_are_read_together(apart_us, down_db, rate_hz):
    other = Bits(0x8D40621D58C382D690C8AC2863A7, 112)  # The 1090 Megahertz Riddle: 38000 ft
    both = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        data = noise(rng, int(1.2e-3 * rate_hz), 10**-2.5)
        add(data, IDENT, 300.2, rate_hz, offset_hz=rng.uniform(-4e5, -5e4), phase=rng.uniform(0, 6))
        add(
            data, other, 300.2 + apart_us, rate_hz,
            amplitude=10 ** (-down_db / 20), offset_hz=rng.uniform(5e4, 4e5), phase=rng.uniform(0, 6),
        )  # fmt: skip
        _, messages = receive(data * 0.1, rate_hz)
        told = {message.frame.bits for message in messages}
        assert told <= {IDENT, other}
        both += told == {IDENT, other}
    assert both >= 2  # none could be before replies were read together; the benchmark prints the curve


def test_overlapping_replies_of_wrong_parity_stay_untold():
    rng = np.random.default_rng(4)
    data = noise(rng, 400_000, 10**-2.5)
    for n in range(120):
        for apart_us in (0.0, rng.uniform(2, 110)):
            spoilt = Bits(17 << 107 | int.from_bytes(rng.bytes(13), "big"), 112)
            add(data, spoilt, 400 + n * 1300 + apart_us, 2.4e6, offset_hz=rng.uniform(-4e5, 4e5))
    assert receive(data * 0.1, 2.4e6)[1] == []
