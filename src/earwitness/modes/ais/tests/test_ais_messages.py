"""AIS messages against published sentences and the sheet's constructed ones; fuzzing."""

from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits, Frame
from earwitness.modes.ais import synth
from earwitness.modes.ais.messages import KINDS, Assembler, build, legal, parse, plausible
from earwitness.payloads.iec61162 import SentenceAssembler


def bits_of(*lines):
    assembler = SentenceAssembler()
    return [assembler.feed(line) for line in lines][-1][0]


def assemble(*frames):
    assembler = Assembler()
    return [m for frame in frames for m in assembler.feed(frame)] + assembler.close()


def frame_of(bits, frequency_hz=161.975e6):
    return Frame("ais", 0, 20_000_000, bits, "pass", frequency_hz=frequency_hz)


# Marine sheet 1.4: off-air sentences with the values their origins print (values not printed there were
# worked out by the sheet's own decoder, independent of this one).
PUBLISHED = [
    (
        ["!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D"],
        {
            "message_id": 1,
            "mmsi": "316001245",
            "nav_status": "under way using engine",
            "rate_of_turn_deg_min": 0.0,
            "speed_kn": 19.6,
            "position_accuracy_high": True,
            "longitude_deg": -123.87775,
            "latitude_deg": 49.2002833,
            "course_deg": 235.0,
            "heading_deg": 235,
            "utc_second": 7,
        },
    ),
    (
        ["!AIVDM,1,1,,A,?03Ovk1GP0?`000,2*33"],
        {
            "message_id": 15,
            "mmsi": "003669708",
            "requests": [{"destination_mmsi": "367001850", "requested_message_id": 0, "slot_offset": 0}],
        },
    ),
    (
        [
            "!AIVDM,2,1,3,B,55P5TL01VIaAL@7WKO@mBplU@<PDhh000000001S;AJ::4A80?4i@E53,0*3E",
            "!AIVDM,2,2,3,B,1@0000000000000,2*55",
        ],
        {
            "message_id": 5,
            "mmsi": "369190000",
            "imo": 6710932,
            "callsign": "WDA9674",
            "ship_name": "MT.MITCHELL",
            "ship_type": 99,
            "to_bow_m": 90,
            "to_stern_m": 90,
            "to_port_m": 10,
            "to_starboard_m": 10,
            "position_fix_type": "GPS",
            "eta": "01-02T08:00Z",
            "draught_m": 6.0,
            "destination": "SEATTLE",
            "length_m": 180,
        },
    ),
    # The example of IEC 61162-1's VDM annex (from memory; whole-minute coordinates and checksum agree).
    (
        ["!AIVDM,1,1,,A,1P000Oh1IT1svTP2r:43grwb0Eq4,0*01"],
        {
            "repeat_indicator": 2,
            "mmsi": "000000127",
            "rate_of_turn_code": 5,
            "speed_kn": 61.2,
            "longitude_deg": round(27 + 5 / 60, 7),
            "latitude_deg": round(5 + 5 / 60, 7),
            "course_deg": 95.9,
            "heading_deg": 351,
            "utc_second": 53,
        },
    ),
]


@pytest.mark.parametrize(
    ("lines", "values"), PUBLISHED, ids=lambda x: x[0][14:30] if isinstance(x, list) else ""
)
def test_published(lines, values):
    fields = parse(bits_of(*lines))
    assert {name: fields[name] for name in values} == values


# Marine sheet 1.4, "Constructed": one sentence per type by an encoder that is not ours.
CONSTRUCTED = [
    (
        "!AIVDM,1,1,,A,13M@>lP51swe7P@Lkol8jo1:P8CQ,0*01",
        {
            "speed_kn": 12.3,
            "course_deg": 225.1,
            "heading_deg": 224,
            "rate_of_turn_code": 20,
            "special_manoeuvre": "not engaged",
            "communication_state_bits": 34017,
            "longitude_deg": -4.125,
            "latitude_deg": 50.35,
        },
    ),
    ("!AIVDM,1,1,,B,23M@>lUP00we7P@Lkol8jo1:0000,0*59", {"nav_status": "moored", "rate_of_turn_code": None}),
    (
        "!AIVDM,1,1,,A,33M@>lWPAsbl;VId`888jo1:0000,0*54",
        {"turn": "port, more than 5 deg in 30 s", "longitude_deg": 151.2093, "latitude_deg": -33.8568},
    ),
    (
        "!AIVDM,1,1,,A,402=VPAvbt`N?we7P@Lkol700<1=,0*0D",
        {
            "mmsi": "002320001",
            "utc": "2026-11-25T08:30:15Z",
            "position_fix_type": "surveyed",
            "communication_state_bits": 49229,
        },
    ),
    (
        "!AIVDM,1,1,,A,63M@>lToD82p040PDhht,2*2F",
        {
            "destination_mmsi": "232005678",
            "designated_area_code": 1,
            "function_identifier": 0,
            "application": "text telegram",
            "data_bits": 30,
        },
    ),
    (
        "!AIVDM,1,1,,A,73M@>lPoD82q,0*7D",
        {"acknowledged": [{"destination_mmsi": "232005678", "sequence_number": 1}]},
    ),
    (
        "!AIVDM,1,1,,A,83M@>lPj2eregft,2*7F",
        {"designated_area_code": 200, "function_identifier": 10, "data_bits": 32},
    ),
    (
        "!AIVDM,1,1,,A,91b55wi;hbOS@OhQAC062Ch20000,0*66",
        {
            "mmsi": "111232511",
            "altitude_m": 303,
            "speed_kn": 42,
            "course_deg": 154.5,
            "dte_not_available": True,
        },
    ),
    ("!AIVDM,1,1,,A,:3M@>lP0SI`4,0*5E", {"destination_mmsi": "002320001"}),
    (
        "!AIVDM,1,1,,A,;3M@>lQv`A345000000000100000,0*74",
        {"utc": "2026-01-02T03:04:05Z", "position_fix_type": "GPS"},
    ),
    ("!AIVDM,1,1,,A,<3M@>lPoD82p=C7PD5CDPi,0*21", {"destination_mmsi": "232005678", "sequence_number": 0}),
    (
        "!AIVDM,1,1,,A,=3M@>lPoD82r,0*74",
        {"acknowledged": [{"destination_mmsi": "232005678", "sequence_number": 2}]},
    ),
    ("!AIVDM,1,1,,A,>3M@>lQ<D=E8U@D,2*4E", {"message_id": 14}),
    (
        "!AIVDM,1,1,,A,?3M@>lPoD82pD00H1T3M@i3hh1h,2*22",
        {
            "requests": [
                {"destination_mmsi": "232005678", "requested_message_id": 5, "slot_offset": 0},
                {"destination_mmsi": "232005678", "requested_message_id": 24, "slot_offset": 100},
                {"destination_mmsi": "232009999", "requested_message_id": 3, "slot_offset": 7},
            ]
        },
    ),
    (
        "!AIVDM,1,1,,A,@02=VP@oD82p<P00,0*22",
        {"assignments": [{"destination_mmsi": "232005678", "slot_offset": 200, "increment": 0}]},
    ),
    (
        "!AIVDM,1,1,,A,A02=VPCuV@rtP7h5EPL<,0*27",
        {"longitude_deg": -4.1, "latitude_deg": 50.3, "data_bits": 40},
    ),
    (
        "!AIVDM,1,1,,B,B3M@>lP0NwsAp47<uu2<ehBUoP06,0*02",
        {
            "carrier_sense_unit": True,
            "has_display": False,
            "has_dsc": True,
            "whole_marine_band": True,
            "accepts_message_22": True,
            "itdma_selector": True,
            "communication_state_bits": 393222,
            "communication_state": None,
        },
    ),
    (
        "!AIVDM,1,1,,A,C3M@>lP0NwsAp47<uu2<ehBP6H2VW0504N2`00000000B0D2Q120,0*0A",
        {
            "ship_name": "CLASS B BOAT",
            "ship_type": 36,
            "ship_type_text": "sailing",
            "to_bow_m": 5,
            "to_starboard_m": 2,
            "position_fix_type": "GPS",
        },
    ),
    (
        "!AIVDM,1,1,,A,D02=VPB8IN>4,0*2C",
        {"reservations": [{"slot_offset": 2182, "slot_count": 5, "timeout_min": 7, "increment": 225}]},
    ),
    (
        "!AIVDM,1,1,,A,E>jHC6C192PUcPb2a@64ST:0000OnNiH>Ia:000003v000,4*28",
        {
            "aid_name": "BREAKWATER LIGHT",
            "aid_type": "light, with sectors",
            "longitude_deg": -4.159,
            "latitude_deg": 50.334,
            "position_fix_type": "surveyed",
            "off_position": False,
            "virtual_aid": False,
        },
    ),
    (
        "!AIVDM,1,1,,A,F02=VPB2N2P7sD1oR?lB3bH20000,0*33",
        {
            "channel_a_number": 2087,
            "channel_b_number": 2088,
            "northeast_longitude_deg": -4.0,
            "southwest_latitude_deg": 50.0,
            "addressed": False,
            "transition_zone_code": 4,
        },
    ),
    (
        "!AIVDM,1,1,,A,G02=VPCub0si7r91m<600000940,2*03",
        {
            "northeast_latitude_deg": 51.0,
            "southwest_longitude_deg": -5.0,
            "station_type": 6,
            "reporting_interval_code": 9,
            "quiet_time_min": 1,
        },
    ),
    ("!AIVDM,1,1,,A,H3M@>lP<h5=>0:08t5@00000000,2*31", {"part": 0, "ship_name": "CLASS B BOAT"}),
    (
        "!AIVDM,1,1,,A,H3M@>lTT123430q=HIJq000`5224,0*22",
        {
            "part": 1,
            "ship_type": 36,
            "vendor": "ABC",
            "unit_model": 1,
            "serial_number": 12345,
            "callsign": "MXYZ9",
            "to_stern_m": 5,
            "position_fix_type": "GPS",
        },
    ),
    (
        "!AIVDM,1,1,,A,I3M@>lUKPQ8l,0*48",
        {"addressed": False, "has_application": True, "designated_area_code": 366, "function_identifier": 2},
    ),
    (
        "!AIVDM,1,1,,A,J3M@>lP00:g=0001,0*31",
        {
            "addressed": False,
            "has_application": False,
            "itdma_selector": False,
            "communication_state_bits": 1,
        },
    ),
    (
        "!AIVDM,1,1,,A,KkM@>lP?nECd16>4,0*37",
        {
            "repeat_indicator": 3,
            "nav_status": "under way using engine",
            "longitude_deg": -4.125,
            "latitude_deg": 50.35,
            "speed_kn": 12,
            "course_deg": 225,
        },
    ),
]


@pytest.mark.parametrize(
    ("line", "values"), CONSTRUCTED, ids=lambda x: x[14:16] if isinstance(x, str) else ""
)
def test_constructed(line, values):
    bits = bits_of(line)
    fields = parse(bits)
    assert {name: fields[name] for name in values} == values
    assert build(fields) == bits


def test_constructed_voyage():
    bits = bits_of(
        "!AIVDM,2,1,1,A,53M@>l`2:N2TL48?400EP4m0hF0tpD0000000016<Pj:?7<B5BD36CCm,0*72",
        "!AIVDM,2,2,1,A,E20000000000000,2*52",
    )
    fields = parse(bits)
    assert (fields["imo"], fields["callsign"], fields["ship_name"]) == (9074729, "GABC1", "EXAMPLE ONE")
    assert (fields["draught_m"], fields["destination"], fields["eta"]) == (7.3, "PLYMOUTH", "12-24T18:05Z")
    assert fields["ais_version"] == 2
    assert build(fields) == bits


def test_rate_of_turn_of_the_standard():
    """ROT_AIS = 4.733 sqrt(rate): 20 deg/min is 21 (sheet 1.1, computed from the standard's formula)."""
    bits = build({"message_id": 1, "mmsi": "232001234", "rate_of_turn_deg_min": -20.0})
    assert parse(bits)["rate_of_turn_code"] == -21


def test_communication_state():
    """The state 34017 of the sheet's type 1: by the widths of M.1371, sync 0, time-out 2, slot 1249."""
    fields = parse(bits_of("!AIVDM,1,1,,A,13M@>lP51swe7P@Lkol8jo1:P8CQ,0*01"))
    assert fields["communication_state"] == {
        "scheme": "sotdma",
        "sync_state": 0,
        "slot_timeout": 2,
        "slot_number": 1249,
    }


def test_not_available_is_none():
    fields = parse(build({"message_id": 1, "mmsi": "232001234"}))
    names = "nav_status rate_of_turn_deg_min speed_kn longitude_deg latitude_deg course_deg heading_deg"
    assert all(fields[name] is None for name in (*names.split(), "utc_second"))


def test_every_type_has_an_example_and_rebuilds():
    kinds = set()
    for item in synth.examples():
        bits = synth.message_bits(item)
        fields = parse(bits)
        assert build(fields) == bits
        assert legal(synth.payloads(item)[0])
        assert {name: fields[name] for name in item["message"] if name != "rate_of_turn_deg_min"} == {
            name: value for name, value in item["message"].items() if name != "rate_of_turn_deg_min"
        }
        kinds.add(fields["message_id"])
    assert kinds == set(KINDS)


def test_addressed_variants_rebuild():
    for fields in (
        {"message_id": 22, "mmsi": "002320001", "addressed": True, "destination_mmsi": "232001234"},
        {"message_id": 25, "mmsi": "232001234", "addressed": True, "destination_mmsi": "232005678"},
        {"message_id": 26, "mmsi": "232001234", "addressed": True, "destination_mmsi": "232005678"},
        {"message_id": 24, "mmsi": "982320012", "part": 1, "mothership_mmsi": "232001234"},
        {"message_id": 16, "mmsi": "002320001", "assignments": [{"destination_mmsi": "232001234"}] * 2},
    ):
        bits = build(fields)
        again = parse(bits)
        assert {name: again[name] for name in fields if name != "assignments"} == {
            name: value for name, value in fields.items() if name != "assignments"
        }
        assert build(again) == bits


def test_messages_carry_identity_channel_and_flags():
    def message(frequency_hz=161.975e6, **fields):
        (out,) = assemble(frame_of(synth.payloads({"message": fields})[0], frequency_hz))
        return out

    ship = message(message_id=5, mmsi="232001234", ship_name="EXAMPLE ONE")
    assert ship.identity.kind == "vessel"
    assert ship.identity.names == ("EXAMPLE ONE",)
    base = message(message_id=4, mmsi="002320001", longitude_deg=-4.0, latitude_deg=50.0)
    assert (base.identity.kind, base.identity.latitude_deg) == ("station", 50.0)
    beacon = {"message_id": 1, "mmsi": "970123456"}
    assert message(**beacon, nav_status="AIS-SART, MOB or EPIRB active").flags == ("distress",)
    assert message(**beacon).flags == ("test",)
    assert message(message_id=14, mmsi="972123456", text="MOB ACTIVE").flags == ("distress", "safety")
    assert message(message_id=14, mmsi="232001234", text="BUOY ADRIFT").flags == ("safety",)
    to = message(message_id=10, mmsi="232001234", destination_mmsi="002320001")
    assert [(ref.kind, ref.key) for ref in to.related] == [("station", "002320001")]
    assert message(162.0254e6, message_id=1, mmsi="232001234").fields["channel"] == "B"
    assert message(156.775e6, message_id=27, mmsi="232001234").fields["channel"] == "75"
    assert message(155e6, message_id=1, mmsi="232001234").fields["channel"] is None


def test_the_same_burst_on_two_channels_is_one_message():
    bits = synth.payloads(synth.examples()[0])[0]
    image = replace(frame_of(bits, 162.025e6), time_ns=10, level_dbfs=-50.0)
    burst = replace(frame_of(bits), time_ns=20, level_dbfs=-20.0)
    later = replace(burst, time_ns=30_000_000)
    for order in ((image, burst, later), (burst, image, later)):
        messages = assemble(*order)
        assert [m.fields["channel"] for m in messages] == ["A", "A"]
        assert [m.frame.time_ns for m in messages] == [20, 30_000_000]


def test_impossible_lengths_are_no_messages():
    for size in (0, 5, 6, 40, 160, 176, 1072, 5000):
        bits = Bits(1 << max(size - 6, 0) if size else 0, size)  # type 1
        assert not legal(bits)
        assert assemble(frame_of(bits)) == []
    assert assemble(frame_of(Bits(63 << 162, 168))) == []
    with pytest.raises(LayoutError, match="not defined"):
        parse(Bits(0, 168))
    with pytest.raises(LayoutError, match="168 bits"):
        parse(Bits(1 << 100, 106))


def test_plausible():
    good = synth.payloads(synth.examples()[0])[0]
    assert plausible(good)
    assert not plausible(Bits(good.value | 7 << 20, 168))  # spare bits
    assert not plausible(build({"message_id": 1, "mmsi": "999999999"}))
    assert not plausible(synth.payloads({"message": {"message_id": 8, "mmsi": "232001234"}})[0])


def test_build_refuses():
    for fields in (
        {"message_id": 28, "mmsi": "232001234"},
        {"message_id": 1},
        {"message_id": 1, "mmsi": "232001234", "latitud_deg": 3},
        {"message_id": 1, "mmsi": "232001234", "speed_kn": 500},
        {"message_id": 7, "mmsi": "232001234"},
        {"message_id": 14, "mmsi": "232001234", "text": "caf\u00e9"},
    ):
        with pytest.raises(LayoutError):
            build(fields)


@given(st.integers(0, 63), st.integers(0, 1100), st.data())
def test_hostile_bits(kind, size, data):
    value = data.draw(st.integers(0, (1 << size) - 1))
    bits = Bits(kind << size | value, size + 6)
    plausible(bits)
    for message in assemble(frame_of(bits)):
        assert all(ord(char) >= 32 for char in repr(message.fields))
    with suppress(LayoutError):
        parse(bits)


@pytest.mark.parametrize("weak_first", [True, False])
def test_one_burst_met_on_the_other_channel_too_is_one_message(weak_first):
    """A receiver's image of channel A lies on B (common practice: 20 to 40 dB down); channels come a piece at a time.

    No station sends the same bits on both channels in one slot (M.1371-5 annex 2, 3.1).
    """
    bits = build({"message_id": 18, "mmsi": "244000123"})
    other = build({"message_id": 18, "mmsi": "244000124"})

    def heard(what, time_s, level_dbfs, frequency_hz):
        at = round(time_s * 1e9)
        return Frame(
            "ais", at, at + 20_000_000, what, "pass", level_dbfs=level_dbfs, frequency_hz=frequency_hz
        )

    near = [heard(bits, 1.0, -4.0, 161.975e6), heard(other, 1.4, -9.0, 161.975e6)]
    image = [heard(bits, 1.000002, -29.0, 162.025e6), heard(other, 1.6, -9.0, 162.025e6)]
    assembler = Assembler()
    got = [m for item in (image + near if weak_first else near + image) for m in assembler.feed(item)]
    got += assembler.close()
    assert [(m.identity.key, m.frame.frequency_hz) for m in got if m.frame.bits == bits] == [
        ("244000123", 161.975e6)
    ]
    assert sum(m.frame.bits == other for m in got) == 2  # 0.2 s apart: sent twice
