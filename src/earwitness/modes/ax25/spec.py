"""Facts of AX.25 packet radio: version 2.2 of the protocol (from memory; framing read in a reprint of version 2)."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="ax25",
    title="AX.25, amateur packet radio",
    family="packet",
    sources=(
        "AX.25 version 2.2 (from memory; framing as reprinted in version 2)",
        "APRS 1.0.1",
        "ISO/IEC 13239",
        "J. R. Miller, 9600 baud packet radio modem design, 1988",
    ),
    classes=("fm", "fsk2", "psk"),
    emission=(("fm", "F2D"),),
    bands_hz=(),
    bandwidth_hz=16_000.0,
    rate_hz=48_000.0,
    min_width_hz=1_000.0,
    max_width_hz=40_000.0,
    offset_ok_hz=1_500.0,
    snr_floor_db=9.0,
    audio=True,
    priority=30,
    package=__package__ or "",
)
