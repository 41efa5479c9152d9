"""FM voice: overs, their times and tones, and what is none."""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples

MODE = get_mode("fm")
SYNTH = MODE.part("synth")
RATE_HZ = 25_731.7


def noisy(parts, snr_db, seed=1):
    """Transmissions with silences between them, in noise; SNR in 16 kHz."""
    iq = np.concatenate([np.zeros(round(x * RATE_HZ)) if isinstance(x, float) else x for x in parts])
    rng = np.random.default_rng(seed)
    scale = np.sqrt(0.5 * RATE_HZ / 16_000 * 10 ** (-snr_db / 10))
    noise = rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq))
    return (iq + scale * noise).astype(np.complex64)


def run(iq, cuts=()):
    demodulator = MODE.demodulator()
    out = []
    for start, stop in zip([0, *cuts], [*cuts, len(iq)], strict=True):
        out += demodulator.feed(Samples(iq[start:stop], RATE_HZ, 155e6, start, 0))
    return out + list(demodulator.close())


@pytest.mark.parametrize("snr_db", [20, 7])
@pytest.mark.parametrize("item", SYNTH.examples(), ids=str)
def test_over_with_times_and_tone(item, snr_db):
    shift = np.exp(2j * np.pi * 900 / RATE_HZ * np.arange(round(item["duration_s"] * RATE_HZ)))
    overs = run(noisy([0.5, SYNTH.transmit(item, RATE_HZ) * shift, 1.0], snr_db))
    assert len(overs) == 1
    over = overs[0]
    assert over.start_ns / 1e9 == pytest.approx(0.5, abs=0.02)
    assert over.stop_ns / 1e9 == pytest.approx(0.5 + item["duration_s"], abs=0.02)
    expected = {key: item[key] for key in ("ctcss_hz", "dcs", "dcs_inverted") if key in item}
    assert (over.tone or {}) == expected
    assert over.frequency_hz == pytest.approx(155e6 + 900, abs=120)
    assert over.snr_db == pytest.approx(snr_db, abs=1.5)
    assert over.audio.dtype == np.float32
    assert np.abs(over.audio).max() <= 1.0


def test_cuts_do_not_matter():
    iq = noisy([0.3, SYNTH.transmit(SYNTH.examples()[1], RATE_HZ), 0.8], 15)
    whole = run(iq)
    for cuts in ([1, 2, 3], [7_000, 7_001, 90_000], list(range(500, len(iq), 4_999))):
        parts = run(iq, cuts)
        assert len(parts) == len(whole) == 1
        assert np.array_equal(parts[0].audio, whole[0].audio)
        assert (parts[0].start_ns, parts[0].stop_ns, parts[0].tone) == (
            whole[0].start_ns,
            whole[0].stop_ns,
            whole[0].tone,
        )


def test_bare_carrier_is_no_over_with_or_without_tone():
    for item in ({"duration_s": 3.0, "voice": False}, {"duration_s": 3.0, "voice": False, "ctcss_hz": 88.5}):
        for snr_db in (20, 6):
            assert run(noisy([0.3, SYNTH.transmit(item, RATE_HZ), 0.7], snr_db)) == []


def test_a_fade_does_not_split_and_another_sender_does():
    first = SYNTH.transmit({"duration_s": 3.0, "seed": 1, "ctcss_hz": 100.0}, RATE_HZ)
    second = SYNTH.transmit({"duration_s": 3.0, "seed": 2, "ctcss_hz": 123.0}, RATE_HZ)
    faded = first.copy()
    faded[round(1.5 * RATE_HZ) : round(1.8 * RATE_HZ)] = 0
    assert len(run(noisy([0.3, faded, 1.0], 20))) == 1
    overs = run(noisy([0.3, first, 0.25, second, 1.0], 20))
    assert [over.tone for over in overs] == [{"ctcss_hz": 100.0}, {"ctcss_hz": 123.0}]
    assert overs[1].start_ns / 1e9 == pytest.approx(3.55, abs=0.03)


def test_tail_after_the_tone_is_silent():
    item = {"duration_s": 4.0, "seed": 2, "ctcss_hz": 136.5, "tail_s": 0.35}
    over = run(noisy([0.3, SYNTH.transmit(item, RATE_HZ), 1.0], 20))[0]
    assert over.tone == {"ctcss_hz": 136.5}
    assert over.extra["tail_s"] == pytest.approx(0.35, abs=0.15)
    assert np.abs(over.audio[-800:]).max() == 0
    item = {"duration_s": 4.0, "seed": 2, "dcs": "156", "tail_s": 0.2}
    over = run(noisy([0.3, SYNTH.transmit(item, RATE_HZ), 1.0], 20))[0]
    assert over.tone == {"dcs": "156"}
    assert over.extra["turned_off"] is True


def test_selective_call_tones_are_no_voice():
    # Five tones of 100 ms (CCIR; project sheet section 6.4: 1 0 R 0 2 -> 1124 1981 2110 1981 1197 Hz).
    hz = np.concatenate(
        [
            3_000 * np.sin(2 * np.pi * f * np.arange(round(0.1 * RATE_HZ)) / RATE_HZ)
            for f in (1124, 1981, 2110, 1981, 1197)
        ]
    )
    assert run(noisy([0.3, np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ), 0.7], 20)) == []


def test_hostile_samples():
    bad = np.full(60_000, np.nan + 1j * np.inf, np.complex64)
    bad[::3] = 1e30
    assert run(bad) == []
