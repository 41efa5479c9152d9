"""Facts of AM voice."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="am",
    title="AM voice",
    family="voice",
    sources=("ICAO Annex 10 Volume III, VHF air-ground voice (from memory)",),
    classes=("am",),
    bands_hz=(),
    bandwidth_hz=8_000.0,
    rate_hz=16_000.0,
    min_width_hz=500.0,
    max_width_hz=14_000.0,
    offset_ok_hz=1_000.0,
    snr_floor_db=3.0,
    voice=True,
    priority=80,
    package=__package__ or "",
)
