"""Code tables of ITU-R M.1371-5, from memory of its annexes; wording ours where the table is long."""

from __future__ import annotations

KINDS = {
    1: "position report, scheduled",
    2: "position report, assigned",
    3: "position report, special",
    4: "base station report",
    5: "static and voyage related data",
    6: "binary addressed message",
    7: "binary acknowledgement",
    8: "binary broadcast message",
    9: "standard SAR aircraft position report",
    10: "UTC/date inquiry",
    11: "UTC/date response",
    12: "addressed safety related message",
    13: "safety related acknowledgement",
    14: "safety related broadcast message",
    15: "interrogation",
    16: "assignment mode command",
    17: "DGNSS broadcast binary message",
    18: "standard class B position report",
    19: "extended class B position report",
    20: "data link management message",
    21: "aid-to-navigation report",
    22: "channel management",
    23: "group assignment command",
    24: "static data report",
    25: "single slot binary message",
    26: "multiple slot binary message",
    27: "long-range position report",
}

NAV_STATUS = (
    "under way using engine",
    "at anchor",
    "not under command",
    "restricted manoeuvrability",
    "constrained by draught",
    "moored",
    "aground",
    "engaged in fishing",
    "under way sailing",
    "reserved 9",
    "reserved 10",
    "power-driven vessel towing astern",
    "power-driven vessel pushing ahead or towing alongside",
    "reserved 13",
    "AIS-SART, MOB or EPIRB active",
    "undefined",
)

EPFD = (
    "undefined",
    "GPS",
    "GLONASS",
    "combined GPS/GLONASS",
    "Loran-C",
    "Chayka",
    "integrated navigation system",
    "surveyed",
    "Galileo",
    *(f"reserved {n}" for n in range(9, 15)),
    "internal GNSS",
)

AID_TYPES = (
    "not specified",
    "reference point",
    "radar beacon",
    "fixed structure off shore",
    "emergency wreck marking buoy",
    "light, without sectors",
    "light, with sectors",
    "leading light front",
    "leading light rear",
    "beacon, cardinal N",
    "beacon, cardinal E",
    "beacon, cardinal S",
    "beacon, cardinal W",
    "beacon, port hand",
    "beacon, starboard hand",
    "beacon, preferred channel port hand",
    "beacon, preferred channel starboard hand",
    "beacon, isolated danger",
    "beacon, safe water",
    "beacon, special mark",
    "cardinal mark N",
    "cardinal mark E",
    "cardinal mark S",
    "cardinal mark W",
    "port hand mark",
    "starboard hand mark",
    "preferred channel port hand",
    "preferred channel starboard hand",
    "isolated danger",
    "safe water",
    "special mark",
    "light vessel, large buoy or rig",
)

_SPECIAL_SHIPS = {
    30: "fishing",
    31: "towing",
    32: "towing, long or broad tow",
    33: "dredging or underwater operations",
    34: "diving operations",
    35: "military operations",
    36: "sailing",
    37: "pleasure craft",
    50: "pilot vessel",
    51: "search and rescue vessel",
    52: "tug",
    53: "port tender",
    54: "anti-pollution vessel",
    55: "law enforcement vessel",
    58: "medical transport",
    59: "ship of a state not party to an armed conflict",
}
_SHIPS = {
    2: "wing-in-ground craft",
    4: "high-speed craft",
    6: "passenger ship",
    7: "cargo ship",
    8: "tanker",
    9: "other type of ship",
}
_CARGO = {1: "X", 2: "Y", 3: "Z", 4: "OS"}


def ship_type_text(code: int) -> str:
    """Give the type of ship and cargo in words."""
    if code in _SPECIAL_SHIPS:
        return _SPECIAL_SHIPS[code]
    ship = _SHIPS.get(code // 10) if code < 100 else None
    if ship is None:
        return f"reserved {code}"
    cargo = _CARGO.get(code % 10)
    return f"{ship}, hazard category {cargo}" if cargo else ship


# IMO SN.1/Circ.289 and 236, international function messages (DAC 1), from memory.
APPLICATIONS = {
    (1, 0): "text telegram",
    (1, 2): "interrogation for a function message",
    (1, 3): "capability interrogation",
    (1, 4): "capability reply",
    (1, 5): "application acknowledgement",
    (1, 11): "meteorological and hydrographic data",
    (1, 12): "dangerous cargo indication",
    (1, 13): "fairway closed",
    (1, 14): "tidal window",
    (1, 15): "extended ship static and voyage data",
    (1, 16): "number of persons on board",
    (1, 17): "VTS-generated targets",
    (1, 18): "clearance time to enter port",
    (1, 19): "marine traffic signal",
    (1, 20): "berthing data",
    (1, 21): "weather observation from ship",
    (1, 22): "area notice, broadcast",
    (1, 23): "area notice, addressed",
    (1, 24): "extended ship static and voyage data",
    (1, 25): "dangerous cargo indication",
    (1, 26): "environmental data",
    (1, 27): "route information, broadcast",
    (1, 28): "route information, addressed",
    (1, 29): "text description, broadcast",
    (1, 30): "text description, addressed",
    (1, 31): "meteorological and hydrographic data",
    (1, 32): "tidal window",
}
