"""The bit fields of Mode S messages, as the tables of Annex 10 Vol. IV and Doc 9871 print them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, lru_cache

from earwitness.core.bits import Field, Layout, flag, s, spare, text, u
from earwitness.core.errors import LayoutError
from earwitness.modes.mode_s.codes import altitude_12_ft, altitude_code, altitude_ft, squawk, squawk_code

# 6-bit characters (Annex 10 Vol. IV table 3-9): index is the code; '#' marks codes without a character
ALPHABET = "#ABCDEFGHIJKLMNOPQRSTUVWXYZ##### ###############0123456789######"
ANNEX_10 = "ICAO Annex 10 Vol. IV 3.1.2"
DOC_9871 = "ICAO Doc 9871 appendix A"

_SQUAWK = Field("squawk", 13, decode=squawk, encode=squawk_code)
_ALTITUDE = Field("altitude_ft", 13, na=0, decode=altitude_ft, encode=altitude_code)
_TEXT = text("callsign", 8, ALPHABET)
_CALLSIGN = replace(_TEXT, decode=lru_cache(4096)(_TEXT.decode)) if _TEXT.decode else _TEXT


def _drop_m(feet: float | None) -> int:
    code = altitude_code(feet)
    return (code & 0x1F80) >> 1 | code & 0x3F


_ALTITUDE_12 = Field("altitude_ft", 12, na=0, decode=altitude_12_ft, encode=_drop_m)
_HEAD = (u("df", 5),)
_REPLY = (*_HEAD, u("flight_status", 3), u("downlink_request", 5), u("utility_message", 6))

SHORT_AIR_AIR = Layout("DF0", 32, ANNEX_10, (
    *_HEAD, flag("on_ground"), flag("crosslink"), spare(1), u("sensitivity_level", 3), spare(2),
    u("reply_information", 4), spare(2), _ALTITUDE))  # fmt: skip
ALTITUDE_REPLY = Layout("DF4, DF20", 32, ANNEX_10, (*_REPLY, _ALTITUDE))
IDENTITY_REPLY = Layout("DF5, DF21", 32, ANNEX_10, (*_REPLY, _SQUAWK))
ALL_CALL = Layout("DF11", 32, ANNEX_10, (*_HEAD, u("capability", 3), u("address", 24)))
LONG_AIR_AIR = Layout("DF16", 32, ANNEX_10, (
    *_HEAD, flag("on_ground"), spare(2), u("sensitivity_level", 3), spare(2),
    u("reply_information", 4), spare(2), _ALTITUDE))  # fmt: skip
EXTENDED_LENGTH = Layout("DF24", 88, ANNEX_10, (
    u("format", 2), spare(1), u("elm_control", 1), u("segment", 4), u("elm_data", 80)))  # fmt: skip

_TYPE = (u("type_code", 5),)
IDENTIFICATION = Layout("register 0,8", 56, DOC_9871, (*_TYPE, u("category", 3), _CALLSIGN))
_AIRBORNE = (
    *_TYPE, u("surveillance_status", 2), u("nic_supplement_b", 1), _ALTITUDE_12, flag("utc_synchronised"),
    flag("odd"))  # fmt: skip
AIRBORNE_HEAD = Layout("register 0,5 without the place", 22, DOC_9871, _AIRBORNE)
AIRBORNE_POSITION = Layout("register 0,5", 56, DOC_9871, (
    *_AIRBORNE, u("cpr_latitude", 17), u("cpr_longitude", 17)))  # fmt: skip


@cache
def movement_kn(raw: int) -> float | None:
    """Give the ground speed of the 7-bit movement code (Doc 9871 table A-2-6); None where there is none."""
    if raw == 0 or raw > 124:
        return None
    for start, low, step in _MOVEMENT:
        if raw >= start:
            return low + step * (raw - start)
    return 0.0


def movement_code(speed_kn: float | None) -> int:
    """Give the movement code nearest below a speed."""
    if speed_kn is None:
        return 0
    return max((raw for raw in range(1, 125) if (movement_kn(raw) or 0.0) <= speed_kn + 1e-9), default=1)


_MOVEMENT = (
    (124, 175.0, 0.0), (109, 100.0, 5.0), (94, 70.0, 2.0), (39, 15.0, 1.0), (13, 2.0, 0.5), (9, 1.0, 0.25),
    (2, 0.125, 0.125))  # fmt: skip
SURFACE_POSITION = Layout("register 0,6", 56, DOC_9871, (
    *_TYPE, Field("speed_kn", 7, decode=movement_kn, encode=movement_code), flag("track_valid"),
    u("track_deg", 7, scale=360 / 128), flag("utc_synchronised"), flag("odd"), u("cpr_latitude", 17),
    u("cpr_longitude", 17)))  # fmt: skip


def _counted(name: str, width: int, step: int, *, signed: bool = True) -> Field:
    """Declare a count of steps that starts at one, zero meaning "not available", behind a sign bit or none."""
    most = (1 << width - signed) - 1

    @cache
    def decode(raw: int) -> int | None:
        count = raw & most
        return ((count - 1) * step * (-1 if raw > most else 1)) if count else None

    def encode(value: float | None) -> int:
        if value is None:
            return 0
        count = round(abs(value) / step) + 1
        if count > most or (value < 0 and not signed):
            raise LayoutError(f"{name}: {value!r} does not fit {width} bits of {step}")
        return (most + 1 if value < 0 else 0) | count

    return Field(name, width, na=0, decode=decode, encode=encode)


_VERTICAL_SOURCE = ("geometric", "barometric")
_VELOCITY = (*_TYPE, u("subtype", 3), flag("intent_change"), flag("ifr_capability"), u("nac_v", 3))
_VERTICAL = (
    Field("vertical_source", 1, decode=_VERTICAL_SOURCE.__getitem__, encode=_VERTICAL_SOURCE.index),
    _counted("vertical_rate_fpm", 10, 64), spare(2), _counted("geometric_minus_barometric_ft", 8, 25))  # fmt: skip


def _ground_velocity(step: int) -> Layout:
    return Layout("register 0,9 subtypes 1 and 2", 56, DOC_9871, (
        *_VELOCITY, _counted("east_kn", 11, step), _counted("north_kn", 11, step), *_VERTICAL))  # fmt: skip


def _air_velocity(step: int) -> Layout:
    return Layout("register 0,9 subtypes 3 and 4", 56, DOC_9871, (
        *_VELOCITY, flag("heading_valid"), u("heading_deg", 10, scale=360 / 1024), flag("true_airspeed"),
        _counted("airspeed_kn", 10, step, signed=False), *_VERTICAL))  # fmt: skip


# by subtype: the supersonic ones count in steps of 4 kn
VELOCITY = {1: _ground_velocity(1), 2: _ground_velocity(4), 3: _air_velocity(1), 4: _air_velocity(4)}

EMERGENCY = Layout("register 6,1 subtype 1", 56, DOC_9871, (
    *_TYPE, u("subtype", 3), u("emergency_state", 3), _SQUAWK, spare(32)))  # fmt: skip
_ADVISORY = (
    u("resolution_advisory", 14), u("advisory_complement", 4), flag("advisory_terminated"),
    flag("multiple_threats"), u("threat_kind", 2), u("threat", 26))  # fmt: skip
ADVISORY_BROADCAST = Layout("register 6,1 subtype 2", 56, DOC_9871, (*_TYPE, u("subtype", 3), *_ADVISORY))
TARGET_STATE = Layout("register 6,2 subtype 1", 56, DOC_9871, (
    *_TYPE, u("subtype", 2), u("sil_supplement", 1), u("selected_altitude_source", 1),
    u("selected_altitude_ft", 11, scale=32, offset=-32, na=0), u("pressure_setting_hpa", 9, scale=0.8, offset=799.2, na=0),
    flag("heading_valid"), u("selected_heading_deg", 9, scale=180 / 256), u("nac_p", 4), u("nic_baro", 1), u("sil", 2),
    flag("modes_valid"), flag("autopilot"), flag("vnav"), flag("altitude_hold"), flag("ads_r"), flag("approach"),
    flag("acas_operational"), flag("lnav"), spare(2)))  # fmt: skip
# DO-260A, from memory; the bit before the altitude's reach is zero, for receivers of the version before
TARGET_STATE_1 = Layout("register 6,2 subtype 0", 56, DOC_9871, (
    *_TYPE, u("subtype", 2), u("vertical_source", 2), u("target_altitude_kind", 1), spare(1),
    u("target_altitude_reach", 2), u("vertical_mode", 2),
    Field("target_altitude_ft", 10, decode=lambda raw: 100 * raw - 1000 if raw <= 1010 else None),
    u("horizontal_source", 2), Field("target_direction_deg", 9, decode=lambda raw: raw if raw < 360 else None),
    u("target_is_track", 1), u("horizontal_mode", 2), u("nac_p", 4), u("nic_baro", 1), u("sil", 2), spare(5),
    flag("acas_absent"), flag("advisory_active"), u("emergency_state", 3)))  # fmt: skip
_STATUS_TAIL = (u("version", 3), u("nic_supplement_a", 1), u("nac_p", 4))
AIRBORNE_STATUS = Layout("register 6,5 subtype 0", 56, DOC_9871, (
    *_TYPE, u("subtype", 3), spare(2), flag("acas_operational"), flag("receives_1090"), spare(2), flag("arv"),
    flag("target_state_reports"), u("trajectory_change_reports", 2), flag("receives_uat"), spare(5), spare(2),
    flag("advisory_active"), flag("ident_active"), spare(1), flag("single_antenna"),
    u("design_assurance", 2), spare(8), *_STATUS_TAIL, u("gva", 2), u("sil", 2), u("nic_baro", 1),
    u("magnetic_reference", 1), u("sil_supplement", 1), spare(1)))  # fmt: skip
SURFACE_STATUS = Layout("register 6,5 subtype 1", 56, DOC_9871, (
    *_TYPE, u("subtype", 3), spare(3), flag("receives_1090"), spare(2), flag("low_power"), flag("receives_uat"),
    u("nac_v", 3), u("nic_supplement_c", 1), u("length_width_code", 4), spare(2), flag("advisory_active"),
    flag("ident_active"), spare(1), flag("single_antenna"), u("design_assurance", 2), u("gps_offset", 8),
    *_STATUS_TAIL, spare(2), u("sil", 2), u("track_is_heading", 1), u("magnetic_reference", 1),
    u("sil_supplement", 1), spare(1)))  # fmt: skip

DATA_LINK = Layout("register 1,0", 56, DOC_9871, (
    u("bds", 8), flag("continued"), spare(5), flag("overlay_capable"), flag("acas_operational"), u("subnetwork_version", 7),
    flag("enhanced_protocol"), flag("specific_services"), u("uplink_elm", 3), u("downlink_elm", 4),
    flag("identification_capable"), flag("squitter_capable"), flag("surveillance_identifier_capable"), flag("gicb_changed"),
    u("acas_capability", 4), u("dte_status", 16)))  # fmt: skip
BDS_IDENTIFICATION = Layout("register 2,0", 56, DOC_9871, (u("bds", 8), _CALLSIGN))
BDS_ADVISORY = Layout("register 3,0", 56, DOC_9871, (u("bds", 8), *_ADVISORY))
INTENTION = Layout("register 4,0", 56, DOC_9871, (
    flag("has_mcp"), u("selected_altitude_ft", 12, scale=16), flag("has_fms"), u("fms_altitude_ft", 12, scale=16),
    flag("has_pressure"), u("pressure_setting_hpa", 12, scale=0.1, offset=800), u("reserved_a", 8), flag("has_modes"),
    flag("vnav"), flag("altitude_hold"), flag("approach"), u("reserved_b", 2), flag("has_source"),
    u("target_altitude_source", 2)))  # fmt: skip
WEATHER = Layout("register 4,4", 56, DOC_9871, (
    u("figure_of_merit", 4), flag("has_wind"), u("wind_speed_kn", 9), u("wind_direction_deg", 9, scale=180 / 256),
    s("temperature_c", 11, scale=0.25), flag("has_pressure"), u("static_pressure_hpa", 11), flag("has_turbulence"),
    u("turbulence", 2), flag("has_humidity"), u("humidity_pct", 6, scale=100 / 64)))  # fmt: skip
HAZARD = Layout("register 4,5", 56, DOC_9871, (
    flag("has_turbulence"), u("turbulence", 2), flag("has_shear"), u("wind_shear", 2), flag("has_microburst"),
    u("microburst", 2), flag("has_icing"), u("icing", 2), flag("has_wake"), u("wake_vortex", 2), flag("has_temperature"),
    s("temperature_c", 10, scale=0.25), flag("has_pressure"), u("static_pressure_hpa", 11), flag("has_radio_height"),
    u("radio_height_ft", 12, scale=16), u("reserved_a", 5)))  # fmt: skip
TRACK_AND_TURN = Layout("register 5,0", 56, DOC_9871, (
    flag("has_roll"), s("roll_deg", 10, scale=45 / 256), flag("has_track"), s("track_deg", 11, scale=90 / 512),
    flag("has_speed"), u("ground_speed_kn", 10, scale=2), flag("has_rate"), s("track_rate_deg_s", 10, scale=8 / 256),
    flag("has_tas"), u("true_airspeed_kn", 10, scale=2)))  # fmt: skip
HEADING_AND_SPEED = Layout("register 6,0", 56, DOC_9871, (
    flag("has_heading"), s("magnetic_heading_deg", 11, scale=90 / 512), flag("has_ias"), u("indicated_airspeed_kn", 10),
    flag("has_mach"), u("mach", 10, scale=0.004), flag("has_baro_rate"), s("vertical_rate_fpm", 10, scale=32),
    flag("has_inertial_rate"), s("inertial_vertical_rate_fpm", 10, scale=32)))  # fmt: skip
