"""How many levels noisy keying has, and what a tone is: signals made here from the standards named, at 6 to 9 dB."""

import emission_signals as sig
import numpy as np
import pytest

from earwitness.emission.identify import examine
from earwitness.emission.levels import levels

RATE = 48_000


def told(iq, rate, snr_db, rng):
    samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, rng, bits=8)
    return examine(samples, detection, span_hz=span)[1]


def slots(rng, count, *, both):
    """Bursts of 132 symbols at 4800 Bd, +-648 and +-1944 Hz, root raised cosine 0.2, in slots of 30 ms (ETSI TS 102 361-1)."""
    pulse = sig.rrc(0.2, 10)
    ramp = np.sin(np.linspace(0, np.pi / 2, 72)) ** 2  # 1.5 ms
    parts = []
    for _ in range(count):
        track = 648 * sig.shaped(rng.choice([-3.0, -1, 1, 3], 132), 10, pulse / pulse.max())
        burst = sig.frequency_modulated(track, RATE)
        burst[:72] *= ramp
        burst[-72:] *= ramp[::-1]
        parts += [burst, np.zeros(120 if both else 1560)]
    return np.concatenate(parts)


@pytest.mark.parametrize("both", [True, False])
@pytest.mark.parametrize("snr_db", [6, 8])
def test_four_levels_in_time_slots_are_never_two(snr_db, both):
    answers = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        answers.append(told(slots(rng, 30 if both else 12, both=both), RATE, snr_db, rng))
    assert {answer.kind for answer in answers} <= {"fsk4", "unknown"}
    four = [answer for answer in answers if answer.kind == "fsk4"]
    assert len(four) >= (5 if snr_db == 8 else 4)
    for answer in four:
        assert answer.symbol_rate_hz == pytest.approx(4800, rel=1e-3)
        assert answer.deviation_hz == pytest.approx(1944, rel=0.12)


@pytest.mark.parametrize("bt", [0.3, 0.5])
def test_gaussian_keying_has_two_levels(bt):
    """Neighbours move what a symbol reaches (GMSK and GFSK, textbook), which is no second pair of levels."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        bits = 2.0 * rng.integers(0, 2, 260) - 1
        iq = sig.frequency_modulated(2400 * sig.gaussian_track(bits, 5, bt), RATE)
        assert told(iq, RATE, 6, rng).kind in ("fsk2", "unknown")


@pytest.mark.parametrize("snr_db", [6, 9])
@pytest.mark.parametrize(("tone_hz", "deviation_hz"), [(88.5, 375), (203.5, 500), (1000, 3000), (1750, 2500)])
def test_one_tone_is_frequency_modulation(tone_hz, deviation_hz, snr_db):
    """Tone squelch without speech (TIA-603: 15 % of the deviation), a test tone, a tone burst that opens repeaters."""
    t = np.arange(RATE) / RATE
    right = 0
    for seed in range(4):
        rng = np.random.default_rng(seed)
        iq = sig.frequency_modulated(deviation_hz * np.sin(2 * np.pi * tone_hz * t + seed), RATE)
        answer = told(iq, RATE, snr_db, rng)
        assert answer.kind in ("fm", "unknown"), answer.reasons
        right += answer.kind == "fm"
    assert right >= 3


@pytest.mark.parametrize("baud", [512, 1200, 2400])
def test_reversals_without_end_are_keying(baud):
    """As the preamble of paging is (ITU-R M.584: 4.5 kHz): square, so that the third harmonic of a tone shows."""
    rng = np.random.default_rng(baud)
    bits = np.tile([1.0, -1.0], baud // 2)
    assert (
        told(sig.frequency_modulated(4500 * sig.held(bits, RATE / baud), RATE), RATE, 9, rng).kind == "fsk2"
    )


@pytest.mark.parametrize("snr_db", [12, 20])
@pytest.mark.parametrize("baud", [512, 1200, 2400])
def test_smooth_reversals_are_keying(baud, snr_db):
    """The same with edges of a quarter of a symbol on either side, as transmitters' filters make them."""
    t = np.arange(RATE) / RATE
    phase = 2 * np.pi * baud / 2 * t
    track = 4500 * np.clip(np.sin(phase) / np.sin(np.pi / 4), -1, 1)
    rng = np.random.default_rng(baud)
    assert told(sig.frequency_modulated(track, RATE), RATE, snr_db, rng).kind == "fsk2"


def values(rng, symbols, noise):
    """Values at five places within a symbol, blurred towards its rims."""
    rows = []
    for place in (-0.4, -0.2, 0.0, 0.2, 0.4):
        neighbour = np.roll(symbols, 1 if place < 0 else -1)
        mean = symbols * (1 - abs(place)) + neighbour * abs(place)
        rows.append(mean + noise * rng.standard_normal(len(symbols)))
    return np.array(rows, np.float32)


def test_likelihoods_of_two_and_of_four_levels():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        four = levels(values(rng, rng.choice([-3.0, -1, 1, 3], 300), 0.55))
        assert four.four_over_two > 10
        assert four.four_over_none > 20
        assert four.half_step == pytest.approx(1, rel=0.08)
        two = levels(values(rng, rng.choice([-2.0, 2], 300), 0.8))
        assert two.four_over_two < -10
        none = levels(2 * rng.standard_normal((5, 300)).astype(np.float32))
        assert none is None or none.four_over_none < 6
    assert levels(np.full((5, 40), np.nan, np.float32)) is None
