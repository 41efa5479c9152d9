"""Facts of narrow FM voice."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="fm",
    title="FM voice",
    family="voice",
    sources=("TIA-603 (values from memory and service manuals)", "EIA tones and digital squelch as TIA-603"),
    classes=("fm",),
    bands_hz=(),
    bandwidth_hz=16_000.0,
    rate_hz=24_000.0,
    min_width_hz=1_000.0,
    max_width_hz=30_000.0,
    offset_ok_hz=2_500.0,
    snr_floor_db=6.0,
    voice=True,
    priority=80,
    package=__package__ or "",
)
