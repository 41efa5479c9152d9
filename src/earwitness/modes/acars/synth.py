"""An ACARS transmitter for scenes and tests: block to amplitude-modulated burst."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.modes.acars.msk import BIT_RATE_HZ, keyed_audio
from earwitness.payloads.acars_block import DEL, NAK, SOH, SYN, WITH_PARITY, Block, build, from_characters

PRE_KEY = 16  # characters of all ones
DEPTH = 0.85  # common practice, no source
RAMP_S = 0.002


def block_of(item: Mapping[str, Any]) -> Block:
    """Give the block of an item: {"message": fields} or {"payload_hex": characters without parity}, "more" beside.

    Fields: `registration` (dots are put before it) or `address`, `label` ("_d" for the general response),
    `block_id`, `mode` ("2"), `ack` ("NAK"), `text` (absent or null: none), `msn` and `flight` of downlinks.
    """
    more = bool(item.get("more", False))
    if "payload_hex" in item:
        block = from_characters(bytes.fromhex(item["payload_hex"]), more=more)
        if block is None:
            raise LayoutError("payload_hex is not the characters of an ACARS block")
        return block
    fields = item["message"]
    parts = [fields.get("msn"), fields.get("flight"), fields.get("text")]
    text = None if parts == [None, None, None] else "".join(part or "" for part in parts)
    ack = fields.get("ack", "NAK")
    return Block(
        mode=fields.get("mode", "2"),
        address=fields.get("address") or fields["registration"].rjust(7, "."),
        ack=chr(NAK) if ack == "NAK" else ack,
        label="_\x7f" if fields["label"] == "_d" else fields["label"],
        block_id=fields["block_id"],
        text=text,
        more=more,
    )


def burst_bits(item: Mapping[str, Any]) -> np.ndarray:
    """Give the bits of a burst from pre-key to DEL, uint8 shape (n,), in the order sent."""
    head = bytes(WITH_PARITY[c] for c in (ord("+"), ord("*"), SYN, SYN, SOH))
    octets = b"\xff" * PRE_KEY + head + build(block_of(item)) + bytes([DEL])
    return np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst of one block: complex64 shape (n,), 0 Hz carrier, unit mean power, ramps included."""
    audio = keyed_audio(burst_bits(item), rate_hz)
    ramp = round(RAMP_S * rate_hz)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
    envelope = np.concatenate([rise, 1 + float(item.get("depth", DEPTH)) * audio, rise[::-1]])
    return (envelope / np.sqrt(np.mean(envelope**2))).astype(np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: the characters from mode to the last of the text."""
    return [block_of(item).bits()]


def duration_s(item: Mapping[str, Any]) -> float:
    """Give how long the burst of an item lasts."""
    return len(burst_bits(item)) / BIT_RATE_HZ + 2 * RAMP_S


def examples() -> list[dict[str, Any]]:
    """Give items of many kinds; aircraft, flights and places are invented."""
    own = {"registration": "N123ZZ", "mode": "2"}
    rows: list[dict[str, Any]] = [
        {**own, "label": "Q0", "block_id": "1", "msn": "S01A", "flight": "XX0001", "text": ""},
        {**own, "label": "_d", "block_id": "A", "ack": "1"},
        {
            **own,
            "label": "H1",
            "block_id": "2",
            "msn": "F02A",
            "flight": "XX0001",
            "text": "#M1BPOSN51304W000274,ALFA1,134500,350,BRAV2,140210,CHRL3,M54,27044,120",
        },
        {**own, "label": "QB", "block_id": "3", "msn": "M03A", "flight": "XX0001", "text": "AAAA1345"},
        {
            **own,
            "label": "5Z",
            "block_id": "4",
            "msn": "M04A",
            "flight": "XX0001",
            "text": "OS AAAA /OUT 1316 OFF 1358",
        },
        {**own, "label": "SQ", "block_id": "B", "text": "02XSZZZZZZZ05130N00027WV136975/"},
        {
            **own,
            "label": "RA",
            "block_id": "C",
            "text": "QUNOWHERE 1\r\nWX AAAA 251350Z 27012KT 9999 FEW020 12/08 Q1013",
        },
    ]
    return [{"message": row} for row in rows]
