"""What the 56 bits of an extended squitter say (ICAO Doc 9871 appendix A; type codes in its table A-2-2)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

from earwitness.modes.mode_s import layouts
from earwitness.modes.mode_s.registers import advisory_fields

POSITIONS = frozenset((0, *range(5, 19), 20, 21, 22))  # type codes of position reports
SQUAWK_FLAGS = {
    "7500": ("emergency", "unlawful-interference"),
    "7600": ("emergency", "radio-failure"),
    "7700": ("emergency",),
}
_EMERGENCY = (
    "none", "general emergency", "medical", "minimum fuel", "no communications", "unlawful interference",
    "downed aircraft", "reserved")  # fmt: skip
# of target states in version 1 (DO-260A, from memory)
_TARGET_SOURCE = (None, "MCP or FCU", "holding altitude", "FMS")
_DIRECTION_SOURCE = (None, "MCP or FCU", "maintaining heading or track", "FMS")
_TARGET_REACH = ("holding altitude", "holding or MCP altitude", "holding, MCP or FMS altitude", "reserved")
_TARGET_MODE = ("unknown", "acquiring", "capturing or maintaining", "reserved")
# fields begin with those of DF17, which the caller fills in: to copy and fill costs less than to join
HEAD = {"df": 17, "icao_address": "", "capability": 0}
_CATEGORY_SET = {4: "A", 3: "B", 2: "C", 1: "D"}


def read_position(me: int) -> tuple[str, tuple[str, ...], dict[str, Any], tuple[int, int] | None]:
    """Give the kind, flags, fields and raw coordinates (None where it has none) of a position report."""
    code = me >> 51
    if 5 <= code <= 8:
        fields = layouts.SURFACE_POSITION.read(me)
        if not fields.pop("track_valid"):
            fields["track_deg"] = None
        fields["on_ground"] = True
        raw = fields.pop("cpr_latitude"), fields.pop("cpr_longitude")
        return "surface position", (), {**HEAD, **fields}, raw
    kind, flags, fields = _airborne_head(me >> 34)
    return kind, flags, fields, (me >> 17 & 0x1FFFF, me & 0x1FFFF) if code else None


@lru_cache(8192)  # an aircraft that keeps its height repeats itself; callers copy the fields
def _airborne_head(head: int) -> tuple[str, tuple[str, ...], dict[str, Any]]:
    """Give the kind, flags and fields of an airborne position's first 22 bits."""
    fields = layouts.AIRBORNE_HEAD.read(head)
    flags = ("alert",) if fields["surveillance_status"] == 1 else ()
    if fields["type_code"] >= 20:
        metres = head >> 2 & 0xFFF
        fields["altitude_ft"] = None
        fields["geometric_altitude_ft"] = round(metres / 0.3048) if metres else None
    return "airborne position" if fields["type_code"] else "no position", flags, {**HEAD, **fields}


@lru_cache(8192)  # aircraft repeat themselves; callers copy the fields
def read_squitter(me: int) -> tuple[str, tuple[str, ...], dict[str, Any]]:
    """Give the kind, flags and fields of any squitter but a position report."""
    kind, flags, fields = _read_squitter(me)
    return kind, flags, {**HEAD, **fields}


def _read_squitter(me: int) -> tuple[str, tuple[str, ...], dict[str, Any]]:
    code = me >> 51
    subtype = me >> 48 & 7
    if 1 <= code <= 4:
        fields = layouts.IDENTIFICATION.read(me)
        fields["category"] = f"{_CATEGORY_SET[code]}{fields['category']}"
        return "aircraft identification", (), fields
    if code == 19 and 1 <= subtype <= 4:
        return "airborne velocity", (), _velocity(me, subtype)
    if code == 28 and subtype == 1:
        fields = layouts.EMERGENCY.read(me)
        state = fields["emergency_state"]
        fields["emergency_state"] = _EMERGENCY[state]
        if me >> 32 & 0x1FFF == 0:
            fields["squawk"] = None
        flags = SQUAWK_FLAGS.get(fields["squawk"] or "", ())
        if state and "emergency" not in flags:
            flags = ("emergency", *flags)
        return "emergency and priority status", flags, fields
    if code == 28 and subtype == 2:
        values = layouts.ADVISORY_BROADCAST.read(me)
        fields = {"type_code": code, "subtype": subtype} | advisory_fields(values)
        return "resolution advisory broadcast", ("resolution-advisory",), fields
    if code == 29 and subtype >> 1 == 0 and not me >> 45 & 1:
        fields = _target_state_1(me)
        return "target state and status", ("emergency",) * (fields["emergency_state"] != "none"), fields
    if code == 29 and subtype >> 1 == 1:
        return "target state and status", (), _target_state(me)
    if code == 31 and subtype in (0, 1):
        return "aircraft operational status", (), _operational_status(me, subtype)
    return "extended squitter", (), {"type_code": code, "subtype": subtype, "data_hex": f"{me:014X}"}


def _velocity(me: int, subtype: int) -> dict[str, Any]:
    fields = layouts.VELOCITY[subtype].read(me)
    if subtype <= 2:
        east, north = fields["east_kn"], fields["north_kn"]
        fields["speed_kn"] = fields["track_deg"] = None
        if east is not None and north is not None:
            speed = fields["speed_kn"] = round(math.hypot(east, north), 2)
            if speed:
                fields["track_deg"] = round(math.degrees(math.atan2(east, north)) % 360, 2)
        return fields
    speed = fields.pop("airspeed_kn")
    fields["true_airspeed_kn" if fields.pop("true_airspeed") else "indicated_airspeed_kn"] = speed
    heading = fields["heading_deg"]
    fields["heading_deg"] = round(heading, 2) if fields.pop("heading_valid") else None
    return fields


def _target_state(me: int) -> dict[str, Any]:
    fields = layouts.TARGET_STATE.read(me)
    fields["selected_altitude_source"] = ("MCP or FCU", "FMS")[fields["selected_altitude_source"]]
    if not fields.pop("heading_valid"):
        fields["selected_heading_deg"] = None
    if fields["pressure_setting_hpa"] is not None:
        fields["pressure_setting_hpa"] = round(fields["pressure_setting_hpa"], 1)
    if not fields.pop("modes_valid"):
        for name in ("autopilot", "vnav", "altitude_hold", "approach", "lnav"):
            fields[name] = None
    return fields


def _target_state_1(me: int) -> dict[str, Any]:
    """Read the target state of the standard's version 1: source 0 says that there is no target."""
    fields = layouts.TARGET_STATE_1.read(me)
    source = _TARGET_SOURCE[fields.pop("vertical_source")]
    kind, reach = fields.pop("target_altitude_kind"), fields.pop("target_altitude_reach")
    altitude, mode = fields.pop("target_altitude_ft"), _TARGET_MODE[fields.pop("vertical_mode")]
    if source is None:
        altitude = None
    else:
        fields |= {
            "target_altitude_source": source,
            "target_altitude_kind": ("pressure", "mean sea level")[kind],
            "target_altitude_reach": _TARGET_REACH[reach],
            "vertical_mode": mode,
        }
    fields["target_altitude_ft"] = altitude
    source = _DIRECTION_SOURCE[fields.pop("horizontal_source")]
    direction, mode = fields.pop("target_direction_deg"), _TARGET_MODE[fields.pop("horizontal_mode")]
    name = ("target_heading_deg", "target_track_deg")[fields.pop("target_is_track")]
    fields[name] = direction if source else None
    if source:
        fields |= {"target_direction_source": source, "horizontal_mode": mode}
    fields["acas_operational"] = not fields.pop("acas_absent")
    fields["emergency_state"] = _EMERGENCY[fields["emergency_state"]]
    return fields


def _operational_status(me: int, subtype: int) -> dict[str, Any]:
    """Read an operational status; earlier versions of the standard than 2 gave several bits another sense."""
    fields = (layouts.SURFACE_STATUS if subtype else layouts.AIRBORNE_STATUS).read(me)
    version = fields["version"]
    if (
        version == 0
    ):  # what follows the version, and most before it, was not yet assigned (DO-260, from memory)
        return {name: fields[name] for name in ("type_code", "subtype", "version")}
    if version == 1:
        # DO-260A, from memory: one bit said that there is no ACAS, another that traffic is displayed; accuracy of
        # geometric altitude, design assurance, supplements of SIL and the antenna bit came with DO-260B
        if subtype == 0:
            fields["acas_operational"] = not fields["acas_operational"]
        fields["traffic_display"] = fields["receives_1090"]
        for name in ("receives_1090", "receives_uat", "gva", "design_assurance", "sil_supplement", "single_antenna",
                     "nic_supplement_c", "gps_offset"):  # fmt: skip
            fields.pop(name, None)
    return fields
