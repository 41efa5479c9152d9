"""Facts of the AO-40 telemetry code: differential phase reversals, 1200 symbols a second."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="ao40",
    title="Telemetry with the AO-40 code",
    family="satellite",
    sources=(
        "P. Karn and J. R. Miller, proposed coded telemetry format for AO-40, 2002 (from memory, agrees with a frame off "
        "the air)",
    ),
    classes=("psk", "noise-like", "unknown"),
    bands_hz=((144e6, 146e6), (430e6, 440e6), (2400e6, 2450e6)),
    bandwidth_hz=2_400.0,
    rate_hz=9_600.0,
    min_width_hz=600.0,
    max_width_hz=5_000.0,
    least_s=4.0,
    offset_ok_hz=800.0,
    snr_floor_db=-2.0,
    symbol_rate_hz=1_200.0,
    audio=True,
    priority=46,
    package=__package__ or "",
)
