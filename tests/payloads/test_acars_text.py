"""Texts of ACARS: air traffic data link against off-air messages, layouts, joining of blocks; fuzzing."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.types import Bits, Frame
from earwitness.payloads import ads_c, arinc622, cpdlc_elements, fans_cpdlc
from earwitness.payloads.acars_block import NAK, Block
from earwitness.payloads.acars_messages import BlockMessages
from earwitness.payloads.acars_text import label_meaning, read_text

# Messages once received off the air, from memory; their CRC (16 bits) agrees, so they are remembered right.
CONTACT = "/AKLCDYA.AT1.9M-MTB215B659D84995674293583561CB9906744E9AF40F9EB"
WAYPOINT = "/CTUGDYA.ADS.HB-JNB1424AB686D9308CA2EBA1D0D24A2C06C1B48CA004A248050667908CA004BF6"


def test_off_air_contact_instruction():
    found = read_text("AA", CONTACT, downlink=False)
    assert found.fields["application_check"] == "pass"
    assert found.fields["message_time"] == "22:54:22"
    assert found.fields["elements"] == [
        {"element": "UM118", "text": "AT LUNBI CONTACT AUCKLAND CONTROL 123.900 MHZ"}
    ]


# A third; its ground facility, which the CRC does not cover, is invented.
CONFIRM = "/ZZEWCYA.AT1.F-GSQC214823E24092E7"


def test_off_air_question_for_the_route():
    found = read_text("AA", CONFIRM, downlink=False)
    assert found.fields["application_check"] == "pass"
    assert found.fields["message_time"] == "18:02:15"
    assert found.fields["elements"] == [{"element": "UM137", "text": "CONFIRM ASSIGNED ROUTE"}]
    assert "not_decoded_hex" not in found.fields


def test_off_air_waypoint_report():
    """The parts agree with each other: the next place lies 74 s ahead, 10 miles on, at the same level."""
    found = read_text("B6", WAYPOINT, downlink=True)
    assert found.fields["application_check"] == "pass"
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((51.5666, 19.2611), abs=1e-4)
    here, route = found.fields["surveillance_groups"]
    assert [row["latitude_deg"] for row in found.fields["positions"]] == [
        route["next_latitude_deg"],
        route["following_latitude_deg"],
    ]
    assert here["altitude_ft"] == route["next_altitude_ft"] == route["following_altitude_ft"] == 36000
    miles = (
        60
        * (
            (51.5666 - route["next_latitude_deg"]) ** 2
            + (0.622 * (19.2611 - route["next_longitude_deg"])) ** 2
        )
        ** 0.5
    )
    assert 400 < miles / route["next_eta_s"] * 3600 < 560


def test_wrong_check_is_said_and_not_decoded():
    found = read_text("AA", CONTACT.replace("215B", "215C"), downlink=False)
    assert found.fields["application_check"] == "fail"
    assert "elements" not in found.fields


def test_element_tables_stand_at_their_numbers():
    """Numbers read in the FAA AIM and ICAO GOLD (aviation sheet 3.4); a slip would move all that follow."""
    up = {
        0: "UNABLE", 19: "MAINTAIN", 20: "CLIMB TO", 23: "DESCEND TO", 28: "DESCEND TO REACH", 36: "EXPEDITE CLIMB",
        37: "EXPEDITE DESCENT", 38: "IMMEDIATELY CLIMB", 39: "IMMEDIATELY DESCEND", 74: "PROCEED DIRECT TO",
        79: "CLEARED TO", 80: "CLEARED", 83: "AT [position] CLEARED", 117: "CONTACT", 120: "MONITOR",
        129: "REPORT LEVEL", 135: "CONFIRM ASSIGNED", 166: "DUE TO TRAFFIC", 167: "DUE TO AIRSPACE RESTRICTION",
        169: "[text]", 177: "AT PILOTS DISCRETION",
    }  # fmt: skip
    down = {
        0: "WILCO", 1: "UNABLE", 2: "STANDBY", 3: "ROGER", 20: "REQUEST VOICE CONTACT", 22: "REQUEST DIRECT TO",
        59: "DIVERTING TO", 60: "OFFSETTING", 65: "DUE TO WEATHER", 66: "DUE TO AIRCRAFT PERFORMANCE", 80: "DEVIATING",
    }  # fmt: skip
    assert (len(cpdlc_elements.FANS_UPLINK), len(cpdlc_elements.FANS_DOWNLINK)) == (183, 81)
    for table, known in ((cpdlc_elements.FANS_UPLINK, up), (cpdlc_elements.FANS_DOWNLINK, down)):
        for number, begin in known.items():
            assert table[number].startswith(begin), number


class Writer:
    def __init__(self):
        self.text = ""

    def put(self, value, count):
        self.text += f"{value:0{count}b}"
        return self

    def octets(self):
        padded = self.text + "0" * (-len(self.text) % 8)
        return int(padded, 2).to_bytes(len(padded) // 8, "big")


def test_two_elements_and_reference():
    """By hand after X.691: CLIMB TO FL350, REPORT LEVEL FL350, answering message 5."""
    level = 350 - 30
    w = Writer().put(1, 1).put(0b10, 2).put(9, 6).put(5, 6)
    w.put(20, 8).put(6, 3).put(level, 10).put(0, 2).put(129, 8).put(6, 3).put(level, 10)
    fields = fans_cpdlc.read_message(w.octets(), downlink=False).fields
    assert (fields["message_number"], fields["reference"]) == (9, 5)
    assert [row["text"] for row in fields["elements"]] == [
        "CLIMB TO AND MAINTAIN FL350",
        "REPORT LEVEL FL350",
    ]


def test_what_is_not_decoded_is_raw_and_counted():
    w = Writer().put(1, 1).put(0, 2).put(9, 6).put(0, 8).put(0, 2).put(80, 8).put(0x2AA, 10)
    fields = fans_cpdlc.read_message(w.octets(), downlink=False).fields
    assert [row["text"] for row in fields["elements"]] == ["UNABLE"]
    assert fields["elements_not_decoded"] == 1
    assert fields["not_decoded_hex"]


def test_doubtful_width_is_said():
    """Number 2 in eight bits is number 1 in seven with zeros behind: both readings are given."""
    octets = Writer().put(0, 1).put(0b10, 2).put(1, 6).put(7, 6).put(2, 8).octets()
    fields = fans_cpdlc.read_message(octets, downlink=True).fields
    assert {fields["elements"][0]["text"], fields["other_reading"][0]["text"]} == {"UNABLE", "STANDBY"}


@pytest.mark.parametrize(
    "table", [cpdlc_elements.FANS_UPLINK, cpdlc_elements.FANS_DOWNLINK], ids=["up", "down"]
)
def test_every_element_reads(table):
    """Each element with all-zero parameters reads to its text; a route clearance of no parts is refused."""
    prefix, width = ("UM", 8) if table is cpdlc_elements.FANS_UPLINK else ("DM", 7)
    for number, text in enumerate(table):
        octets = Writer().put(0, 1).put(0, 2).put(0, 6).put(number, width).octets() + bytes(40)
        fields, _, _ = fans_cpdlc._read(octets, table, prefix, width)
        empty = "[route]" in text or text == "[departure]"
        assert len(fields["elements"]) == (0 if empty else 1), number
        if not empty:
            assert "[" not in fields["elements"][0]["text"]


def test_surveillance_rates():
    """Worked by hand: tag 14, track 90 deg, 480 kn, -512 ft/min; tag 16, 100 kn from 270 deg, -56.5 deg C."""
    earth = Writer().put(0, 1).put(1024, 12).put(960, 13).put((-32) & 0xFFF, 12).put(0, 2).octets()
    wind = Writer().put(200, 9).put(0, 1).put((-128) & 511, 9).put((-226) & 0xFFF, 12).put(0, 1).octets()
    first, second = ads_c.read_groups(b"\x0e" + earth + b"\x10" + wind, downlink=True).fields[
        "surveillance_groups"
    ]
    assert (first["true_track_deg"], first["ground_speed_kn"], first["vertical_rate_ft_min"]) == (
        90,
        480,
        -512,
    )
    assert (second["wind_speed_kn"], second["wind_direction_deg"], second["temperature_c"]) == (
        100,
        270,
        -56.5,
    )


def groups(octets, *, downlink=True):
    found = ads_c.read_groups(octets, downlink=downlink)
    assert "not_decoded_hex" not in found.fields
    return found.fields["surveillance_groups"]


def test_surveillance_layouts():
    """Each group worked by hand from the widths of ARINC 745, from memory."""
    place = Writer().put(0x80000, 21).put((-0x40000) & 0x1FFFFF, 21).put(8750, 16)  # 90 N, 45 W, 35 000 ft
    basic = place.put(8 * 1234, 15).put(5, 7).octets()
    for tag, name in ((7, "basic report"), (9, "emergency report"), (10, "lateral deviation event"),
                      (18, "vertical rate event"), (19, "altitude range event"), (20, "waypoint change event")):  # fmt: skip
        (row,) = groups(bytes([tag]) + basic)
        assert (row["group"], row["latitude_deg"], row["longitude_deg"]) == (name, 90, -45)
        assert (row["altitude_ft"], row["seconds_past_hour"], row["figure_of_merit_code"]) == (35000, 1234, 5)
    found = ads_c.read_groups(b"\x09" + basic, downlink=True)
    assert (found.latitude_deg, found.longitude_deg, found.flags) == (90, -45, ("emergency",))
    flight = Writer()
    for char in "EWA123  ":
        flight.put(ord(char) - 64 if char.isalpha() else ord(char), 6)
    assert groups(b"\x0c" + flight.octets())[0]["flight"] == "EWA123"
    air = Writer().put(0, 1).put((-1024) & 0xFFF, 12).put(1640, 13).put(0, 12).put(0, 2).octets()
    assert groups(b"\x0f" + air) == [
        {
            "tag": 15,
            "group": "air reference",
            "true_heading_deg": 270,
            "mach": 0.82,
            "vertical_rate_ft_min": 0,
        }
    ]
    invalid = Writer().put(1, 1).put(0, 12).put(0, 13).put(0, 12).put(0, 2).octets()
    assert groups(b"\x0e" + invalid)[0]["true_track_deg"] is None
    assert groups(b"\x11\xab\xcd\xef")[0]["icao_address"] == "ABCDEF"
    ahead = Writer().put(800, 16).put(0, 1).put(512, 12).put(9000, 16).put(600, 14).put(0, 5).octets()
    row = groups(b"\x16" + ahead)[0]
    assert (row["distance_nm"], row["true_track_deg"], row["altitude_ft"], row["projected_s"]) == (
        100,
        45,
        36000,
        600,
    )
    fixed = Writer().put(0, 21).put(0x80000, 21).put((-5) & 0xFFFF, 16).put(1200, 14).octets()
    row = groups(b"\x17" + fixed)[0]
    assert (row["latitude_deg"], row["longitude_deg"], row["altitude_ft"], row["projected_s"]) == (
        0,
        90,
        -20,
        1200,
    )
    nowhere = (
        Writer()
        .put(0x100000, 21)
        .put(0x100000, 21)
        .put(0, 16)
        .put(0, 14)
        .put(0, 21)
        .put(0, 21)
        .put(0, 16)
        .put(0, 6)
    )
    assert groups(b"\x0d" + nowhere.octets())[0]["next_latitude_deg"] is None


def test_surveillance_answers_to_contracts():
    """Acknowledgement, refusal (with a tag for some reasons), noncompliance; layouts from memory of ARINC 745."""
    assert groups(b"\x03\x07")[0] == {"tag": 3, "group": "acknowledgement", "contract": 7}
    rows = groups(b"\x04\x07\x05" + b"\x04\x08\x07\x63" + b"\x06")
    assert [row["group"] for row in rows] == ["refusal", "refusal", "emergency mode ended"]
    assert (rows[0]["reason"], rows[1]["reason"], rows[1]["refused_tag"]) == (
        "no such contract",
        "undefined group",
        0x63,
    )
    (row,) = groups(bytes.fromhex("050703" + "0d031230" + "0e40" + "6380"))
    assert row["groups_not_sent"] == [
        {"tag": 13, "group": "predicted route wanted", "missing_values": [1, 2, 3]},
        {"tag": 14, "group": "earth reference wanted", "missing": "all"},
        {"tag": 0x63, "group": "undefined", "missing": "not known"},
    ]
    for cut in ("0407", "040701", "05070d", "0507010d03", "0507010d0312"):
        assert (
            ads_c.read_groups(bytes.fromhex(cut), downlink=True).fields["not_decoded_octets"] == len(cut) // 2
        )


def test_surveillance_contracts():
    """A periodic contract: every 64 s x 5, flight with each report, weather with every second; an event contract."""
    rows = groups(bytes.fromhex("0701" + "0bc4" + "0c01" + "1002"), downlink=False)
    assert [row["group"] for row in rows] == ["periodic contract", "reporting interval", "flight identification wanted",
                                              "weather wanted"]  # fmt: skip
    assert (rows[1]["interval_s"], rows[3]["every_nth_report"]) == (320, 2)
    rows = groups(bytes.fromhex("0802" + "0a28" + "12c0" + "1323282134" + "14" + "15010a"), downlink=False)
    assert rows[1]["lateral_deviation_nm"] == 5
    assert rows[2]["vertical_rate_ft_min"] == -4096
    assert (rows[3]["ceiling_ft"], rows[3]["floor_ft"]) == (36000, 34000)
    assert rows[4]["group"] == "on waypoint change"
    assert rows[5]["projection_min"] == 10
    assert [row["group"] for row in groups(bytes.fromhex("01" + "0203" + "0604" + "0905"), downlink=False)] == [
        "cancel all contracts", "cancel contract", "cancel emergency mode", "emergency periodic contract"]  # fmt: skip


# Label, downlink, text, some of what must be read. Texts marked * are of independent transmitters' recordings.
TEXTS = [
    ("H1", True, "#DFBPOSN52505E008275,,140212,350,DETRI,140655,KOGNE,M54,27044",  # *
     {"latitude_deg": 52.841667, "longitude_deg": 8.458333, "at_time": "14:02:12", "altitude_ft": 35000,
      "next_fix": "DETRI", "next_time": "14:06:55", "fix_after": "KOGNE", "temperature_c": -54,
      "wind_direction_deg": 270, "wind_speed_kn": 44}),
    ("SA", True, "0EV140312V",  # *
     {"link_event": "established", "link": "VHF", "link_time": "14:03:12", "links_available": ["VHF"]}),
    ("10", True, "OS EDDF /OUT 1316 OFF 1358 FOB 12.4",  # *
     {"out_time": "13:16", "off_time": "13:58", "fuel_on_board": 12.4}),
    ("5Z", True, "/B6 EDDF EDDH ETA 1438 FOB 3.5 GATE A15",  # *
     {"departure": "EDDF", "destination": "EDDH", "eta": "14:38", "gate": "A15"}),
    ("80", True, "3N01 POSRPT 0412/25 EDDM/EGLL .D-AIZC", {"departure": "EDDM", "destination": "EGLL"}),  # *
    ("QQ", True, "AAAABBBB1358", {"departure": "AAAA", "destination": "BBBB", "off_time": "13:58"}),
    ("SQ", False, "02XSZZZZZZZ05130N00027WV136975/",
     {"station_icao": "ZZZZ", "station_latitude_deg": 51.5, "station_longitude_deg": -0.45,
      "station_frequency_hz": 136975000}),
    ("A3", False, "CLD 1325 261125 AAAA PDC 001\nXX123 CLRD TO BBBB OFF 27L VIA ABC1D\nSQUAWK 4512 NEXT FREQ 121.980 ATIS F",
     {"clearance": "departure clearance", "cleared_to": "BBBB", "runway": "27L", "departure_route": "ABC1D",
      "squawk": "4512", "next_frequency_hz": 121980000, "atis": "F"}),
    ("B0", True, "/AAAACYA.AFN/FMHXX123,.N123ZZ,ABCDEF,134501/FPON51304W000274,1/FCOADS,01/FCOATC,01",
     {"facility": "AAAACYA", "icao_address": "ABCDEF", "latitude_deg": 51.506667, "applications": ["ADS", "ATC"]}),
]  # fmt: skip


@pytest.mark.parametrize(("label", "downlink", "text", "wanted"), TEXTS, ids=[row[0] for row in TEXTS])
def test_layouts(label, downlink, text, wanted):
    fields = read_text(label, text, downlink=downlink).fields
    assert {name: fields.get(name) for name in wanted} == wanted


def test_weather():
    """WMO-No. 306, FM 15; the report itself is invented."""
    text = "METAR AAAA 251350Z 27012G25KT 9999 FEW020 M02/M08 Q1013= BBBB 251350Z VRB03KT CAVOK 12/08 A2992="
    first, second = read_text("RA", text, downlink=False).fields["weather"]
    assert (first["wind_gust_kn"], first["temperature_c"], first["dew_point_c"], first["pressure_hpa"]) == (
        25,
        -2,
        -8,
        1013,
    )
    assert (second["station"], second["wind_direction_deg"], second["visibility_m"]) == ("BBBB", None, 10000)
    assert second["pressure_hpa"] == pytest.approx(1013.2, abs=0.05)


def test_forecasts():
    """WMO-No. 306, FM 51; the forecasts themselves are invented."""
    text = (
        "TAF AMD AAAA 251100Z 2512/2618 27012G25KT 9999 SCT030 TEMPO 2514/2518 4000 RA\n BECMG 2600/2602 CAVOK="
        "TAF BBBB 2512/2521 VRB03KT CAVOK= TAF CCCC 2542/2618 27012KT 9999"  # no hour 42: refused
    )
    first, second = read_text("RA", text, downlink=False).fields["forecasts"]
    assert (first["station"], first["issued"], first["from"], first["to"]) == (
        "AAAA",
        "25 11:00",
        "25 12:00",
        "26 18:00",
    )
    assert (first["wind_gust_kn"], first["visibility_m"], first["changes"]) == (25, 10000, ["TEMPO", "BECMG"])
    assert (second["station"], second["wind_direction_deg"], second["changes"]) == ("BBBB", None, [])


def test_broadcasts():
    """Request as ARINC 623 has it, from memory; the broadcast's wording is common practice, no source."""
    got = read_text("B9", "/AAAACYA.TI2/024BBBBA1F3C", downlink=True).fields
    assert (got["atis_request"], got["atis_kind"]) == ("BBBB", "arrival")
    got = read_text("A9", "/AAAACYA.DAI/BBBB DEP ATIS Q\n1350Z RWY 27L", downlink=False).fields
    assert (got["atis_station"], got["atis"], got["atis_kind"]) == ("BBBB", "Q", "departure")


def test_labels():
    assert label_meaning("_\x7f", downlink=True) == "general response, no text"
    assert label_meaning("83", downlink=True).startswith("airline defined")
    assert label_meaning("\x1b[", downlink=True) == "label of unusual characters"
    assert read_text("00", "", downlink=True).flags == ("emergency",)


def sent(messages, block, at_s):
    frame = Frame("acars", at_s * 10**9, at_s * 10**9 + 1, Bits(0, 8), "pass")
    return messages.feed(frame, block)


def down(msn, text, *, block_id="1", more=False, label="H1"):
    return Block("2", ".N123ZZ", chr(NAK), label, block_id, f"{msn}XX0001{text}", more)


def test_long_downlink_is_joined():
    messages = BlockMessages()
    first = sent(messages, down("D01A", CONTACT[:30], more=True), 0)
    assert "message_text" not in first.fields
    sent(messages, down("D01A", CONTACT[:30], more=True), 8)  # repeated: no answer was heard
    last = sent(messages, down("D01B", CONTACT[30:], block_id="2"), 16)
    assert last.fields["message_text"] == CONTACT
    assert (last.fields["blocks"], last.fields["message_complete"]) == (2, True)
    assert last.fields["application_check"] == "pass"
    assert (last.identity.kind, last.identity.key, last.identity.names) == ("aircraft", "N123ZZ", ("XX0001",))


def test_missing_block_is_said():
    messages = BlockMessages()
    sent(messages, down("D01A", "ONE ", more=True), 0)
    last = sent(messages, down("D01C", "THREE"), 10)
    assert (last.fields["message_text"], last.fields["message_complete"]) == ("ONE THREE", False)


def test_long_uplink_is_joined():
    messages = BlockMessages()
    head = ("2", ".N123ZZ", chr(NAK), "C1")
    sent(messages, Block(*head, "Z", "HELLO ", True), 0)
    last = sent(messages, Block(*head, "A", "THERE", False), 5)
    assert (last.fields["message_text"], last.fields["direction"], last.fields["flight"]) == (
        "HELLO THERE",
        "uplink",
        None,
    )
    again = sent(messages, Block(*head, "B", "NEXT", False), 9)
    assert "message_text" not in again.fields


def test_what_waits_is_bounded():
    messages = BlockMessages()
    for n in range(2000):
        sent(messages, Block("2", f".N{n:05d}"[:7].rjust(7, "."), chr(NAK), "C1", "A", "X" * 220, True), n)
    assert len(messages._open) <= 256


@given(st.binary(max_size=60), st.booleans())
def test_any_octets_are_borne(octets, downlink):
    json.dumps(fans_cpdlc.read_message(octets, downlink=downlink).fields, allow_nan=False)
    json.dumps(ads_c.read_groups(octets, downlink=downlink).fields, allow_nan=False)
    for identifier in ("AT1", "ADS", "CR1"):
        text = arinc622.pack("AAAACYA", identifier, "N123ZZ", octets)
        found = arinc622.read(text, downlink=downlink)
        assert found is None or found.fields["application_check"] == "pass"


@given(
    st.sampled_from(["H1", "SA", "SQ", "QA", "A0", "10", "AA"]),
    st.text(st.characters(max_codepoint=127), max_size=220),
)
def test_any_text_is_borne(label, text):
    json.dumps(dict(read_text(label, text, downlink=True).fields), allow_nan=False)
    block = Block("2", ".N123ZZ", chr(NAK), label, "1", text, False)
    json.dumps(dict(sent(BlockMessages(), block, 0).fields), allow_nan=False)
