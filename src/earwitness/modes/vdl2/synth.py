"""Transmitter of VDL Mode 2 for scenes and tests: AVLC frames to the burst that carries them.

An item is {"message": {...}} for one frame or {"messages": [...]} for several in one burst. A message names
`destination` and `source` (six hexadecimal digits), their types (`destination_type`, `source_type`: 1 for an
aircraft, 4 or 5 for the ground), `control` ("I", "RR", "UI", "XID", ...), and what it carries: `info_hex`, or
`acars` with the fields of an ACARS block. {"payload_hex": "..."} gives the octets of a frame as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.hdlc import FLAG, encode
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.modes.vdl2 import burst
from earwitness.modes.vdl2.avlc import AIRCRAFT, Address, AvlcFrame, build, control_octet
from earwitness.modes.vdl2.d8psk import SEND_SPAN, SYMBOL_RATE_HZ, modulate
from earwitness.modes.vdl2.messages import ACARS_HEAD
from earwitness.payloads.acars_block import Block
from earwitness.payloads.acars_block import build as build_block

FALL_SYMBOLS = 4


def frame_octets(item: Mapping[str, Any]) -> list[bytes]:
    """Give the octets of each frame of an item, without flags and FCS. Raises LayoutError for a wrong item."""
    try:
        if "payload_hex" in item:
            return [bytes.fromhex(item["payload_hex"])]
        return [_message(row) for row in item.get("messages") or [item["message"]]]
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise LayoutError(f"no VDL Mode 2 item: {error!r}") from error


def _message(row: Mapping[str, Any]) -> bytes:
    source_type = int(row.get("source_type", AIRCRAFT))
    on_ground = bool(row.get("on_ground", source_type != AIRCRAFT))
    frame = AvlcFrame(
        Address(int(row.get("destination_type", 4)), int(row["destination"], 16), on_ground),
        Address(source_type, int(row["source"], 16), bool(row.get("response", False))),
        control_octet(
            row["control"],
            poll=bool(row.get("poll", False)),
            send=int(row.get("send_number", 0)),
            receive=int(row.get("receive_number", 0)),
        ),
        ACARS_HEAD + _acars(row["acars"]) if "acars" in row else bytes.fromhex(row.get("info_hex", "")),
    )
    return build(frame)


def _acars(row: Mapping[str, Any]) -> bytes:
    block = Block(
        row.get("mode", "2"),
        str(row["registration"]).rjust(7, "."),
        row.get("ack", "\x15"),
        row["label"],
        row.get("block_id", "1"),
        row.get("text"),
        bool(row.get("more", False)),
    )
    return build_block(block) + b"\x7f"


def data_bits(item: Mapping[str, Any]) -> np.ndarray:
    """Give the bits of the data part, uint8: frames with a flag between and around them."""
    frames = [encode(octets, flags_after=0) for octets in frame_octets(item)]
    return np.concatenate([*frames, FLAG])


def steps(item: Mapping[str, Any]) -> np.ndarray:
    """Give the phase steps of the burst, uint8, ramp to the last, partly filled symbol."""
    sent = burst.encode(data_bits(item))
    words = np.pad(sent, (0, -len(sent) % 3)).reshape(-1, 3) @ np.array([4, 2, 1])
    symbols = np.concatenate(
        [np.zeros(4, np.int64), burst.UNIQUE_WORD, words, np.zeros(FALL_SYMBOLS, np.int64)]
    )
    return burst.BITS_TO_STEP[symbols]


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst of an item: complex64 shape (n,), 0 Hz carrier, unit mean power, ramps included."""
    out = modulate(steps(item), rate_hz)
    symbol = rate_hz / SYMBOL_RATE_HZ
    # The pulses of the outermost symbols would ring before and after; power rises over the ramp instead.
    out = out[round((SEND_SPAN - 1) * symbol) : len(out) - round((SEND_SPAN - 1) * symbol)]
    rise, fall = round(3.5 * symbol), round(FALL_SYMBOLS * symbol)
    out[:rise] *= (0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)).astype(np.float32)
    out[len(out) - fall :] *= (0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)).astype(np.float32)
    return out / np.sqrt(np.mean(np.abs(out) ** 2))


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: the octets of each frame, first octet first."""
    return [Bits(int.from_bytes(octets, "big"), 8 * len(octets)) for octets in frame_octets(item)]


def examples() -> list[dict[str, Any]]:
    """Give items of all kinds; aircraft, stations and places are invented."""
    up = {"source": "10A0B1", "source_type": 4, "destination": "ABCDEF", "destination_type": 1}
    down = {"source": "ABCDEF", "destination": "10A0B1"}
    weather = {"registration": "ZZ-EWA", "label": "H1", "text": "M01AEW0123#DFBWX/AA LEVEL OK"}
    report = {"registration": "ZZ-EWA", "label": "Q0", "block_id": "2", "text": "S07AEW0123"}
    long_text = " ".join(f"LINE {n:02d} OF A LONG REPORT" for n in range(8))
    return [
        {"message": {**down, "control": "I", "send_number": 1, "receive_number": 2, "acars": weather}},
        {"message": {**up, "control": "RR", "receive_number": 2, "response": True}},
        {
            "message": {
                **up,
                "destination": "FFFFFF",
                "destination_type": 7,
                "control": "XID",
                "info_hex": "82F0001B000156C0062E710442828CC3045A5A4557C8031F7FD7450102",
            }
        },
        {
            "messages": [
                {**down, "control": "RR", "receive_number": 3, "response": True},
                {**down, "control": "I", "send_number": 2, "receive_number": 3, "acars": report},
            ]
        },
        {
            "message": {
                **up,
                "control": "I",
                "acars": {"registration": "ZZ-EWA", "label": "C1", "block_id": "A", "text": long_text},
            }
        },
        {"message": {**down, "control": "I", "send_number": 3, "info_hex": "100100" + "81" + "00" * 8}},
        {  # ATN: a compressed network header, a transport data unit, "climb to FL350, report maintaining FL350"
            "message": {
                **up,
                "control": "I",
                "info_hex": "100102"
                + "16400009"
                + "04F0000780"
                + "00A809032B2067AB0D14710A25010294020974512100",
            }
        },
    ]
