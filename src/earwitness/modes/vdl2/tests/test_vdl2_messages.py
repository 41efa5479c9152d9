"""AVLC frames, their parameters and what they carry, against worked examples; parsers against anything."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits, Frame, IdentityRef
from earwitness.modes.vdl2 import avlc, synth, xid
from earwitness.modes.vdl2.messages import Assembler
from earwitness.modes.vdl2.network import packet, unit


def frame(octets, time_ns=0):
    return Frame("vdl2", time_ns, time_ns + 1, Bits(int.from_bytes(octets, "big"), 8 * len(octets)), "pass")


def read(item):
    assembler = Assembler()
    return [message for octets in synth.frame_octets(item) for message in assembler.feed(frame(octets))]


def test_receive_ready_frame_worked_by_hand():
    """Addresses laid out by Annex 10 vol. III figure 6-2 beside the project; address types from memory."""
    octets = bytes.fromhex("b0f4d8f60442828d01")
    got = avlc.parse(octets)
    assert got.destination == avlc.Address(1, 0xABCDEF, False)
    assert got.source == avlc.Address(4, 0x10A0B1, False)
    assert avlc.control_name(got.control) == "RR"
    assert avlc.build(got) == octets


def test_control_octets():
    """ISO/IEC 13239 modulo 8, from memory."""
    table = {0x00: "I", 0x7E: "I", 0x01: "RR", 0x05: "RNR", 0x09: "REJ", 0x0D: "SREJ", 0x03: "UI", 0x13: "UI",
             0x0F: "DM", 0x43: "DISC", 0x53: "DISC", 0x63: "UA", 0x73: "UA", 0x87: "FRMR", 0xAF: "XID",
             0xBF: "XID", 0xE3: "TEST", 0x07: None, 0xFF: None}  # fmt: skip
    assert {octet: avlc.control_name(octet) for octet in table} == table


def test_acars_block_joins_address_and_registration():
    (message,) = read(synth.examples()[0])
    assert message.fields["label"] == "H1"
    assert message.fields["registration"] == "ZZ-EWA"
    assert message.fields["text"].endswith("LEVEL OK")
    assert message.fields["source_address"] == "ABCDEF"
    assert message.identity.kind == "aircraft"
    assert message.identity.key == "ABCDEF"
    assert {"ZZ-EWA", "EW0123"} <= set(message.identity.names)
    assert IdentityRef("station", "10A0B1") in message.related
    assert IdentityRef("aircraft", "ZZ-EWA") in message.related


def test_uplink_names_the_same_aircraft():
    (message,) = read(synth.examples()[4])
    assert message.identity.key == "ABCDEF"
    assert message.fields["direction"] == "uplink"


def test_supervisory_frame():
    (message,) = read(synth.examples()[1])
    assert message.kind == "receive ready"
    assert message.identity == IdentityRef("station", "10A0B1")
    assert message.related == (IdentityRef("aircraft", "ABCDEF"),)
    assert message.fields["receive_number"] == 2
    assert message.fields["response"] is True


def test_ground_station_information():
    """Parameters from memory of Annex 10 vol. III; values chosen here."""
    (message,) = read(synth.examples()[2])
    assert message.kind == "ground station information"
    assert message.fields["nearest_airport"] == ["ZZEW"]
    assert message.fields["station_location"] == {"latitude_deg": 50.3, "longitude_deg": -4.1}
    assert message.fields["frequency_support"] == [
        {"frequency_hz": 136_975_000, "modulation_code": 2, "station_address": "10A0B1"}
    ]
    assert message.identity.latitude_deg == 50.3
    assert [row["parameter"] for row in message.fields["xid_parameters"]] == [0x00, 0xC0, 0xC3, 0xC8, 0x45]


def test_lengths_that_run_past_the_end():
    assert xid.parse(bytes.fromhex("82F000FF000156")).broken
    assert xid.parse(bytes.fromhex("82F00004C3FF5A5A")).broken
    assert xid.parse(b"\x81") is None


def test_packets():
    """ISO 8208 packet types and a call's address block, from memory."""
    got = packet(bytes.fromhex("10010B3412345670020103C1"))
    assert (got.type, got.channel) == ("call request", 1)
    assert got.fields["called_address"] == "1234"
    assert got.fields["calling_address"] == "567"
    assert got.fields["facilities_hex"] == "0103"
    assert got.data == b"\xc1"
    assert packet(bytes.fromhex("1FFF21")).fields["packet_receive_number"] == 1
    assert packet(bytes.fromhex("1FFF21")).channel == 0xFFF
    assert packet(bytes.fromhex("100113050A")).fields["cause"] == 5
    assert packet(b"\x20\x01\x00") is None
    assert packet(b"\x10\x01\x0b\xff") is None


def test_network_and_transport_headers():
    """An ISO 8473 header with a right checksum (both sums zero modulo 255) and an ISO 8073 request in it."""
    head = bytes.fromhex("81 00 01 20 1C 0020 0000 03 470027 03 470028".replace(" ", ""))
    head = head[:1] + bytes([len(head)]) + head[2:]
    transport = bytes.fromhex("06E000001234 40 AABB".replace(" ", ""))
    got = unit(head + transport)
    assert got.fields["network_type"] == "data"
    assert got.fields["network_check"] == "none"
    assert got.fields["lifetime_s"] == 16
    assert (got.fields["network_destination"], got.fields["network_source"]) == ("470027", "470028")
    assert got.fields["transport_type"] == "connection request"
    assert got.fields["transport_source_reference"] == 0x1234
    assert got.fields["transport_class"] == 4
    assert got.payload == b"\xaa\xbb"
    summed = next(
        candidate
        for x in range(1, 256)
        for y in range(1, 256)
        if unit((candidate := head[:7] + bytes([x, y]) + head[9:]) + transport).fields["network_check"]
        == "pass"
    )
    assert unit(summed[:3] + b"\x21" + summed[4:] + transport).fields["network_check"] == "fail"


def test_packets_that_belong_together_are_read_as_one():
    assembler = Assembler()
    whole = bytes.fromhex("811101201C001800000347002703470028" + "06E00000123440")
    down = {"source": "ABCDEF", "destination": "10A0B1", "control": "I"}
    parts = [("100110", whole[:9]), ("100102", whole[9:])]
    out = []
    for number, (front, data) in enumerate(parts):
        item = {"message": {**down, "send_number": number, "info_hex": front + data.hex()}}
        out += assembler.feed(frame(synth.frame_octets(item)[0], number * 10**9))
    assert out[0].kind == "ISO 8208 data"
    assert out[1].fields["transport_type"] == "connection request"


def test_wrong_items_are_refused():
    for item in ({}, {"message": {}}, {"message": {"source": "1", "destination": "2", "control": "??"}},
                 {"payload_hex": "zz"}, {"message": {"source": "1000000", "destination": "2", "control": "RR"}}):  # fmt: skip
        with pytest.raises(LayoutError):
            synth.frame_octets(item)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from([0x00, 0x03, 0xAF, 0x01]), st.sampled_from([b"", b"\xff\xff\x01", b"\x82\xf0", b"\x10\x01", b"\x10\x01\x00\x81"]),
       st.binary(max_size=300))  # fmt: skip
def test_any_content_is_borne(control, front, rest):
    octets = bytes.fromhex("b0f4d8f60442828d") + bytes([control]) + front + rest
    for message in Assembler().feed(frame(octets)):
        json.dumps(message.fields, allow_nan=False)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=64))
def test_any_octets_are_borne(octets):
    for message in Assembler().feed(frame(octets)):
        json.dumps(message.fields, allow_nan=False)
    packet(octets)
    unit(octets)
    xid.parse(octets)
