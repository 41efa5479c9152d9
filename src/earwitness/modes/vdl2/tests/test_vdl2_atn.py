"""The ATN over VDL Mode 2, packet to message: segments, compressed headers, repeats, who opened what; bounds.

User data were encoded by the reference library asn1tools (grammar and tests: tests/payloads). Headers are written by
hand after ISO 8208, 8473 and 8073 as remembered; compressed ones after ICAO Doc 9705 as remembered. Names invented.
"""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.types import Bits, Frame
from earwitness.modes.vdl2 import synth
from earwitness.modes.vdl2.connections import MOST_OPEN, Connections
from earwitness.modes.vdl2.messages import Assembler
from earwitness.modes.vdl2.network import address_words, transport, unit

LOGON = bytes.fromhex(
    "e802002827000301042b1b0301420ac6c0616be6dbc01010120103a06c05d22d782c5933470027810140004080c1014181c202428005"
    "803abcdef00008101820283038404cb56a2d7b546d58b56a0c1b56a14200"
)
ACCEPT = bytes.fromhex("f00200280f81001042b1b03010010081d01201000b007579bde00010203040506070809000")
CLIMB = bytes.fromhex("00a809032b2067ab0d14710a25010294020974512100")
WILCO = bytes.fromhex("00a7064d40cf561a28e00040b46c883800")
REPORT = bytes.fromhex("00a80d866024c0cf561a28e06000001eb35f12006d8b7b4a01069d7cbc4800")

AIR, GROUND = "470027C1" + "00" * 16, "470027810100" + "00" * 14


def clnp(payload, *, downlink, segment=None, options=b""):
    """An ISO 8473 data unit; `segment` is (identifier, offset, octets of the whole, more follow)."""
    ends = (GROUND, AIR) if downlink else (AIR, GROUND)
    body = b"".join(bytes([len(bytes.fromhex(end))]) + bytes.fromhex(end) for end in ends)
    flags = 0x1C
    if segment:
        number, offset, total, more = segment
        flags |= 0x80 | more << 6
        size = 9 + len(body) + 6 + len(options)
        body += number.to_bytes(2, "big") + offset.to_bytes(2, "big") + (size + total).to_bytes(2, "big")
    body += options
    head = 9 + len(body)
    return (
        bytes([0x81, head, 1, 64, flags])
        + (head + len(payload)).to_bytes(2, "big")
        + b"\0\0"
        + body
        + payload
    )


def request(data, reference=0x1234, code=0xE0, to=0):
    parts = b"\xc1\x02\x00\x01\xc0\x01\x0a"
    head = (
        bytes([6 + len(parts), code]) + to.to_bytes(2, "big") + reference.to_bytes(2, "big") + b"\x40" + parts
    )
    return head + data


def data_unit(data, to, number=0, *, end=True, extended=False):
    count = number | end << 31 if extended else number | end << 7
    tail = count.to_bytes(4 if extended else 1, "big")
    return bytes([3 + len(tail), 0xF0]) + to.to_bytes(2, "big") + tail + data


def summed(octets):
    """With ISO 8073's checksum parameter, its two octets found by trying all."""
    head = bytes([octets[0] + 4]) + octets[1 : 1 + octets[0]] + b"\xc3\x02"
    tail = octets[1 + octets[0] :]
    for x in range(255):
        for y in range(255):
            whole = head + bytes([x, y]) + tail
            if transport(whole).check == "pass":
                return whole
    raise AssertionError


class Link:
    """Packets between one aircraft and one ground station, frame after frame."""

    def __init__(self):
        self.assembler = Assembler()
        self.time_s = 0
        self.number = {False: 0, True: 0}

    def packet(self, data, *, downlink, more=False, repeat=False):
        if not repeat:
            self.number[downlink] = (self.number[downlink] + 1) % 8
        info = bytes([0x10, 0x01, self.number[downlink] << 1 | more << 4]) + data
        ends = {"source": "ABCDEF", "destination": "10A0B1"}
        if not downlink:
            ends = {"source": "10A0B1", "source_type": 4, "destination": "ABCDEF", "destination_type": 1}
        (octets,) = synth.frame_octets({"message": {**ends, "control": "I", "info_hex": info.hex()}})
        self.time_s += 1
        frame = Frame(
            "vdl2",
            self.time_s * 10**9,
            self.time_s * 10**9 + 1,
            Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
            "pass",
        )
        (message,) = self.assembler.feed(frame)
        json.dumps(message.fields, allow_nan=False)
        return message


def logged_on():
    link = Link()
    link.packet(clnp(request(LOGON), downlink=True), downlink=True)
    link.packet(clnp(request(ACCEPT, 0x4321, 0xD0, 0x1234), downlink=False), downlink=False)
    return link


def test_logon_and_its_answer():
    link = Link()
    asked = link.packet(clnp(request(LOGON), downlink=True, options=b"\x05\x01\x09"), downlink=True)
    assert asked.kind == "context management, logon request"
    assert asked.fields["flight"] == "EWA123"
    assert asked.fields["facility"] == "ZZEWZQZX"
    assert asked.fields["calling_application"] == "CM"
    assert asked.fields["local_reference"] == 9
    assert asked.fields["payload_hex"] == ""
    assert (asked.identity.key, asked.identity.names) == ("ABCDEF", ("EWA123",))
    answer = link.packet(clnp(request(ACCEPT, 0x4321, 0xD0, 0x1234), downlink=False), downlink=False)
    assert answer.kind == "context management, logon response"
    assert answer.fields["applications"][0]["application"] == "protected CPDLC"
    assert answer.fields["association"] == "response, accepted"


def test_a_connection_is_known_by_both_ends():
    """Opened without user data, as ISO 8073 bounds that to 32 octets; logon and answer follow in data units."""
    link = Link()
    link.packet(clnp(request(b""), downlink=True), downlink=True)
    link.packet(clnp(request(b"", 0x4321, 0xD0, 0x1234), downlink=False), downlink=False)
    asked = link.packet(clnp(data_unit(LOGON, 0x4321), downlink=True), downlink=True)
    assert asked.kind == "context management, logon request"
    answer = link.packet(clnp(data_unit(ACCEPT, 0x1234), downlink=False), downlink=False)
    assert answer.kind == "context management, logon response"
    assert "application_inferred" not in answer.fields
    # what is no context management is not taken for another application's on this connection
    other = link.packet(clnp(data_unit(WILCO, 0x4321, 1), downlink=True), downlink=True)
    assert other.fields["application_not_decoded"] == 1
    link.packet(clnp(bytes.fromhex("06804321123480"), downlink=True), downlink=True)
    assert link.assembler._connections._ends == {}


@pytest.mark.parametrize("extended", [False, True])
def test_controller_pilot_messages(extended):
    link = logged_on()
    up = link.packet(clnp(data_unit(CLIMB, 7, extended=extended), downlink=False), downlink=False)
    assert up.kind == "controller-pilot data link, message"
    assert [row["text"] for row in up.fields["elements"]] == ["CLIMB TO FL350", "REPORT MAINTAINING FL350"]
    assert up.fields["integrity"] == "pass"
    down = link.packet(clnp(data_unit(WILCO, 8, extended=extended), downlink=True), downlink=True)
    assert down.fields["elements"] == [{"element": "DM0", "text": "WILCO"}]
    assert down.fields["integrity"] == "pass"


def test_integrity_is_not_checked_where_the_logon_was_not_heard():
    got = Link().packet(clnp(data_unit(WILCO, 8), downlink=True), downlink=True)
    assert got.fields["elements"] == [{"element": "DM0", "text": "WILCO"}]
    assert got.fields["integrity"] == "not checked"
    assert got.fields["application_inferred"] is True


def test_position_report_goes_to_the_map():
    got = Link().packet(clnp(data_unit(REPORT, 8), downlink=True), downlink=True)
    assert got.identity.latitude_deg == pytest.approx(51 + 30.42 / 60, abs=1e-5)
    assert got.identity.longitude_deg == pytest.approx(-(27 / 60 + 24 / 3600), abs=1e-5)


@pytest.mark.parametrize(
    ("head", "reference"),
    [("16400009", 9), ("16400083FF", 0x3FF), ("3640000900AA", 9)],
    ids=["one octet", "two octets", "identifier"],
)
def test_compressed_headers(head, reference):
    got = Link().packet(bytes.fromhex(head) + data_unit(WILCO, 8), downlink=True)
    assert got.fields["network_protocol"] == "ISO 8473, compressed"
    assert got.fields["network_header_hex"] == head
    assert got.fields["local_reference"] == reference
    assert got.fields["elements"][0]["text"] == "WILCO"


def test_compressed_header_of_another_size_needs_a_right_checksum():
    odd = bytes.fromhex("1640000911")
    assert unit(odd + data_unit(WILCO, 8)).transport is None
    found = unit(odd + summed(data_unit(WILCO, 8)))
    assert found.transport.check == "pass"
    assert "local_reference" not in found.fields


def test_wrong_transport_checksum_is_said_and_not_read_on():
    whole = summed(data_unit(WILCO, 8))
    got = Link().packet(clnp(whole[:-1] + b"\x01", downlink=True), downlink=True)
    assert got.fields["transport_check"] == "fail"
    assert "elements" not in got.fields
    assert got.fields["payload_hex"]


def test_parts_are_joined_at_three_layers():
    """Transport units of one message, the second in two network segments out of order, the last in two packets."""
    link = logged_on()
    link.packet(clnp(data_unit(CLIMB[:8], 7, 0, end=False), downlink=False), downlink=False)
    again = link.packet(clnp(data_unit(CLIMB[:8], 7, 0, end=False), downlink=False), downlink=False)
    assert again.fields["transport_repeated"] is True
    middle = data_unit(CLIMB[8:14], 7, 1, end=False)
    second = clnp(middle[6:], downlink=False, segment=(5, 6, len(middle), False))
    first = clnp(middle[:6], downlink=False, segment=(5, 0, len(middle), True))
    assert "transport_type" not in link.packet(second, downlink=False).fields
    assert link.packet(first, downlink=False).fields["network_segments"] == 2
    last = clnp(data_unit(CLIMB[14:], 7, 2), downlink=False)
    link.packet(last[:20], downlink=False, more=True)
    assert link.packet(last[:20], downlink=False, more=True, repeat=True).fields["packet_repeated"] is True
    got = link.packet(last[20:], downlink=False)
    assert [row["element"] for row in got.fields["elements"]] == ["UM20", "UM129"]
    assert got.fields["integrity"] == "pass"


def test_a_missing_part_leaves_it_raw():
    link = logged_on()
    link.packet(clnp(data_unit(CLIMB[:8], 7, 0, end=False), downlink=False), downlink=False)
    got = link.packet(clnp(data_unit(CLIMB[14:], 7, 2), downlink=False), downlink=False)
    assert got.fields["transport_incomplete"] is True
    assert "elements" not in got.fields
    assert got.fields["upper_not_decoded"] == 1


def test_parts_that_are_too_old_are_forgotten():
    link = logged_on()
    link.packet(clnp(data_unit(CLIMB[:8], 7, 0, end=False), downlink=False), downlink=False)
    link.time_s += 121
    assert (
        "elements" not in link.packet(clnp(data_unit(CLIMB[8:], 7, 1), downlink=False), downlink=False).fields
    )


def test_a_call_with_parameters_and_a_hello():
    """A call's user data: parameters of the subnetwork function, then an intermediate system's hello (ISO 9542)."""
    hello = bytes.fromhex("820e010004003c0000" + "04" + "47002701")
    found = unit(bytes.fromhex("c1050101020304") + hello)
    assert found.fields["subnetwork_function_version"] == 1
    assert found.fields["network_type"] == "intermediate system hello"
    assert found.fields["network_entity_title"] == "47002701"


def test_routing_between_domains_is_recognised():
    keepalive = bytes.fromhex("85001e04" + "00000001" + "00000002" + "0101") + bytes(16)
    got = Link().packet(clnp(keepalive, downlink=False), downlink=False)
    assert (got.fields["network_protocol"], got.fields["network_type"]) == ("ISO 10747", "keepalive")


@pytest.mark.parametrize(
    ("octets", "name"),
    [
        ("0680123443210085" + "", "disconnect request"),
        ("05c012344321", "disconnect confirm"),
        ("0461123405", "data acknowledgement"),
        ("096000120000000500 0f".replace(" ", ""), "data acknowledgement"),
        ("0410123481", "expedited data"),
        ("0420123401", "expedited acknowledgement"),
        ("0451123405", "reject"),
        ("0470123402", "error"),
    ],
    ids=lambda value: value,
)
def test_transport_units(octets, name):
    """ISO 8073 clause 13, from memory."""
    assert transport(bytes.fromhex(octets)).type == name


def test_an_acknowledgement_may_stand_before_data():
    link = logged_on()
    acknowledged = summed(bytes.fromhex("0461432101"))
    got = link.packet(clnp(acknowledged + data_unit(WILCO, 8), downlink=True), downlink=True)
    assert got.fields["transport_before"] == ["data acknowledgement"]
    assert got.fields["elements"] == [{"element": "DM0", "text": "WILCO"}]
    assert transport(acknowledged + b"\x01\x02\x03\x04\x05") is None
    assert transport(acknowledged * 9) is None


def test_network_addresses_in_words():
    """The layout of the ATN's addresses (Doc 9705 sub-volume V), from memory."""
    mobile = bytes.fromhex("470027C1" + "455741" + "00" + "ABCDEF" + "0000" + "000000000001" + "00")
    assert address_words(mobile) == "mobile ATSC, administration EWA, aircraft ABCDEF"
    fixed = bytes.fromhex("47002781" + "835A5A" + "00" + "000001" + "0000" + "000000000001" + "00")
    assert address_words(fixed) == "fixed ATSC, administration 835A5A"
    assert address_words(mobile[1:]) is None


def test_what_waits_is_bounded():
    connections = Connections()
    for number in range(3 * MOST_OPEN):
        part = clnp(b"x" * 20, downlink=True, segment=(number, 0, 400, True))
        connections.feed(number, "ABCDEF", part, downlink=True)
        connections.feed(
            number, f"{number:06X}", clnp(data_unit(b"x", 1, end=False), downlink=True), downlink=True
        )
    assert len(connections._segments) == len(connections._units) == MOST_OPEN


@settings(max_examples=200)
@given(st.lists(st.tuples(st.booleans(), st.sampled_from([0, 1, 2, 3]), st.binary(max_size=90)), max_size=6))
def test_any_run_of_octets_is_borne(parts):
    link = Link()
    for downlink, front, octets in parts:
        wrapped = (octets, clnp(octets, downlink=downlink), clnp(data_unit(octets, 7), downlink=downlink),
                   bytes.fromhex("16400009") + data_unit(b"\x00\xa8" + octets, 7))[front]  # fmt: skip
        link.packet(wrapped, downlink=downlink)
