"""Facts of CCSDS telemetry as small spacecraft use it: symbol rates of 1200 to 76 800 a second."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="ccsds",
    title="CCSDS telemetry",
    family="satellite",
    sources=(
        "CCSDS 131.0-B channel coding (order and sync read in 131.0-B-2; the rest from memory)",
        "CCSDS 132.0-B, 732.0-B, 133.0-B headers (from memory)",
    ),
    classes=("psk", "fsk2", "noise-like", "unknown"),
    bands_hz=(
        (136e6, 138e6),
        (144e6, 146e6),
        (267e6, 273e6),
        (399.9e6, 403e6),
        (430e6, 440e6),
        (1670e6, 1710e6),
        (2200e6, 2300e6),
        (2400e6, 2450e6),
    ),
    bandwidth_hz=96_000.0,
    rate_hz=192_000.0,
    # four times the width: of a weak emission only half may stand out of the noise
    narrow_rates_hz=((6_000.0, 24_000.0), (12_000.0, 48_000.0), (24_000.0, 96_000.0)),
    min_width_hz=800.0,
    max_width_hz=160_000.0,
    offset_ok_hz=2_000.0,
    snr_floor_db=3.0,
    audio=True,
    priority=45,
    package=__package__ or "",
)
