"""Facts of ACARS on VHF (ARINC 618 as public descriptions give it; the standard's own text was not read)."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="acars",
    title="ACARS, aircraft data link on VHF",
    family="aviation",
    sources=(
        "ARINC 618 (public descriptions)",
        "ICAO Annex 10 Volume III, VDL Mode 1 (the same tones)",
        "ARINC 622 (from memory)",
    ),
    classes=("am",),
    emission=(("am", "A2D"),),
    # Data channels in use lie between 129.125 and 136.900 MHz.
    bands_hz=((128.8e6, 137.0e6),),
    bandwidth_hz=6_000.0,
    rate_hz=14_400.0,
    max_width_hz=14_000.0,
    min_width_hz=50.0,
    offset_ok_hz=2_500.0,
    snr_floor_db=8.0,
    symbol_rate_hz=2400.0,
    raster_hz=25_000.0,
    by_frequency=True,
    audio=True,
    priority=25,
    package=__package__ or "",
)
