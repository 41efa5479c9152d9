"""A transmitter for scenes and tests: one frame in any of the framings, by frequency keying or FFSK on FM."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.crc import CRC16_KERMIT, CRC16_XMODEM
from earwitness.coding.hdlc import FLAG, stuff
from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.coding.scramble import ccsds_sequence, scramble
from earwitness.coding.viterbi import encode
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.dsp.filters import convolve_valid, gaussian
from earwitness.modes.fsk_frames import chip, flagged, golay_length, mobitex

PREAMBLE_BITS, TAIL_BITS = 320, 64
STEPS = 16  # a symbol
INDEX, BT = 0.5, 0.5  # deviation over half the rate; bandwidth of the shaping times the symbol
MOST_OCTETS = 4096


def _bits(octets: bytes) -> np.ndarray:
    return np.unpackbits(np.frombuffer(octets, np.uint8))


def _sync(value: int, size: int) -> np.ndarray:
    return _bits(value.to_bytes(size // 8, "big"))


def _mobitex(item: Mapping[str, Any], data: bytes) -> np.ndarray:
    if len(data) % mobitex.BLOCK_OCTETS or not data:
        raise LayoutError(f"{len(data)} octets; blocks hold {mobitex.BLOCK_OCTETS}")
    blocks = [data[k : k + mobitex.BLOCK_OCTETS] for k in range(0, len(data), mobitex.BLOCK_OCTETS)]
    control = bytes([int(item.get("control", 0x48)), len(blocks) & 0xFF])
    checks = bytes([mobitex.check_bits(control[0]) << 4 | mobitex.check_bits(control[1])])
    head = _bits(control + checks)
    call = b""
    if "call" in item:
        call = str(item["call"]).encode("ascii").ljust(6)[:6]
        call += CRC16_XMODEM.of(call).to_bytes(2, "big")
    body = np.concatenate([mobitex.block_bits(block) for block in blocks])
    body ^= np.resize(mobitex.scrambler(), len(body))
    return np.concatenate([_sync(0x0EF0 if call else 0x5765, 16), head, _bits(call), body])


def _block(data: bytes) -> bytes:
    return ReedSolomon(32, 0x187, 112, 11).encode(data)


def _scrambled(block: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(block, ccsds_sequence(len(block)), strict=True))


def _golay(item: Mapping[str, Any], data: bytes) -> np.ndarray:
    body = _bits(_scrambled(_block(data)))
    flagged = item["framing"] == "golay"
    flags = golay_length.CODED if flagged else 0
    if item.get("convolutional"):
        pairs = encode(np.concatenate([body, np.zeros(8, np.uint8)]), invert_second=False).reshape(-1, 2)
        body = np.ascontiguousarray(pairs[:, ::-1]).reshape(-1)
        flags |= golay_length.CONVOLUTIONAL
    if len(body) > 8 * 255:
        raise LayoutError(f"{len(body) // 8} octets; the length word counts to 255")
    word = int(golay_length.golay_words()[flags | len(body) // 8])
    sync = golay_length.FLAGGED if flagged else golay_length.UNFLAGGED
    return np.concatenate([_sync(sync.value, 32), _bits(word.to_bytes(3, "big")), body])


def _little(octets: bytes) -> np.ndarray:
    return np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")


def _flags(data: bytes, *, convolutional: bool) -> np.ndarray:
    """Give flags, stuffed octets with CRC-16, flags, as they are or behind the convolutional code."""
    body = stuff(_little(data + flagged.USB.of(data).to_bytes(2, "little")))
    out = np.concatenate([np.tile(FLAG, 24), body, np.tile(FLAG, 16)])
    if not convolutional:
        return out
    out = out[: len(out) // 8 * 8]
    padded = np.concatenate([np.zeros(4, np.uint8), out])
    pairs = [
        sum(padded[4 - lag : len(padded) - lag] for lag in range(5) if tap >> (4 - lag) & 1) & 1
        for tap in flagged.TAPS
    ]
    coded = np.stack([1 - pairs[0], pairs[1]], axis=1).reshape(-1, flagged.SIDE, flagged.SIDE)
    return np.ascontiguousarray(coded.transpose(0, 2, 1)).reshape(-1).astype(np.uint8)


def _flagged_word(data: bytes) -> np.ndarray:
    word = ReedSolomon(flagged.PARITY, 0x11D, 1, 1).encode(data)
    flags = _bits(b"\x7e\x7e")
    return np.concatenate([flags, _little(word), flags])


def _open_packet(data: bytes) -> np.ndarray:
    whole = chip.whiten(data + CRC16_KERMIT.of(data).to_bytes(2, "little"))
    return np.concatenate([_bits((0x904E1800 | len(whole)).to_bytes(4, "big")), _little(whole)])


def bits(item: Mapping[str, Any]) -> np.ndarray:
    """Give the bits of the burst, uint8; raises LayoutError for what the framing cannot carry."""
    data = bytes.fromhex(item["data_hex"])
    if len(data) > MOST_OCTETS:
        raise LayoutError(f"{len(data)} octets; {MOST_OCTETS} at most")
    framing = item["framing"]
    alternating = item.get("keying") == "FFSK" or framing in ("chip-short", "802.15.4g", "flagged-word")
    lead = np.tile(np.array([1, 0, 1, 0] if alternating else [1, 1, 0, 0], np.uint8), PREAMBLE_BITS // 4)
    if framing == "mobitex":
        body = _mobitex(item, data)
    elif framing in ("golay", "golay-unflagged"):
        body = _golay(item, data)
    elif framing == "octet-length":
        block = _block(data)
        body = np.concatenate(
            [_sync(golay_length.SCRAMBLED.value, 32), _bits(bytes([len(block) + 1]) + block)]
        )
    elif framing == "chip":
        whole = bytes([len(data)]) + data
        body = np.concatenate(
            [_sync(0xD391D391, 32), _bits(chip.whiten(whole + chip.CHIP_CRC.of(whole).to_bytes(2, "big")))]
        )
    elif framing == "chip-short":
        whole = bytes([len(data)]) + data
        body = _bits(b"\x2d\xd4" + whole + chip.CRCS[1].of(whole).to_bytes(2, "big"))
    elif framing == "802.15.4g":
        body = _open_packet(data)
    elif framing in ("flags", "flags-convolutional"):
        body = _flags(data, convolutional=framing != "flags")
    elif framing == "flagged-word":
        body = _flagged_word(data)
    elif framing == "chip-fixed":
        if len(data) != chip.FIXED_OCTETS - 2:
            raise LayoutError(f"{len(data)} octets; {chip.FIXED_OCTETS - 2} fill the packet")
        body = np.concatenate(
            [
                _sync(chip.FIXED.value, 32),
                _bits(chip.whiten(data + chip.CHIP_CRC.of(data).to_bytes(2, "big"))),
            ]
        )
    else:
        raise LayoutError(
            f"framing {framing!r}; mobitex, golay, golay-unflagged, octet-length, chip, chip-fixed, chip-short, "
            "802.15.4g, flags, flags-convolutional or flagged-word"
        )
    out = np.concatenate([lead, body, lead[:TAIL_BITS]])
    return scramble(out) if framing == "octet-length" else out


def symbols(item: Mapping[str, Any]) -> np.ndarray:
    """Give the line symbols, uint8: the bits, or for FFSK two halves a bit that begin with a change each."""
    sent = bits(item)
    if item.get("keying") != "FFSK":
        return sent
    first = np.empty(len(sent), np.uint8)
    level = 1
    for n, bit in enumerate(sent.tolist()):
        first[n] = level
        last = level if bit else 1 - level
        level = 1 - last
    return np.stack([first, first ^ (1 - sent)], axis=1).reshape(-1).astype(np.uint8)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst, complex64 shape (n,), 0 Hz carrier, unit power."""
    made = 2.0 * symbols(item) - 1
    per = rate_hz / (float(item.get("baud", 4800)) * (2 if item.get("keying") == "FFSK" else 1))
    pulse = gaussian(BT, STEPS, 2).astype(np.float32)
    smooth = convolve_valid(np.pad(np.repeat(made, STEPS), len(pulse) // 2).astype(np.float32), pulse)
    phase = np.pi * INDEX / STEPS * np.cumsum(smooth.astype(np.float64))
    at = np.arange(int(len(made) * per)) * (STEPS / per)
    return np.exp(1j * np.interp(at, np.arange(len(phase)), phase)).astype(np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: the frame's data."""
    data = bytes.fromhex(item["data_hex"])
    return [Bits(int.from_bytes(data, "big"), 8 * len(data))]


def examples() -> list[dict[str, Any]]:
    """Give an item of each framing; data and call signs are invented."""
    text = b"invented telemetry: 7.9 V 0.31 A 21 C. "
    return [
        {"framing": "mobitex", "baud": 4800, "data_hex": (text * 3)[:108].hex()},
        {
            "framing": "golay",
            "baud": 4800,
            "keying": "FFSK",
            "data_hex": (b"\x82\xa7\x80\x00" + text * 2).hex(),
        },
        {"framing": "golay", "baud": 9600, "data_hex": (b"\x82\xa7\x80\x00" + text * 5).hex()},
        {"framing": "golay", "baud": 4800, "keying": "FFSK", "convolutional": True, "data_hex": text.hex()},
        {"framing": "mobitex", "baud": 4800, "call": "QX1AB", "data_hex": (text * 6)[:216].hex()},
        {"framing": "octet-length", "baud": 9600, "data_hex": (b"\x82\xa7\x80\x00" + text * 4).hex()},
        {"framing": "golay-unflagged", "baud": 9600, "data_hex": (b"\x82\xa7\x80\x00" + text * 4).hex()},
        {"framing": "chip", "baud": 9600, "data_hex": (text * 2).hex()},
        {"framing": "chip-fixed", "baud": 9600, "data_hex": (text * 2)[:64].hex()},
        {"framing": "flags-convolutional", "baud": 1200, "data_hex": (text * 2).hex()},
        {"framing": "flags", "baud": 4800, "data_hex": (text * 3).hex()},
        {"framing": "flagged-word", "baud": 9600, "data_hex": (text * 3).hex()},
        {"framing": "chip-short", "baud": 2400, "data_hex": text.hex()},
        {"framing": "802.15.4g", "baud": 4800, "data_hex": (text * 4).hex()},
        {"framing": "chip", "baud": 19_200, "data_hex": (text * 2).hex()},
    ]
