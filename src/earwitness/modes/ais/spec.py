"""Facts of AIS as ITU-R M.1371-5 prints them (read through agency pages and the project's sheet)."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="ais",
    title="AIS, automatic identification system of ships",
    family="marine",
    sources=("ITU-R M.1371-5", "IEC 61162-1", "ISO/IEC 13239"),
    classes=("fsk2",),
    # AIS 1, AIS 2 and the two long-range channels 75 and 76 (message 27).
    bands_hz=((161.9625e6, 162.0375e6), (156.7625e6, 156.8375e6)),
    bandwidth_hz=16_000.0,
    rate_hz=48_000.0,
    max_width_hz=30_000.0,
    min_width_hz=3_000.0,
    offset_ok_hz=3_500.0,
    snr_floor_db=4.5,
    symbol_rate_hz=9600.0,
    raster_hz=25_000.0,
    by_frequency=True,
    audio=True,
    priority=20,
    package=__package__ or "",
)
