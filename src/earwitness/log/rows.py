"""From the values of `core.types` to rows of a Batch: the only place that knows both.

The dictionaries may be given more keys before they are written; unknown ones are kept and shown again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from earwitness.core.types import Identification, Measurement, Message, Over, Picture
from earwitness.log import ids


def emission_row(
    recording: str,
    start_ns: int,
    stop_ns: int,
    measurement: Measurement,
    identification: Identification,
    **facts: Any,
) -> dict[str, Any]:
    """Give the row of an emission; `facts` may hold id, mode, artefact, label, evidence_id, duty and more."""
    row: dict[str, Any] = {
        "recording": recording,
        "start_ns": start_ns,
        "stop_ns": stop_ns,
        "frequency_hz": measurement.center_hz,
        "frequency_uncertainty_hz": measurement.center_uncertainty_hz,
        "occupied_bandwidth_hz": measurement.occupied_bandwidth_hz,
        "level_dbfs": measurement.level_dbfs,
        "snr_db": measurement.snr_db,
        "class": identification.kind,
        "designator": identification.designator,
        "symbol_rate_hz": identification.symbol_rate_hz,
        "deviation_hz": identification.deviation_hz
        if measurement.deviation_hz is None
        else measurement.deviation_hz,
        "confidence": identification.confidence,
        "reasons": list(identification.reasons),
        "variant": identification.variant,
        "carrier_hz": identification.carrier_hz,
        "carrier_uncertainty_hz": identification.carrier_uncertainty_hz,
        "occupied_bandwidth_uncertainty_hz": measurement.occupied_bandwidth_uncertainty_hz,
        "xdb_bandwidth_hz": measurement.xdb_bandwidth_hz,
        "xdb": measurement.xdb,
        "level_uncertainty_db": measurement.level_uncertainty_db,
        "noise_dbfs_hz": measurement.noise_dbfs_hz,
        "snr_uncertainty_db": measurement.snr_uncertainty_db,
        "deviation_uncertainty_hz": measurement.deviation_uncertainty_hz,
        "modulation_depth_pct": measurement.modulation_depth_pct,
        "modulation_depth_uncertainty_pct": measurement.modulation_depth_uncertainty_pct,
        "symbol_rate_uncertainty_hz": identification.symbol_rate_uncertainty_hz,
        "methods": dict(measurement.methods),
        **facts,
    }
    row.setdefault("id", ids.emission_id(recording, start_ns, measurement.center_hz))
    return row


def message_row(recording: str, message: Message, **facts: Any) -> dict[str, Any]:
    """Give the row of a message; `facts` may hold emission_id, evidence_id and more."""
    frame = message.frame
    payload = frame.bits.hex() if frame.bits.size else ""
    who = message.identity
    return {
        "id": ids.message_id(recording, frame.time_ns, frame.mode, payload),
        "recording": recording,
        "time_ns": frame.time_ns,
        "stop_ns": frame.stop_ns,
        "frequency_hz": frame.frequency_hz,
        "mode": frame.mode,
        "payload_hex": payload,
        "payload_bits": frame.bits.size,
        "check": message.check,
        "check_name": frame.check_name or None,
        "corrected_bits": frame.corrected_bits,
        "snr_db": frame.snr_db,
        "level_dbfs": frame.level_dbfs,
        "kind": message.kind,
        "fields": message.fields,
        "identity": who,
        "related": message.related,
        "flags": message.flags,
        "latitude_deg": who.latitude_deg if who else None,
        "longitude_deg": who.longitude_deg if who else None,
        **_extra(frame.extra),
        **facts,
    }


def over_row(recording: str, over: Over, **facts: Any) -> dict[str, Any]:
    """Give the row of a voice transmission; `facts` may hold emission_id, evidence_id, identity and more."""
    return {
        "id": ids.over_id(recording, over.start_ns, over.frequency_hz, over.mode),
        "recording": recording,
        "start_ns": over.start_ns,
        "stop_ns": over.stop_ns,
        "frequency_hz": over.frequency_hz,
        "class": over.mode,
        "mode": over.mode,
        "tone": over.tone,
        "snr_db": over.snr_db,
        **_extra(over.extra),
        **facts,
    }


def picture_row(recording: str, picture: Picture, **facts: Any) -> dict[str, Any]:
    """Give the row of a picture; `facts` may hold emission_id, evidence_id and more."""
    height, width = picture.pixels.shape[:2]
    rendering = str(picture.extra.get("rendering", ""))
    return {
        "id": ids.picture_id(recording, picture.start_ns, picture.frequency_hz, picture.mode, rendering),
        "recording": recording,
        "start_ns": picture.start_ns,
        "stop_ns": picture.stop_ns,
        "frequency_hz": picture.frequency_hz,
        "mode": picture.mode,
        "width": width,
        "height": height,
        **_extra(picture.extra),
        **facts,
    }


def _extra(extra: Mapping[str, Any]) -> dict[str, Any]:
    """Nest a mode's own facts under one key: none of them may pass for a column."""
    return {"extra": dict(extra)} if extra else {}
