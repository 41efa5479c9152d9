"""A transmitter for scenes and tests: a few strips of an invented picture in some channels."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.ccsds import BlockCode, attach
from earwitness.coding.viterbi import encode
from earwitness.core.types import Bits
from earwitness.dsp.filters import shaped
from earwitness.modes.lrpt.channels import INSERT, PICTURE_APIDS, ZONE
from earwitness.modes.lrpt.demod import INTERLEAVED_RATE_HZ, ROLL_OFF, SYMBOL_RATE_HZ
from earwitness.modes.lrpt.interleave import interleave
from earwitness.modes.lrpt.strips import BLOCKS, STRIP_BLOCKS, WIDTH, write_segment
from earwitness.payloads.ccsds_tm import (
    IDLE_APID,
    NO_PACKET_STARTS,
    VCDU_IDLE,
    packet,
    vcdu,
)

CODE = BlockCode(4, dual=False)
PICTURE_CHANNEL = 5  # virtual channel (from memory)
TELEMETRY_APID = 70
LEAD_FRAMES = 1


def pictures(item: Mapping[str, Any]) -> list[np.ndarray]:
    """Give each channel's picture as sent, uint8 (8 strips, WIDTH): clouds, a coast and a grey wedge, seeded."""
    rng = np.random.default_rng(int(item.get("seed", 1)))
    rows = 8 * int(item.get("strips", 4))
    y, x = np.arange(rows)[:, None] / 60.0, np.arange(WIDTH)[None, :] / 60.0
    waves = sum(
        rng.normal() * np.sin(rng.normal() * y * 3 + rng.normal() * x + rng.uniform(0, 6)) for _ in range(12)
    )
    out = []
    for number in item.get("channels", [1]):
        picture = 120 + 30 * waves * np.cos(number) + 40 * (np.sin(0.9 * x + 0.4 * waves + number) > 0.2)
        picture[:, :112] = np.arange(112) * 2
        out.append(np.clip(picture, 0, 255).astype(np.uint8))
    return out


def packets(item: Mapping[str, Any]) -> list[bytes]:
    """Give the packets in the order they are sent, one sequence count over all."""
    made: list[bytes] = []
    images = pictures(item)
    quality = int(item.get("quality", 70))
    count = int(item.get("count", 0))
    for strip in range(int(item.get("strips", 4))):
        when = 1000 * 3600 * 9 + 1230 * strip
        for number, image in zip(item.get("channels", [1]), images, strict=True):
            for block in range(0, STRIP_BLOCKS, BLOCKS):
                part = image[8 * strip : 8 * strip + 8, 8 * block : 8 * (block + BLOCKS)]
                data = write_segment(part, block, quality, day=100, milliseconds=when)
                made.append(packet(PICTURE_APIDS.start + number - 1, count, data, secondary_header=True))
                count += 1
        made.append(packet(TELEMETRY_APID, count, bytes(range(60)), secondary_header=True))
        count += 1
    return made


def frames(item: Mapping[str, Any]) -> list[bytes]:
    """Give the VCDUs: fill, the packets, fill."""
    spacecraft = int(item.get("spacecraft", 9))
    made = packets(item)
    size = CODE.data_octets - ZONE
    starts, at = [], 0
    for octets in made:
        starts.append(at)
        at += len(octets)
    lack = -at % size
    if lack:
        starts.append(at)
        made.append(packet(IDLE_APID, 0, bytes(max(lack - 6, 1))))
    flow = b"".join(made)
    flow += bytes(-len(flow) % size)
    rng = np.random.default_rng(7)
    fill = [vcdu(spacecraft, VCDU_IDLE, k, rng.bytes(CODE.data_octets - 6)) for k in range(2 * LEAD_FRAMES)]
    out = fill[:LEAD_FRAMES]
    for number, begin in enumerate(range(0, len(flow), size)):
        inside = [start - begin for start in starts if begin <= start < begin + size]
        first = inside[0] if inside else NO_PACKET_STARTS
        zone = bytes(INSERT) + first.to_bytes(2, "big") + flow[begin : begin + size]
        out.append(vcdu(spacecraft, PICTURE_CHANNEL, number, zone))
    return out + fill[LEAD_FRAMES:]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give the VCDUs that a right receiver reports."""
    return [Bits(int.from_bytes(frame, "big"), 8 * len(frame)) for frame in frames(item)]


def symbols(item: Mapping[str, Any]) -> np.ndarray:
    """Give the coded symbols, uint8, two for each of the modulation's."""
    bits = attach(CODE, frames(item))
    rng = np.random.default_rng(3)
    bits = np.concatenate(
        [rng.integers(0, 2, 300).astype(np.uint8), bits, rng.integers(0, 2, 300).astype(np.uint8)]
    )
    if item.get("line_code") == "NRZ-M":
        bits = np.bitwise_xor.accumulate(bits)
    made = encode(bits, invert_second=bool(item.get("inverted_second", False)))
    return interleave(made) if item.get("interleaved") else made


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission, complex64 shape (n,), 0 Hz carrier, unit mean power."""
    levels = 2.0 * symbols(item) - 1
    per = rate_hz / (INTERLEAVED_RATE_HZ if item.get("interleaved") else SYMBOL_RATE_HZ)
    late = 0.5 if item.get("modulation") == "oqpsk" else 0.0
    out = shaped(levels[0::2], per, ROLL_OFF) + 1j * shaped(levels[1::2], per, ROLL_OFF, late)
    return np.asarray(out / np.sqrt(np.mean(np.abs(out) ** 2)), np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give items of each keying; the satellite is invented."""
    return [
        {"modulation": "qpsk", "channels": [1], "strips": 4, "seed": 1},
        {"modulation": "oqpsk", "channels": [2, 3], "strips": 3, "seed": 2, "quality": 60},
        {
            "modulation": "oqpsk",
            "line_code": "NRZ-M",
            "channels": [1],
            "strips": 3,
            "seed": 3,
            "count": 16370,
        },
        {"modulation": "qpsk", "inverted_second": True, "channels": [1], "strips": 3, "seed": 4},
    ]
