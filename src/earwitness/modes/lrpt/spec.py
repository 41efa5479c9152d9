"""Facts of low-rate picture transmission (LRPT) as Meteor-M satellites send it."""

from earwitness.core.mode import Mode

MODE = Mode(
    name="lrpt",
    title="LRPT, weather satellite pictures",
    family="satellite",
    sources=(
        "CCSDS 131.0-B, 701.0-B and 732.0-B (coding, VCDU, M_PDU; headers from memory)",
        "ITU-T T.81 Annex K (quantisation and Huffman tables)",
        "LRPT/AHRPT global specification CGMS 04 and practice of Meteor-M (packet layout from memory)",
    ),
    classes=("psk", "noise-like", "unknown"),
    emission=(("", "G1D"),),
    bands_hz=((137.0e6, 138.0e6),),
    bandwidth_hz=120_000.0,
    rate_hz=180_000.0,
    min_width_hz=40_000.0,
    max_width_hz=250_000.0,
    offset_ok_hz=5_000.0,
    snr_floor_db=1.0,
    symbol_rate_hz=72_000.0,
    by_frequency=True,
    priority=40,
    package=__package__ or "",
)
