"""What the detector finds in pieces becomes one row: tones of one keyed burst, sidebands of one carrier."""

import json

import numpy as np
import pytest

from earwitness.log.store import Log
from earwitness.station.run import survey_file


def rows_of(iq, rate_hz, center_hz, folder):
    iq.astype(np.complex64).tofile(folder / "air.sigmf-data")
    meta = {
        "global": {"core:datatype": "cf32_le", "core:sample_rate": rate_hz, "core:version": "1.0.0"},
        "captures": [{"core:sample_start": 0, "core:frequency": center_hz, "core:datetime": "2026-01-01T00:00:00Z"}],
        "annotations": [],
    }  # fmt: skip
    (folder / "air.sigmf-meta").write_text(json.dumps(meta))
    survey_file(str(folder / "air.sigmf-meta"), folder / "log")
    with Log.open(folder / "log") as log:
        return [row for row in log.emissions() if row["artefact"] is None]


def noise(rng, count, rate_hz, density):
    return np.sqrt(density * rate_hz / 2) * (rng.standard_normal(count) + 1j * rng.standard_normal(count))


def test_short_bursts_keyed_between_far_tones_are_one_row(tmp_path):
    """Sensors in the 433 MHz band: 17 kBd, 60 kHz to either side, 6 ms (common practice, no source)."""
    rng = np.random.default_rng(5)
    rate, density = 250_000, 1e-10
    x = noise(rng, 2 * rate, rate, density)
    for begin_s in (0.4, 0.9, 1.5):
        bits = np.concatenate([np.tile([1, -1], 16), rng.choice([-1, 1], 76)])
        t = np.arange(int(len(bits) / 17_241 * rate)) / rate
        track = 60e3 * bits[np.minimum((t * 17_241).astype(int), len(bits) - 1)] - 30e3
        at = round(begin_s * rate)
        x[at : at + len(t)] += np.sqrt(100 * density * 170e3) * np.exp(2j * np.pi * np.cumsum(track) / rate)
    (row,) = rows_of(x, rate, 433.92e6, tmp_path)
    assert row["class"] == "fsk2"
    assert row["burst_count"] == 3
    assert abs(row["frequency_hz"] - 433.89e6) < 2e3


@pytest.mark.parametrize("weaker", [1, 0.5, 0.3])
def test_two_bursts_at_once_stay_two_rows(tmp_path, weaker):
    """Two transmitters that start together, as in time slots on neighbouring channels, alike or one far weaker."""
    rng = np.random.default_rng(6)
    rate, density = 250_000, 1e-10
    x = noise(rng, rate, rate, density)
    for hz, strength in ((-60e3, 1.0), (45e3, weaker)):
        bits = rng.choice([-1, 1], 200)
        t = np.arange(int(0.02 * rate)) / rate
        track = 5e3 * bits[(t * 9600).astype(int)] + hz
        at = round(0.5 * rate)
        x[at : at + len(t)] += (
            strength * np.sqrt(100 * density * 20e3) * np.exp(2j * np.pi * np.cumsum(track) / rate)
        )
    places = sorted(
        round((row["frequency_hz"] - 433.92e6) / 1e3) for row in rows_of(x, rate, 433.92e6, tmp_path)
    )
    assert len(places) == 2
    assert abs(places[0] + 60) <= 1
    assert abs(places[1] - 45) <= 1


def test_sound_of_an_am_station_makes_no_rows_of_its_own(tmp_path):
    """A strong carrier on short waves with loud and soft passages; its sidebands stand far over the noise."""
    rng = np.random.default_rng(7)
    rate, density, seconds = 48_000, 1e-9, 8
    t = np.arange(seconds * rate) / rate
    spectrum = np.fft.rfft(rng.standard_normal(len(t)))
    hz = np.fft.rfftfreq(len(t), 1 / rate)
    sound = np.fft.irfft(np.where((hz > 150) & (hz < 3500), spectrum / np.maximum(hz, 300), 0), len(t))
    knots = np.arange(0, seconds + 0.5, 0.4)
    sound *= np.interp(t, knots, rng.choice([0.0, 0.2, 1.0], len(knots))) / (4 * np.std(sound))
    carrier = np.sqrt(3000 * density * 8000) * np.exp(2j * np.pi * 6_010 * t)
    rows = rows_of(carrier * (1 + 0.7 * sound) + noise(rng, len(t), rate, density), rate, 9.6e6, tmp_path)
    assert [row["class"] for row in rows] == ["am"]
