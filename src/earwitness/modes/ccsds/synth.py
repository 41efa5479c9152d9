"""A transmitter for scenes and tests: a burst of transfer frames in any of the modulations and codings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.ccsds import SYNC, BlockCode, attach
from earwitness.coding.viterbi import encode
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.dsp.filters import convolve_valid, gaussian, shaped
from earwitness.payloads.ccsds_tm import packet, tm_frame

PREAMBLE_BITS = 256
KEYED = 16  # steps a symbol that frequency keying is made in
INDEX = 0.5  # of frequency keying: deviation over half the rate
BT = 0.5


def _code(item: Mapping[str, Any]) -> BlockCode:
    return BlockCode(
        depth=int(item.get("depth", 1)),
        word=int(item.get("word", 255)),
        errors=int(item.get("errors", 16)),
        dual=bool(item.get("dual", True)),
        randomizer=str(item.get("randomizer", "255-bit")),
    )


def frames(item: Mapping[str, Any]) -> list[bytes]:
    """Give the transfer frames of an item: one per entry of `texts`, or as `frames_hex` has them."""
    if "frames_hex" in item:
        return [bytes.fromhex(text) for text in item["frames_hex"]]
    size = _code(item).data_octets - 6 - (2 if item.get("crc") else 0)
    out = []
    for count, words in enumerate(item["texts"]):
        body = packet(int(item.get("apid", 100)), count, words.encode("utf-8") or b"\0")
        if len(body) > size - 7:
            raise LayoutError(f"{len(body)} octets of packet; {size - 7} fit the frame")
        fill = packet(0x7FF, count, np.random.default_rng(count).bytes(size - len(body) - 6))
        out.append(
            tm_frame(
                int(item.get("spacecraft", 1)),
                int(item.get("channel", 0)),
                count,
                body + fill,
                crc=bool(item.get("crc")),
            )
        )
    return out


def bits(item: Mapping[str, Any]) -> np.ndarray:
    """Give the bits of the burst before any modulation code, uint8."""
    lead = np.tile(np.array([1, 0], np.uint8), PREAMBLE_BITS // 2)
    rng = np.random.default_rng(len(item.get("texts", ())))
    lead ^= rng.integers(0, 2, PREAMBLE_BITS).astype(np.uint8) & 1
    body = attach(_code(item), frames(item))
    tail = np.unpackbits(np.frombuffer(SYNC.to_bytes(4, "big"), np.uint8))
    return np.concatenate([lead, body, tail, lead[:160]])


def symbols(item: Mapping[str, Any]) -> np.ndarray:
    """Give the symbols of the burst, uint8: line code and convolutional code applied."""
    out = bits(item)
    if item.get("line_code") == "NRZ-M":
        out = np.bitwise_xor.accumulate(out)
    return encode(out) if item.get("convolutional") else out


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst, complex64 shape (n,), 0 Hz carrier, unit mean power."""
    made = 2.0 * symbols(item) - 1
    modulation = item.get("modulation", "bpsk")
    per = rate_hz / float(item.get("symbol_rate_hz", 9600))
    roll_off = float(item.get("roll_off", 0.5))
    if modulation == "bpsk":
        out = shaped(made, per, roll_off).astype(np.complex128)
    elif modulation in ("qpsk", "oqpsk"):
        made = made[: len(made) // 2 * 2]
        late = 0.5 if modulation == "oqpsk" else 0.0
        out = shaped(made[0::2], per, roll_off) + 1j * shaped(made[1::2], per, roll_off, late)
    elif modulation == "gmsk":
        pulse = gaussian(BT, KEYED, 2).astype(np.float32)
        smooth = convolve_valid(np.pad(np.repeat(made, KEYED), len(pulse) // 2).astype(np.float32), pulse)
        phase = np.pi * INDEX / KEYED * np.cumsum(smooth.astype(np.float64))
        at = np.arange(int(len(made) * per)) * (KEYED / per)
        out = np.exp(1j * np.interp(at, np.arange(len(phase)), phase))
    else:
        raise LayoutError(f"modulation {modulation!r}; give bpsk, qpsk, oqpsk or gmsk")
    return np.asarray(out / np.sqrt(np.mean(np.abs(out) ** 2)), np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: whole transfer frames."""
    return [Bits(int.from_bytes(frame, "big"), 8 * len(frame)) for frame in frames(item)]


def examples() -> list[dict[str, Any]]:
    """Give items of each modulation and coding; spacecraft are invented."""
    words = ["invented telemetry, first frame", "second frame: 12.3 V 0.45 A", "third frame: 21 C"]
    return [
        {"modulation": "bpsk", "symbol_rate_hz": 19_200, "convolutional": True, "spacecraft": 77, "texts": words},
        {"modulation": "qpsk", "symbol_rate_hz": 38_400, "convolutional": True, "depth": 4, "spacecraft": 78, "texts": words},
        {"modulation": "gmsk", "symbol_rate_hz": 9600, "spacecraft": 79, "texts": words, "dual": False},
        {"modulation": "oqpsk", "symbol_rate_hz": 57_600, "convolutional": True, "depth": 2, "spacecraft": 80, "texts": words},
        {"modulation": "bpsk", "symbol_rate_hz": 9600, "line_code": "NRZ-M", "errors": 8, "spacecraft": 81, "texts": words},
        {"modulation": "gmsk", "symbol_rate_hz": 4800, "word": 180, "spacecraft": 82, "texts": words, "crc": True},
    ]  # fmt: skip
