"""Whole surveys of narrow keying in wide recordings, where one bin of the spectrum is wider than the emission."""

import numpy as np
import pytest
import transmitters as tx

from earwitness.log.store import Log
from earwitness.sources.write import write_sigmf
from earwitness.station.run import survey_file


def recorded(folder, waves, rate_hz, centre_hz, seconds, snr_db):
    """Waves at 8 kHz, each at a frequency, on noise; SNR of the whole wave's power in 300 Hz."""
    rng = np.random.default_rng(2)
    count = round(seconds * rate_hz)
    out = rng.standard_normal(2 * count, np.float32).view(np.complex64) * np.float32(np.sqrt(0.5))
    step = np.arange(count)
    for frequency_hz, wave in waves:
        at = np.minimum((step - 0.5 * rate_hz) * (8000.0 / rate_hz), len(wave) - 1)
        some = np.interp(at, np.arange(len(wave)), wave.real) + 1j * np.interp(
            at, np.arange(len(wave)), wave.imag
        )
        some[at < 0] = 0
        size = np.sqrt(10 ** (snr_db / 10) * 300 / rate_hz / np.mean(np.abs(wave) ** 2))
        out += (size * some * np.exp(2j * np.pi * (frequency_hz - centre_hz) / rate_hz * step)).astype(
            np.complex64
        )
    return write_sigmf(
        folder / "wide", 0.002 * out, rate_hz=rate_hz, center_hz=centre_hz, epoch_ns=1_700_000_000 * 10**9
    )


def messages(folder, mode):
    with Log.open(folder) as log:
        return list(log.messages(mode=mode))


@pytest.mark.parametrize("rate_hz", [250e3, 1e6])
def test_morse_in_a_wide_recording(tmp_path, rate_hz):
    """It was offered to nobody where bins of 244 Hz and more made it look wider than 600 Hz."""
    text = "CQ CQ DE DL1ABC DL1ABC K"
    wave = tx.morse(text, 8000.0, 22, unevenness=0.05)
    path = recorded(tmp_path, [(7.03e6, wave)], rate_hz, 7.0e6, len(wave) / 8000 + 1.5, 18)
    survey_file(str(path), tmp_path)
    got = " ".join(one["fields"]["text"] for one in messages(tmp_path, "morse"))
    assert "DE DL1ABC DL1ABC K" in got


def test_navtex_in_a_wide_recording(tmp_path):
    text = "ZCZC EA23\r\nBUOY UNLIT\r\nNNNN\r\n\n"
    wave = np.append(tx.keyed(tx.sitor_bits(text, 10), 8000.0, 100, 170), 0)
    path = recorded(tmp_path, [(518e3, wave)], 1e6, 600e3, len(wave) / 8000 + 1.5, 22)
    survey_file(str(path), tmp_path)
    (got,) = messages(tmp_path, "navtex")
    assert (got["fields"]["station"], got["fields"]["text"]) == ("E", "BUOY UNLIT")
