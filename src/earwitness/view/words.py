"""Figures as people write them: units that fit, digits the uncertainty allows, intervals, plurals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from earwitness.core.errors import ParameterError
from earwitness.core.text import inert
from earwitness.core.times import parse_time

NOTHING = "—"
_Z95 = 1.959963984540054  # normal quantile of 97.5 %


def number(value: Any) -> float | None:
    """Give a row's value as a float, or None when it is none, not finite or beyond any unit of radio."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        figure = float(value)
    except OverflowError:
        return None
    return figure if abs(figure) < 1e30 else None


def plain(value: Any, *, limit: int = 400) -> str:
    """Give inert one-line text of anything a row may hold; nothing known is a dash."""
    if value is None or value == "":
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.7g}"
    if isinstance(value, dict):
        text = ", ".join(f"{key} {plain(item, limit=80)}" for key, item in list(value.items())[:40])
    elif isinstance(value, list | tuple):
        text = ", ".join(plain(item, limit=80) for item in value[:40])
    else:
        text = str(value)
    return inert(text, limit=limit)


def frequency(hz: Any, uncertainty_hz: Any = None, *, digits: int | None = None) -> str:
    """Give a frequency with unit, to `digits` decimals or as far as the uncertainty allows (1 Hz at most).

    With neither, to 10 Hz, without idle zeros beyond the third decimal.
    """
    figure = number(hz)
    if figure is None:
        return NOTHING
    unit, power = ("GHz", 9) if abs(figure) >= 3e9 else ("MHz", 6) if abs(figure) >= 2e6 else ("kHz", 3)
    spread = number(uncertainty_hz)
    if digits is None and spread is None:
        digits = power - 1
        while digits > min(3, power - 1) and round(figure) % 10 ** (power - digits + 1) == 0:
            digits -= 1
    elif digits is None:
        digits = power - (0 if spread is None or spread < 10 else min(int(math.log10(spread)), power))
    return f"{spaced(f'{figure / 10**power:.{digits}f}')} {unit}"


def spaced(figure: str) -> str:
    """Set the decimals of a figure in groups of three."""
    whole, point, rest = figure.partition(".")
    return whole + point + "\u202f".join(rest[n : n + 3] for n in range(0, len(rest), 3))


def width(hz: Any) -> str:
    """Give a bandwidth, rate or deviation to three significant figures with its unit."""
    figure = number(hz)
    if figure is None:
        return NOTHING
    for unit, power in (("MHz", 6), ("kHz", 3)):
        if abs(figure) >= 0.9995 * 10**power:
            return f"{significant(figure / 10**power, 3)} {unit}"
    return f"{significant(figure, 3)} Hz"


def significant(figure: float, count: int) -> str:
    """Give a number rounded to `count` significant figures, without an exponent."""
    if figure == 0:
        return "0"
    places = min(count - 1 - math.floor(math.log10(abs(figure))), 15)
    return f"{round(figure, places):.{max(places, 0)}f}"


def plus_minus(uncertainty: Any, unit: str) -> str:
    """Give ' ± 3 Hz', or nothing when the uncertainty is unknown."""
    spread = number(uncertainty)
    if spread is None:
        return ""
    if unit == "Hz" and abs(spread) >= 1000:
        return f"± {significant(spread / 1000, 2)} kHz"
    return f"± {significant(spread, 1 if spread >= 0.095 or spread == 0 else 2)} {unit}"


def symbol_rate(rate_hz: Any, uncertainty_hz: Any = None) -> str | None:
    """Give '9600.0 ± 0.4 Bd', as far as the uncertainty allows; None where there is no rate."""
    rate, spread = number(rate_hz), number(uncertainty_hz)
    if not rate:
        return None
    if not spread or spread < 0:
        return f"{rate:.6g} Bd"
    told = significant(spread, 1)
    return f"{rate:.{len(told.partition('.')[2])}f} ± {told} Bd"


def squelch_tone(tone: Any) -> str | None:
    """Give 'CTCSS 103.5 Hz', 'DCS 023' or 'DCS 172 inverted' for what opens a receiver's squelch; None where there is none."""
    if not isinstance(tone, Mapping) or not tone:
        return None
    hz = number(tone.get("ctcss_hz"))
    if hz is not None:
        return f"CTCSS {hz:.1f} Hz"
    if not tone.get("dcs"):
        return plain(tone, limit=60)
    return f"DCS {plain(tone['dcs'], limit=12)}{' inverted' if tone.get('dcs_inverted') else ''}"


def decibels(value: Any, unit: str = "dB") -> str:
    """Give a level to a tenth."""
    figure = number(value)
    return NOTHING if figure is None else f"{figure:.1f} {unit}".replace("-", "−")


def percent(ratio: float) -> str:
    """Give a ratio 0..1 as per cent, two significant figures and more near the top."""
    figure = 100 * ratio
    if figure == 0:
        return "0 %"
    if figure >= 10:
        return f"{figure:.1f} %".replace(".0 %", " %")
    return f"{significant(figure, 2)} %"


def duration(seconds: Any) -> str:
    """Give a time span in the unit that fits."""
    figure = number(seconds)
    if figure is None:
        return NOTHING
    size = abs(figure)
    if size == 0:
        return "0 s"
    if size < 0.9995e-3:
        return f"{_bare(significant(figure * 1e6, 3))} µs"
    if size < 0.9995:
        return f"{_bare(significant(figure * 1e3, 3))} ms"
    if size < 100:
        return f"{_bare(significant(figure, 3))} s"
    sign = "-" if figure < 0 else ""
    if round(size) < 6000:
        whole, rest = divmod(round(size), 60)
        return f"{sign}{whole} min" + (f" {rest} s" if rest else "")
    if size < 172_800:
        whole, rest = divmod(round(size / 60), 60)
        return f"{sign}{whole} h" + (f" {rest} min" if rest else "")
    return f"{figure / 86_400:.1f} days"


def _bare(figure: str) -> str:
    """Leave out zeros at the end of a number's decimals."""
    return figure.rstrip("0").rstrip(".") if "." in figure else figure


def moment(value: Any) -> int | None:
    """Give nanoseconds UTC of a row's time (RFC 3339 text, or nanoseconds already), or None."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, str):
        try:
            return parse_time(value)
        except ParameterError:
            return None
    return None


def clock(value: Any, *, date: bool = False, digits: int = 3) -> str:
    """Give the time of day UTC to `digits` decimals (0 to 6), with the date on wish."""
    ns = moment(value)
    if ns is None:
        return NOTHING
    try:
        when = datetime.fromtimestamp(ns // 1_000_000_000, UTC)
    except (OverflowError, ValueError, OSError):
        return NOTHING
    text = when.strftime("%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S")
    return text + (f".{ns % 1_000_000_000 // 10 ** (9 - digits):0{digits}d}" if digits else "")


def position(latitude_deg: Any, longitude_deg: Any) -> str:
    """Give a position in degrees and decimal minutes, or a dash."""
    lat, lon = number(latitude_deg), number(longitude_deg)
    if lat is None or lon is None or abs(lat) > 90 or abs(lon) > 180:
        return NOTHING
    out = []
    for figure, marks, size in ((lat, "NS", 2), (lon, "EW", 3)):
        minutes = round(abs(figure) * 60_000)
        out.append(f"{minutes // 60_000:0{size}d}°{minutes % 60_000 / 1000:06.3f}′{marks[figure < 0]}")
    return " ".join(out)


def count(amount: int, one: str, many: str | None = None) -> str:
    """Give '1 vessel', '9 vessels', '12 000 messages'."""
    return f"{grouped(amount)} {one if amount == 1 else many or one + 's'}"


def grouped(amount: int) -> str:
    """Give an integer with thin spaces between thousands."""
    return f"{amount:,}".replace(",", "\u202f")


def listed(parts: list[str]) -> str:
    """Join words with commas and a last 'and'."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def wilson(hits: float, looks: float, z: float = _Z95) -> tuple[float, float]:
    """Give the 95 % interval of a share seen `hits` times in `looks` (E. B. Wilson, JASA 22, 1927)."""
    if looks <= 0:
        return 0.0, 1.0
    share = min(max(hits / looks, 0.0), 1.0)
    middle = (share + z * z / (2 * looks)) / (1 + z * z / looks)
    half = z * math.sqrt(share * (1 - share) / looks + z * z / (4 * looks * looks)) / (1 + z * z / looks)
    low = 0.0 if hits <= 0 else max(0.0, middle - half)
    return low, 1.0 if hits >= looks else min(1.0, middle + half)


def occupancy(hits: int, looks: int, spread: float = 1.0) -> str:
    """Give an occupancy that never claims more than was looked at: '0 of 1000, < 0.38 %'.

    `spread` says how many neighbouring looks stand for one independent one.
    """
    if looks <= 0:
        return "not looked at"
    low, high = wilson(hits / spread, looks / spread)
    told = f"{grouped(hits)} of {grouped(looks)}"
    if hits <= 0:
        return f"{told}, < {percent(high)}"
    if hits >= looks:
        return f"{told}, > {percent(min(low, 0.999))}"  # which must not round up to all
    return f"{told}: {percent(hits / looks)} ({percent(low)} to {percent(high)})"
