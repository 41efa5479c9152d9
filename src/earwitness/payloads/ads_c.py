"""Contract-mode surveillance (ADS-C) as FANS-1/A aircraft send it: groups of bits behind one-octet tags.

Tags, widths and steps are those of ARINC 745 / RTCA DO-212, from memory. One off-air message agrees with the basic
and route groups; of the others only that their widths add up to whole octets could be checked. An unknown tag ends the reading, since its length is not known; the rest is given raw.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.bits import Field, Layout, flag, s, spare, u
from earwitness.core.types import Bits

_SOURCE = "ARINC 745, from memory"
MOST_GROUPS = 64


def _degrees(name: str) -> Field:
    return s(name, 21, scale=180 / 2**20)


_PLACE = (_degrees("latitude_deg"), _degrees("longitude_deg"), s("altitude_ft", 16, scale=4))
_BASIC = Layout(
    "basic",
    80,
    _SOURCE,
    (*_PLACE, u("seconds_past_hour", 15, scale=0.125), u("figure_of_merit_code", 7)),
)


def _six_bit(raw: int) -> str:
    """Give eight characters of six bits: ISO-5 without its two upper bits, as in Mode S identification."""
    codes = [raw >> 6 * n & 63 for n in range(7, -1, -1)]
    return "".join(
        chr(c + 64) if 1 <= c <= 26 else chr(c) if c == 32 or 48 <= c <= 57 else "?" for c in codes
    ).strip()


# Why a request was refused; one that must be named by its tag comes with that in a further octet.
REFUSALS = {
    1: "duplicate group",
    2: "duplicate reporting interval",
    3: "event contract without data",
    4: "improper mode",
    5: "no such contract",
    6: "contract exists already",
    7: "undefined group",
    8: "undefined error",
    9: "not enough data",
    10: "altitude range upside down",
    11: "vertical rate of zero",
    12: "projection time of zero",
    13: "lateral deviation of zero",
}
REFUSALS_WITH_TAG = (1, 2, 7)


def _refusal(octets: bytes) -> tuple[dict[str, Any], int] | None:
    """Give the values of a refusal and its octets; None when they are not all there."""
    if len(octets) < 2:
        return None
    values: dict[str, Any] = {"contract": octets[0], "reason": REFUSALS.get(octets[1], f"reason {octets[1]}")}
    if octets[1] not in REFUSALS_WITH_TAG:
        return values, 2
    if len(octets) < 3:
        return None
    return {**values, "refused_tag": octets[2]}, 3


def _noncompliance(octets: bytes) -> tuple[dict[str, Any], int] | None:
    """Give the groups that a contract will not get and the octets read; None when they are not all there.

    Each group is its tag and an octet: not known, not available at all, two spare bits, and the number of values
    missing, which are then named four bits each.
    """
    if len(octets) < 2:
        return None
    rows: list[dict[str, Any]] = []
    at = 2
    for _ in range(octets[1]):
        if at + 2 > len(octets) or len(rows) == MOST_GROUPS:
            return None
        tag, state = octets[at], octets[at + 1]
        at += 2
        row: dict[str, Any] = {"tag": tag, "group": UPLINK[tag][0] if tag in UPLINK else "undefined"}
        if state & 0xC0:
            row["missing"] = "not known" if state & 0x80 else "all"
        else:
            count = state & 15
            named = octets[at : at + (count + 1) // 2]
            if 2 * len(named) < count:
                return None
            row["missing_values"] = [named[n // 2] >> 4 * (1 - n % 2) & 15 for n in range(count)]
            at += len(named)
        rows.append(row)
    return {"contract": octets[0], "groups_not_sent": rows}, at


_VARIABLE = {4: ("refusal", _refusal), 5: ("noncompliance", _noncompliance)}

# Downlink: name, layout. Basic ones carry the aircraft's own position.
DOWNLINK = {
    3: ("acknowledgement", Layout("acknowledgement", 8, _SOURCE, (u("contract", 8),))),
    6: ("emergency mode ended", Layout("end", 0, _SOURCE)),
    7: ("basic report", _BASIC),
    9: ("emergency report", _BASIC),
    10: ("lateral deviation event", _BASIC),
    12: ("flight identification", Layout("flight", 48, _SOURCE, (Field("flight", 48, decode=_six_bit),))),
    13: (
        "predicted route",
        Layout(
            "route",
            136,
            _SOURCE,
            (
                _degrees("next_latitude_deg"),
                _degrees("next_longitude_deg"),
                s("next_altitude_ft", 16, scale=4),
                u("next_eta_s", 14),
                _degrees("following_latitude_deg"),
                _degrees("following_longitude_deg"),
                s("following_altitude_ft", 16, scale=4),
                spare(6),
            ),
        ),
    ),
    14: (
        "earth reference",
        Layout(
            "earth",
            40,
            _SOURCE,
            (
                flag("track_invalid"),
                s("true_track_deg", 12, scale=180 / 2**11),
                u("ground_speed_kn", 13, scale=0.5),
                s("vertical_rate_ft_min", 12, scale=16),
                spare(2),
            ),
        ),
    ),
    15: (
        "air reference",
        Layout(
            "air",
            40,
            _SOURCE,
            (
                flag("heading_invalid"),
                s("true_heading_deg", 12, scale=180 / 2**11),
                u("mach", 13, scale=0.0005),
                s("vertical_rate_ft_min", 12, scale=16),
                spare(2),
            ),
        ),
    ),
    16: (
        "weather",
        Layout(
            "weather",
            32,
            _SOURCE,
            (
                u("wind_speed_kn", 9, scale=0.5),
                flag("wind_direction_invalid"),
                s("wind_direction_deg", 9, scale=180 / 2**8),
                s("temperature_c", 12, scale=0.25),
                spare(1),
            ),
        ),
    ),
    17: (
        "airframe",
        Layout("airframe", 24, _SOURCE, (Field("icao_address", 24, decode=lambda x: f"{x:06X}"),)),
    ),
    18: ("vertical rate event", _BASIC),
    19: ("altitude range event", _BASIC),
    20: ("waypoint change event", _BASIC),
    22: (
        "intermediate projection",
        Layout(
            "intermediate",
            64,
            _SOURCE,
            (
                u("distance_nm", 16, scale=0.125),
                flag("track_invalid"),
                s("true_track_deg", 12, scale=180 / 2**11),
                s("altitude_ft", 16, scale=4),
                u("projected_s", 14),
                spare(5),
            ),
        ),
    ),
    23: ("fixed projection", Layout("fixed", 72, _SOURCE, (*_PLACE, u("projected_s", 14)))),
}
OWN_POSITION = (7, 9, 10, 18, 19, 20)

_MODULUS = (u("every_nth_report", 8),)
_CONTRACT = (u("contract", 8),)
UPLINK = {
    1: ("cancel all contracts", Layout("cancel all", 0, _SOURCE)),
    2: ("cancel contract", Layout("cancel", 8, _SOURCE, _CONTRACT)),
    6: ("cancel emergency mode", Layout("cancel emergency", 8, _SOURCE, _CONTRACT)),
    7: ("periodic contract", Layout("periodic", 8, _SOURCE, _CONTRACT)),
    8: ("event contract", Layout("event", 8, _SOURCE, _CONTRACT)),
    9: ("emergency periodic contract", Layout("emergency", 8, _SOURCE, _CONTRACT)),
    10: (
        "on lateral deviation",
        Layout("lateral", 8, _SOURCE, (u("lateral_deviation_nm", 8, scale=0.125),)),
    ),
    11: ("reporting interval", Layout("interval", 8, _SOURCE, (u("scale", 2), u("rate", 6)))),
    12: ("flight identification wanted", Layout("flight", 8, _SOURCE, _MODULUS)),
    13: ("predicted route wanted", Layout("route", 8, _SOURCE, _MODULUS)),
    14: ("earth reference wanted", Layout("earth", 8, _SOURCE, _MODULUS)),
    15: ("air reference wanted", Layout("air", 8, _SOURCE, _MODULUS)),
    16: ("weather wanted", Layout("weather", 8, _SOURCE, _MODULUS)),
    17: ("airframe wanted", Layout("airframe", 8, _SOURCE, _MODULUS)),
    18: ("on vertical rate", Layout("vertical", 8, _SOURCE, (s("vertical_rate_ft_min", 8, scale=64),))),
    19: (
        "on leaving altitudes",
        Layout("range", 32, _SOURCE, (s("ceiling_ft", 16, scale=4), s("floor_ft", 16, scale=4))),
    ),
    20: ("on waypoint change", Layout("waypoint", 0, _SOURCE)),
    21: (
        "aircraft intent wanted",
        Layout("intent", 16, _SOURCE, (*_MODULUS, u("projection_min", 8))),
    ),
}
_SCALES_S = {0: 0, 1: 1, 2: 8, 3: 64}


@dataclass(frozen=True, slots=True)
class Groups:
    """The groups of one message."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    flags: tuple[str, ...] = ()


def read_groups(octets: bytes, *, downlink: bool) -> Groups:
    """Give the groups of a message's octets; what is behind an unknown tag is given raw and counted."""
    table = DOWNLINK if downlink else UPLINK
    groups: list[dict[str, Any]] = []
    latitude = longitude = None
    flags: tuple[str, ...] = ()
    at = 0
    own: dict[str, Any] = {}
    while at < len(octets) and len(groups) < MOST_GROUPS:
        tag = octets[at]
        if downlink and tag in _VARIABLE:
            name, reader = _VARIABLE[tag]
            got = reader(octets[at + 1 :])
            if got is None:
                break
            groups.append({"tag": tag, "group": name, **got[0]})
            at += 1 + got[1]
            continue
        if tag not in table:
            break
        name, layout = table[tag]
        size = layout.bits // 8
        if at + 1 + size > len(octets):
            break
        values = _tidied(
            layout.parse(Bits(int.from_bytes(octets[at + 1 : at + 1 + size], "big"), layout.bits))
        )
        groups.append({"tag": tag, "group": name, **values})
        at += 1 + size
        if downlink and tag in OWN_POSITION and values["latitude_deg"] is not None:
            latitude, longitude = values["latitude_deg"], values["longitude_deg"]
            own = {"latitude_deg": latitude, "longitude_deg": longitude, "altitude_ft": values["altitude_ft"]}
        if downlink and tag == 9:
            flags = ("emergency",)
    fields: dict[str, Any] = {**own, "surveillance_groups": groups}
    if ahead := [place for row in groups for place in _ahead(row)]:
        fields["positions"] = ahead
    if at < len(octets):
        fields |= {"not_decoded_hex": octets[at:].hex().upper(), "not_decoded_octets": len(octets) - at}
    return Groups(fields, latitude, longitude, flags)


def _ahead(row: Mapping[str, Any]) -> Iterator[dict[str, float]]:
    """Give the places that a group says the aircraft will come to."""
    for prefix in {13: ("next_", "following_"), 23: ("",)}.get(row["tag"], ()):
        latitude, longitude = row.get(f"{prefix}latitude_deg"), row.get(f"{prefix}longitude_deg")
        if latitude is not None and longitude is not None:
            yield {"latitude_deg": latitude, "longitude_deg": longitude}


def _tidied(values: dict[str, Any]) -> dict[str, Any]:
    """Give values in usual shape: directions 0 to 360 or None where invalid, the interval in seconds."""
    out: dict[str, Any] = {}
    for name, value in values.items():
        if name.endswith("_invalid"):
            continue
        invalid = values.get(name.removesuffix("_deg").removeprefix("true_") + "_invalid")
        if name.endswith(("track_deg", "heading_deg", "direction_deg")):
            out[name] = None if invalid else round(value % 360, 3)
        else:
            out[name] = round(value, 6) if isinstance(value, float) else value
        if name.endswith("latitude_deg") and abs(value) > 90:
            out[name] = None  # 21 bits could say so; aircraft without a next waypoint do
    if "rate" in out:
        out = {"interval_s": _SCALES_S[out["scale"]] * (1 + out["rate"])}
    return out
