"""Voice and Morse on wideband recordings by independent transmitters (../shared; see its INDEX.md).

The channels are cut here by one FFT, so that nothing but the modes is judged.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import fft

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples

RECORDINGS = Path(__file__).parents[2].parent / "shared" / "recordings" / "independent"
pytestmark = pytest.mark.skipif(not RECORDINGS.exists(), reason="no ../shared recordings here")
_spectra: dict = {}


def spectrum(name):
    if name not in _spectra:
        meta = json.loads((RECORDINGS / f"{name}.sigmf-meta").read_text())
        kind = {"cu8": np.uint8, "ci16_le": np.dtype("<i2")}[meta["global"]["core:datatype"]]
        raw = np.fromfile(RECORDINGS / f"{name}.sigmf-data", kind).astype(np.float32)
        raw = (raw - 127.5) / 127.5 if kind is np.uint8 else raw / 32768
        _spectra.clear()  # one at a time, for memory
        _spectra[name] = (
            fft.fft((raw[::2] + 1j * raw[1::2]).astype(np.complex64)),
            meta["global"]["core:sample_rate"],
            meta["captures"][0]["core:frequency"],
        )
    return _spectra[name]


def channel(name, freq_hz, wanted_hz):
    whole, rate_hz, center_hz = spectrum(name)
    count = len(whole)
    keep = round(wanted_hz / rate_hz * count) // 2 * 2
    places = (np.arange(-keep // 2, keep // 2) + round((freq_hz - center_hz) / rate_hz * count)) % count
    edge = np.clip((1 - np.abs(np.linspace(-1, 1, keep))) / 0.2, 0, 1)
    data = fft.ifft(fft.ifftshift(whole[places] * (0.5 - 0.5 * np.cos(np.pi * edge)))) * (keep / count)
    return Samples(data.astype(np.complex64), keep * rate_hz / count, freq_hz, 0, 0)


def emissions(name, *modes):
    if not (RECORDINGS / f"{name}.truth.json").exists():
        return []
    truth = json.loads((RECORDINGS / f"{name}.truth.json").read_text())
    return [item for item in truth["emissions"] if item["mode"] in modes]


def run(mode, samples):
    demodulator = get_mode(mode).demodulator()
    return [*demodulator.feed(samples), *demodulator.close()]


def check_over(overs, item):
    assert len(overs) == 1
    assert overs[0].start_ns / 1e9 == pytest.approx(item["t_start"], abs=0.02)
    assert overs[0].stop_ns / 1e9 == pytest.approx(item["t_stop"], abs=0.02)
    assert overs[0].frequency_hz == pytest.approx(item["freq_in_file_hz"], abs=150)


@pytest.mark.parametrize("name", ["vhf_mixed", "marine156"])
def test_fm_overs_and_their_tones(name):
    for item in emissions(name, "nfm"):
        overs = run("fm", channel(name, item["freq_in_file_hz"] + 400, 26_300.0))
        check_over(overs, item)
        truth = item["messages"]
        tone = json.loads(json.dumps(truth))[0] if isinstance(truth, list) else {}
        expected = {key: tone[key] for key in ("ctcss_hz", "dcs") if tone.get(key)}
        assert (overs[0].tone or {}) == expected
        assert len(overs[0].audio) / overs[0].audio_rate_hz == pytest.approx(
            (overs[0].stop_ns - overs[0].start_ns) / 1e9, abs=0.01
        )


@pytest.mark.parametrize(("name", "kinds"), [("vhf_mixed", ("ax25", "pocsag")), ("marine156", ("dsc",))])
def test_data_on_fm_is_no_voice(name, kinds):
    for item in emissions(name, *kinds):
        assert run("fm", channel(name, item["freq_in_file_hz"], 25_000.0)) == []


def test_am_overs():
    for item in emissions("vhf_air", "am"):
        overs = run("am", channel("vhf_air", item["freq_in_file_hz"] + 120, 17_300.0))
        check_over(overs, item)
        assert overs[0].frequency_hz == pytest.approx(item["freq_in_file_hz"], abs=3)
        assert overs[0].snr_db is not None


def test_data_on_am_is_no_voice():
    for item in emissions("vhf_air", "acars"):
        assert run("am", channel("vhf_air", item["freq_in_file_hz"], 17_300.0)) == []


def test_morse_text():
    for item in emissions("hf_518", "cw"):
        samples = channel("hf_518", item["freq_in_file_hz"] + 60, 2_100.0)
        frames = run("morse", samples)
        assembler = get_mode("morse").assembler()
        fields = [message.fields for frame in frames for message in assembler.feed(frame)]
        assert [field["text"] for field in fields] == ["VVV DE DAN DAN QSX 433 AR"]
        assert fields[0]["words_per_minute"] == pytest.approx(item["wpm"], rel=0.03)
        assert frames[0].frequency_hz == pytest.approx(item["freq_in_file_hz"], abs=2)


def test_telex_is_no_morse():
    for item in emissions("hf_518", "navtex"):
        for shift_hz in (-85, 0, 85):
            assert run("morse", channel("hf_518", item["freq_in_file_hz"] + shift_hz, 2_100.0)) == []
