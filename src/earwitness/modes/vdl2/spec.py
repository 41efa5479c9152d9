"""Facts of VDL Mode 2 (read in a scan of ICAO Annex 10 volume III; what is memory is said where it is used)."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="vdl2",
    title="VDL Mode 2, aircraft data link on VHF",
    family="aviation",
    sources=(
        "ICAO Annex 10 Volume III, Part I, chapter 6",
        "ICAO Annex 10 Volume I, appendix B 3.6 (the same waveform, unique word, header and Reed-Solomon code)",
        "ICAO Doc 9776 (from memory)",
        "ETSI EN 301 841 (from memory)",
        "ISO/IEC 13239, ISO/IEC 8208, ISO/IEC 8473, ISO/IEC 9542, ISO/IEC 10747, ISO/IEC 8073 (from memory)",
        "ICAO Doc 9705 and Doc 9880, the ATN and its applications (from memory)",
        "ITU-T X.225, X.226, X.227 and X.691 (from memory)",
    ),
    classes=("psk",),
    # By class anywhere; whatever its class where the channels in use lie: 136.650 to 136.975 MHz.
    bands_hz=((136.0e6, 137.0e6),),
    bandwidth_hz=16_800.0,
    rate_hz=36_000.0,
    max_width_hz=32_000.0,
    min_width_hz=5_000.0,
    offset_ok_hz=3_000.0,
    snr_floor_db=13.5,
    symbol_rate_hz=10_500.0,
    raster_hz=25_000.0,
    by_frequency=True,
    priority=22,
    package=__package__ or "",
)
