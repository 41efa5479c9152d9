"""Our receivers of space and picture modes against transmitters that know nothing of them (`transmitters_space.py`).

Receivers are cheap: clocks off, tuning off, a constant in the band, rails unlike, eight bits, fading, a pass's Doppler.
"""

import numpy as np
import pytest
import transmitters as tx
import transmitters_space as space

from earwitness.core.mode import get_mode
from earwitness.core.types import Frame, Samples


def results(mode, data, rate_hz, centre_hz=0.0, noise=None):
    demodulator = get_mode(mode).demodulator()
    out = []
    for at in range(0, len(data), 40_000):
        out += demodulator.feed(Samples(data[at : at + 40_000], rate_hz, centre_hz, at, 0, noise))
    return out + list(demodulator.close())


def alike(a, b):
    a, b = a - np.mean(a), b - np.mean(b)
    return float(np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b)))


# -- the transmitters against the sheet ------------------------------------------------------------------------


def test_codes_of_the_sheet():
    """Section 8.2: check octets of 00 to DE, the randomiser, the marker behind the convolutional code."""
    assert space.reed_solomon_parity(bytes(range(223))).hex().upper() == (
        "2FBD4FB4748494B9ACD554627212EEB3EBED41191DE1D36320EA49290B25ABCF"
    )
    assert space.randomiser(20).tobytes().hex().upper() == "FF480EC09A0D70BC8E2C93ADA7B746CE5A977DCC"
    marker = np.unpackbits(np.frombuffer(b"\x1a\xcf\xfc\x1d", np.uint8))
    for inverted, expected in ((False, "035D49C24FF2686B"), (True, "56081C971AA73D3E")):
        coded = np.packbits(space.convolved(marker, inverted=inverted)).tobytes()
        assert coded.hex().upper() == expected


@pytest.mark.parametrize(
    ("name", "line_ms"),
    [("Martin 1", 446.446), ("Scottie 2", 277.692), ("Robot 36", 150.0), ("PD 50", 388.16), ("P3", 409.375), ("P5", 614.065),
     ("P7", 818.75), ("SC2-180", 711.023)],
)  # fmt: skip
def test_line_times_of_the_sheet(name, line_ms):
    """Section 8.3."""
    _, rows, width = space.PICTURE_MODES[name]
    parts = space.sstv_parts(name, space.test_card(rows, width), vis=False)
    lines = rows // 2 if name.startswith("PD") else rows
    assert sum(ms for _, ms in parts) / lines == pytest.approx(line_ms, abs=0.05)


def test_doppler_of_a_pass():
    """Section 8.4: at most 3024 Hz at 137.5 MHz from a circular orbit of 820 km."""
    hz = space.pass_doppler_hz(np.arange(-450, 451), 137.5e6, 820e3)
    assert np.all(np.diff(hz) < 0)
    assert hz.max() == pytest.approx(3024, rel=0.03)


# -- slow-scan pictures ----------------------------------------------------------------------------------------


def drawn(name, way, *, ppm, offset_hz=0.0, snr_db=15.0, vis=True, lines=60, skip=0.0):
    _, rows, width = space.PICTURE_MODES[name]
    card = space.test_card(rows, width)[:lines]
    parts = space.sstv_parts(name, card, vis=vis)
    if way == "audio":
        hz = space.tone_hz(parts, 11_025.0, ppm)
        data = space.sound(hz[int(skip * len(hz)) :], 11_025.0)
        noise = (
            np.random.default_rng(1).normal(size=len(data)) * 10 ** (-snr_db / 20) * np.sqrt(11_025 / 12_000)
        )
        return card, results("sstv", (0.3 * (data + noise)).astype(np.float32), 11_025.0)
    hz = space.tone_hz(parts, 24_000.0, ppm)
    hz = hz[int(skip * len(hz)) :]
    if way == "fm":
        wave, width_hz = space.fm(space.sound(hz, 24_000.0), 24_000.0, 3000.0), 12_000.0
    else:
        wave, width_hz = space.single_sideband(hz + offset_hz - 1900, 24_000.0), 3000.0
    data, noise = space.cheap(
        wave, 24_000.0, snr_db=snr_db, width_hz=width_hz, dc=0.05, imbalance=0.03, bits=10
    )
    return card, results("sstv", data, 24_000.0, 14.23e6, noise)


@pytest.mark.parametrize(
    ("name", "way", "facts"),
    [
        ("Martin 2", "audio", {"ppm": 300}),
        ("Scottie 2", "ssb", {"ppm": -300, "offset_hz": 150.0, "snr_db": 10}),
        ("Robot 36", "ssb", {"ppm": 300, "offset_hz": -150.0, "snr_db": 12, "lines": 200}),
        ("Robot 72", "fm", {"ppm": -200}),
        ("PD 50", "ssb", {"lines": 200, "ppm": 250, "offset_hz": 150.0, "snr_db": 10}),
        ("SC2-180", "audio", {"ppm": -300, "lines": 40}),
        ("P3", "ssb", {"ppm": 200, "offset_hz": 100.0}),
    ],
)
def test_slow_scan_of_cheap_cards(name, way, facts):
    card, (picture,) = drawn(name, way, **facts)
    assert picture.extra["sstv_mode"] == name
    assert picture.extra["slant_ppm"] == pytest.approx(-facts["ppm"], abs=25)
    rows = min(len(card), len(picture.pixels))
    assert rows >= 0.9 * len(card)
    assert np.mean(np.abs(picture.pixels[:rows].astype(float) - card[:rows])) < 36


@pytest.mark.parametrize(("name", "way"), [("Martin 2", "ssb"), ("Scottie 2", "fm"), ("Robot 36", "audio"), ("P3", "audio")])  # fmt: skip
def test_slow_scan_from_the_middle(name, way):
    _, (picture,) = drawn(name, way, ppm=-200, vis=False, lines=140, skip=0.3)
    assert picture.extra["sstv_mode"] == name
    assert picture.extra["slant_ppm"] == pytest.approx(200, abs=25)
    assert len(picture.pixels) > 80


# -- weather fax -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines_per_minute", "index", "ppm", "offset_hz", "snr_db"),
    [
        (120, 576, 300, 150.0, 10),
        (240, 576, -300, -150.0, 8),
        (120, 288, 300, -100.0, 6),
        (60, 288, -200, 150.0, 10),
    ],
)
def test_fax_of_cheap_cards(lines_per_minute, index, ppm, offset_hz, snr_db):
    page = space.chart(80, round(np.pi * index))
    hz = space.fax_hz(
        page, 8_000.0, lines_per_minute=lines_per_minute, index=index, ppm=ppm, phasing_lines=24
    )
    wave = space.single_sideband(hz - 1900 + offset_hz, 8_000.0)
    data, noise = space.cheap(wave, 8_000.0, snr_db=snr_db, width_hz=3000.0, dc=0.1, imbalance=0.03, bits=10)
    pictures = results("wefax", data, 8_000.0, 8.1e6, noise)
    assert pictures
    for picture in pictures:
        assert picture.pixels.shape == page.shape
        assert picture.extra["lines_per_minute"] == lines_per_minute
        assert picture.extra["slant_ppm"] == pytest.approx(-ppm, abs=40)
        shares = [alike(np.roll(picture.pixels, -k, axis=1).astype(float), page) for k in range(0, 60)]
        assert max(shares) > 0.75


# -- weather satellites ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ppm", "snr_db", "dc"), [(-300, 12, 0.0), (150, 9, 0.3)])
def test_apt_during_a_pass(ppm, snr_db, dc):
    page = space.apt_lines(140, first=20)
    wave = space.apt(page, 60_000.0, ppm)
    seconds = np.arange(len(wave)) / 60_000.0
    wave = space.shifted(wave, 60_000.0, space.pass_doppler_hz(seconds, 137.1e6, centre_s=35.0))
    wave = wave * space.fading(len(wave), 60_000.0, 6.0, 0.1)
    data, noise = space.cheap(wave, 60_000.0, snr_db=snr_db, width_hz=40_000.0, dc=dc, imbalance=0.03)
    (picture,) = results("apt", data, 60_000.0, 137.1e6, noise)
    assert picture.extra["slant_ppm"] == pytest.approx(-ppm, abs=15)
    assert picture.extra["channel_a"].startswith("2,")
    assert picture.extra["channel_b"].startswith("4,")
    rows = min(len(page), len(picture.pixels))
    shares = [alike(picture.pixels[: rows - k].astype(float), page[k:rows]) for k in range(3)]
    assert max(shares) > 0.8


@pytest.mark.parametrize("dc", [0.0, 0.3, 1.0])
def test_apt_in_deep_fades_beside_the_receivers_own_constant(dc):
    """6 dB with fades of 15 dB: the constant is stronger than the signal for seconds."""
    page = space.apt_lines(100, first=20)
    wave = space.apt(page, 60_000.0, 100)
    seconds = np.arange(len(wave)) / 60_000.0
    wave = space.shifted(wave, 60_000.0, space.pass_doppler_hz(seconds, 137.1e6, centre_s=25.0))
    wave = wave * space.fading(len(wave), 60_000.0, 15.0, 0.1)
    data, noise = space.cheap(wave, 60_000.0, snr_db=6, width_hz=40_000.0, dc=dc, imbalance=0.03)
    (picture,) = results("apt", data, 60_000.0, 137.1e6, noise)
    assert picture.extra["slant_ppm"] == pytest.approx(-100, abs=15)
    rows = min(len(page), len(picture.pixels))
    assert rows > 95
    assert max(alike(picture.pixels[: rows - k].astype(float), page[k:rows]) for k in range(3)) > 0.8


@pytest.mark.parametrize(
    ("offset", "rate_hz", "ppm", "snr_db"), [(False, 181_000.0, -60, 7), (True, 250_000.0, 80, 8)]
)
def test_lrpt_during_a_pass(offset, rate_hz, ppm, snr_db):
    greys = space.lrpt_greys(4)
    frames = space.lrpt_frames(greys)
    wave = space.lrpt(frames, rate_hz, offset=offset, ppm=ppm)
    seconds = np.arange(len(wave)) / rate_hz
    wave = space.shifted(wave, rate_hz, space.pass_doppler_hz(seconds, 137.9e6, centre_s=60.0))
    wave = wave * space.fading(len(wave), rate_hz, 4.0, 0.8)
    data, noise = space.cheap(wave, rate_hz, snr_db=snr_db, width_hz=72_000.0, dc=0.3, imbalance=0.04)
    out = results("lrpt", data, rate_hz, 137.9e6, noise)
    heard = {one.bits.value for one in out if isinstance(one, Frame)}
    assert {int.from_bytes(frame, "big") for frame in frames} <= heard
    (picture,) = (one for one in out if not isinstance(one, Frame))
    assert np.array_equal(picture.pixels, np.kron(greys, np.ones((8, 8))))


@pytest.mark.parametrize(
    ("offset", "rate_hz", "ppm", "snr_db", "turned"),
    [(False, 190_000.0, -20, 7, 1), (True, 200_000.0, 40, 8, 2)],
)
def test_interleaved_lrpt_during_a_pass(offset, rate_hz, ppm, snr_db, turned):
    """Eighteen seconds lie between a frame's first and last symbol; fades that long frames bear are those of a pass."""
    greys = space.lrpt_greys(2)
    frames = space.lrpt_frames(greys)
    wave = space.lrpt_interleaved(frames, rate_hz, offset=offset, ppm=ppm, turned=turned)
    seconds = np.arange(len(wave)) / rate_hz
    wave = space.shifted(wave, rate_hz, space.pass_doppler_hz(seconds, 137.9e6, centre_s=10.0))
    wave = wave * space.fading(len(wave), rate_hz, 4.0, 0.8)
    data, noise = space.cheap(wave, rate_hz, snr_db=snr_db, width_hz=80_000.0, dc=0.3, imbalance=0.04)
    out = results("lrpt", data, rate_hz, 137.9e6, noise)
    heard = {one.bits.value for one in out if isinstance(one, Frame)}
    assert {int.from_bytes(frame, "big") for frame in frames} <= heard
    (picture,) = (one for one in out if not isinstance(one, Frame))
    assert np.array_equal(picture.pixels, np.kron(greys, np.ones((8, 8))))


# -- distress beacons ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dc", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("offset_hz", [0.0, 400.0, -800.0])
def test_beacon_beside_the_receivers_own_carrier(dc, offset_hz):
    message = tx.bits_of(0x90127B92922BC022FF103504422535, 120)  # C/S coding guide by way of the sheet, 8.5
    wave = tx.beacon(message, 16_500.0, radians=1.1, ppm=60.0)
    wave = space.shifted(wave, 16_500.0, offset_hz + 0.02 * np.arange(len(wave)) / 165)
    data, noise = space.cheap(wave, 16_500.0, snr_db=6, width_hz=3000, quiet_s=1.0, dc=dc, imbalance=0.05)
    frames = results("beacon406", data, 16_500.0, 406.04e6, noise)
    assert [frame.bits.hex() for frame in frames] == ["90127B92922BC022FF103504422535"]


# -- frames of small satellites --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("framing", "baud", "ppm", "sign"),
    [
        ("coded_flags", 1200, 2500, 1),
        ("coded_flags", 4800, -4000, -1),
        ("coded_flags", 9600, 1000, 1),
        ("coded_flags", 19_200, -500, -1),
        ("open_packet", 1200, 2500, 1),
        ("open_packet", 19_200, -500, -1),
    ],
)
def test_frames_in_audio(framing, baud, ppm, sign):
    data = np.random.default_rng(7).integers(0, 256, 90).astype(np.uint8).tobytes()
    audio = space.keyed_audio(getattr(space, framing)(data), baud, ppm=ppm, snr_db=13.0)
    (frame,) = results("fsk-frames", np.float32(sign) * audio, 48_000.0)
    assert frame.bits.value == int.from_bytes(data, "big")
    assert frame.extra["symbol_rate_hz"] == pytest.approx(baud * (1 + 1e-6 * ppm), rel=3e-4)
