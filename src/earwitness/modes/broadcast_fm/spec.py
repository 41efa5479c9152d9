"""Facts of broadcast FM."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="broadcast-fm",
    title="Broadcast FM",
    family="voice",
    sources=("ITU-R BS.450 (pilot-tone stereo; from memory)",),
    classes=("fm",),
    bands_hz=((65e6, 108e6),),
    bandwidth_hz=180_000.0,
    rate_hz=240_000.0,
    min_width_hz=36_000.0,  # the pilot alone, in a pause of the programme, takes some 40 kHz
    max_width_hz=260_000.0,
    least_s=0.2,
    offset_ok_hz=20_000.0,
    snr_floor_db=10.0,
    raster_hz=100_000.0,
    voice=True,
    priority=70,
    package=__package__ or "",
)
