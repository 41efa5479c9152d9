"""Facts of digital selective calling (ITU-R M.493-15, M.541; calling frequencies of RR Appendix 17 from memory)."""

from earwitness.core.mode import Mode

CHANNEL_70_HZ = 156_525_000.0
# Distress and safety first, then international calling of ships and coast stations; kHz.
CHANNELS_KHZ = (
    2187.5, 4207.5, 6312.0, 8414.5, 12577.0, 16804.5,
    455.5, 458.5, 2177.0, 2189.5,
    4208.0, 4208.5, 4209.0, 4219.5, 4220.0, 4220.5,
    6312.5, 6313.0, 6313.5, 6331.0, 6331.5, 6332.0,
    8415.0, 8415.5, 8416.0, 8436.5, 8437.0, 8437.5,
    12577.5, 12578.0, 12578.5, 12657.0, 12657.5, 12658.0,
    16805.0, 16805.5, 16806.0, 16903.0, 16903.5, 16904.0,
    18898.5, 18899.0, 18899.5, 19703.5, 19704.0, 19704.5,
    22374.5, 22375.0, 22375.5, 22444.0, 22444.5, 22445.0,
    25208.5, 25209.0, 25209.5, 26121.0, 26121.5, 26122.0,
)  # fmt: skip
DIRECT_BELOW_HZ = 30e6  # there the carrier itself is keyed, above a sub-carrier on FM

MODE = Mode(
    name="dsc",
    title="DSC, digital selective calling",
    family="marine",
    sources=("ITU-R M.493-15", "ITU-R M.541-11"),
    classes=("fsk2", "fm"),
    emission=(("fm", "G2B"), ("fsk2", "F1B")),
    bands_hz=((CHANNEL_70_HZ, CHANNEL_70_HZ), *((khz * 1e3, khz * 1e3) for khz in CHANNELS_KHZ)),
    bandwidth_hz=16_000.0,
    rate_hz=20_000.0,
    max_width_hz=30_000.0,
    min_width_hz=80.0,
    offset_ok_hz=2_000.0,
    snr_floor_db=-3.5,
    by_frequency=True,
    audio=True,
    priority=22,
    package=__package__ or "",
)
