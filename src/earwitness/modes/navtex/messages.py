"""From NAVTEX frames to messages: who sent it, about what, where; repeats merged into the best copy."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any

from earwitness.coding.ccir476 import LOST
from earwitness.core.text import inert
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.navtex.spec import CHANNELS_KHZ

# Subject indicator B2 (IMO NAVTEX Manual by way of the sheet).
SUBJECTS = {
    "A": "navigational warning",
    "B": "meteorological warning",
    "C": "ice report",
    "D": "search and rescue, piracy, tsunami and other natural phenomena",
    "E": "meteorological forecast",
    "F": "pilot and vessel traffic services",
    "G": "automatic identification system service",
    "H": "LORAN",
    "J": "satellite navigation",
    "K": "other electronic navigational aids",
    "L": "navigational warning, additional",
    "V": "special service",
    "W": "special service",
    "X": "special service",
    "Y": "special service",
    "Z": "no messages on hand",
}
_FLAGS = {"B": ("gale",), "D": ("safety", "search-and-rescue")}
SAME_NS = (
    12 * 3600 * 1_000_000_000
)  # repeats of one message are hours apart; its serial comes back after days
HELD_NS = 4 * 3600 * 1_000_000_000 + 600 * 1_000_000_000  # an imperfect copy waits for the next broadcast
ONE_BROADCAST_NS = 20 * 1_000_000_000
MOST_TEXT = 20_100
MOST_POSITIONS = 100
MOST_KEPT = 500
CRYSTAL_PPM = 40.0

_LATITUDE = r"(\d{1,2})[- ](\d{1,2})(?:[.,](\d{1,4})|[- ](\d{1,2}))?\s?([NS])"
_LONGITUDE = r"(\d{1,3})[- ](\d{1,2})(?:[.,](\d{1,4})|[- ](\d{1,2}))?\s?([EW])"
_BETWEEN = r"[\s,/-]{0,4}"
_HYPHENED = re.compile(rf"(?<![\d.-]){_LATITUDE}{_BETWEEN}{_LONGITUDE}")
_PACKED = re.compile(
    r"(?<![\d.-])(\d{2})(\d{2})(?:[.,](\d{1,4})|(\d{2}))?\s?([NS])"
    rf"{_BETWEEN}(\d{{3}})(\d{{2}})(?:[.,](\d{{1,4}})|(\d{{2}}))?\s?([EW])"
)


def positions(text: str) -> list[dict[str, float]]:
    """Give the positions named in a text: degrees and minutes, with tenths or seconds, latitude first.

    Written as 54-45.0N 007-47.8E, 54-45-30N 007-47-48E or 5445N 00747E (usage in broadcasts, no source). What
    cannot be a place, or has a lost character in it, is left out.
    """
    found = []
    for pattern in (_HYPHENED, _PACKED):
        for match in pattern.finditer(text[:MOST_TEXT]):
            latitude = _degrees(match.groups()[:5], 90)
            longitude = _degrees(match.groups()[5:], 180)
            if latitude is not None and longitude is not None:
                found.append((match.start(), {"latitude_deg": latitude, "longitude_deg": longitude}))
    out: list[dict[str, float]] = []
    for _, place in sorted(found, key=lambda item: item[0]):
        if place not in out:
            out.append(place)
    return out[:MOST_POSITIONS]


def _degrees(parts: tuple[str | None, ...], most: int) -> float | None:
    degrees, minutes, decimals, seconds, side = parts
    value = int(degrees or 0) + (float(f"{minutes}.{decimals or 0}") + int(seconds or 0) / 60) / 60
    if value > most or int(minutes or 0) > 59 or int(seconds or 0) > 59:
        return None
    return round(-value if side in ("S", "W") else value, 6)


def channel_khz(frequency_hz: float | None) -> float | None:
    """Give the channel a carrier belongs to, else the carrier itself to 0.1 kHz; None for demodulated audio."""
    if frequency_hz is None or frequency_hz < 100e3:
        return None
    nearest = min(CHANNELS_KHZ, key=lambda khz: abs(khz * 1e3 - frequency_hz))
    if abs(nearest * 1e3 - frequency_hz) <= frequency_hz * CRYSTAL_PPM * 1e-6 + 150.0:
        return nearest
    return round(frequency_hz / 1e3, 1)


@dataclass(slots=True)
class _Kept:
    """The best copy of a message so far; `waiting` until it is good or no repeat came."""

    frame: Frame
    text: str
    copies: int
    waiting: bool
    last_ns: int


class Assembler:
    """One message for each (station, subject, serial) and channel: repeats fill in what was lost.

    A copy without a fault is given at once and its repeats are not; one with faults waits for a repeat until the
    end or four hours. Serial 00 is always given.
    """

    def __init__(self) -> None:
        self._kept: dict[tuple[str, float | None], _Kept] = {}

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame; give messages that are as good as they will be."""
        text = _text(frame)
        if not frame.extra.get("begun", True):
            return [_joined(frame, text)]
        if len(text) < 9:
            return []
        out = self._expire(frame.time_ns)
        key = (text[5:9], channel_khz(frame.frequency_hz))
        old = self._kept.get(key)
        if old is not None and frame.time_ns - old.last_ns > SAME_NS:
            out += self._release(old)
            old = None
        if old is None or (key[0].endswith("00") and frame.time_ns - old.last_ns > ONE_BROADCAST_NS):
            if old is not None:
                out += self._release(old)
            kept = _Kept(frame, text, 1, waiting=True, last_ns=frame.time_ns)
            self._kept[key] = kept
        else:
            kept = old
            kept.last_ns = frame.time_ns
            kept.copies += 1
            if not kept.waiting:
                return out
            _merge(kept, frame, text)
        if _whole(kept) or key[0].endswith("00"):
            out += self._release(kept)
        if len(self._kept) > MOST_KEPT:
            out += self._release(self._kept.pop(next(iter(self._kept))))
        return out

    def close(self) -> list[Message]:
        """Give the messages still waiting for a better copy."""
        out = [message for kept in self._kept.values() for message in self._release(kept)]
        self._kept.clear()
        return out

    def _expire(self, now_ns: int) -> list[Message]:
        return [
            message
            for kept in self._kept.values()
            if kept.waiting and now_ns - kept.last_ns > HELD_NS
            for message in self._release(kept)
        ]

    def _release(self, kept: _Kept) -> list[Message]:
        if not kept.waiting:
            return []
        kept.waiting = False
        return [_message(kept)]


def _text(frame: Frame) -> str:
    octets = frame.bits.value.to_bytes(-(-frame.bits.size // 8), "big")[:MOST_TEXT]
    return octets.decode("ascii", "replace")


def _whole(kept: _Kept) -> bool:
    return LOST not in kept.text and bool(kept.frame.extra.get("complete"))


def _merge(kept: _Kept, frame: Frame, text: str) -> None:
    """Bring the best of two copies of a message together.

    Copies of one length that agree are filled from each other; else the one with less missing stays.
    """
    complete = bool(frame.extra.get("complete"))
    both = [(a, b) for a, b in zip(kept.text, text, strict=False) if LOST not in (a, b)]
    same = sum(a == b for a, b in both)
    if len(text) == len(kept.text) and same >= 0.97 * len(both):
        better = kept.frame if _missing(kept.text) <= _missing(text) else frame
        filled = "".join(b if a == LOST else a for a, b in zip(kept.text, text, strict=True))
        octets = filled.encode("ascii", "replace")
        rate = _missing(filled) / max(len(filled) - 9, 1)
        extra = {**better.extra, "characters_lost": _missing(filled), "character_error_rate": round(rate, 4)}
        kept.frame = replace(better, bits=Bits(int.from_bytes(octets, "big"), 8 * len(octets)), extra=extra)
        kept.text = filled
        return
    old = (not kept.frame.extra.get("complete"), _missing(kept.text), -len(kept.text))
    if (not complete, _missing(text), -len(text)) < old:
        kept.frame, kept.text = frame, text


def _missing(text: str) -> int:
    return text.count(LOST)


def _body(text: str, *, ended: bool) -> str:
    body = re.sub(r"\r*\n\r*", "\n", text).replace("\r", "\n")
    if ended:
        body = body[: len(body) - 4].rstrip() if len(body) >= 4 else body
    return inert(body.strip(), limit=MOST_TEXT, keep_lines=True)


def _joined(frame: Frame, text: str) -> Message:
    """Give a message whose beginning was missed: nobody knows who sent it, and about what."""
    extra = frame.extra
    body = _body(text, ended=bool(extra.get("ended")))
    fields: dict[str, Any] = {
        "text": body,
        "complete": False,
        "beginning_missed": True,
        "characters": extra.get("characters"),
        "characters_lost": extra.get("characters_lost"),
        "character_error_rate": extra.get("character_error_rate"),
        "positions": positions(body),
        "channel_khz": channel_khz(frame.frequency_hz),
    }
    if extra.get("inverted"):
        fields["shift_inverted"] = True
    return Message(frame=frame, kind="message whose beginning was missed", fields=fields, check="corrected")


def _message(kept: _Kept) -> Message:
    frame, extra = kept.frame, kept.frame.extra
    station, subject, serial = (inert(part) for part in (kept.text[5], kept.text[6], kept.text[7:9]))
    complete = bool(extra.get("complete"))
    body = _body(kept.text[9:], ended=complete)
    khz = channel_khz(frame.frequency_hz)
    places = positions(body)
    fields: dict[str, Any] = {
        "station": station,
        "subject_indicator": subject,
        "subject": SUBJECTS.get(subject, "not assigned"),
        "serial": serial,
        "text": body,
        "complete": complete,
        "characters": extra.get("characters"),
        "characters_lost": extra.get("characters_lost"),
        "character_error_rate": extra.get("character_error_rate"),
        "header_confirmed_by_both_copies": extra.get("header_confirmed"),
        "copies": kept.copies,
        "positions": places,
        "channel_khz": khz,
    }
    if extra.get("inverted"):
        fields["shift_inverted"] = True
    flags = _FLAGS.get(subject, ())
    if subject == "D":
        flags += tuple(flag for flag, word in (("piracy", "PIRA"), ("tsunami", "TSUNAMI")) if word in body)
    where = f" {khz:g} kHz" if khz is not None else ""
    return Message(
        frame=frame,
        kind=SUBJECTS.get(subject, "message"),
        fields=fields,
        check=frame.check or "corrected",
        identity=IdentityRef("station", f"navtex {station}{where}"),
        flags=flags,
    )
