"""How each kind of slow-scan picture lays out a line: every time in seconds from the start of its sync pulse.

Line times, codes and pulse widths are those of the published tables; the parts add up to the line times
(a test checks that). 1200 Hz sync, 1500 Hz black, 2300 Hz white.
"""

from __future__ import annotations

from dataclasses import dataclass

SYNC_HZ, BLACK_HZ, WHITE_HZ, LEADER_HZ = 1200.0, 1500.0, 2300.0, 1900.0
BIT_S, LEADER_S, BREAK_S = 0.030, 0.300, 0.010


@dataclass(frozen=True, slots=True)
class Scan:
    """One colour of a line: `G`, `B`, `R`, or `Y`, `V` (red less luminance), `U` (blue less), `Y2`, `C` (V, U in turn)."""

    colour: str
    start_s: float
    length_s: float


@dataclass(frozen=True, slots=True)
class Format:
    """A kind of picture. `lines` counts sync pulses; `rows` of the picture come with each."""

    name: str
    vis: int
    line_s: float
    lines: int
    width: int
    sync_s: float
    lead_s: float  # from the end of the code to the first pulse that belongs to a line
    scans: tuple[Scan, ...]
    rows: int = 1


def _martin(name: str, vis: int, scan_ms: float) -> Format:
    at = [4.862 + 0.572 + number * (scan_ms + 0.572) for number in range(3)]
    scans = tuple(Scan(colour, a / 1e3, scan_ms / 1e3) for colour, a in zip("GBR", at, strict=True))
    return Format(name, vis, (4.862 + 0.572 + 3 * (scan_ms + 0.572)) / 1e3, 256, 320, 4.862e-3, 0.0, scans)


def _scottie(name: str, vis: int, scan_ms: float) -> Format:
    scans = (
        Scan("G", -(2 * scan_ms + 1.5) / 1e3, scan_ms / 1e3),
        Scan("B", -scan_ms / 1e3, scan_ms / 1e3),
        Scan("R", 10.5e-3, scan_ms / 1e3),
    )
    lead_s = (9.0 + 2 * (1.5 + scan_ms)) / 1e3  # a pulse more at the very start, then green and blue
    return Format(name, vis, (3 * (1.5 + scan_ms) + 9.0) / 1e3, 256, 320, 9e-3, lead_s, scans)


def _pd(name: str, vis: int, scan_ms: float, lines: int, width: int) -> Format:
    scans = tuple(
        Scan(colour, (22.08 + number * scan_ms) / 1e3, scan_ms / 1e3)
        for number, colour in enumerate(("Y", "V", "U", "Y2"))
    )
    return Format(name, vis, (22.08 + 4 * scan_ms) / 1e3, lines, width, 20e-3, 0.0, scans, rows=2)


def _red_green_blue(
    name: str,
    vis: int,
    sync_ms: float,
    porch_ms: float,
    scan_ms: float,
    gap_ms: float,
    lines: int,
    width: int,
) -> Format:
    at = [sync_ms + porch_ms + number * (scan_ms + gap_ms) for number in range(3)]
    scans = tuple(Scan(colour, a / 1e3, scan_ms / 1e3) for colour, a in zip("RGB", at, strict=True))
    return Format(name, vis, (at[2] + scan_ms + gap_ms) / 1e3, lines, width, sync_ms / 1e3, 0.0, scans)


FORMATS = (
    _martin("Martin 1", 44, 146.432),
    _martin("Martin 2", 40, 73.216),
    _scottie("Scottie 1", 60, 138.24),
    _scottie("Scottie 2", 56, 88.064),
    _scottie("Scottie DX", 76, 345.6),
    Format(
        "Robot 36", 8, 0.150, 240, 320, 9e-3, 0.0, (Scan("Y", 12e-3, 88e-3), Scan("C", 106e-3, 44e-3))
    ),
    Format(
        "Robot 72", 12, 0.300, 240, 320, 9e-3, 0.0,
        (Scan("Y", 12e-3, 138e-3), Scan("V", 156e-3, 69e-3), Scan("U", 231e-3, 69e-3)),
    ),
    _pd("PD 50", 93, 91.52, 128, 320),
    _pd("PD 90", 99, 170.24, 128, 320),
    _pd("PD 120", 95, 121.6, 248, 640),
    _pd("PD 160", 98, 195.584, 200, 512),
    _pd("PD 180", 96, 183.04, 248, 640),
    _pd("PD 240", 97, 244.48, 248, 640),
    _pd("PD 290", 94, 228.8, 308, 800),
    _red_green_blue("SC2-180", 55, 5.5225, 0.5, 235.0, 0.0, 256, 320),
    _red_green_blue("P3", 113, 5.208, 1.042, 133.333, 1.042, 496, 640),
    _red_green_blue("P5", 114, 7.813, 1.563, 200.0, 1.563, 496, 640),
    _red_green_blue("P7", 115, 10.417, 2.083, 266.667, 2.083, 496, 640),
)  # fmt: skip
BY_NAME = {one.name: one for one in FORMATS}
BY_VIS = {one.vis: one for one in FORMATS}
BY_PERIOD = sorted(FORMATS, key=lambda one: one.line_s)


def vis_bits(code: int) -> list[int]:
    """Give the eight bits as sent: seven of the code, least first, and one that makes the ones even."""
    bits = [code >> n & 1 for n in range(7)]
    return [*bits, sum(bits) & 1]
