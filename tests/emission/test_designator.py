"""Designators against RR Appendix 1 and the worked examples of TRC-43 section 8 and 47 CFR 2.202."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import ParameterError
from earwitness.core.mode import registry
from earwitness.emission.designator import designator, read_as

# RR Appendix 1, section I, examples (also in 47 CFR 2.202); the last two are ours: rounding that rolls over.
BANDWIDTHS = [
    (0.002, "H002"),
    (0.1, "H100"),
    (25.3, "25H3"),
    (400, "400H"),
    (2400, "2K40"),
    (6000, "6K00"),
    (12_500, "12K5"),
    (180_400, "180K"),
    (180_500, "181K"),
    (180_700, "181K"),
    (1.25e6, "1M25"),
    (2e6, "2M00"),
    (10e6, "10M0"),
    (202e6, "202M"),
    (5.65e9, "5G65"),
    (999.6, "1K00"),
    (999_500, "1M00"),
]

# TRC-43 section 8 (15-channel telegraphy is left out: the published 2K89 rounds twice), then RR and
# SM.1138 examples: necessary bandwidth from the formula, designator as printed.
EXAMPLES = [
    (5 * 20, "A1AAN", "100HA1AAN"),
    (5 * 20 + 2 * 1000, "A2AAN", "2K10A2AAN"),
    (2110, "H2BFN", "2K11H2BFN"),
    (2 * 25 + 2 * 35 * 1.2, "J2BCN", "134HJ2BCN"),
    (2 * 3000, "A3EJN", "6K00A3EJN"),
    (3000, "H3EJN", "3K00H3EJN"),
    (3000 - 300, "J3EJN", "2K70J3EJN"),
    (2 * 4000, "A3EGN", "8K00A3EGN"),
    (2 * 50 + 2 * 85 * 1.2, "F1BBN", "304HF1BBN"),
    (2 * 50 + 2 * 600 * 1.1, "F7BDX", "1K42F7BDX"),
    (2 * 3000 + 2 * 5000, "F3EJN", "16K0F3EJN"),
    (2 * 3000 + 2 * 2500, "F3EJN", "11K0F3EJN"),
    (2 * 15_000 + 2 * 75_000, "F3EGN", "180KF3EGN"),
    (2 * 75_000 + 2 * 75_000, "F8EHF", "300KF8EHF"),
    (1100 + 2 * 400 * 1.1, "F1C", "1K98F1C"),
    (2 * 1.5 / 1e-6, "P0NAN", "3M00P0NAN"),
    (2 * 1.6 / 0.4e-6, "M7EJT", "8M00M7EJT"),
    (None, "N0N", "N0N"),
]


def parts(text):
    """Bandwidth in Hz and class symbols: three numerals and a letter in the place of the point, then the symbols."""
    letter = next((sign for sign in text[:4] if sign in "HKMG"), None) if len(text) > 5 else None
    if letter is None:
        return None, text
    return float(text[:4].replace(letter, ".")) * 1000.0 ** "HKMG".index(letter), text[4:]


@pytest.mark.parametrize(("hz", "text"), BANDWIDTHS)
def test_bandwidths(hz, text):
    assert designator(hz, "F3E") == text + "F3E"


@pytest.mark.parametrize(("hz", "symbols", "text"), EXAMPLES)
def test_examples(hz, symbols, text):
    assert designator(hz, symbols) == text
    assert parts(text)[1] == symbols


@pytest.mark.parametrize(
    ("hz", "symbols"), [(0, "A3E"), (-1, "A3E"), (float("nan"), "A3E"), (1e12, "A3E"), (1, "AE")]
)
def test_no_form(hz, symbols):
    with pytest.raises(ParameterError):
        designator(hz, symbols)


@given(st.floats(0.001, 9.99e11))
def test_within_half_a_unit_of_the_third_numeral(hz):
    if hz >= 999.5e9:
        return
    text = designator(hz, "F1D")
    assert len(text) == 7
    assert text[0] not in "0KMG"
    back = parts(text)[0]
    assert abs(back - hz) <= max(0.00501 * hz, 0.000501)


@pytest.mark.parametrize(
    ("mode", "kind", "known", "wanted"),
    [
        ("dsc", "fm", "16K0F3E", "16K0G2B"),  # ITU-R M.493: G2B on channel 70
        ("dsc", "fsk2", "304HF1D", "304HF1B"),  # ITU-R M.493: F1B on MF and HF
        ("navtex", "fsk2", "304HF1D", "304HF1B"),  # ITU-R M.540: F1B
        ("acars", "am", "6K00A3E", "6K00A2D"),  # double sideband, data on a subcarrier: RR Appendix 1
        ("ax25", "fm", "16K0F3E", "16K0F2D"),
        ("ax25", "fsk2", "10K6F1D", "10K6F1D"),
        ("wefax", "fsk2", "1K26F1D", "1K26F3C"),  # analogue facsimile: RR Appendix 1
        ("lrpt", "noise-like", None, "120KG1D"),
        ("morse", "cw", "121HA1A", "121HA1A"),
    ],
)
def test_a_mode_that_was_read_decides_the_class_of_emission(mode, kind, known, wanted):
    assert read_as(registry()[mode], kind, known) == wanted


def test_every_mode_states_class_symbols_of_the_radio_regulations():
    for mode in registry().values():
        for _, symbols in mode.emission:
            assert parts(designator(mode.bandwidth_hz, symbols))[1] == symbols
