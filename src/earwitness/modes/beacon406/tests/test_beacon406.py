"""406 MHz beacons: published messages, every protocol, bursts in noise and audio, hostile bits."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.speech import speech_like
from earwitness.modes.beacon406 import messages, synth
from earwitness.modes.beacon406.burst import PREAMBLE, read_bits

MODE = get_mode("beacon406")
# The C/S coding guide's example, bits 25 to 144, as quoted in encyclopaedias; both its checks are right
GUIDE = Bits(0x90127B92922BC022FF103504422535, 120)
# A return-link beacon's message, from memory; no slip of memory would have left both its checks right
RETURN_LINK = Bits(0x8E0D0990014710021963C85C7009F5, 120)


def frame(bits, **extra):
    return Frame("beacon406", 0, 1, bits, "pass", extra={"self_test": False, **extra})


def message(bits, **extra):
    (got,) = messages.Assembler().feed(frame(bits, **extra))
    return got


def heard(data, rate_hz, center_hz=406.037e6):
    demodulator = MODE.demodulator()
    return list(demodulator.feed(Samples(data, rate_hz, center_hz, 0, 0))) + list(demodulator.close())


def sent(item, rate_hz, *, ebn0_db=15.0, offset_hz=0.0, lead_s=0.3, seed=1):
    wave = synth.transmit(item, rate_hz)
    rng = np.random.default_rng(seed)
    lead = round(lead_s * rate_hz)
    iq = np.zeros(len(wave) + 2 * lead, complex)
    iq[lead : lead + len(wave)] = wave * np.exp(2j * np.pi * offset_hz / rate_hz * np.arange(len(wave)))
    noise = rate_hz / 400 * 10 ** (-ebn0_db / 10)
    iq += np.sqrt(noise / 2) * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq)))
    return (0.1 * iq).astype(np.complex64)


def test_the_guides_example():
    assert messages.with_checks(GUIDE) == GUIDE
    got = messages.parse(GUIDE)
    assert got["hex_id"] == "2024F72524FFBFF"  # as published beside it
    assert got["country_code"] == 257
    assert (got["mmsi"], got["beacon_number"]) == ("257506153", 2)
    assert (got["coarse_latitude_deg"], got["coarse_longitude_deg"]) == (43.75, 1.0)
    assert got["latitude_deg"] == pytest.approx(43 + 43 / 60 + 56 / 3600, abs=1e-5)
    assert got["longitude_deg"] == pytest.approx(57 / 60 + 52 / 3600, abs=1e-5)
    assert (got["position_source"], got["homing_121_5_mhz"]) == ("external", True)


def test_a_return_link_beacon():
    assert messages.with_checks(RETURN_LINK) == RETURN_LINK
    got = messages.parse(RETURN_LINK)
    assert got["protocol"] == "RLS location, ELT"
    assert (got["return_link_automatic"], got["return_link_provider"]) == (True, "Galileo")
    assert got["latitude_deg"] == pytest.approx(27 + 45 / 60 + 48 / 3600, abs=1e-5)
    assert got["hex_id"].endswith("3FDFF"[1:])


@pytest.mark.parametrize(
    ("protocol", "second", "tail"),
    [
        # second fields without a position, from memory; their checks, which are not ours, agree with our polynomial
        ("standard location, MMSI", 0x3783E0F66C, "FFBFF"),
        ("national location, PLB", 0x379F3C0010, "3F81FE0"),
        ("maritime user", 0x2FE0FF0146, ""),
    ],
)
def test_defaults_where_there_is_no_position(protocol, second, tail):
    bits = messages.build({"protocol": protocol, "homing_121_5_mhz": True, "mmsi": "299001003"})
    assert bits.value & ((1 << 38) - 1) == second
    got = messages.parse(bits)
    assert (got["latitude_deg"], got["longitude_deg"]) == (None, None)
    assert got["hex_id"].endswith(tail)


def test_figures_and_letters_are_those_of_telegraphy():
    """ITA2 (ITU-T S.1, from memory): Q, W, E, R, T, Y, U, I, O, P are 1 to 9 and 0 in figures, X is the slash."""
    codes = {char: code for code, char in messages.tables.BAUDOT.items()}
    assert len(codes) == 39
    for letter, figure in zip("QWERTYUIOPXA", "1234567890/-", strict=True):
        assert codes[letter] == codes[figure] | 0b100000


@pytest.mark.parametrize("item", synth.examples())
def test_what_is_built_is_parsed(item):
    bits = synth.payloads(item)[0]
    got = message(bits)
    json.dumps(got.fields, allow_nan=False)
    for name, value in item["message"].items():
        if name in ("latitude_deg", "longitude_deg"):
            if bits.size == 120:
                step = got.fields["position_step_minutes"] / 60
                assert got.fields[name] == pytest.approx(value, abs=0.51 * step + 1e-5)
        elif name == "altitude_above_m":
            assert got.fields[name] <= value < got.fields["altitude_up_to_m"]
        else:
            assert got.fields[name] == value, name


def test_distress_stands_out_and_tests_do_not():
    alert = message(GUIDE)
    assert (alert.kind, alert.flags) == ("distress alert", ("distress",))
    assert "MRCC" in alert.fields["advice"]
    assert "do not transmit" in alert.fields["advice"]
    assert (alert.identity.kind, alert.identity.key) == ("vessel", "257506153")
    assert [(ref.kind, ref.key) for ref in alert.related] == [("transmitter", "2024F72524FFBFF")]
    own = message(GUIDE, self_test=True)
    assert (own.kind, own.flags) == ("beacon self-test", ())
    kinds = {}
    for item in synth.examples():
        got = message(synth.payloads(item)[0])
        kinds[item["message"]["protocol"]] = got
    assert kinds["standard location, test"].flags == ()
    assert kinds["test user"].kind == "beacon test"
    assert kinds["ship security"].flags == ("distress",)
    assert "Do not call the ship" in kinds["ship security"].fields["advice"]
    assert kinds["ELT(DT), aircraft address"].identity.key == "F4C0DE"
    assert kinds["aviation user"].identity.key == "Q-EARS"
    assert kinds["national location, PLB"].identity.kind == "transmitter"


def test_first_field_stands_without_the_second():
    got = message(Bits(GUIDE.value >> 38, 82))
    assert got.fields["second_field"] == "failed its check"
    assert (got.fields["latitude_deg"], got.fields["mmsi"]) == (43.75, "257506153")
    assert "homing_121_5_mhz" not in got.fields


def test_offsets_go_with_the_size_of_the_coarse_value():
    place = {"latitude_deg": -31.2621, "longitude_deg": -22.7101}
    got = messages.parse(
        messages.build({"protocol": "standard location, MMSI", "mmsi": "299001003", **place})
    )
    assert (got["coarse_latitude_deg"], got["offset_latitude_s"]) == (-31.25, 44)
    assert got["latitude_deg"] == pytest.approx(place["latitude_deg"], abs=6e-4)


def soft(bits, kind=False):
    word = [bits.value >> (bits.size - 1 - n) & 1 for n in range(bits.size)]
    return np.concatenate([PREAMBLE[kind], 2.0 * np.array(word) - 1, np.zeros(144 - 24 - bits.size)])


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("kind", [False, True])
def test_sense_and_self_test_come_from_the_preamble(sense, kind):
    got = read_bits(sense * soft(GUIDE, kind))
    assert (got.bits, got.self_test, got.corrected) == (GUIDE, kind, 0)


def test_only_weak_bits_are_corrected():
    llr = soft(GUIDE)
    llr[[30, 50, 140]] *= -0.2
    assert (read_bits(llr).bits, read_bits(llr).corrected) == (GUIDE, 3)
    strong = soft(GUIDE)
    strong[30] *= -1
    assert read_bits(strong) is None
    many = soft(GUIDE)
    many[[30, 50, 60]] *= -0.2
    assert read_bits(many) is None
    second = soft(GUIDE)
    second[[140, 141]] *= -0.2
    assert (read_bits(second).bits, read_bits(second).second_failed) == (Bits(GUIDE.value >> 38, 82), True)


@pytest.mark.parametrize("offset_hz", [-5000.0, 130.0, 5000.0])
def test_bursts_are_placed_and_measured(offset_hz):
    rate = 16_000.0
    item = synth.examples()[0]
    (got,) = heard(sent(item, rate, offset_hz=offset_hz, ebn0_db=12.0), rate)
    assert got.bits == synth.payloads(item)[0]
    assert abs(got.frequency_hz - 406.037e6 - offset_hz) < 1.0
    assert abs(got.time_ns / 1e9 - 0.3) < 0.001
    assert abs(got.level_dbfs + 20.0) < 1.0


def test_two_beacons_at_once():
    rate = 16_000.0
    items = synth.examples()[:2]
    one = sent(items[0], rate, offset_hz=-2500.0)
    two = sent(items[1], rate, offset_hz=1500.0, lead_s=0.45, seed=2)
    count = max(len(one), len(two))
    data = np.zeros(count, np.complex64)
    data[: len(one)] += one
    data[: len(two)] += two
    got = {item.bits for item in heard(data, rate)}
    assert got == {synth.payloads(item)[0] for item in items}


@pytest.mark.parametrize("slope", [False, True])
@pytest.mark.parametrize("rate", [8_000.0, 22_050.0])
def test_audio_of_a_receiver(slope, rate):
    item = {**synth.examples()[0], "clock_error": -0.006}
    phase = synth.phase_of(item, rate)
    sound = np.diff(phase, append=phase[-1]) if slope else phase
    sound = np.concatenate([np.zeros(5000), sound / sound.std(), np.zeros(5000)])
    sound += 0.2 * np.random.default_rng(1).normal(size=len(sound))
    (got,) = heard((-0.1 * sound).astype(np.float32), rate, 0.0)
    assert got.bits == synth.payloads(item)[0]


@settings(max_examples=300, deadline=None)
@given(st.integers(0, (1 << 120) - 1), st.sampled_from([0, 1, 82, 88, 119, 120]), st.booleans())
def test_hostile_bits(value, size, self_test):
    bits = Bits(value & ((1 << size) - 1), size)
    for got in messages.Assembler().feed(frame(bits, self_test=self_test)):
        json.dumps(got.fields, allow_nan=False)
        assert abs(got.fields.get("latitude_deg") or 0) <= 90.3
        assert abs(got.fields.get("longitude_deg") or 0) <= 180.6


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(-5, 5, width=32), max_size=150))
def test_hostile_soft_bits(llr):
    got = read_bits(np.array(llr, float))
    assert got is None or got.bits.size in (82, 88, 120)


def test_bad_requests_are_refused():
    for fields in ({"protocol": "none such"}, {"message_hex": "xyz"}, {"message_hex": "12"}):
        with pytest.raises(LayoutError):
            messages.build(fields)


@pytest.mark.parametrize(("example", "format", "read"), [(0, "long", True), (1, "short", False)])
def test_a_short_message_in_audio_may_not_need_correction(example, format, read):
    """Of one field alone two weak bits fit once in 600 places: twenty seconds of FM voice over hiss had given a beacon."""
    item, rate = synth.examples()[example], 8_000.0
    sound = synth.phase_of(item, rate)
    for part, expected in (((1.0, 1.0), True), ((1.0, -0.3), read)):
        bent = sound.copy()
        begin = round((0.16 + 60 / 400) * rate)  # within the first field: carrier, then bits of 2.5 ms
        bent[begin : begin + 20] *= part[1]
        whole = np.concatenate([np.zeros(5000), bent / sound.std(), np.zeros(5000)])
        got = heard((0.1 * whole).astype(np.float32), rate, 0.0)
        assert [one.bits for one in got] == synth.payloads(item) * expected, format


def test_speech_is_no_beacon():
    """A field of 82 bits with two corrected ones comes up once in 600 places; the other field must agree with it."""
    assert heard(speech_like(60.0, 8000.0, 2).astype(np.float32), 8000.0, 0.0) == []
