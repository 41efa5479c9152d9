"""NAVTEX: from samples to messages, the independent recording, repeats, positions, hostile input."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.coding import ccir476
from earwitness.core.mode import get_mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.modes.navtex import messages, synth
from earwitness.modes.navtex.demod import read_header

RECORDINGS = Path(__file__).parents[5] / ".." / "shared" / "recordings" / "independent"
MODE = get_mode("navtex")
ITEM = synth.examples()[0]


def heard(samples):
    demodulator = MODE.demodulator()
    return list(demodulator.feed(samples)) + list(demodulator.close())


def text_of(frame):
    return frame.bits.value.to_bytes(frame.bits.size // 8, "big").decode()


def frame(text, *, time_s=0.0, complete=True, frequency_hz=518_003.0):
    octets = text.encode()
    lost = text.count("*")
    return Frame(
        "navtex", int(time_s * 1e9), int(time_s * 1e9) + 10**9, Bits(int.from_bytes(octets, "big"), 8 * len(octets)),
        "pass", frequency_hz=frequency_hz,
        extra={"complete": complete, "characters": len(text) - 9, "characters_lost": lost,
               "character_error_rate": lost / len(text), "header_confirmed": True},
    )  # fmt: skip


def assembled(*frames):
    assembler = messages.Assembler()
    return [message for item in frames for message in assembler.feed(item)] + assembler.close()


@pytest.mark.parametrize(("audio_hz", "upright"), [(620.0, True), (1700.0, False), (2380.0, True)])
def test_audio_with_tones_anywhere_and_on_either_sideband(audio_hz, upright):
    rate = 8000.0
    wave = synth.transmit({**ITEM, "phasing_pairs": 4}, rate)
    wave = wave if upright else np.conj(wave)
    rng = np.random.default_rng(1)
    sound = np.real(wave * np.exp(2j * np.pi * audio_hz / rate * np.arange(len(wave))))
    sound = 0.1 * (sound + 0.8 * rng.normal(size=len(sound)))
    (got,) = heard(Samples(sound.astype(np.float32), rate, 0.0, 0, 0))
    assert got.bits == synth.payloads(ITEM)[0]
    assert got.extra["inverted"] is not upright
    assert abs(got.frequency_hz - audio_hz) < 4


def test_time_and_carrier():
    rate = 1250.0
    wave = synth.transmit({**ITEM, "phasing_pairs": 10}, rate)
    iq = np.concatenate([np.zeros(500), wave * np.exp(2j * np.pi * 57.0 / rate * np.arange(len(wave)))])
    rng = np.random.default_rng(2)
    iq = 0.1 * (iq + 0.2 * (rng.normal(size=len(iq)) + 1j * rng.normal(size=len(iq))))
    (got,) = heard(Samples(iq.astype(np.complex64), rate, 490e3, 0, 0))
    assert abs(got.frequency_hz - 490_057.0) < 2
    assert abs(got.time_ns / 1e9 - (0.4 + 20 * 0.07)) < 0.002  # ten phasing pairs of 70 ms characters


def test_what_fades_away_is_kept_with_what_is_missing():
    rate = 1250.0
    text = "FIRST LINE OF THIS WARNING\nSECOND LINE OF THIS WARNING\nTHIRD"
    wave = 0.1 * synth.transmit({**ITEM, "text": text, "phasing_pairs": 8}, rate)
    rng = np.random.default_rng(4)
    noise = 0.02 * (rng.normal(size=len(wave)) + 1j * rng.normal(size=len(wave)))
    wave[len(wave) * 6 // 10 :] = 0
    (got,) = heard(Samples((wave + noise).astype(np.complex64), rate, 518e3, 0, 0))
    assert got.check == "corrected"
    assert text_of(got).startswith("ZCZC QA41\r\nFIRST LINE OF THIS WARNING")
    (message,) = assembled(got)
    assert message.fields["complete"] is False


def test_independent_recording():
    if not RECORDINGS.is_dir():
        pytest.skip("the shared recordings are not beside the project")
    import soundfile

    truth = json.loads((RECORDINGS / "hf_518.truth.json").read_text())
    full = {item["id"]: item["messages"][0].get("full") for item in truth["emissions"]}
    sound, rate = soundfile.read(RECORDINGS / "hf_518_audio.wav", dtype="float32")
    (got,) = heard(Samples(sound, float(rate), 0.0, 0, 0))
    assert text_of(got) == full[1].strip()
    assert got.extra["character_error_rate"] == 0
    raw = np.fromfile(RECORDINGS / "hf_518.sigmf-data", "<i2").reshape(-1, 2) / 32768.0
    for number, channel_hz in ((0, 490e3), (1, 518e3)):
        n = np.arange(len(raw))
        mixed = (raw[:, 0] + 1j * raw[:, 1]) * np.exp(-2j * np.pi * (channel_hz - 504e3) / 48e3 * n)
        narrow = (
            mixed[: len(mixed) // 32 * 32].reshape(-1, 32).mean(axis=1)
        )  # a crude cut, as channels may be
        (got,) = heard(Samples(narrow.astype(np.complex64), 1500.0, channel_hz, 0, 0))
        assert text_of(got) == full[number].strip()


def test_repeat_fills_what_was_lost_and_is_not_given_twice():
    whole = "ZCZC QA41\r\nBUOY 7 UNLIT\r\nNNNN"
    first = frame(whole.replace("BUOY", "B**Y"))
    second = frame(whole.replace("UNLIT", "UNL*T"), time_s=4 * 3600)
    (message,) = assembled(first, second, frame(whole, time_s=4 * 3600 + 60))
    assert message.fields["text"] == "BUOY 7 UNLIT"
    assert message.fields["copies"] == 2
    assert message.fields["character_error_rate"] == 0
    assert text_of(message.frame) == whole


def test_serial_00_is_always_given():
    text = "ZCZC JD00\r\nSEARCH FOR YACHT\r\nNNNN"
    got = assembled(frame(text), frame(text, time_s=600))
    assert len(got) == 2
    assert got[0].flags == ("safety", "search-and-rescue")


def test_same_serial_on_another_channel_is_another_message():
    text = "ZCZC QB07\r\nGALE\r\nNNNN"
    got = assembled(frame(text), frame(text, frequency_hz=490_010.0))
    assert [message.identity.key for message in got] == ["navtex Q 518 kHz", "navtex Q 490 kHz"]
    assert got[0].flags == ("gale",)


def test_positions_in_text():
    text = "FROM 54-45.0N 007-47.8E TO 54-30-30N 008-15-00W, 1012S 17359E. 95-00N 010-00E NO 1*-30N 001-00E"
    found = messages.positions(text)
    assert [(item["latitude_deg"], item["longitude_deg"]) for item in found] == [
        (54.75, pytest.approx(7.796667, abs=1e-6)),
        (pytest.approx(54.508333, abs=1e-6), -8.25),
        (-10.2, pytest.approx(173.983333, abs=1e-6)),
    ]


def test_header_needs_its_shift_and_certainty():
    words = ccir476.to_indices("ZCZC QA41\r\n")
    sure, agreed = [1.0] * len(words), [True] * len(words)
    assert read_header(words, sure, agreed)[1:] == ("QA41", True)
    agreed[6] = False
    assert read_header(words, sure, agreed)[1:] == ("QA41", False)
    sure[6] = 0.99
    assert read_header(words, sure, agreed) is None
    assert read_header(ccir476.to_indices("ZCZC QAQW"), [1.0] * 9, [True] * 9) is None


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=120), st.booleans(), st.integers(0, 10**14)), max_size=6))
def test_hostile_frames(rows):
    frames = [
        replace(
            frame("ZCZC"),
            bits=Bits(int.from_bytes(b"ZCZC " + octets, "big"), 8 * len(octets) + 40),
            time_ns=at,
            extra={"complete": complete},
        )
        for octets, complete, at in sorted(rows, key=lambda row: row[2])
    ]
    for message in assembled(*frames):
        json.dumps(message.fields, allow_nan=False)
        assert all(ord(char) >= 32 or char == "\n" for char in message.fields["text"])


@settings(max_examples=100, deadline=None)
@given(st.text(alphabet="0123456789-.,NSEW /*'", max_size=200))
def test_hostile_positions(text):
    for place in messages.positions(text):
        assert abs(place["latitude_deg"]) <= 91
        assert abs(place["longitude_deg"]) <= 181
