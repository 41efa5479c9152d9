"""Facts of single-sideband voice."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="ssb",
    title="SSB voice",
    family="voice",
    sources=("ITU-R SM.1138, class J3E (from memory)",),
    classes=("ssb",),
    bands_hz=(),
    bandwidth_hz=4_000.0,
    rate_hz=9_000.0,
    min_width_hz=300.0,
    max_width_hz=4_500.0,
    offset_ok_hz=700.0,
    snr_floor_db=6.0,
    voice=True,
    priority=80,
    package=__package__ or "",
)
