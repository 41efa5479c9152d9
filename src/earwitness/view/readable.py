"""What a message says, for people: its words, its figures with units, without the link's bookkeeping."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from earwitness.view.facts import facts_of
from earwitness.view.words import NOTHING, number, plain, position

_WORDS = ("text", "message", "safety_text")
_MOST_WORDS = 1200
# How a link numbers, addresses and repeats itself: in the export, not in the report.
_BOOKKEEPING = frozenset((
    "ack", "address", "address_type", "application_check", "application_hex",
    "application_registration", "imbedded_identifier", "message_hex", "application_check_name", "block_id", "capability", "characters",
    "characters_lost", "communication_state_bits", "control", "copies", "cpr_latitude", "cpr_longitude", "destination_type",
    "df", "downlink_request", "end_of_sequence", "format_specifier", "frame_type", "header_confirmed_by_both_copies",
    "info_hex", "label", "message_id", "mode", "more_blocks", "msn", "not_decoded_hex", "pid", "poll_final", "raim",
    "receive_number", "repeat_indicator", "response", "self_id", "send_number", "source_type", "special_manoeuvre",
    "subject_indicator", "subtype", "symbol", "symbols", "type_code", "utility_message", "xid_parameters",
    "odd", "ifr_capability", "nac_v", "application_context", "application_inferred", "calling_title", "integrity_check_hex", "local_reference",
    "payload_hex", "session",
))  # fmt: skip
_LAYERS = ("transport_", "network_", "packet_")  # what carried the message
_PLACE = ("latitude_deg", "longitude_deg")
# What comes first when somebody is in need.
_TELLING = (
    "nature", "nature_of_distress", "emergency_state", "squawk", "protocol", "subject", "telecommand_1", "activation",
    "subsequent_communication", "channel", "homing_transmitter", "altitude_ft", "flight_status_text",
)  # fmt: skip


def words_of(row: Mapping[str, Any]) -> str | None:
    """Give what was written or said to somebody, as it is read: controller-pilot elements, or a text."""
    told = _fields(row)
    elements = told.get("elements")
    if isinstance(elements, list) and elements:
        lines = [
            item["text"] for item in elements[:20] if isinstance(item, Mapping) and isinstance(item.get("text"), str)
        ]  # fmt: skip
        if lines:
            return "\n".join(lines)[:_MOST_WORDS]
    return next((told[key] for key in _WORDS if isinstance(told.get(key), str) and told[key]), None)


def figures_of(row: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Give what else a message tells as (term, words), the place first."""
    told = _fields(row)
    spoken = words_of(row)
    if spoken and isinstance(told.get("elements"), list):
        ways = {"uplink": "to the aircraft", "downlink": "from the aircraft"}
        if told.get("direction") in ways:
            yield "said", ways[str(told["direction"])]
        if told.get("reference") is not None:
            yield "in answer to number", plain(told["reference"], limit=20)
    place = place_of(told)
    if place:
        yield "position", place
    named = told.get("positions")
    if isinstance(named, list):
        places = [place_of(item) for item in named[:20] if isinstance(item, Mapping)]
        yield "positions named", ", ".join(filter(None, places)) or NOTHING
    hidden = {*_BOOKKEEPING, *_PLACE, "positions", "elements", "reference"}
    kind = row.get("kind")
    if spoken and "elements" in told:
        hidden |= {"direction", "text", "air_traffic_message"}
    kept = {
        str(key): value
        for key, value in list(told.items())[:80]
        if key not in hidden
        and not str(key).startswith(_LAYERS)
        and value not in (None, "", "none", [], {}, False)
        and value not in (spoken, kind)
    }
    yield from facts_of(kept)


def gist_of(row: Mapping[str, Any]) -> str:
    """Give the one sentence for somebody in need: what is the matter, then where."""
    told = _fields(row)
    parts = [_said(key, told[key]) for key in _TELLING if told.get(key) not in (None, "", "none")]
    spoken = words_of(row)
    if spoken:
        parts.insert(0, plain(" ".join(spoken.split()), limit=300))
    return "; ".join(parts) or plain({key: told[key] for key in told if key not in _BOOKKEEPING}, limit=200)


def place_of(told: Mapping[str, Any]) -> str | None:
    """Give the position of some fields in words; None when they hold none."""
    lat, lon = (number(told.get(key)) for key in _PLACE)
    return None if lat is None or lon is None else position(lat, lon)


def _said(key: str, value: Any) -> str:
    shown = plain(value, limit=120)
    if key in ("squawk", "channel"):
        return f"{key} {shown}"
    if key == "subsequent_communication":
        return f"wants to go on by {shown}"
    return f"{shown} ft" if key == "altitude_ft" else shown


def _fields(row: Mapping[str, Any]) -> Mapping[str, Any]:
    fields = row.get("fields")
    return fields if isinstance(fields, Mapping) else {}
