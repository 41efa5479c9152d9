"""Facts of Morse telegraphy."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="morse",
    title="Morse",
    family="telegraphy",
    sources=("ITU-R M.1677-1 (from memory)",),
    classes=("cw", "ook", "carrier"),
    bands_hz=(),
    bandwidth_hz=300.0,
    rate_hz=2_000.0,
    max_width_hz=5_000.0,  # of strong keying
    offset_ok_hz=150.0,
    snr_floor_db=0.0,
    priority=60,
    package=__package__ or "",
)
