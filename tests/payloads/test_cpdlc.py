"""Controller-pilot elements against the reference library asn1tools: each element of both grammars, one row each.

The library encodes from ASN.1 text (cpdlc_grammar.py); both grammar and readers are from memory, so this proves the
packed encoding and that texts and types agree, not the standards' tables themselves.
"""

import re

import pytest
from cpdlc_grammar import (
    ATN,
    ATN_DOWNLINK,
    ATN_UPLINK,
    FANS,
    FANS_DOWNLINK,
    FANS_UPLINK,
    element_types,
    module,
)
from hypothesis import given
from hypothesis import strategies as st

from earwitness.payloads import atn_cpdlc, cpdlc_elements, fans_cpdlc
from earwitness.payloads.per import NotDecodedError, Reader

asn1tools = pytest.importorskip(
    "asn1tools", reason="the reference library for packed encoding is not installed"
)


@pytest.fixture(scope="module")
def atn():
    return asn1tools.compile_string(module(ATN, ATN_UPLINK, ATN_DOWNLINK, ends=", ..."), "uper")


@pytest.fixture(scope="module")
def fans():
    return asn1tools.compile_string(module(FANS, FANS_UPLINK, FANS_DOWNLINK, ends=""), "uper")


CLOCK = {"hours": 13, "minutes": 59}
LATLON_FANS = {"latitude": {"degrees": 51, "minutes": 304, "direction": "north"},
               "longitude": {"degrees": 0, "minutes": 274, "direction": "west"}}  # fmt: skip
LATLON_ATN = {"latitude": {"type": ("degreesMinutes", {"degrees": 51, "minutes": 3042}), "direction": "north"},
              "longitude": {"type": ("dms", {"degrees": 0, "minutes": 27, "seconds": 24}), "direction": "west"}}  # fmt: skip

# One value of each type and the text it must give: (value, text), for both grammars unless named.
BOTH = {
    "Time": (CLOCK, "13:59"),
    "Degrees": (("true", 360), "360 TRUE"),
    "Direction": ("northWest", "NORTH WEST"),
    "DirectionDegrees": ({"direction": "left", "degrees": ("magnetic", 1)}, "LEFT|001 MAGNETIC"),
    "Code": ([7, 0, 2, 1], "7021"),
    "FreeText": ("ROGER \x1b[ALL", "ROGER \u241b[ALL"),
    "AltimeterSetting": (("metric", 10132), "1013.2 HPA"),
    "AtisCode": ("Q", "Q"),
    "ToFrom": ("from", "FROM"),
    "VersionNumber": (2, "2"),
    "RemainingFuelPersonsOnBoard": ({"fuel": CLOCK, "persons": 1024}, "13:59|1024"),
    "Airport": ("ZZEW", "ZZEW"),
}
ATN_VALUES = BOTH | {
    "Level": (("blockLevel", [("flightLevel", 330), ("feet", -60)]), "BLOCK FL330 TO -600 FT"),
    "Position": (("fixName", {"name": "EWALA", "latlon": LATLON_ATN}), "EWALA (5130.42N 0002724W)"),
    "Speed": (("mach", 785), "M0.785"),
    "Distance": (("nm", 9999), "999.9 NM"),
    "DistanceSpecifiedDirection": ({"distance": ("km", 500), "direction": "right"}, "500 KM|RIGHT"),
    "VerticalRate": (("english", 3000), "30000 FT/MIN"),
    "Frequency": (("vhf", 26425), "132.125 MHZ"),
    "UnitNameFrequency": (
        {"unit": {"designation": "ZZEWZQZX", "name": "EWA", "function": "radio"}, "frequency": ("uhf", 9001)},
        "ZZEWZQZX EWA RADIO|225.025 MHZ",
    ),
    "FacilityDesignation": ("ZZEWZQZX", "ZZEWZQZX"),
    "Facility": (("facilityDesignation", "ZZEWZQZX"), "ZZEWZQZX"),
    "ProcedureName": ({"type": "departure", "procedure": "EWA1D", "transition": "NORTH"}, "EWA1D.NORTH DEPARTURE"),
    "ClearanceType": ("downstream", "DOWNSTREAM"),
    "TrafficType": ("noneSpecified", ""),
    "SpeedTypes": (["noneSpecified", "ground", "maximum"], "GROUND MAXIMUM"),
    "SpeedTypesSpeed": (
        {"types": ["mach", "noneSpecified", "noneSpecified"], "speed": ("ground", -50)},
        "MACH|-50 KT ground speed",
    ),
    "ErrorInformation": ("element", "invalid element"),
    "RunwayRvr": ({"runway": {"direction": 36, "configuration": "left"}, "rvr": ("meters", 1500)}, "36L|1500 M"),
    "RouteClearanceIndex": (2, "ROUTE CLEARANCE 2"),
    "HoldClearance": (
        {"position": ("navaid", {"name": "EWA"}), "level": ("singleLevel", ("flightLevelMetric", 1010)),
         "degrees": ("true", 90), "direction": "right", "legType": ("time", 1)},
        "EWA MAINTAIN 10100 M (standard pressure) INBOUND TRACK 090 TRUE TURNS RIGHT LEGS 1 MIN",
    ),
    "PositionReport": (
        {"position": ("latitudeLongitude", LATLON_ATN), "time": CLOCK, "level": ("singleLevel", ("flightLevel", 370)),
         "fixNext": ("airport", "ZZEW"), "timeNext": CLOCK, "fixPlusOne": ("fixName", {"name": "A"}),
         "timeDestination": CLOCK, "fuel": CLOCK, "temperature": -56,
         "winds": {"direction": 270, "speed": ("metric", 511)}, "turbulence": "moderate", "icing": "severe",
         "speed": ("indicated", 280), "speedGround": 480,
         "verticalChange": {"direction": "down", "rate": ("metric", 1000)}, "trackAngle": ("true", 1),
         "heading": ("magnetic", 2), "distance": ("km", 1), "humidity": 100,
         "reportedPosition": ("navaid", {"name": "EWA"}), "reportedTime": CLOCK,
         "reportedLevel": ("singleLevel", ("meters", 25000))},
        "5130.42N 0002724W AT 13:59 LEVEL FL370, NEXT ZZEW, AT 13:59, THEN A, DESTINATION AT 13:59, FUEL 13:59, "
        "TEMPERATURE -56 C, WIND 270/511 KM/H, TURBULENCE MODERATE, ICING SEVERE, SPEED 280 KT indicated, "
        "GROUND SPEED 480 KT, VERTICAL DOWN 10000 M/MIN, TRACK 001 TRUE, HEADING 002 MAGNETIC, DISTANCE 0.25 KM, "
        "HUMIDITY 100 PERCENT, REPORTED WAYPOINT EWA, AT 13:59, LEVEL 25000 M",
    ),
    "DepartureClearance": (
        {"flight": "EWA123", "clearanceLimit": ("airport", "ZZEW"),
         "flightInformation": ("routeAndLevels", {"routeOfFlight": ("atsRoute", "L620"),
            "levelsOfFlight": ("levelProcedureName", {"level": ("singleLevel", ("feet", 600)),
                "procedureName": {"type": "departure", "procedure": "EWA1D"}})}),
         "further": {"code": [1, 2, 3, 4], "departureFrequency": {
            "unit": {"designation": "ZZEWZQZX", "function": "departure"}, "frequency": ("satellite", "123456789012")},
            "expiry": CLOCK, "airportDeparture": "ZZAA", "airportDestination": "ZZBB",
            "timeDeparture": {"allocated": CLOCK, "controlled": {"time": CLOCK, "tolerance": "atorafter"},
                "clearanceExpected": CLOCK, "minimumInterval": 15},
            "runwayDeparture": {"direction": 27, "configuration": "none"}, "revision": 16, "atisCode": "B"}},
        "EWA123 CLEARED TO ZZEW ROUTE L620 6000 FT EWA1D DEPARTURE, SQUAWK 1234, "
        "DEPARTURE FREQUENCY ZZEWZQZX DEPARTURE channel 123456789012, EXPIRES 13:59, FROM ZZAA, TO ZZBB, "
        "DEPARTURE TIME ALLOCATED 13:59, CONTROLLED AT OR AFTER 13:59, EXPECT CLEARANCE 13:59, INTERVAL 1.5 MIN, "
        "RUNWAY 27, REVISION 16, ATIS B",
    ),
}  # fmt: skip


def route(kind):
    """A route clearance with every part it can have, and its text."""
    latlon, named, one, level_text = (
        (LATLON_ATN, "5130.42N 0002724W", ("fixName", {"name": "EWA"}), "FL330")
        if kind == "atn"
        else (LATLON_FANS, "5130.4N 00027.4W", ("fixName", "EWA"), "FL330")
    )
    published = (
        ("fixName", {"name": "OSK", "latlon": latlon})
        if kind == "atn"
        else {"fixName": "OSK", "latlon": latlon}
    )
    plain = ("fixName", {"name": "OSK"}) if kind == "atn" else {"fixName": "OSK"}
    level = ("singleLevel", ("flightLevel", 330)) if kind == "atn" else ("flightLevel", 330)
    speed, speed_text = (("mach", 785), "M0.785") if kind == "atn" else (("mach", 78), "M.78")
    tolerant = {"tolerance": "atorbelow", "level": level}
    distance = ("nm", 105)
    degrees = ("magnetic", 45)
    bearing = {"publishedIdentifier": plain, "degrees": degrees}
    procedure = {"type": "arrival", "procedure": "EWA2A"}
    parts = [
        ("publishedIdentifier", published), ("latitudeLongitude", latlon),
        ("placeBearingPlaceBearing", [bearing, bearing]), ("placeBearingDistance", {**bearing, "distance": distance}),
        ("atsRoute" if kind == "atn" else "airway", "UL620"),
    ]  # fmt: skip
    text = f"OSK ({named}) {named} OSK 045 MAGNETIC AND OSK 045 MAGNETIC OSK 045 MAGNETIC 10.5 NM UL620"
    if kind == "fans":
        parts.append(("trackDetail", {"name": "TRK", "places": [latlon, latlon]}))
        text += f" TRACK TRK {named} {named}"
    value = {
        "airportDeparture": "ZZAA", "airportDestination": "ZZBB",
        "runwayDeparture": {"direction": 9, "configuration": "right"}, "procedureDeparture": procedure,
        "runwayArrival": {"direction": 27, "configuration": "center"}, "procedureApproach": procedure,
        "procedureArrival": procedure, "routeInformations": parts,
        "additional": {
            "alongTrack": [{"position": one, "distance": {"tolerance": "minus", "distance": distance}, "speed": speed,
                            "levels": [tolerant, tolerant]}],
            "reportingPoints": {"points": ("longitude", {"direction": "west", "degrees": 30 if kind == "fans" else 30000}),
                                "increment": 10},
            "interceptCourseFroms": [{"from": ("placeBearingDistance", {**bearing, "distance": distance}),
                                      "degrees": degrees}],
            "holdAtWaypoints": [{"position": one, "speedLow": speed, "level": tolerant, "speedHigh": speed,
                                 "direction": "left", "degrees": degrees, "efcTime": CLOCK,
                                 "legType": ("distance", ("km", 128))}],
            "waypointSpeedLevels": [{"position": one, "speed": speed, "levels": [tolerant]}, {"position": one}],
            "requiredTimes": [{"position": one, "time": {"time": CLOCK, "tolerance": "atorbefore"}, "tolerance": 150}],
        },
    }  # fmt: skip
    middle = ""
    if kind == "fans":
        value["airwayIntercept"] = "A1"
        middle = "INTERCEPT AIRWAY A1, "
    text = (
        "FROM ZZAA, TO ZZBB, DEPARTURE RUNWAY 09R, EWA2A ARRIVAL, ARRIVAL RUNWAY 27C, EWA2A ARRIVAL, EWA2A ARRIVAL, "
        f"{middle}ROUTE {text}, ALONG TRACK EWA -10.5 NM {speed_text} AT OR BELOW {level_text} AND AT OR BELOW {level_text}, "
        "REPORTING 30W EVERY 10 DEG, INTERCEPT OSK 045 MAGNETIC 10.5 NM COURSE 045 MAGNETIC, "
        f"HOLD AT EWA FROM  {speed_text} AT OR BELOW {level_text} UP TO  {speed_text} TURNS  LEFT INBOUND  045 MAGNETIC "
        f"UNTIL  13:59 LEGS 128 KM, AT WAYPOINTS EWA {speed_text} AT OR BELOW {level_text}; EWA, "
        "REQUIRED TIMES EWA AT OR BEFORE 13:59 +-15 MIN"
    ).replace("  ", " ")
    return value, text


FANS_VALUES = BOTH | {
    "Level": (("flightLevelMetric", 2000), "20000 M (standard pressure)"),
    "Position": (("latitudeLongitude", LATLON_FANS), "5130.4N 00027.4W"),
    "Speed": (("machLarge", 604), "M6.04"),
    "Distance": (("km", 1024), "1024 KM"),
    "DistanceSpecifiedDirection": ({"distance": ("nm", 128), "direction": "south"}, "128 NM|SOUTH"),
    "DistanceSpecified": (("km", 256), "256 KM"),
    "VerticalRate": (("metric", 200), "2000 M/MIN"),
    "Frequency": (("satellite", " 12345678909"[:12]), "channel  12345678909"),
    "UnitNameFrequency": (
        {"unit": {"identification": ("name", "EWA"), "function": "control"}, "frequency": ("hf", 28000)},
        "EWA CONTROL|28000 KHZ",
    ),
    "FacilityDesignation": ("ZZEW", "ZZEW"),
    "FacilityTableOne": ({"facility": "ZZEW", "table": "labelB"}, "ZZEW|LABEL B"),
    "ProcedureName": ({"type": "arrival", "procedure": "EWA1A"}, "EWA1A ARRIVAL"),
    "ErrorInformation": ("e1", "duplicate message number"),
    "TrackDetail": ({"name": "TRK", "places": [LATLON_FANS]}, "TRACK TRK 5130.4N 00027.4W"),
    "RouteClearance": route("fans"),
    "HoldClearance": (
        {"position": ("fixName", "EWALA"), "level": ("qnh", 600), "degrees": ("true", 90), "direction": "left"},
        "EWALA MAINTAIN 6000 FT INBOUND TRACK 090 TRUE TURNS LEFT",
    ),
    "PositionReport": (
        {"position": ("latitudeLongitude", LATLON_FANS), "time": CLOCK, "level": ("flightLevel", 370),
         "fixNext": ("airport", "ZZEW"), "timeNext": CLOCK, "fixPlusOne": ("fixName", "A"), "timeDestination": CLOCK,
         "fuel": CLOCK, "temperature": ("c", -56), "winds": {"direction": 270, "speed": ("english", 44)},
         "turbulence": "light", "icing": "trace", "speed": ("indicated", 28), "speedGround": 48,
         "verticalChange": {"direction": "up", "rate": ("english", 60)}, "trackAngle": ("true", 1),
         "heading": ("true", 2), "distance": ("nm", 1), "supplementary": "SMOOTH",
         "reportedPosition": ("navaid", "EWA"), "reportedTime": CLOCK, "reportedLevel": ("gnss", 150000)},
        "5130.4N 00027.4W AT 13:59 LEVEL FL370, NEXT ZZEW, AT 13:59, THEN A, DESTINATION AT 13:59, FUEL 13:59, "
        "TEMPERATURE -56 C, WIND 270/44 KT, TURBULENCE LIGHT, ICING TRACE, SPEED 280 KT indicated, GROUND SPEED 480 KT, "
        "VERTICAL UP 6000 FT/MIN, TRACK 001 TRUE, TRUE HEADING 002 TRUE, DISTANCE 0.1 NM, REMARKS SMOOTH, "
        "REPORTED WAYPOINT EWA, AT 13:59, LEVEL 150000 FT GNSS",
    ),
    "PredepartureClearance": (
        {"flight": "EWA123", "aircraftType": "B789", "equipment": {"available": True, "status": ["adf", "vhfRtf"],
            "ssr": "sid"}, "edct": CLOCK, "route": {"airportDeparture": "ZZAA"}, "restriction": ("qnh", 600),
         "frequency": ("vhf", 121700), "code": [1, 2, 3, 4], "revision": 1},
        "EWA123 B789 WITH ADF VHF, MODE S IDENT DEPARTURE AT 13:59, FROM ZZAA, MAINTAIN 6000 FT, "
        "DEPARTURE FREQUENCY 121.700 MHZ, SQUAWK 1234, REVISION 1",
    ),
}  # fmt: skip


def expected(text, texts):
    """An element's text with the parts in its brackets, where several brackets may come from one type."""
    pieces = [piece for whole in texts for piece in whole.split("|")]
    for piece in pieces:
        text = re.sub(r"\[[a-z_ ]+\]", lambda _, piece=piece: piece.replace("[", "\0"), text, count=1)
    assert "[" not in text, text
    return re.sub(r"(?<=DUE TO) {2}", " ", text).replace("\0", "[")


def made(parts, values):
    if not parts:
        return None
    if len(parts) == 1:
        return values[parts[0]][0]
    return {f"p{i}": values[part][0] for i, part in enumerate(parts)}


STAMP = {"date": {"year": 2026, "month": 11, "day": 25}, "time": {"hoursminutes": CLOCK, "seconds": 7}}


@pytest.mark.parametrize("downlink", [False, True], ids=["uplink", "downlink"])
def test_every_element_of_the_atn(atn, downlink):
    table, listed, name, prefix = (
        (cpdlc_elements.ATN_DOWNLINK, ATN_DOWNLINK, "DownlinkMessage", "DM")
        if downlink
        else (cpdlc_elements.ATN_UPLINK, ATN_UPLINK, "UplinkMessage", "UM")
    )
    types = element_types(listed)
    assert len(types) == len(table) == (114 if downlink else 238)
    for number, parts in enumerate(types):
        message = {"header": {"number": 9, "dateTime": STAMP},
                   "data": {"elements": [(f"e{number}", made(parts, ATN_VALUES)), ("e0", None)]}}  # fmt: skip
        octets = atn.encode(name, message)
        found = None
        for size in range(
            8 * len(octets) - 7, 8 * len(octets) + 1
        ):  # the library does not tell how many it used
            try:
                found = atn_cpdlc.read_message(Reader(octets, size), downlink=downlink)
                break
            except NotDecodedError as error:
                why = error
        assert found, (number, why)
        assert found["message_time"] == "2026-11-25 13:59:07"
        want = expected(table[number], [ATN_VALUES[part][1] for part in parts])
        assert found["elements"][0] == {"element": f"{prefix}{number}", "text": want}
        assert found["elements"][1]["element"] == f"{prefix}0"


@pytest.mark.parametrize("downlink", [False, True], ids=["uplink", "downlink"])
def test_every_element_of_fans(fans, downlink):
    table, listed, name, prefix = (
        (cpdlc_elements.FANS_DOWNLINK, FANS_DOWNLINK, "DownlinkMessage", "DM")
        if downlink
        else (cpdlc_elements.FANS_UPLINK, FANS_UPLINK, "UplinkMessage", "UM")
    )
    types = element_types(listed)
    assert len(types) == len(table) == (81 if downlink else 183)
    types = [["Direction", "DistanceSpecified"] if "Direction" in parts else parts for parts in types]
    for number, parts in enumerate(types):
        message = {"header": {"number": 9, "reference": 63, "time": {"time": CLOCK, "seconds": 1}},
                   "element": (f"e{number}", made(parts, FANS_VALUES)), "more": [("e0", None)]}  # fmt: skip
        octets = fans.encode(name, message)
        fields, ended, place = fans_cpdlc._read(octets, table, prefix, 7 if downlink else 8)
        assert ended, (number, fields)
        want = expected(table[number], [FANS_VALUES[part][1] for part in parts])
        assert fields["elements"][0] == {"element": f"{prefix}{number}", "text": want}
        assert (place is not None) == (downlink and number == 48)


def test_routes_of_the_atn_stand_behind_the_elements(atn):
    value, text = route("atn")
    message = {"header": {"number": 1, "reference": 2, "dateTime": STAMP, "logicalAck": "required"},
               "data": {"elements": [("e80", 1)], "constrained": {"routeClearanceData": [value]}}}  # fmt: skip
    octets = atn.encode("UplinkMessage", message)
    for size in range(8 * len(octets) - 7, 8 * len(octets) + 1):
        try:
            found = atn_cpdlc.read_message(Reader(octets, size), downlink=False)
        except NotDecodedError:
            continue
    assert found["elements"][0]["text"] == "CLEARED ROUTE CLEARANCE 1"
    assert found["route_clearances"] == [text]
    assert found["positions"] == [{"latitude_deg": 51.507, "longitude_deg": -0.456667}]
    assert (found["reference"], found["logical_acknowledgement"]) == (2, True)


def test_position_reports_place_the_aircraft(fans):
    message = {"header": {"number": 9}, "element": ("e48", FANS_VALUES["PositionReport"][0])}
    octets = fans.encode("DownlinkMessage", message)
    found = fans_cpdlc.read_message(octets, downlink=True)
    assert found.latitude_deg == pytest.approx(51 + 30.4 / 60, abs=1e-6)
    assert found.longitude_deg == pytest.approx(-27.4 / 60, abs=1e-6)
    assert "positions" not in found.fields  # its own is not one of those named
    message["element"] = ("e22", ("latitudeLongitude", LATLON_FANS))
    found = fans_cpdlc.read_message(fans.encode("DownlinkMessage", message), downlink=True)
    assert found.latitude_deg is None
    assert found.fields["positions"] == [{"latitude_deg": 51.506667, "longitude_deg": -0.456667}]


@given(st.binary(max_size=80), st.booleans())
def test_any_bits_are_borne(octets, downlink):
    for read in (atn_cpdlc.read_protected, atn_cpdlc.read_message):
        try:
            read(Reader(octets), downlink=downlink)
        except NotDecodedError:
            continue
