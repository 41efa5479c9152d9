"""Facts of slow-scan pictures."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="sstv",
    title="Slow-scan picture",
    family="amateur",
    sources=(
        "published tables of the Martin, Scottie, Robot, PD, SC2 and P modes (line times and codes checked against two; "
        "times of single colours from memory)",
        "ITU-R BT.601 for luminance and colour differences (from memory)",
    ),
    classes=("fm", "ssb", "fsk2", "fsk4", "unknown", "noise-like", "carrier"),
    emission=(("fm", "F3F"), ("", "J3F")),
    bands_hz=(),
    bandwidth_hz=16_000.0,
    rate_hz=24_000.0,
    min_width_hz=250.0,
    max_width_hz=25_000.0,
    least_s=2.0,
    offset_ok_hz=300.0,
    snr_floor_db=8.0,
    audio=True,
    priority=56,
    package=__package__ or "",
)
