"""Facts of weather facsimile."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="wefax",
    title="Weather fax",
    family="marine",
    sources=(
        "WMO-No. 386, analogue facsimile (black 1500 Hz, white 2300 Hz; phasing; the rest from memory)",
        "start and stop tones, LF shift, index of co-operation 288: from memory of the same",
    ),
    classes=("fm", "fsk2", "fsk4", "ssb", "unknown", "noise-like", "carrier"),
    emission=(("", "F3C"),),
    bands_hz=((40e3, 160e3), (2e6, 26e6)),
    bandwidth_hz=3_000.0,
    rate_hz=8_000.0,
    min_width_hz=250.0,
    max_width_hz=3_500.0,
    least_s=2.0,
    offset_ok_hz=450.0,
    snr_floor_db=4.0,
    audio=True,
    priority=55,
    package=__package__ or "",
)
