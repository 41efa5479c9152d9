"""The values that flow from samples to log. All frozen; nothing flows upward.

Units stand in the names; absolute time is integer nanoseconds UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import numpy as np


class Bits(NamedTuple):
    """A run of bits: `value` holds them (first bit most significant), `size` says how many."""

    value: int
    size: int

    def hex(self) -> str:
        """Give upper-case hexadecimal, most significant bit first, last octet zero-padded."""
        octets = -(-self.size // 8)
        return (self.value << (octets * 8 - self.size)).to_bytes(octets, "big").hex().upper()


@dataclass(frozen=True, slots=True)
class Samples:
    """A run of consecutive samples of one stretch or of one channel cut from it.

    `data` is complex64 shape (n,) for I/Q, or float32 shape (n,) for demodulated audio.
    `start` counts samples at `rate_hz` since the stretch began; `epoch_ns` is the time of sample 0
    (filter delays already taken out). Full scale is 1.0.
    """

    data: np.ndarray
    rate_hz: float
    center_hz: float
    start: int
    epoch_ns: int
    noise_dbfs_hz: float | None = None  # noise density under it, where detection measured one

    def time_ns(self, index: float = 0.0) -> int:
        """Give the time of sample `index` of this run (fractions allowed)."""
        whole = int(index // 1)
        rate_mhz = round(self.rate_hz * 1000)  # integers, so that hours of samples keep the nanosecond
        return (
            self.epoch_ns
            + (self.start + whole) * 1_000_000_000_000 // rate_mhz
            + round((index - whole) * 1e9 / self.rate_hz)
        )

    def clock(self) -> Samples:
        """Give the same run without its samples: what tells times, and holds on to no memory."""
        return replace(self, data=self.data[:0].copy())


@dataclass(frozen=True, slots=True)
class Detection:
    """Energy found in one region of time and frequency; grows while `open`.

    `start` and `stop` are sample indices in the stretch (stop exclusive); frequencies are absolute.
    """

    number: int
    start: int
    stop: int
    low_hz: float
    high_hz: float
    center_hz: float
    level_dbfs: float
    noise_dbfs_hz: float
    snr_db: float
    open: bool
    artefact: str | None = None
    part_of: int | None = None  # the number it goes on under: with others it turned out to be one emission


@dataclass(frozen=True, slots=True)
class Measurement:
    """Figures of one emission, each with its standard uncertainty and the method's name."""

    center_hz: float
    center_uncertainty_hz: float
    occupied_bandwidth_hz: float | None
    occupied_bandwidth_uncertainty_hz: float | None
    xdb_bandwidth_hz: float | None
    xdb: float
    level_dbfs: float
    level_uncertainty_db: float
    noise_dbfs_hz: float
    snr_db: float
    snr_uncertainty_db: float
    deviation_hz: float | None = None
    deviation_uncertainty_hz: float | None = None
    modulation_depth_pct: float | None = None
    modulation_depth_uncertainty_pct: float | None = None
    methods: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Identification:
    """What the emission is, from the signal alone."""

    kind: str  # am fm ssb cw fsk2 fsk4 psk ook carrier noise-like chirp unknown
    variant: str | None  # usb lsb nfm wfm gmsk bpsk qpsk 8psk d8psk ppm ofdm ...
    confidence: float  # 0..1
    reasons: tuple[str, ...]
    designator: str | None
    symbol_rate_hz: float | None = None
    symbol_rate_uncertainty_hz: float | None = None
    deviation_hz: float | None = None
    carrier_hz: float | None = None  # suppressed or present carrier where the class has one
    carrier_uncertainty_hz: float | None = (
        None  # standard; None where the carrier is no better known than the centre
    )


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame off the air as its demodulator saw it. Measured figures are not compared."""

    mode: str
    time_ns: int  # first bit of the frame
    stop_ns: int  # end of the frame on the air
    bits: Bits  # information bits in the standard's numbering
    check: str | None  # "pass", "corrected", or None when only an Assembler can judge
    corrected_bits: int = 0
    check_name: str = ""  # which check, in words: "CRC-16 over 168 bits"
    extra: Mapping[str, Any] = field(default_factory=dict)
    snr_db: float | None = field(default=None, compare=False)
    level_dbfs: float | None = field(default=None, compare=False)
    frequency_hz: float | None = field(default=None, compare=False)  # measured carrier


@dataclass(frozen=True, slots=True)
class IdentityRef:
    """A pointer to who sent or is named: merged into the log's identities by (kind, key)."""

    kind: str  # aircraft vessel radio-unit talkgroup system site station pager transmitter
    key: str
    names: tuple[str, ...] = ()
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """A frame that passed its check, in the standard's terms. `fields` holds JSON values only."""

    frame: Frame
    kind: str
    fields: Mapping[str, Any]
    check: str  # "pass", "corrected", "address"
    identity: IdentityRef | None = None
    related: tuple[IdentityRef, ...] = ()
    flags: tuple[str, ...] = ()  # "distress", "emergency", ... worth a look in every view


@dataclass(frozen=True, slots=True)
class Over:
    """One voice transmission, demodulated. `audio` is float32 shape (n,), full scale 1.0."""

    mode: str
    start_ns: int
    stop_ns: int
    audio: np.ndarray
    audio_rate_hz: float
    frequency_hz: float
    tone: Mapping[str, Any] | None = None
    snr_db: float | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Picture:
    """An image that was sent over the air. `pixels` is uint8 shape (height, width) or (h, w, 3)."""

    mode: str
    start_ns: int
    stop_ns: int
    pixels: np.ndarray
    frequency_hz: float
    extra: Mapping[str, Any] = field(default_factory=dict)
