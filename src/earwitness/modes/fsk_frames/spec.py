"""Facts of framed frequency keying: symbol rates of 1200 to 19 200 a second, several framings behind one receiver."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="fsk-frames",
    title="Framed FSK of small satellites",
    family="satellite",
    sources=(
        "Mobitex air interface as radio modem data sheets print it (from memory, agrees with signals off the air)",
        "Golay length word, convolutional code and Reed-Solomon of satellite transceiver data sheets (from memory, "
        "agrees with signals off the air)",
        "Packet format and PN9 whitening of FSK transceiver chips' data sheets (from memory)",
    ),
    classes=("fsk2", "noise-like", "unknown"),
    bands_hz=((144e6, 146e6), (399.9e6, 403e6), (430e6, 440e6)),
    bandwidth_hz=15_000.0,
    rate_hz=96_000.0,
    narrow_rates_hz=((17_000.0, 48_000.0),),
    min_width_hz=800.0,
    max_width_hz=45_000.0,
    least_s=0.05,
    offset_ok_hz=1_500.0,
    snr_floor_db=12.0,
    audio=True,
    priority=52,
    package=__package__ or "",
)
