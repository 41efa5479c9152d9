"""Neighbours on the air in the same moment, detected as one emission: what was sent on each is read all the same.

The bursts are those of `transmitters.py`; channels after ITU-R M.1371-5 (161.975 and 162.025 MHz).
"""

import json

import numpy as np
import pytest
import transmitters as tx

from earwitness.channel.bank import Channel
from earwitness.core.mode import registry
from earwitness.core.types import Detection, Samples
from earwitness.emission.identify import examine
from earwitness.log.store import Log
from earwitness.station.follow import Follower
from earwitness.station.lanes import channels_within
from earwitness.station.run import survey_file

RATE, BOTH = 192_000.0, (161.975e6, 162.025e6)


def on(waves, rate_hz, centre_hz, count, noise, rng):
    """Noise with waves, (samples, Hz, amplitude, second) each."""
    x = noise * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    for wave, hz, amplitude, begin_s in waves:
        at = round(begin_s * rate_hz)
        turn = np.exp(2j * np.pi * (hz - centre_hz) / rate_hz * np.arange(len(wave)))
        x[at : at + len(wave)] += amplitude * wave * turn
    return x


def test_both_channels_of_one_detection_are_read():
    rng = np.random.default_rng(5)
    sent = [tx.position(n, rng) for n in range(2)]
    waves = [
        (tx.ais(message, RATE), hz, amplitude, 0.06)
        for message, hz, amplitude in zip(sent, BOTH, (0.3, 0.05), strict=True)
    ]
    count = round(0.16 * RATE)
    data = on(waves, RATE, 162e6, count, 0.004, rng).astype(np.complex64)
    begin, stop = round(0.06 * RATE), round(0.087 * RATE)
    found = Detection(1, begin, stop, 161.968e6, 162.032e6, 162e6, -10.0, -100.0, 20.0, False)
    follower = Follower(
        found,
        Channel(162e6, RATE, 160e3, 64, 0, 0),
        list(registry().values()),
        span_hz=RATE,
        place_known=True,
    )
    follower.feed(Samples(data, RATE, 162e6, 0, 0))
    follower.close()
    heard = follower.take_inside()
    assert {frame.bits.hex().upper()[:42] for frame in heard if frame.check} == {tx.hex_of(m) for m in sent}
    assert sorted(frame.frequency_hz for frame in heard) == pytest.approx(BOTH, abs=200)
    assert follower.is_explained()


def test_what_one_emission_of_a_mode_fills_is_not_looked_into():
    modes = list(registry().values())

    def names(middle_hz, width_hz):
        return [
            (m.name, hz)
            for m, hz in channels_within(modes, middle_hz - width_hz / 2, middle_hz + width_hz / 2)
        ]

    assert names(161.975e6, 16e3) == []
    assert names(136.975e6, 17e3) == []  # VDL mode 2, wide as one (ICAO Annex 10 vol. III)
    assert ("ais", 161.975e6) in names(162e6, 58e3)
    assert ("ais", 162.025e6) in names(162e6, 58e3)
    assert ("ais", 161.975e6) in names(161.966e6, 29e3)
    assert names(98e6, 100e3) == names(162e6, 2e6) == []


def test_bursts_beside_a_weak_offset_of_the_receiver_are_all_read(tmp_path):
    """The constant is 14 dB over the noise of a spectrum's row, and bursts of both channels lie at its sides."""
    rate, centre = 1.024e6, 162.01e6
    rng = np.random.default_rng(8)
    sent, waves = [], []
    for n in range(44):
        message = tx.position(n, rng)
        sent.append(tx.hex_of(message))
        amplitude = 0.012 * 10 ** (rng.uniform(0, 28) / 20)
        begin_s = 0.1 + (n // 2) * 0.11 + rng.uniform(0, 0.02)
        waves.append((tx.ais(message, rate), BOTH[n % 2] + rng.uniform(-300, 300), amplitude, begin_s))
    x = on(waves, rate, centre, round(2.8 * rate), 0.02, rng) + 0.004
    x += 10 ** (-25 / 20) * np.conj(x)  # image 25 dB down
    np.clip(np.round(x.view(float) * 127.5 + 127.5), 0, 255).astype(np.uint8).tofile(
        tmp_path / "air.sigmf-data"
    )
    about = {
        "global": {"core:datatype": "cu8", "core:sample_rate": rate, "core:version": "1.0.0"},
        "captures": [{"core:sample_start": 0, "core:frequency": centre, "core:datetime": "2026-01-01T00:00:00Z"}],
        "annotations": [],
    }  # fmt: skip
    (tmp_path / "air.sigmf-meta").write_text(json.dumps(about))
    survey_file(str(tmp_path / "air.sigmf-meta"), tmp_path / "log")
    with Log.open(tmp_path / "log") as log:
        heard = [row["payload_hex"].upper() for row in log.messages() if row["mode"] == "ais"]
        rows = list(log.emissions(artefacts=False))
    assert len(heard) == len(set(heard))
    assert set(heard) <= set(sent)
    assert len(heard) >= 43
    assert all(row["occupied_bandwidth_hz"] < 20e3 for row in rows)


def test_packets_that_overlap_in_the_middle_are_known_for_what_they_are():
    """AX.25 2.2 frames as 1200 and 2200 Hz tones on FM (from memory), 1.1 s each and the second 0.9 s later."""
    rng = np.random.default_rng(3)
    rate_hz, middle_hz = 48_000.0, 144.83e6
    waves = []
    for begin_s, hz in ((0.2, middle_hz), (1.1, middle_hz + 700)):
        octets = rng.integers(0, 256, 110).tolist()
        levels = np.array(tx.nrzi(tx.FLAG * 40 + tx.framed(tx.octet_bits(octets))))
        tone_hz = np.where(tx.held(levels, rate_hz, 1200) == 1, 1200.0, 2200.0)
        swing_hz = 3000 * np.sin(2 * np.pi * np.cumsum(tone_hz) / rate_hz)
        wave = tx.ramped(np.exp(2j * np.pi * np.cumsum(swing_hz) / rate_hz), 0.002 * rate_hz)
        waves.append((wave, hz, 0.3, begin_s))
    stop_s = 1.1 + len(waves[1][0]) / rate_hz
    noise = 0.02
    data = on(waves, rate_hz, middle_hz, round((stop_s + 0.2) * rate_hz), noise, rng).astype(np.complex64)
    found = Detection(
        1, round(0.2 * rate_hz), round(stop_s * rate_hz),
        middle_hz - 5500, middle_hz + 5500, middle_hz, -10.0, -100.0, 20.0, False,
    )  # fmt: skip
    level = 10 * np.log10(2 * noise**2 / rate_hz)
    _, known = examine(Samples(data, rate_hz, middle_hz, 0, 0, level), found, span_hz=rate_hz)
    assert (known.kind, known.variant) == ("fm", "nfm")


@pytest.mark.parametrize("squelch", [{"dcs": "245"}, {"ctcss_hz": 103.5}])
def test_a_sender_without_tone_soon_after_one_with_it_is_another(squelch):
    """They had been one over that carried the tone; a tone is there as long as its sender is (common practice, no source)."""
    rate_hz, middle_hz = 48_000.0, 446e6
    rng = np.random.default_rng(2)
    first = tx.ramped(tx.fm_voice(3.0, rate_hz, deviation_hz=2500.0, seed=1, **squelch), 0.003 * rate_hz)
    second = tx.ramped(tx.fm_voice(2.5, rate_hz, deviation_hz=2500.0, seed=4), 0.003 * rate_hz)
    waves = [(first, middle_hz, 0.3, 0.4), (second, middle_hz + 200, 0.25, 3.83)]
    data = on(waves, rate_hz, middle_hz, round(7.0 * rate_hz), 0.02, rng).astype(np.complex64)
    demodulator = registry()["fm"].demodulator()
    overs = [*demodulator.feed(Samples(data, rate_hz, middle_hz, 0, 0)), *demodulator.close()]
    tone = {"dcs": "245"} if "dcs" in squelch else {"ctcss_hz": 103.5}
    assert [(over.tone or {}).get(next(iter(tone))) for over in overs] == [next(iter(tone.values())), None]
    assert [over.start_ns / 1e9 for over in overs] == pytest.approx([0.4, 3.83], abs=0.05)
    assert [over.stop_ns / 1e9 for over in overs] == pytest.approx([3.4, 6.33], abs=0.05)


@pytest.mark.parametrize(
    ("code", "voice_hz", "seconds"), [("223", 200.0, 1.5), ("155", 400.0, 2.0), ("043", 100.0, 3.0)]
)
def test_quiet_voice_over_a_squelch_code_is_voice_radio(code, voice_hz, seconds):
    """A code of 23 bits at 134.4 Bd, +-300 Hz (from memory): it had been unknown, or two-level keying."""
    rate_hz, middle_hz = 48_000.0, 446e6
    rng = np.random.default_rng(1)
    wave = tx.fm_voice(seconds, rate_hz, deviation_hz=voice_hz)
    bits = tx.dcs_word(code) >> ((np.arange(len(wave)) / rate_hz * 134.4).astype(int) % 23) & 1
    smooth = np.hanning(round(rate_hz / 250))
    keyed_hz = 300 * np.convolve(2.0 * bits - 1, smooth / smooth.sum(), "same")
    wave = wave * np.exp(2j * np.pi * np.cumsum(keyed_hz) / rate_hz)
    noise = 0.03
    data = on([(wave, middle_hz, 0.3, 0.2)], rate_hz, middle_hz, len(wave) + 19200, noise, rng)
    stop = 9600 + len(wave)
    found = Detection(1, 9600, stop, middle_hz - 2300, middle_hz + 2300, middle_hz, -10.0, -90.0, 20.0, False)
    level = 10 * np.log10(2 * noise**2 / rate_hz)
    samples = Samples(data.astype(np.complex64), rate_hz, middle_hz, 0, 0, level)
    _, known = examine(samples, found, span_hz=rate_hz)
    assert known.kind == "fm"
    assert "sub-audible code at 134.4 Bd under it" in known.reasons
