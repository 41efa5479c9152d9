"""The character block of ACARS, carried by the VHF audio link and inside VDL Mode 2 (AVLC) alike.

On the air a block is, after SOH: mode 1, address 7, technical acknowledgement 1, label 2, block id 1, then
STX and text or nothing, ETX (or ETB when more blocks follow), a 16-bit block check (BCS) and DEL. Characters
have seven bits and odd parity in bit 8; the least significant bit is sent first. The block check has no parity.
Layout as read in public descriptions of ARINC 618 (the standard's text was not read); the block check's
parameters are from memory and confirmed by independent transmitters' bursts.
"""

from __future__ import annotations

from dataclasses import dataclass

from earwitness.coding.crc import CRC16_KERMIT
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits

SOH, STX, ETX, ACK, NAK, SYN, ETB, DEL = 0x01, 0x02, 0x03, 0x06, 0x15, 0x16, 0x17, 0x7F
HEAD = 12  # characters from mode to block id
MOST_TEXT = 220
MOST_OCTETS = HEAD + 1 + MOST_TEXT + 1 + 2  # mode to block check
LEAST_OCTETS = HEAD + 1 + 2

# Parity in bit 8 makes the number of ones odd.
WITH_PARITY = bytes(c | (0x80 if c.bit_count() % 2 == 0 else 0) for c in range(128))


@dataclass(frozen=True, slots=True)
class Block:
    """One block, parity removed. `text` is all between STX and the end character; `more` says ETB."""

    mode: str
    address: str  # seven characters as sent: a registration has leading dots
    ack: str  # block id acknowledged; NAK (0x15) when none
    label: str
    block_id: str
    text: str | None  # None: no STX was sent
    more: bool = False

    @property
    def downlink(self) -> bool:
        """Tell whether an aircraft sent it: its block ids are digits, those of ground stations letters."""
        return self.block_id.isdigit()

    def characters(self) -> bytes:
        """Give the characters from mode to the last of the text, without parity."""
        text = "" if self.text is None else chr(STX) + self.text
        return f"{self.mode}{self.address}{self.ack}{self.label}{self.block_id}{text}".encode("ascii")

    def bits(self) -> Bits:
        """Give the same as information bits, eight a character, the top one zero."""
        raw = self.characters()
        return Bits(int.from_bytes(raw, "big"), 8 * len(raw))


def parity_errors(octets: bytes) -> list[int]:
    """Give the places of octets whose number of ones is even; the last two (block check) are not looked at."""
    return [i for i, octet in enumerate(octets[:-2]) if octet.bit_count() % 2 == 0]


def check_ok(octets: bytes) -> bool:
    """Tell whether the block check of octets from mode to check is right (remainder zero)."""
    return CRC16_KERMIT.of(octets) == 0


def parse(octets: bytes) -> Block | None:
    """Give the block of octets from mode to block check, as sent; None when any check or its shape is wrong.

    All characters must have odd parity, the block check must be right, and the characters that steer
    must stand where they belong. What may follow (DEL) is the caller's to cut off.
    """
    if not LEAST_OCTETS <= len(octets) <= MOST_OCTETS or not check_ok(octets) or parity_errors(octets):
        return None
    characters = bytes(octet & 0x7F for octet in octets[:-2])
    if characters[-1] not in (ETX, ETB):
        return None
    return from_characters(characters[:-1], more=characters[-1] == ETB)


def parse_frame(octets: bytes) -> Block | None:
    """Give the block of octets that may begin with SOH and end with DEL, as AVLC carries them."""
    if octets[:1] == b"\x01":
        octets = octets[1:]
    if octets[-1:] == b"\x7f" and len(octets) >= 4 and octets[-4] & 0x7F in (ETX, ETB):
        octets = octets[:-1]
    return parse(octets)


def from_characters(characters: bytes, *, more: bool = False) -> Block | None:
    """Give the block of characters from mode to the last of the text, without parity; None when malformed."""
    if not HEAD <= len(characters) <= HEAD + 1 + MOST_TEXT or max(characters) > 0x7F:
        return None
    head = characters[:HEAD].decode("ascii")
    text = None
    if len(characters) > HEAD:
        if characters[HEAD] != STX:
            return None
        text = characters[HEAD + 1 :].decode("ascii")
    # Broadcasts of ground stations may leave address and block id empty (NUL, from memory).
    address_ok = head[1:8] == 7 * chr(0) or all(0x20 < ord(char) < DEL for char in head[1:8])
    steering_ok = 0x20 < ord(head[0]) < DEL and 0x20 < ord(head[9]) < DEL and ord(head[10]) > 0x20
    block_id_ok = head[11] == chr(0) or 0x20 < ord(head[11]) < DEL
    if not (address_ok and steering_ok and block_id_ok):
        return None
    return Block(head[0], head[1:8], head[8], head[9:11], head[11], text, more)


def build(block: Block) -> bytes:
    """Give the octets as sent, mode to block check; LayoutError when the block does not fit the format."""
    try:
        characters = block.characters()
    except UnicodeEncodeError as error:
        raise LayoutError(f"ACARS characters have seven bits: {error}") from error
    if from_characters(characters, more=block.more) != block:
        raise LayoutError(
            "the ACARS block does not fit its format: mode 1, address 7, ack 1, label 2, id 1, text <= 220"
        )
    octets = bytes(WITH_PARITY[c] for c in characters + bytes([ETB if block.more else ETX]))
    return octets + CRC16_KERMIT.of(octets).to_bytes(2, "little")
