"""Facts of NAVTEX (ITU-R M.540, M.625; frequencies of maritime safety information from memory)."""

from earwitness.core.mode import Mode

# kHz: national, international, tropical, and the frequencies for maritime safety information by telegraphy.
CHANNELS_KHZ = (
    424.0, 490.0, 518.0, 4209.5, 4210.0, 6314.0, 8416.5, 12579.0, 16806.5, 19680.5, 22376.0, 26100.5,
)  # fmt: skip

MODE = Mode(
    name="navtex",
    title="NAVTEX, safety messages to ships",
    family="marine",
    sources=("ITU-R M.540-2", "ITU-R M.625-4", "ITU-R M.476-5", "IMO NAVTEX Manual"),
    classes=("fsk2",),
    emission=(("fsk2", "F1B"),),
    bands_hz=tuple((khz * 1e3 - 60.0, khz * 1e3 + 60.0) for khz in CHANNELS_KHZ),
    bandwidth_hz=300.0,
    rate_hz=1200.0,
    max_width_hz=5_000.0,  # of strong keying
    min_width_hz=80.0,
    offset_ok_hz=100.0,
    snr_floor_db=3.5,
    symbol_rate_hz=100.0,
    by_frequency=True,
    audio=True,
    priority=25,
    package=__package__ or "",
)
