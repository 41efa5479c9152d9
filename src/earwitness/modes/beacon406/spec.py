"""Facts of first-generation 406 MHz distress beacons."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="beacon406",
    title="406 MHz distress beacon",
    family="satellite",
    sources=(
        "C/S T.001 (first-generation beacons; field tables from memory, checked on published messages)",
        "C/S coding guide (generator polynomials, 15-hex identification)",
    ),
    classes=("psk", "fsk2", "carrier", "noise-like", "unknown"),
    emission=(("", "G1D"),),
    bands_hz=((406.0e6, 406.1e6),),
    bandwidth_hz=1_600.0,
    rate_hz=16_000.0,
    max_width_hz=30_000.0,
    offset_ok_hz=5_000.0,
    snr_floor_db=0.0,
    symbol_rate_hz=400.0,
    by_frequency=True,
    audio=True,
    priority=15,
    package=__package__ or "",
)
