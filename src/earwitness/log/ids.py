"""Row identifiers: a letter and a hash of what makes the row itself, so that the same survey gives the same.

Only facts that a second survey of the same samples repeats exactly go into a hash (times to the
microsecond, the payload, rounded frequency); measured figures that a better method would sharpen do not.
"""

from __future__ import annotations

from hashlib import blake2b

KINDS = {
    "r": "recording",
    "s": "survey",
    "e": "emission",
    "m": "message",
    "v": "over",
    "p": "picture",
    "i": "identity",
    "j": "relation",
    "x": "evidence",
    "o": "occupancy",
}


def make_id(prefix: str, *parts: object) -> str:
    """Give `prefix-` and 20 hexadecimal digits that depend on every part and their order."""
    texts = [str(part) for part in parts]
    plain = "".join([f"{len(text)}:{text}" for text in texts])  # with lengths ("ab", "c") is not ("a", "bc")
    return f"{prefix}-{blake2b(plain.encode('utf-8', 'surrogatepass'), digest_size=10).hexdigest()}"


def recording_id(content_id: str) -> str:
    """Give the id of the recording whose samples hash to `content_id`."""
    return make_id("r", content_id)


def emission_id(recording: str, start_ns: int, frequency_hz: float) -> str:
    """Give an emission's id; keep it while the emission grows, although its figures sharpen."""
    return make_id("e", recording, start_ns // 1000, round(frequency_hz))


def message_id(recording: str, time_ns: int, mode: str, payload_hex: str) -> str:
    """Give a message's id."""
    return make_id("m", recording, time_ns // 1000, mode, payload_hex)


def over_id(recording: str, start_ns: int, frequency_hz: float, mode: str) -> str:
    """Give the id of a voice transmission."""
    return make_id("v", recording, start_ns // 1000, round(frequency_hz), mode)


def picture_id(recording: str, start_ns: int, frequency_hz: float, mode: str, rendering: str = "") -> str:
    """Give the id of a picture sent over the air; `rendering` names a drawing of it other than as received."""
    return make_id(
        "p", recording, start_ns // 1000, round(frequency_hz), mode, *([rendering] if rendering else [])
    )


def identity_id(kind: str, key: str) -> str:
    """Give the id of an identity: the same in every station's log."""
    return make_id("i", kind, key)


def evidence_id(recording: str, kind: str, subject: str) -> str:
    """Give the id of the piece of evidence of one kind for the row `subject`."""
    return make_id("x", recording, kind, subject)
