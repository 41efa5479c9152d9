"""What messages say and which frames are believed, against the book's worked examples and constructed frames."""

import csv
import itertools
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.types import Bits, Frame
from earwitness.modes.mode_s import parity, registers, synth
from earwitness.modes.mode_s.messages import Assembler

SHARED = Path(__file__).parents[5].parent / "shared" / "recordings"


def frame(digits, time_s=0.0, *, fixed=0, snr_db=20.0):
    value, size = int(digits, 16), 4 * len(digits)
    remainder = parity.remainder(value, size)
    df = value >> (size - 5)
    check = None
    if fixed:
        check = "corrected"
    elif remainder == 0 and df in (11, 17, 18, 19):
        check = "pass"
    start = round(time_s * 1e9)
    return Frame(
        "mode-s", start, start + size * 1000, Bits(value, size), check, fixed, "24-bit parity",
        {"remainder": remainder, "weak_bits": ()}, snr_db,
    )  # fmt: skip


def told(*frames):
    assembler = Assembler()
    out = [message for item in frames for message in assembler.feed(item)]
    return out + list(assembler.close())


def squitter_of(address):
    """A clean all-call reply, so that the address is known."""
    return frame(synth.encode_item({"kind": "all_call", "icao_address": f"{address:06X}"}).hex(), 0.0)


def only(digits, **facts):
    item = frame(digits, 1.0, **facts)
    df = item.bits.value >> (item.bits.size - 5)
    first = squitter_of(item.extra["remainder"]) if df not in (11, 17, 18) else None
    messages = told(*([first] if first else []), item)
    return messages[-1]


# The 1090 Megahertz Riddle, 2nd ed., chapter by chapter (roll there rounded to -9.7); callsign of 406B90 computed by the character table
BOOK = [
    ("8D406B902015A678D4D220AA4BDA", {"icao_address": "406B90", "callsign": "EZY85MH"}),
    ("8D4840D6202CC371C32CE0576098", {"callsign": "KLM1023", "category": "A0", "type_code": 4}),
    ("8D40621D58C382D690C8AC2863A7", {"altitude_ft": 38000, "odd": False}),
    ("8D485020994409940838175B284F", {"speed_kn": 159.20, "track_deg": 182.88, "vertical_rate_fpm": -832,
                                      "geometric_minus_barometric_ft": 550, "vertical_source": "geometric"}),
    ("8DA05F219B06B6AF189400CBC33F", {"heading_deg": 243.98, "true_airspeed_kn": 375, "vertical_rate_fpm": -2304}),
    ("8C4841753AAB238733C8CD4020B1", {"speed_kn": 18, "track_deg": 140.625}),
    ("8C4841753A9A153237AEF0F275BE", {"speed_kn": 17, "track_deg": 92.8125}),
    ("2000171806A983", {"icao_address": "4CA7E8", "altitude_ft": 36000}),
    ("2A00516D492B80", {"icao_address": "510AF9", "squawk": "0356"}),
    ("A0000638FA81C10000000081A92F", {"comm_b_register": "1,7", "registers":
                                      ["0,5", "0,6", "0,7", "0,8", "0,9", "2,0", "4,0", "5,0", "5,1", "5,2", "6,0"]}),
    ("A000083E202CC371C31DE0AA1CCF", {"comm_b_register": "2,0", "callsign": "KLM1017", "altitude_ft": 12550}),
    ("A0001692185BD5CF400000DFC696", {"comm_b_register": "4,4", "wind_speed_kn": 22, "wind_direction_deg": 344.5,
                                      "temperature_c": -48.75}),
    ("A0001838E519F33160240142D7FA", {"comm_b_register": "6,0", "indicated_airspeed_kn": 249, "mach": 0.788}),
    ("A80004AAA74A072BFDEFC1D5CB4F", {"comm_b_register": "6,0", "magnetic_heading_deg": 110.391, "mach": 0.7,
                                      "indicated_airspeed_kn": 259, "vertical_rate_fpm": -2144}),
    ("A80006ACF9363D3BBF9CE98F1E1D", {"comm_b_register": "5,0", "roll_deg": -9.67, "track_deg": 140.273,
                                      "track_rate_deg_s": -0.406, "speed_kn": 476, "true_airspeed_kn": 466}),
    ("A8001EBCAEE57730A80106DE1344", {"comm_b_register": "4,0", "selected_altitude_ft": 24000,
                                      "fms_altitude_ft": 24000, "pressure_setting_hpa": 1013.2}),
]  # fmt: skip


@pytest.mark.parametrize(("digits", "expected"), BOOK, ids=[digits for digits, _ in BOOK])
def test_book_examples(digits, expected):
    fields = only(digits).fields
    for name, value in expected.items():
        near = pytest.approx(value, abs=0.011) if isinstance(value, float) else value
        assert fields[name] == near, name


def test_register_that_stays_open_is_settled_by_speed_and_track():
    # the book, inference chapter: 5,0 or 6,0 by content alone; a ground speed of 320 kn at 250 deg says 5,0
    digits = "A8001EBCFFFB23286004A73F6A5B"
    data = Bits(int(digits, 16) >> 24 & (1 << 56) - 1, 56)
    names, _ = registers.infer(data, registers.Known())
    assert set(names) >= {"5,0"}
    names, fields = registers.infer(data, registers.Known(speed_kn=320, track_deg=250))
    assert names == ("5,0",)
    assert fields["speed_kn"] == 322
    assert fields["true_airspeed_kn"] == 334


# constructed from ICAO Doc 9871 and Annex 10 Vol. IV field tables by hand, address ABCDEF
CONSTRUCTED = [
    ("2000068A08EC07", {"altitude_ft": 8000}, ()),
    ("2A000AAAB69380", {"squawk": "7700", "flight_status": 2}, ("emergency",)),
    ("2A000AA2B6E3EC", {"squawk": "7500"}, ("emergency", "unlawful-interference")),
    ("2A000A8AB75230", {"squawk": "7600"}, ("emergency", "radio-failure")),
    ("02E1969030E20100000000E67007", None, ()),
    ("02E19690EE60E2", {"altitude_ft": 35000, "sensitivity_level": 7, "reply_information": 3}, ()),
    ("80E1969030E20100000000E67007", {"resolution_advisory": ["corrective", "downward", "positive"],
                                      "advisory_complement": ["do not pass above"]}, ("resolution-advisory",)),
    ("8DABCDEFE12AAA00000000297F0A", {"emergency_state": "general emergency", "squawk": "7700"}, ("emergency",)),
    ("8DABCDEFE1AAA200000000A0EE05", {"emergency_state": "unlawful interference", "squawk": "7500"},
     ("emergency", "unlawful-interference")),
    ("8DABCDEFEA466867013F4CA75EB5", {"selected_altitude_ft": 36000, "pressure_setting_hpa": 1013.6,
                                      "selected_heading_deg": 270.0, "nac_p": 9, "sil": 3, "autopilot": True,
                                      "vnav": False, "altitude_hold": True, "lnav": True}, ()),
    # target state of version 1 (DO-260A, from memory), by a transmitter of its own
    ("8DABCDEFE88AB970FD3C0AEC2A4A", {"target_altitude_ft": 36000, "target_altitude_source": "MCP or FCU",
                                      "vertical_mode": "acquiring", "target_track_deg": 271, "nac_p": 9, "sil": 3,
                                      "target_direction_source": "FMS", "acas_operational": True,
                                      "advisory_active": True, "emergency_state": "medical"}, ("emergency",)),
    ("8DABCDEFE8000000013C106FA39D", {"target_altitude_ft": None, "target_heading_deg": None,
                                      "acas_operational": False, "emergency_state": "none"}, ()),
    ("8DABCDEFF83100020049B863977D", {"version": 2, "nac_p": 9, "gva": 2, "sil": 3, "nic_baro": 1,
                                      "acas_operational": True, "receives_1090": True, "design_assurance": 2}, ()),
    ("8CABCDEFF9105502005A30BE4A83", {"version": 2, "nac_v": 2, "nic_supplement_c": 1, "length_width_code": 5,
                                      "nac_p": 10, "design_assurance": 2}, ()),
    ("8DABCDEF9A08C992E02C89AC1F10", {"east_kn": 800, "north_kn": -600, "speed_kn": 1000.0, "track_deg": 126.87,
                                      "vertical_rate_fpm": 640, "geometric_minus_barometric_ft": -200}, ()),
    ("8DABCDEF9C0E000FD85400BE9334", {"heading_deg": 180.0, "indicated_airspeed_kn": 500}, ()),
    ("8DABCDEF9B08001F7000004F5628", {"heading_deg": None, "indicated_airspeed_kn": 250,
                                      "vertical_rate_fpm": None}, ()),
    ("90ABCDEF235054D4C72CF416CA13", {"df": 18, "source": "ADS-B", "callsign": "TEST1234"}, ()),
    ("C14142434445464748494AA6A56E", {"segment": 1, "elm_data": "4142434445464748494A"}, ()),
    ("A000183810010A80E500002568FA", {"comm_b_register": "1,0", "acas_operational": True,
                                      "subnetwork_version": 5}, ()),
    ("A80004B830C2020448D158CEE9DC", {"comm_b_register": "3,0", "squawk": "4321", "threat_icao_address": "123456",
                                      "resolution_advisory": ["corrective", "upward", "positive"]},
     ("resolution-advisory",)),
]  # fmt: skip


@pytest.mark.parametrize(("digits", "expected", "flags"), CONSTRUCTED, ids=[item[0] for item in CONSTRUCTED])
def test_constructed(digits, expected, flags):
    messages = told(squitter_of(0xABCDEF), frame(digits, 1.0))
    if expected is None:  # a short format with the length of a long one
        assert len(messages) == 1
        return
    assert {name: messages[-1].fields[name] for name in expected} == expected
    assert messages[-1].flags == flags
    assert messages[-1].identity.key == "ABCDEF"


@pytest.mark.parametrize(
    ("digits", "expected"),
    [("5DABCDEF8A6AB3", (0, None)), ("5DABCDEF8A6ABA", (9, None)), ("5DABCDEF8A6A95", (None, 22)),
     ("5D484FDEA248F5", (None, 6))],
)  # fmt: skip
def test_interrogator_of_an_all_call(digits, expected):
    # Annex 10 Vol. IV 3.1.2.3.3.2: PI = CL (3 bits), IC (4 bits); the last frame is the book's
    address = int(digits[2:8], 16)
    fields = told(squitter_of(address), frame(digits, 1.0))[-1].fields
    assert (fields["interrogator_code"], fields["surveillance_identifier"]) == expected


def test_published_pair_gives_positions_to_both():
    even = frame("8D40621D58C382D690C8AC2863A7", 2.0)
    odd = frame("8D40621D58C386435CC412692AD6", 0.0)
    messages = told(odd, even)
    assert [m.frame.bits for m in messages] == [odd.bits, even.bits]
    assert messages[1].fields["latitude_deg"] == pytest.approx(52.257202, abs=1e-6)
    assert messages[1].fields["longitude_deg"] == pytest.approx(3.919373, abs=1e-6)
    assert messages[0].fields["latitude_deg"] == pytest.approx(52.2658, abs=1e-4)


@pytest.mark.parametrize(
    ("even", "odd", "expected"),
    [("8DABCDEF583780000000003BC3A4", "8DABCDEF5837840000000037E89C", (0.0, 0.0)),
     ("8DABCDEF5837815E8D275B769522", "8DABCDEF583785BF1C505A62CCA8", (-33.945985, 151.177025)),
     ("8DABCDEF58378029D1040EB848D6", "8DABCDEF5837845C5203FBDCCC2B", (-17.754977, -179.950022)),
     ("8DABCDEF58378029FD07F0B321FA", "8DABCDEF5837874B6AF1F1040192", (78.245979, 15.465005)),
     ("8DABCDEF58378255564000FEE26D", "8DABCDEF5837855C7240000E18E8", (87.500005, 45.0))],
)  # fmt: skip
def test_positions_round_the_globe(even, odd, expected):
    # constructed from the CPR equations of Doc 9871
    fields = told(frame(even, 0.0), frame(odd, 1.0))[-1].fields
    assert (fields["latitude_deg"], fields["longitude_deg"]) == pytest.approx(expected, abs=2e-6)


def test_a_pair_too_old_or_too_far_apart_gives_no_position():
    assert "latitude_deg" not in told(
        frame("8D40621D58C382D690C8AC2863A7", 0.0), frame("8D40621D58C386435CC412692AD6", 11.0)
    )[-1].fields  # fmt: skip
    here = {"kind": "airborne_position", "icao_address": "ABCDE1", "altitude_ft": 10000, "longitude_deg": 8.0}
    first = synth.encode_item({**here, "latitude_deg": 47.0, "odd": False})
    leap = synth.encode_item({**here, "latitude_deg": 47.5, "odd": True})
    second = synth.encode_item({**here, "latitude_deg": 47.0, "odd": True})
    messages = told(frame(first.hex(), 0.0), frame(second.hex(), 0.5), frame(leap.hex(), 1.0))
    assert "latitude_deg" in messages[1].fields
    assert "latitude_deg" not in messages[2].fields  # 30 NM in half a second


def test_surface_position_needs_a_neighbour():
    even, odd = "8C4841753AAB238733C8CD4020B1", "8C4841753A8A35323FAEBDAC702D"
    assert "latitude_deg" not in told(frame(even, 0.0), frame(odd, 1.0))[-1].fields
    place = {
        "kind": "airborne_position",
        "icao_address": "ABCDE1",
        "latitude_deg": 51.99,
        "longitude_deg": 4.375,
    }
    near = [frame(synth.encode_item({**place, "odd": n == 1}).hex(), n / 10) for n in range(2)]
    fields = told(*near, frame(even, 1.0), frame(odd, 2.0))[-1].fields
    assert (fields["latitude_deg"], fields["longitude_deg"]) == pytest.approx((52.320607, 4.734735), abs=2e-6)


REPLY = "2000171806A983"  # the book's DF4 of 4CA7E8


def test_overlaid_address_must_be_known():
    assert told(frame(REPLY)) == []
    assert len(told(squitter_of(0x4CA7E8), frame(REPLY, 1.0))) == 2
    assert len(told(squitter_of(0x4CA7E8), frame(REPLY, 61.0))) == 1


def test_reply_before_the_first_squitter_is_held():
    later = squitter_of(0x4CA7E8)
    messages = told(frame(REPLY, -5.0), later)
    assert [m.frame.bits.hex() for m in messages if m.check == "address"] == [REPLY]
    assert told(frame(REPLY, -11.0), later)[0].check == "pass"


def test_three_replies_of_unlike_content_agree():
    who = {"icao_address": "ABCDE1"}
    one = synth.encode_item({"kind": "altitude_reply", **who, "altitude_ft": 21000}).hex()
    two = synth.encode_item({"kind": "identity_reply", **who, "squawk": "2341"}).hex()
    assert told(frame(one, 0), frame(one, 1), frame(one, 2)) == []
    assert told(frame(one, 0), frame(two, 1)) == []
    assert len(told(frame(one, 0), frame(two, 1), frame(one, 2))) == 3
    assert told(frame(one, 0, snr_db=3), frame(two, 1), frame(one, 2)) == []


def test_corrected_bits_invent_no_aircraft():
    ident = "8D4840D6202CC371C32CE0576098"
    assert told(frame(ident, 0.0, fixed=1)) == []
    messages = told(frame(ident, 0.0, fixed=1), squitter_of(0x4840D6))
    assert {m.check for m in messages} == {"corrected", "pass"}


def test_one_uncertain_bit_is_mended_only_where_the_altitude_agrees():
    wrong = Bits(int(REPLY, 16) ^ 1 << 20, 56)
    bad = frame(wrong.hex(), 1.0)
    bad = Frame(
        **{name: getattr(bad, name) for name in bad.__slots__} | {"extra": {**bad.extra, "weak_bits": (35,)}}
    )
    known = squitter_of(0x4CA7E8)
    assert len(told(known, bad)) == 1
    messages = told(known, frame(REPLY, 0.5), bad)
    assert [m.frame.bits.hex() for m in messages[1:]] == [REPLY, REPLY]
    assert messages[2].frame.corrected_bits == 1


def test_other_address_kinds_are_kept_apart():
    body = 0x95 << 104 | 0xABCDEF << 80 | 0x235054D4C72CF4 << 24  # DF18, CF5
    digits = f"{parity.seal(body, 112):028X}"
    message = told(frame(digits))[0]
    assert message.identity.key == "~ABCDEF"
    assert message.fields["address_kind"] == "not ICAO"


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.binary(min_size=14, max_size=14), st.booleans(), st.floats(0, 30)), max_size=6))
def test_hostile_frames(items):
    frames = []
    for octets, short, time_s in sorted(items, key=lambda item: item[2]):
        size = 56 if short else 112
        value = int.from_bytes(octets[: size // 8], "big")
        if octets[-1] & 1:  # half of them with clean parity
            value = parity.seal(value, size, 0 if value >> (size - 5) in (11, 17, 18, 19) else 0xABCDE1)
        frames.append(frame(f"{value:0{size // 4}X}", time_s))
    for message in told(squitter_of(0xABCDE1), *frames):
        json.dumps(message.fields, allow_nan=False)


def test_one_aircraft_agrees_with_itself():
    path = SHARED / "mode-s-messages" / "one_aircraft.csv"
    if not path.exists():
        pytest.skip("recordings of one aircraft (no licence) are not beside the project")
    with path.open() as file:
        rows = [(float(when), digits) for when, digits in csv.reader(file)]
    start = rows[0][0]
    messages = told(*(frame(digits, when - start) for when, digits in rows))
    assert len(messages) > 0.9 * len(rows)
    assert {m.fields["icao_address"] for m in messages} == {"4C01E4"}
    track = [m for m in messages if "latitude_deg" in m.fields]
    assert len(track) == sum("position" in m.kind for m in messages) > 300
    for a, b in itertools.pairwise(track):
        step = abs(a.fields["latitude_deg"] - b.fields["latitude_deg"])
        assert step < 0.01 + abs(b.frame.time_ns - a.frame.time_ns) * 1e-9 * 0.004
    # Comm-B 5,0 against the squitters' velocity: the nearest in time
    turns = [m for m in messages if m.fields.get("comm_b_register") == "5,0"]
    speeds = [m for m in messages if m.kind == "airborne velocity" and m.fields["speed_kn"]]
    assert turns
    for message in turns:
        near = min(speeds, key=lambda m: abs(m.frame.time_ns - message.frame.time_ns))
        if abs(near.frame.time_ns - message.frame.time_ns) < 5e9:
            assert abs(near.fields["speed_kn"] - message.fields["speed_kn"]) < 15


def test_a_misread_parity_bit_does_not_name_the_neighbour():
    # an uncertain bit of the parity stands between two known addresses: neither is believed
    bad = frame(REPLY, 1.0)
    bad = Frame(
        **{name: getattr(bad, name) for name in bad.__slots__} | {"extra": {**bad.extra, "weak_bits": (55,)}}
    )
    assert len(told(squitter_of(0x4CA7E8), bad)) == 2
    assert len(told(squitter_of(0x4CA7E8), squitter_of(0x4CA7E9), bad)) == 2
    garbled = Frame(
        **{name: getattr(bad, name) for name in bad.__slots__}
        | {"extra": {"remainder": bad.extra["remainder"], "garbled": True}}
    )
    assert len(told(squitter_of(0x4CA7E8), garbled)) == 2
    assert len(told(squitter_of(0x4CA7E8), squitter_of(0x4CA7EA), garbled)) == 2


def test_operational_status_of_earlier_versions():
    # DO-260 and DO-260A, from memory: version 0 has nothing after the version; version 1 says "no ACAS" with a one
    status = {"kind": "operational_status", "icao_address": "ABCDE1", "acas_operational": True, "nac_p": 9}
    bits = synth.encode_item(status)
    assert told(frame(bits.hex()))[0].fields["acas_operational"] is True
    for version in (0, 1):
        value = bits.value >> 24 & ~(7 << 13) | version << 13
        fields = told(frame(f"{parity.seal(value << 24, 112):028X}"))[0].fields
        assert fields["version"] == version
        if version:
            assert fields["acas_operational"] is False
            assert fields["nac_p"] == 9
            assert "gva" not in fields
        else:
            assert "nac_p" not in fields


def test_services_listed_after_the_last_comm_b_register():
    names, fields = registers.infer(Bits(1 << 49 | 1 << 29 | 1 << 28, 56), registers.Known())
    assert names == ("1,7",)
    assert fields == {"registers": ["2,0", "E,1", "E,2"]}
