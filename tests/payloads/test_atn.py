"""Upper layers and context management of the ATN: units encoded by the reference library asn1tools, and by hand.

Grammar from memory of ICAO Doc 9705 / 9880 on both sides; the library proves the packed encoding. Names invented.
"""

import json

import pytest
from cpdlc_grammar import ATN, ATN_DOWNLINK, ATN_UPLINK, module
from hypothesis import given
from hypothesis import strategies as st

from earwitness.payloads import atn_context, atn_cpdlc, atn_upper
from earwitness.payloads.per import NotDecodedError, Reader

asn1tools = pytest.importorskip(
    "asn1tools", reason="the reference library for packed encoding is not installed"
)

SHORT = {"ars": b"\xab\xcd\xef", "rest": bytes(range(10))}
LONG = {"rdp": bytes.fromhex("4700278101"), "short": {"rest": bytes(range(11))}}
LOGON = {
    "flight": "EWA123", "address": LONG,
    "ground": [{"qualifier": 22, "version": 1, "address": ("short", SHORT)}], "air": [{"qualifier": 9, "version": 255}],
    "facility": "ZZEWZQZX", "departure": "ZZAA", "destination": "ZZBB",
    "etd": {"date": {"year": 2026, "month": 11, "day": 25}, "time": {"hours": 13, "minutes": 5}},
}  # fmt: skip


@pytest.fixture(scope="module")
def grammar():
    return asn1tools.compile_string(module(ATN, ATN_UPLINK, ATN_DOWNLINK, ends=", ..."), "uper")


def packed(grammar, name, value):
    """A value's octets and how many bits those are: the library fills with zeros and does not tell its size."""
    octets = grammar.encode(name, value)
    return octets, 8 * len(octets)


def lists(grammar, context, bits):
    return grammar.encode("Lists", [{"context": context, "values": ("arbitrary", bits)}])


def test_context_management(grammar):
    octets = grammar.encode("CMAircraft", ("logonRequest", LOGON))
    got = atn_context.read_context(Reader(octets), downlink=True)
    assert got == {
        "context_management": "logon request", "flight": "EWA123",
        "aircraft_transport_address": "4700278101" + bytes(range(11)).hex().upper(),
        "applications": [{"application": "protected CPDLC", "version": 1,
                          "transport_address": "ABCDEF" + bytes(range(10)).hex().upper()}],
        "applications_air_initiated": [{"application": "number 9", "version": 255}],
        "facility": "ZZEWZQZX", "departure": "ZZAA", "destination": "ZZBB", "departure_time": "2026-11-25 13:05",
    }  # fmt: skip
    up = [
        (("logonResponse", {"air": LOGON["ground"]}), "logon response"),
        (("update", {"ground": LOGON["air"]}), "update"),
        (("contactRequest", {"facility": "ZZEW", "address": LONG}), "contact request"),
        (("abort", "a2"), "abort"),
    ]
    for value, name in up:
        got = atn_context.read_context(Reader(grammar.encode("CMGround", value)), downlink=False)
        assert got["context_management"] == name
    got = atn_context.read_context(
        Reader(grammar.encode("CMAircraft", ("contactResponse", "notSuccessful"))), downlink=True
    )
    assert got["contact"] == "not successful"


def test_association_request_brings_a_logon(grammar):
    """Session and presentation octets E8 02 from memory; the rest by the library."""
    user = [
        {"indirect": 3, "encoding": ("arbitrary", packed(grammar, "CMAircraft", ("logonRequest", LOGON)))}
    ]
    request = {"context": "1.3.27.3.1", "callingTitle": ("oid", "1.3.27.1.11259375.0"), "callingAp": 7,
               "callingQualifier": ("number", 1), "requirements": (b"\x40", 2), "user": user}  # fmt: skip
    octets = lists(grammar, 1, packed(grammar, "Acse", ("aarq", request)))
    got = atn_upper.read_upper(b"\xe8\x02" + octets, downlink=True)
    assert got.application == 1
    assert got.fields["session"] == "short connect"
    assert got.fields["association"] == "request"
    assert got.fields["calling_title"] == "1.3.27.1.11259375.0"
    assert got.fields["calling_application"] == "CM"
    assert got.fields["flight"] == "EWA123"
    cut = atn_upper.read_upper((b"\xe8\x02" + octets)[:-3], downlink=True)
    assert cut.fields["upper_not_decoded"] == 1
    assert "flight" not in cut.fields


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (("aare", {"context": "1.3.27.3.1", "result": 2, "diagnostic": ("provider", 2), "title": ("oid", "1.3.27.2")}),
         "response, rejected for now"),
        (("rlrq", {"reason": 0}), "release request"),
        (("rlre", {}), "release response"),
        (("abrt", {"source": 1, "diagnostic": "d2"}), "abort by the service provider"),
    ],
    ids=lambda value: value[0],
)  # fmt: skip
def test_other_association_units(grammar, value, said):
    got = atn_upper.read_upper(lists(grammar, 1, packed(grammar, "Acse", value)), downlink=False)
    assert got.fields["association"] == said


STAMP = {
    "date": {"year": 2026, "month": 11, "day": 25},
    "time": {"hoursminutes": {"hours": 13, "minutes": 5}, "seconds": 7},
}


def protected(grammar, *, elements, check=b"\0\0\0\0"):
    message = packed(
        grammar,
        "DownlinkMessage",
        {"header": {"number": 3, "dateTime": STAMP}, "data": {"elements": elements}},
    )
    return packed(grammar, "ProtectedAircraft", ("send", {"message": message, "check": (check, 32)})), message


def test_controller_pilot_message(grammar):
    whole, _ = protected(grammar, elements=[("e0", None)])
    for application in (22, None):
        got = atn_upper.read_upper(lists(grammar, 3, whole), downlink=True, application=application)
        assert got.fields["controller_pilot"] == "message"
        assert got.fields["elements"] == [{"element": "DM0", "text": "WILCO"}]
        assert ("application_inferred" in got.fields) == (application is None)
    raw = atn_upper.read_upper(lists(grammar, 3, whole), downlink=True, application=1)
    assert raw.fields["application_not_decoded"] == 1
    assert raw.fields["application_hex"] == whole[0].hex().upper()


def test_emergency_is_flagged_and_what_does_not_fit_is_raw(grammar):
    whole, _ = protected(grammar, elements=[("e56", None)])
    assert atn_cpdlc.read_protected(Reader(*whole), downlink=True).flags == ("emergency",)
    bad = packed(
        grammar, "ProtectedAircraft", ("send", {"message": (b"\xff" * 8, 64), "check": (b"\0" * 4, 32)})
    )
    got = atn_cpdlc.read_protected(Reader(*bad), downlink=True)
    assert got.fields["elements_not_decoded"] == 1
    assert got.fields["not_decoded_hex"] == "FF" * 8
    assert "elements" not in got.fields
    start = grammar.encode(
        "ProtectedAircraft", ("startdown", {"mode": "dsc", "message": {"check": (b"\0" * 4, 32)}})
    )
    got = atn_cpdlc.read_protected(Reader(start), downlink=True)
    assert got.fields["controller_pilot"] == "start with a downstream unit"
    for name, value, reason in (("ProtectedAircraft", ("abortUser", "r5"), "commanded termination"),
                                ("ProtectedGround", ("abortProvider", "p0"), "timer expired")):  # fmt: skip
        got = atn_cpdlc.read_protected(Reader(grammar.encode(name, value)), downlink="Aircraft" in name)
        assert got.fields["abort_reason"] == reason


def test_message_checksum_brings_all_four_sums_to_zero():
    """The defining property of the four check octets (Doc 9705, from memory), worked with plain sums."""
    for text in (b"", b"\x01", b"EARWITNESS", bytes(range(256)) * 3):
        octets = text + atn_cpdlc.message_checksum(text).to_bytes(4, "big")
        sums = [0, 0, 0, 0]
        for octet in octets:
            sums[0] += octet
            for k in (1, 2, 3):
                sums[k] += sums[k - 1]
        assert [value % 255 for value in sums] == [0, 0, 0, 0]


def test_reader_against_the_library(grammar):
    """X.691: lengths of 127, 128 and 16 383 bits; a NumericString; an object identifier; negative integers."""
    for size in (1, 127, 128, 16_383):
        octets = grammar.encode(
            "Pdv", {"context": 127, "values": ("arbitrary", (b"\x80" * (-(-size // 8)), size))}
        )
        r = Reader(octets)
        assert (r.bits(1), r.bits(1), r.number(1, 127), r.number(0, 2), r.length()) == (0, 0, 127, 2, size)
    r = Reader(grammar.encode("Frequency", ("satellite", " 12345678909")))
    assert (r.bits(2), r.digits(12)) == (3, " 12345678909")
    for number in (-129, -1, 0, 255, 70_000):
        r = Reader(grammar.encode("Qualifier", ("number", number)))
        assert (r.bits(2), r.integer()) == (1, number)
    r = Reader(grammar.encode("Title", ("oid", "2.100.16384.1")))
    assert (r.bits(2), r.arcs()) == (1, "2.100.16384.1")
    with pytest.raises(NotDecodedError):
        Reader(b"\xc1").length()


@given(
    st.sampled_from([b"", b"\xe8\x02", b"\xf0\x02\x00", b"\x00\xa0", b"\x00\x20"]),
    st.binary(max_size=120),
    st.booleans(),
)
def test_any_octets_are_borne(front, octets, downlink):
    got = atn_upper.read_upper(front + octets, downlink=downlink)
    json.dumps(got.fields, allow_nan=False)
    try:
        json.dumps(atn_context.read_context(Reader(octets), downlink=downlink), allow_nan=False)
    except NotDecodedError:
        return
