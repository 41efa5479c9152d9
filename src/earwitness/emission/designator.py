"""ITU emission designators (Radio Regulations, Appendix 1): necessary bandwidth and class symbols."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal

from earwitness.core.errors import ParameterError
from earwitness.core.mode import Mode

_UNITS = {"H": 1.0, "K": 1e3, "M": 1e6, "G": 1e9}
# First symbol with what it says of the carrier, second, third (RR App. 1 section II).
_SYMBOLS = re.compile(r"[NAHRJBCFGDPKLMQVWX][0-3789X][NABCDEFWX]([A-HJ-NWX-]?[NCFTWX-]?)")


def designator(bandwidth_hz: float | None, symbols: str) -> str:
    """Give the designator: bandwidth as three numerals and a letter in place of the point, then `symbols`.

    Halves are rounded up (180.5 kHz is 181K), as RR Appendix 1 does; no bandwidth leaves the symbols
    alone. `symbols` are three to five characters. Raises ParameterError for what Appendix 1 has no form.
    """
    if not _SYMBOLS.fullmatch(symbols):
        raise ParameterError(f"{symbols!r} are not class symbols; write three to five like A3E or A3EJN")
    if bandwidth_hz is None:
        return symbols
    if not 0.001 <= bandwidth_hz < 999.5e9:
        raise ParameterError(f"bandwidth {bandwidth_hz} Hz has no form; allowed are 0.001 Hz to 999 GHz")
    value = Decimal(repr(float(bandwidth_hz)))
    if value < 1:
        thousandths = int((value * 1000).to_integral_value(ROUND_HALF_UP))
        if thousandths < 1000:
            return f"H{thousandths:03d}{symbols}"
        value = Decimal(1)
    # Round to three significant figures first: 999.6 Hz becomes 1000 Hz and so 1K00.
    value = value.quantize(Decimal(1).scaleb(value.adjusted() - 2), ROUND_HALF_UP)
    letter = "HKMG"[value.adjusted() // 3]
    scaled = value / int(_UNITS[letter])
    places = 2 - scaled.adjusted()
    whole, _, part = f"{scaled:.{places}f}".partition(".")
    return f"{whole}{letter}{part}{symbols}"


def read_as(mode: Mode, kind: str, known: str | None) -> str | None:
    """Give the designator of an emission of class `kind`, `known` so far, once a mode has been read from it.

    The necessary bandwidth stays, or is the mode's where none is known.
    """
    symbols = dict(mode.emission)
    wanted = symbols.get(kind) or symbols.get("")
    if wanted is None:
        return known
    bandwidth = known[:4] if known and len(known) > 5 else designator(mode.bandwidth_hz, wanted)[:4]
    return bandwidth + wanted
