"""Whole surveys of what independent transmitters sent."""

import numpy as np
import pytest
import transmitters as tx

from earwitness.log.store import Log
from earwitness.sources.write import write_sigmf
from earwitness.station.recheck import recheck
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


def ship(number, index, rate_hz, rng):
    """A position report's bits and wave, its carrier off; the index of M.1371-5 annex 2, 2.4 is 0.5."""
    message = tx.position(number, rng)
    wave = tx.ais(message, rate_hz, index=index, ppm=float(rng.uniform(-30, 30)))
    turn = 2j * np.pi * rng.uniform(-500, 500) / rate_hz * np.arange(len(wave))
    return tx.hex_of(message), wave * np.exp(turn)


@pytest.mark.parametrize("late_s", [-0.5e-3, 11e-3, 18e-3])
def test_the_weaker_of_two_vessels_is_read_again_from_its_evidence(tmp_path, late_s):
    """It begins within the stronger one, 8 dB beneath: the evidence must hold all of that, which is taken out first."""
    rng = np.random.default_rng(3)
    rate_hz = 240e3
    air = 0.002 * rng.standard_normal(2 * round(4.5 * rate_hz), np.float32).view(np.complex64)
    beneath = []
    for trial in range(4):
        for vessel, index in enumerate(rng.uniform(0.48, 0.52, 2)):
            sent, wave = ship(2 * trial + vessel, index, rate_hz, rng)
            at = round((0.4 + trial + vessel * late_s) * rate_hz)
            air[at : at + len(wave)] += (0.1 * 10 ** (-8 / 20 * vessel) * wave).astype(np.complex64)
            beneath += [sent] * vessel
    path = write_sigmf(tmp_path / "slot", air, rate_hz=rate_hz, center_hz=161.975e6, epoch_ns=10**18)
    survey_file(str(path), tmp_path / "s")
    with Log.open(tmp_path / "s") as log:
        logged = {row["id"]: row["payload_hex"] for row in log.messages()}
        verdict = recheck(log, tmp_path / "s", report=lambda done, note: None, stopped=lambda: False)
    assert len(set(beneath) & set(logged.values())) >= 2
    assert [item["id"] for item in verdict.changed if item["id"] in logged] == []


def test_what_can_hardly_be_read_is_read_again(tmp_path):
    """Sixteen vessels at various depths beneath another in the same slot: two were lost when read once."""
    rng = np.random.default_rng(6)
    rate_hz = 240e3
    air = 0.0005 * rng.standard_normal(2 * round(8.5 * rate_hz), np.float32).view(np.complex64)
    for trial in range(16):
        for vessel in range(2):
            _, wave = ship(2 * trial + vessel, 0.5, rate_hz, rng)
            at = round((0.3 + trial / 2) * rate_hz) + vessel * int(rng.integers(0, 300))
            depth_db = vessel * (16 + trial / 3)
            air[at : at + len(wave)] += (0.1 * 10 ** (-depth_db / 20) * wave).astype(np.complex64)
    path = write_sigmf(tmp_path / "deep", air, rate_hz=rate_hz, center_hz=161.975e6, epoch_ns=10**18)
    survey_file(str(path), tmp_path / "s")
    with Log.open(tmp_path / "s") as log:
        logged = [row["id"] for row in log.messages()]
        verdict = recheck(log, tmp_path / "s", report=lambda done, note: None, stopped=lambda: False)
    assert len(logged) > 20
    assert [item["id"] for item in verdict.changed if item["id"] in logged] == []


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
