"""Headers of space data links: fields where the standards put them, and nothing that falls over."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.payloads.ccsds_tm import (
    PacketStream,
    packet,
    packet_header,
    packets_in,
    read_frame,
    tm_frame,
    vcdu,
)


def test_telemetry_header_bits():
    """132.0-B: version 2, spacecraft 10, channel 3, OCF 1, two counts of 8, status 16 (field widths from memory)."""
    frame = bytes.fromhex("04D20A0B1805") + bytes(5) + packet(0x123, 7, b"abc")
    got = read_frame(frame)
    assert (got["spacecraft"], got["virtual_channel"], got["operational_control"]) == (0x4D, 1, False)
    assert (got["master_count"], got["virtual_count"], got["first_header"]) == (10, 11, 5)
    assert got["packets"][0] == {
        "apid": 0x123, "sequence": "unsegmented", "count": 7, "secondary_header": False, "octets": 9,
    }  # fmt: skip


def test_packet_header_bits():
    """133.0-B: 000 | type | secondary header | APID 11 || flags 2 | count 14 || octets of data less one."""
    header = packet_header(bytes.fromhex("0840C00103E7"))
    assert header is not None
    assert (header.apid, header.secondary_header, header.sequence_flags) == (64, True, "unsegmented")
    assert (header.sequence_count, header.octets) == (1, 6 + 1000)
    assert packet_header(bytes.fromhex("2840C00103E7")) is None
    assert packet_header(b"\0\0") is None


def test_vcdu_header_bits():
    """732.0-B: version 01, spacecraft 8, channel 6, count 24, replay flag."""
    got = read_frame(bytes.fromhex("404500ABCD80") + bytes(10))
    assert (got["frame"], got["spacecraft"], got["virtual_channel"]) == ("AOS", 1, 5)
    assert (got["virtual_count"], got["replay"]) == (0xABCD, True)
    assert read_frame(vcdu(1, 63, 5, bytes(10)))["content"] == "idle"


def test_frame_error_control_is_named_only_where_it_checks():
    frame = tm_frame(3, 0, 1, bytes(50), crc=True)
    assert read_frame(frame)["error_control"] == "CRC-16 checks"
    assert read_frame(frame[:-1] + bytes([frame[-1] ^ 1]))["error_control"] != "CRC-16 checks"


def test_packets_span_zones():
    sent = [packet(64 + k, k, bytes([k]) * (40 + 300 * k)) for k in range(4)]
    flow = b"".join(sent)
    starts = [sum(map(len, sent[:k])) for k in range(4)]
    size = 90
    stream = PacketStream()
    got = []
    for at in range(0, len(flow), size):
        zone = flow[at : at + size]
        inside = [start - at for start in starts if at <= start < at + size]
        got += [octets for _, octets in stream.feed(zone, inside[0] if inside else 0x7FF)]
    assert got == sent


def test_a_gap_costs_only_the_packet_it_falls_in():
    sent = [packet(64, k, bytes([k]) * 100) for k in range(4)]
    flow = b"".join(sent)  # 106 octets each
    stream = PacketStream()
    got = list(stream.feed(flow[:150], 0))
    stream.lost()
    got += list(stream.feed(flow[200:], 12))
    assert [header.sequence_count for header, _ in got] == [0, 2, 3]


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=1200))
def test_any_octets_are_read_without_fault(octets):
    assert len(json.dumps(read_frame(octets), allow_nan=False)) < 20_000
    packets_in(octets, 0)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=200), st.integers(0, 0x7FF)), max_size=12))
def test_any_zones_are_borne(zones):
    stream = PacketStream()
    for zone, first in zones:
        for header, octets in stream.feed(zone, first):
            assert header.octets == len(octets)
