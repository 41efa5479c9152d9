"""Facts of automatic picture transmission."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="apt",
    title="APT weather picture",
    family="satellite",
    sources=(
        "NOAA KLM User's Guide, section 4.2 (APT: line format, sub-carrier, telemetry; split of a line, synchronisation"
        " and channel numbers from memory)",
    ),
    classes=("fm", "noise-like", "unknown", "carrier"),
    emission=(("", "F3C"),),
    bands_hz=((137.0e6, 138.0e6),),
    bandwidth_hz=40_000.0,
    rate_hz=50_000.0,
    min_width_hz=3_000.0,
    max_width_hz=80_000.0,
    least_s=1.0,
    offset_ok_hz=4_000.0,
    snr_floor_db=4.0,
    by_frequency=True,
    audio=True,
    priority=54,
    package=__package__ or "",
)
