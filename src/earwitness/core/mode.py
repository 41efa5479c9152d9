"""The mode contract: what one folder of `modes/` owes, and how it is found.

A mode is a folder `modes/<name>/` (dashes become underscores) with

    spec.py      MODE = Mode(...): facts a person could read from the publication; no numerics
    demod.py     class Demodulator(mode): feed(Samples) and close(), each giving Frame, Over or Picture
    messages.py  class Assembler: feed(Frame) -> Messages, close() -> Messages; one per survey stretch,
                 shared by all channels of the mode, fed in time order (modes of voice only leave it out)
    synth.py     transmit(item, rate_hz) -> complex64 unit-power burst at 0 Hz; examples() -> items
    tests/       published vectors and what the contract suite cannot say

Nothing else is edited to add one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from types import ModuleType
from typing import TYPE_CHECKING, Protocol

from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from earwitness.core.types import Frame, Message, Over, Picture, Samples

MODES_PACKAGE = "earwitness.modes"


class Demodulator(Protocol):
    """Fed consecutive Samples of one channel, of any length; gives results as they complete.

    Where the cuts between blocks fall must not change what comes out.
    """

    def feed(self, samples: Samples) -> Iterable[Frame | Over | Picture]:
        """Take the next samples."""

    def close(self) -> Iterable[Frame | Over | Picture]:
        """Say that no more samples come."""


class Assembler(Protocol):
    """Turns frames into messages; keeps what must be remembered between them."""

    def feed(self, frame: Frame) -> Iterable[Message]:
        """Take the next frame, in time order over all channels of the mode."""

    def close(self) -> Iterable[Message]:
        """Give what is still held back."""


@dataclass(frozen=True, slots=True)
class Mode:
    """Facts of one mode.

    A survey offers the mode every emission whose class is in `classes` and whose width fits, and every
    emission inside `bands_hz` whatever its class when `by_frequency` (the mode's check must then be
    strong). `wideband` modes (pulses wider than a channel) are run on every stretch that covers their
    band, without waiting for a detection.
    """

    name: str  # database value and export value
    title: str  # for people
    family: str  # aviation, marine, land, paging, packet, satellite, voice
    sources: tuple[str, ...]  # publications with edition
    classes: tuple[str, ...]  # identification classes it can start from
    bands_hz: tuple[tuple[float, float], ...]  # where it is used; () = anywhere
    bandwidth_hz: float  # its channel's occupied width
    rate_hz: float  # lowest complex rate its demodulator wants; it gets this to 1.3 x this
    max_width_hz: float  # widest detection it may explain
    min_width_hz: float = 0.0  # narrowest detection it may explain
    least_s: float = 0.0  # shortest emission there is something to be had from
    # Rates that do for narrow detections: (up to so wide, rate), narrowest first.
    narrow_rates_hz: tuple[tuple[float, float], ...] = ()
    offset_ok_hz: float = 0.0  # carrier error it bears
    snr_floor_db: float = 0.0  # SNR in bandwidth_hz where nine frames in ten succeed
    # Class symbols (RR Appendix 1) of what it was read from, by identification class, "" for any other; what is not
    # here keeps those of its class.
    emission: tuple[tuple[str, str], ...] = ()
    symbol_rate_hz: float | None = None
    raster_hz: float | None = None  # channel step inside bands_hz
    raster_base_hz: float = 0.0
    by_frequency: bool = False
    wideband: bool = False
    audio: bool = False  # also accepts demodulated audio (float32 Samples)
    voice: bool = False  # gives Over; gives way to a data mode that decoded the same emission
    priority: int = 50  # lower is tried first
    package: str = ""  # set to __package__ in spec.py

    def rate_for(self, width_hz: float) -> float:
        """Give the complex rate that its demodulator wants for an emission so wide: `rate_hz`, or less."""
        return next((rate for width, rate in self.narrow_rates_hz if width_hz <= width), self.rate_hz)

    def part(self, name: str) -> ModuleType:
        """Import one part (`demod`, `messages`, `synth`) of the mode's folder, on first need."""
        return import_module(f"{self.package}.{name}")

    def demodulator(self) -> Demodulator:
        """Give a fresh demodulator for one channel."""
        return self.part("demod").Demodulator(self)  # type: ignore[no-any-return]

    def assembler(self) -> Assembler:
        """Give a fresh assembler for one survey stretch."""
        return self.part("messages").Assembler()  # type: ignore[no-any-return]


@cache
def registry() -> dict[str, Mode]:
    """Give every mode by name: a scan of the folders under `modes/`, loading each `spec` only."""
    package = import_module(MODES_PACKAGE)
    found: dict[str, Mode] = {}
    for info in iter_modules(package.__path__):
        if info.ispkg:
            mode: Mode = import_module(f"{MODES_PACKAGE}.{info.name}.spec").MODE
            found[mode.name] = mode
    return dict(sorted(found.items(), key=lambda item: (item[1].priority, item[0])))


def get_mode(name: str) -> Mode:
    """Give one mode; raises ParameterError naming the known ones."""
    try:
        return registry()[name]
    except KeyError:
        raise ParameterError(f"no mode {name!r}; known: {', '.join(registry())}") from None
