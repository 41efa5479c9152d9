"""Which Comm-B register a reply carries: it does not say, so its content must.

A register is a candidate when its reserved bits are zero, every field whose status bit is 0 is zero, and
every value lies in the range of flight (rules in The 1090 Megahertz Riddle, chapter on inference; the
ranges are those listed there). One candidate alone is taken. 5,0 against 6,0 is settled by what is known of
the aircraft: its speed and track from squitters against 5,0; the airspeed that follows from Mach and
altitude against 6,0's. What stays open is reported as open.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from earwitness.core.bits import Layout
from earwitness.core.types import Bits
from earwitness.modes.mode_s import layouts

# register 1,7 lists these in the order of its bits (Doc 9871 table A-2-23); "" where nothing is assigned
SERVICES = (
    "0,5", "0,6", "0,7", "0,8", "0,9", "0,A", "2,0", "2,1", "4,0", "4,1", "4,2", "4,3", "4,4", "4,5", "4,8",
    "5,0", "5,1", "5,2", "5,3", "5,4", "5,5", "5,6", "5,F", "6,0", "", "", "E,1", "E,2", "F,1")  # fmt: skip
_NO_SERVICE = (1 << 27) - 1 | 3 << 30  # bits 30 to 56, 25 and 26


@dataclass(slots=True)
class Known:
    """What other messages of the aircraft said lately, to weigh candidates by."""

    altitude_ft: float | None = None
    speed_kn: float | None = None
    track_deg: float | None = None
    callsign: str | None = None


class _Rule:
    """What raw bits must hold to be a register at all, as masks: it is asked of every reply."""

    def __init__(
        self,
        layout: Layout,
        pairs: Mapping[str, tuple[str, ...]],
        needs: tuple[str, ...] = (),
        empty: tuple[str, ...] = (),
    ):
        at = layout.bits
        place = {}
        for item in layout.fields:
            at -= item.width
            place[item.name] = ((1 << item.width) - 1) << at
        self._needs = sum(place[name] for name in needs)
        self._empty = sum(place[name] for name in empty)
        self._pairs = [(place[status], sum(place[name] for name in names)) for status, names in pairs.items()]

    def holds(self, raw: int) -> bool:
        """Say whether what is needed is there, reserved bits are zero, and fields without status are too."""
        if raw & self._empty or raw & self._needs != self._needs:
            return False
        for status, fields in self._pairs:  # noqa: SIM110 - a generator costs more than the loop
            if raw & fields and not raw & status:
                return False
        return True


def _data_link(raw: int) -> dict[str, Any] | None:
    if raw >> 48 != 0x10 or raw >> 42 & 0x1F:
        return None
    return layouts.DATA_LINK.read(raw)


def _services(raw: int) -> dict[str, Any] | None:
    if raw & _NO_SERVICE or not raw >> 49 & 1:
        return None
    listed = [name for n, name in enumerate(SERVICES) if name and raw >> (55 - n) & 1]
    return {"registers": listed}


def _identification(raw: int) -> dict[str, Any] | None:
    if raw >> 48 != 0x20:
        return None
    callsign = layouts.BDS_IDENTIFICATION.read(raw)["callsign"]
    return None if "#" in callsign or not callsign else {"callsign": callsign}


def _advisory(raw: int) -> dict[str, Any] | None:
    if raw >> 48 != 0x30:
        return None
    values = layouts.BDS_ADVISORY.read(raw)
    if values["threat_kind"] == 3 or values["resolution_advisory"] & 0x7F >= 48:
        return None
    return advisory_fields(values)


_INTENTION = _Rule(
    layouts.INTENTION,
    {
        "has_mcp": ("selected_altitude_ft",),
        "has_fms": ("fms_altitude_ft",),
        "has_pressure": ("pressure_setting_hpa",),
        "has_modes": ("vnav", "altitude_hold", "approach"),
        "has_source": ("target_altitude_source",),
    },
    empty=("reserved_a", "reserved_b"),
)


def _intention(raw: int) -> dict[str, Any] | None:
    if not _INTENTION.holds(raw):
        return None
    v = layouts.INTENTION.read(raw)
    if not (v["has_mcp"] or v["has_fms"] or v["has_pressure"]):
        return None
    out: dict[str, Any] = {}
    for status, name, low, high in (
        ("has_mcp", "selected_altitude_ft", 0, 50000),
        ("has_fms", "fms_altitude_ft", 0, 50000),
        ("has_pressure", "pressure_setting_hpa", 850, 1100),
    ):
        if v[status]:
            if not low <= v[name] <= high:
                return None
            out[name] = round(v[name], 1)
    if v["has_modes"]:
        out |= {name: v[name] for name in ("vnav", "altitude_hold", "approach")}
    if v["has_source"]:
        out["target_altitude_source"] = ("unknown", "aircraft", "mcp", "fms")[v["target_altitude_source"]]
    return out


_WEATHER = _Rule(
    layouts.WEATHER,
    {
        "has_pressure": ("static_pressure_hpa",),
        "has_turbulence": ("turbulence",),
        "has_humidity": ("humidity_pct",),
    },
    needs=("has_wind",),
)


def _weather(raw: int) -> dict[str, Any] | None:
    if not (1 <= raw >> 52 <= 4 and _WEATHER.holds(raw)):
        return None
    v = layouts.WEATHER.read(raw)
    if not (0 < v["wind_speed_kn"] < 250 and v["temperature_c"] != 0 and -80 <= v["temperature_c"] <= 60):
        return None
    out = {
        "wind_speed_kn": v["wind_speed_kn"],
        "wind_direction_deg": round(v["wind_direction_deg"], 1),
        "temperature_c": v["temperature_c"],
    }
    if v["has_pressure"]:
        if not 100 <= v["static_pressure_hpa"] <= 1100:
            return None
        out["static_pressure_hpa"] = v["static_pressure_hpa"]
    if v["has_turbulence"]:
        out["turbulence"] = v["turbulence"]
    if v["has_humidity"]:
        out["humidity_pct"] = round(v["humidity_pct"], 1)
    return out


_HAZARD_PAIRS = {
    "has_turbulence": ("turbulence",),
    "has_shear": ("wind_shear",),
    "has_microburst": ("microburst",),
    "has_icing": ("icing",),
    "has_wake": ("wake_vortex",),
    "has_temperature": ("temperature_c",),
    "has_pressure": ("static_pressure_hpa",),
    "has_radio_height": ("radio_height_ft",),
}
_HAZARD = _Rule(
    layouts.HAZARD, _HAZARD_PAIRS, needs=("has_temperature", "has_pressure"), empty=("reserved_a",)
)


def _hazard(raw: int) -> dict[str, Any] | None:
    if not _HAZARD.holds(raw):
        return None
    v = layouts.HAZARD.read(raw)
    if not (-80 <= v["temperature_c"] <= 60 and 100 <= v["static_pressure_hpa"] <= 1100):
        return None
    return {name: v[name] for status, names in _HAZARD_PAIRS.items() if v[status] for name in names}


_TURN = _Rule(
    layouts.TRACK_AND_TURN,
    {"has_roll": ("roll_deg",), "has_rate": ("track_rate_deg_s",)},
    needs=("has_track", "has_speed", "has_tas"),
)


def _track_and_turn(raw: int) -> dict[str, Any] | None:
    if not _TURN.holds(raw):
        return None
    v = layouts.TRACK_AND_TURN.read(raw)
    fast, tas = v["ground_speed_kn"], v["true_airspeed_kn"]
    if abs(v["roll_deg"]) > 50 or not (50 <= fast <= 700 and 50 <= tas <= 600) or abs(fast - tas) > 200:
        return None
    if v["has_roll"] and v["has_rate"]:
        # a turn and its bank have the same sense, and tan(bank) = speed * rate / g
        expected = math.degrees(math.atan2(tas * 0.5144 * math.radians(v["track_rate_deg_s"]), 9.81))
        if abs(expected - v["roll_deg"]) > 12:
            return None
    out = {"track_deg": round(v["track_deg"] % 360, 3), "speed_kn": fast, "true_airspeed_kn": tas}
    if v["has_roll"]:
        out["roll_deg"] = round(v["roll_deg"], 2)
    if v["has_rate"]:
        out["track_rate_deg_s"] = round(v["track_rate_deg_s"], 3)
    return out


_HEADING = _Rule(
    layouts.HEADING_AND_SPEED,
    {
        "has_ias": ("indicated_airspeed_kn",),
        "has_mach": ("mach",),
        "has_baro_rate": ("vertical_rate_fpm",),
        "has_inertial_rate": ("inertial_vertical_rate_fpm",),
    },
    needs=("has_heading",),
)


def _heading_and_speed(raw: int) -> dict[str, Any] | None:
    if not _HEADING.holds(raw):
        return None
    v = layouts.HEADING_AND_SPEED.read(raw)
    if not (v["has_ias"] or v["has_mach"]):
        return None
    if v["has_ias"] and not 50 <= v["indicated_airspeed_kn"] <= 500:
        return None
    if v["has_mach"] and not 0.05 <= v["mach"] <= 1:
        return None
    if abs(v["vertical_rate_fpm"]) > 6000 or abs(v["inertial_vertical_rate_fpm"]) > 6000:
        return None
    # Mach 1 is at most 661 kn of calibrated airspeed, and high up a third of that
    low, high = 661.5 * 0.3 * v["mach"], 661.5 * 1.06 * v["mach"] + 10
    if v["has_ias"] and v["has_mach"] and not low <= v["indicated_airspeed_kn"] <= high:
        return None
    out = {"magnetic_heading_deg": round(v["magnetic_heading_deg"] % 360, 3)}
    for status, name in (
        ("has_ias", "indicated_airspeed_kn"),
        ("has_mach", "mach"),
        ("has_baro_rate", "vertical_rate_fpm"),
        ("has_inertial_rate", "inertial_vertical_rate_fpm"),
    ):
        if v[status]:
            out[name] = round(v[name], 3)
    return out


READERS: dict[str, Callable[[int], dict[str, Any] | None]] = {
    "1,0": _data_link,
    "1,7": _services,
    "2,0": _identification,
    "3,0": _advisory,
    "4,0": _intention,
    "4,4": _weather,
    "4,5": _hazard,
    "5,0": _track_and_turn,
    "6,0": _heading_and_speed,
}

_UPWARD = ("downward", "upward")


def advisory_fields(values: Mapping[str, Any]) -> dict[str, Any]:
    """Give the parts of a resolution advisory in words (Annex 10 Vol. IV 4.3.8.4.2.2)."""
    ara = values["resolution_advisory"]
    rac = values["advisory_complement"]
    bit = [ara >> (13 - n) & 1 for n in range(14)]
    words = []
    if bit[0]:
        words.append("corrective" if bit[1] else "preventive")
        words.append(_UPWARD[1 - bit[2]])
        if bit[3]:
            words.append("increased rate")
        if bit[4]:
            words.append("sense reversal")
        if bit[5]:
            words.append("altitude crossing")
        words.append("positive" if bit[6] else "vertical speed limit")
    elif values["multiple_threats"]:
        words.append("multiple threats")
    told = [
        name
        for n, name in enumerate(
            ("do not pass below", "do not pass above", "do not turn left", "do not turn right")
        )
        if rac >> (3 - n) & 1
    ]
    out: dict[str, Any] = {
        "resolution_advisory": words,
        "advisory_complement": told,
        "advisory_terminated": values["advisory_terminated"],
        "multiple_threats": values["multiple_threats"],
    }
    threat = values["threat"]
    if values["threat_kind"] == 1:
        out["threat_icao_address"] = f"{threat >> 2:06X}"
    elif values["threat_kind"] == 2:
        from earwitness.modes.mode_s.codes import altitude_ft

        reach = threat >> 6 & 0x7F
        bearing = threat & 0x3F
        out["threat_altitude_ft"] = altitude_ft(threat >> 13)
        out["threat_range_nm"] = (reach - 1) / 10 if reach else None
        out["threat_bearing_deg"] = 6 * bearing - 3 if bearing else None
    return out


def calibrated_airspeed_kn(mach: float, altitude_ft: float) -> float:
    """Give the calibrated airspeed of a Mach number at a pressure altitude (ISA, compressible flow)."""
    metres = altitude_ft * 0.3048
    if metres < 11000:
        pressure = (1 - 2.25577e-5 * metres) ** 5.25588
    else:
        pressure = 0.223361 * math.exp(-(metres - 11000) / 6341.62)
    impact = pressure * ((1 + 0.2 * mach * mach) ** 3.5 - 1)
    return 661.479 * math.sqrt(5 * ((impact + 1) ** (2 / 7) - 1))


def _fits(name: str, fields: Mapping[str, Any], known: Known) -> bool | None:
    """Say whether a candidate agrees with what is known; None where nothing tells."""
    if name == "5,0" and known.speed_kn is not None and known.track_deg is not None:
        turn = abs((fields["track_deg"] - known.track_deg + 180) % 360 - 180)
        return abs(fields["speed_kn"] - known.speed_kn) <= 40 and turn <= 20
    if (
        name == "6,0"
        and known.altitude_ft is not None
        and "mach" in fields
        and "indicated_airspeed_kn" in fields
    ):
        expected = calibrated_airspeed_kn(fields["mach"], known.altitude_ft)
        return abs(expected - fields["indicated_airspeed_kn"]) <= 20
    if name == "6,0" and known.track_deg is not None:
        # variation and drift stay below 60 degrees nearly everywhere
        turn = abs((fields["magnetic_heading_deg"] - known.track_deg + 180) % 360 - 180)
        return None if turn <= 60 else False
    if name == "2,0" and known.callsign:
        return fields["callsign"] == known.callsign or None
    return None


@lru_cache(8192)  # interrogators ask for the same registers over and over
def _candidates(raw: int) -> dict[str, dict[str, Any]]:
    """Give the registers that 56 bits can be by themselves, with the fields of each."""
    read = ((name, reader(raw)) for name, reader in READERS.items() if raw)
    return {name: fields for name, fields in read if fields is not None}


def infer(bits: Bits, known: Known) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Give the registers that a 56-bit MB field can be, and the fields when it can be only one."""
    found = _candidates(bits.value)
    if not found:
        return (), {}
    verdict = {name: _fits(name, fields, known) for name, fields in found.items()}
    left = {name: fields for name, fields in found.items() if verdict[name] is not False}
    sure = [name for name in left if verdict[name]]
    if len(sure) == 1:
        left = {sure[0]: left[sure[0]]}
    # the registers that name themselves in their first octet: a chance of 1 in 256 for another
    named = [name for name in left if name in ("1,0", "2,0", "3,0")]
    if len(left) > 1 and len(named) == 1:
        left = {named[0]: left[named[0]]}
    if len(left) == 1:
        name, fields = next(iter(left.items()))
        return (name,), fields
    return tuple(left), {}
