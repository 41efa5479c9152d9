"""DSC: the sheet's symbols and streams, calls in words, the independent recording, hostile input."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.mode import get_mode
from earwitness.core.types import Frame, Samples
from earwitness.modes.dsc import code, messages, reader, synth

RECORDINGS = Path(__file__).parents[5] / ".." / "shared" / "recordings" / "independent"
MODE = get_mode("dsc")
# Elements of symbols, first on the air first (sheet of marine modes, section 2, verified there)
PRINTED = {
    0: "BBBBBBBYYY", 1: "YBBBBBBYYB", 2: "BYBBBBBYYB", 99: "YYBBBYYBYY", 100: "BBYBBYYYBB", 104: "BBBYBYYYBB",
    108: "BBYYBYYBYY", 110: "BYYYBYYBYB", 111: "YYYYBYYBBY", 112: "BBBBYYYYBB", 116: "BBYBYYYBYY",
    117: "YBYBYYYBYB", 120: "BBBYYYYBYY", 122: "BYBYYYYBYB", 125: "YBYYYYYBBY", 127: "YYYYYYYBBB",
}  # fmt: skip
# Constructed calls of the same section: information symbols, error-check character, bits, stream with 20 dots
STREAMS = [
    (
        [112, 23, 20, 1, 23, 40, 107, 15, 1, 20, 6, 34, 12, 30, 100, 127], 17, 540,
        "55555BE7D9BE5DABE6DABE4DBBE75ABE55B0F25B0F05CE8C3C2943C81BA3E8CA515606D6BA3F0C5581B5A297C361606454A53158578D"
        "15270C5FE1E38949CFE3F8FE2250",
    ),
    (
        [120, 23, 20, 1, 23, 40, 108, 23, 50, 9, 99, 90, 118, *[126] * 7, 117], 65, 640,
        "55555BE7D9BE5DABE6DABE4DBBE75ABE55B1EE5B1EC5CE8C7B2947B81BA3E8CA51560636FA3E8C554D0DB917A3C6D345AE456EB1B7E5"
        "6B7E5BA7E5F97E5F97E5F97E5F97E5F9AE9F9835F9AEABAAEA0D",
    ),
    (
        [116, 110, 23, 20, 1, 23, 40, 100, 126, 90, 0, 16, 126, 126, 126, 127], 118, 540,
        "55555BE7D9BE5DABE6DABE4DBBE75ABE55B2EE5B2EC5C768BBE8CBB295DA81BA3E8CA515606273A37E4555AC9C01DF90996B7E4077E4"
        "267E5F9FE1F96E9F9FE3F8FE1BA0",
    ),
    (
        [120, 23, 20, 1, 23, 40, 100, 23, 50, 9, 99, 90, 100, 126, 90, 0, 72, 126, 126, 126, 117], 55, 640,
        "55555BE7D9BE5DABE6DABE4DBBE75ABE55B1EE5B1EC5CE8C7B2947B81BA3E8CA515606273A3E8C554D09C917A3C6D345AE452731B7E5"
        "6B5AC9C01DF91356B7E4077E44D7E5F9AE9F9EC9F9AEABAAEBB2",
    ),
]  # fmt: skip


def heard(samples):
    demodulator = MODE.demodulator()
    return list(demodulator.feed(samples)) + list(demodulator.close())


def test_symbols_are_those_printed():
    for symbol, elements in PRINTED.items():
        assert "".join("BY"[bit] for bit in code.WORDS[symbol]) == elements


@pytest.mark.parametrize(("symbols", "check", "count", "stream"), STREAMS)
def test_constructed_streams(symbols, check, count, stream):
    assert code.check_character(symbols) == check
    bits = code.bits_of(symbols, 20)
    assert len(bits) == count
    assert int("".join(map(str, bits)), 2) << (4 * len(stream) - count) == int(stream, 16)
    # and read back from the published bits alone
    sent = np.array([int(bit) for bit in f"{int(stream, 16):0{4 * len(stream)}b}"[20:count]])
    call = reader.read_call((2.0 * sent - 1).astype(np.float32))
    assert list(call.symbols) == symbols
    assert call.both_right


def test_one_copy_mends_the_other():
    symbols = STREAMS[0][0]
    llr = 2.0 * code.bits_of(symbols, 0) - 1
    for slot in (14, 20, 33):
        llr[10 * slot : 10 * slot + 10] *= -0.3
    call = reader.read_call(llr.astype(np.float32))
    assert list(call.symbols) == symbols
    assert not call.both_right
    assert call.corrected_bits == 30


@pytest.mark.parametrize("slots", [(12, 17), (16, 21), (30, 35)])
def test_a_lost_character_is_not_guessed(slots):
    llr = 2.0 * code.bits_of(STREAMS[0][0], 0) - 1
    for slot in slots:
        llr[10 * slot : 10 * slot + 10] = 2.0 * code.WORDS[7] - 1
    assert reader.read_call(llr.astype(np.float32)) is None


def test_fields_of_a_distress_alert():
    got = messages.parse(STREAMS[0][0])
    assert got["self_id"] == "232001234"
    assert got["nature"] == "undesignated"
    assert got["latitude_deg"] == pytest.approx(50.2)  # 50-12 N
    assert got["longitude_deg"] == pytest.approx(-(6 + 34 / 60), abs=1e-5)  # 006-34 W
    assert got["position_utc"] == "12:30"
    unknown = messages.parse([*STREAMS[0][0][:7], 99, 99, 99, 99, 99, 88, 88, 100, 127])
    assert unknown["latitude_deg"] is None
    assert unknown["position_utc"] is None


def test_fields_of_other_calls():
    assert messages.parse(STREAMS[2][0])["channel"] == 16
    routine = messages.parse(STREAMS[3][0])
    assert (routine["channel"], routine["end_of_sequence"], routine["address"]) == (72, "RQ", "232001234")
    area = messages.parse(synth.symbols_of(synth.examples()[-1]))
    assert area["area"] == {"north_deg": 52, "west_deg": -8, "south_deg": 49, "east_deg": -3}
    assert area["called_station_receives_hz"] == 2_182_000


@pytest.mark.parametrize("item", synth.examples())
def test_what_is_built_is_parsed(item):
    fields = messages.parse(synth.symbols_of(item))
    for name, value in item["message"].items():
        assert fields[name] == (pytest.approx(value, abs=0.01) if isinstance(value, float) else value)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (5, 41),  # an identity not ending in 0
        (6, 111),  # no such nature
        (7, 95),  # no such quadrant
        (12, 25),  # no such hour
        (0, 113),  # no such format
        (15, 117),  # a distress alert asks for nothing
    ],
)
def test_what_the_standard_forbids_is_no_call(place, value):
    symbols = list(STREAMS[0][0])
    symbols[place] = value
    with pytest.raises(LayoutError):
        messages.parse(symbols)


def _frame(symbols, time_ns=0):
    return Frame("dsc", time_ns, time_ns, messages.to_bits(symbols), "pass")


def test_identities_and_flags():
    assembler = messages.Assembler()
    rows = [*(row[0] for row in STREAMS), synth.symbols_of(synth.examples()[3])]
    alert, test, urgent, routine, ack = (
        assembler.feed(_frame(symbols, n * 10**9))[0] for n, symbols in enumerate(rows)
    )
    assert (alert.identity.kind, alert.identity.key, alert.flags) == ("vessel", "232001234", ("distress",))
    assert alert.identity.latitude_deg == pytest.approx(50.2)
    assert (test.kind, test.flags) == ("test call", ())
    assert urgent.flags == ("urgency",)
    assert routine.flags == ()
    assert [ref.key for ref in routine.related] == ["232001234"]
    assert (ack.kind, ack.identity.kind, ack.flags) == ("distress acknowledgement", "station", ("distress",))
    assert ack.identity.latitude_deg is None
    assert [(ref.key, ref.latitude_deg) for ref in ack.related] == [("232001234", pytest.approx(50.2))]


def test_one_call_met_on_two_channels_is_one_message():
    assembler = messages.Assembler()
    symbols = STREAMS[0][0]
    assert len(assembler.feed(_frame(symbols))) == 1
    assert assembler.feed(_frame(symbols, 10**6)) == []
    assert len(assembler.feed(_frame(symbols, 10**9))) == 1  # sent again


@pytest.mark.parametrize("center_hz", [2_187_500.0, None])
def test_keyed_carrier_and_audio(center_hz):
    item = synth.examples()[-1]
    rate = 2000.0 if center_hz else 8000.0
    off_hz = 41.0 if center_hz else 1234.0
    wave = synth.transmit(item, rate)
    wave = np.concatenate([np.zeros(round(rate)), wave, np.zeros(round(rate))])
    rng = np.random.default_rng(1)
    turn = np.exp(2j * np.pi * off_hz / rate * np.arange(len(wave)))
    noise = np.sqrt(rate / 100 / 20) * (rng.normal(size=len(wave)) + 1j * rng.normal(size=len(wave)))
    iq = 0.1 * (wave * turn + noise)
    data = iq.astype(np.complex64) if center_hz else iq.real.astype(np.float32)
    (got,) = heard(Samples(data, rate, center_hz or 0.0, 0, 0))
    assert got.bits == synth.payloads(item)[0]
    assert abs(got.frequency_hz - (center_hz or 0.0) - off_hz) < 4
    assert abs(got.time_ns / 1e9 - (1.0 + 3.2)) < 0.003  # 200 dots and twelve slots of phasing


def test_independent_recording():
    if not RECORDINGS.is_dir():
        pytest.skip("the shared recordings are not beside the project")
    truth = json.loads((RECORDINGS / "marine156.truth.json").read_text())
    calls = [item for item in truth["emissions"] if item["mode"] == "dsc"]
    raw = np.fromfile(RECORDINGS / "marine156.sigmf-data", np.uint8).reshape(-1, 2)
    iq = (raw[:, 0] - 127.5 + 1j * (raw[:, 1] - 127.5)) / 128
    mixed = iq * np.exp(-2j * np.pi * (156.525e6 - 156.65e6) / 500e3 * np.arange(len(iq)))
    narrow = mixed[: len(mixed) // 20 * 20].reshape(-1, 20).mean(axis=1)  # a crude cut, as channels may be
    got = heard(Samples(narrow.astype(np.complex64), 25_000.0, 156.525e6, 0, 0))
    assert [messages.from_bits(item.bits) for item in got] == [row["messages"][0]["symbols"] for row in calls]
    for item, row in zip(got, calls, strict=True):
        assert abs(item.frequency_hz - row["freq_in_file_hz"]) < 2


@settings(max_examples=300, deadline=None)
@given(st.lists(st.integers(0, 127), max_size=60))
def test_hostile_symbols(symbols):
    for message in messages.Assembler().feed(_frame(symbols)):
        json.dumps(message.fields, allow_nan=False)


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(
        [list(row[0]) for row in STREAMS] + [synth.symbols_of(item) for item in synth.examples()]
    ),
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 127)), max_size=3),
)
def test_spoiled_symbols(symbols, changes):
    symbols = list(symbols)
    for place, value in changes:
        symbols[place % len(symbols)] = value
    for message in messages.Assembler().feed(_frame(symbols)):
        json.dumps(message.fields, allow_nan=False)
        assert abs(message.fields.get("latitude_deg") or 0) <= 91
