"""Facts of Mode S on 1090 MHz."""

from __future__ import annotations

from earwitness.core.mode import Mode

MODE = Mode(
    name="mode-s",
    title="Mode S replies and ADS-B squitters",
    family="aviation",
    sources=(
        "ICAO Annex 10 Volume IV (waveform, parity)",
        "ICAO Doc 9871 (squitter and Comm-B registers)",
        "RTCA DO-260B (position reasonableness)",
        "J. Sun, The 1090 Megahertz Riddle, 2nd ed. (tables and worked examples)",
    ),
    classes=("ook", "psk", "noise-like", "unknown"),
    bands_hz=((1089e6, 1091e6),),
    bandwidth_hz=2.4e6,
    rate_hz=2.0e6,
    max_width_hz=8e6,
    min_width_hz=200e3,
    offset_ok_hz=1.2e6,
    snr_floor_db=5.0,
    symbol_rate_hz=1e6,
    by_frequency=True,
    wideband=True,
    priority=10,
    package=__package__ or "",
)
