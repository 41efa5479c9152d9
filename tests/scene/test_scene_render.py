"""The synthesiser measured: level, frequency, time, purity, faults, and the truth it states."""

import dataclasses
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.core.errors import LogError, ParameterError
from earwitness.dsp import fft
from earwitness.scene import demo_scenes
from earwitness.scene.describe import Scene, load_scene, parse_scene
from earwitness.scene.plain import KINDS, plain_burst
from earwitness.scene.synthesise import render, stream
from earwitness.sources import open_source

HEAD = """
[scene]
name = "try"
centre_hz = 100e6
rate_hz = {rate}
duration_s = {duration}
seed = 5
sample_type = "cf32"
[receiver]
noise_rms = {noise}
{receiver}
"""

CARRIER = """
[[emission]]
mode = "carrier"
frequency_hz = {}
level_dbfs = {}
item = {{duration_s = {}}}
"""


def scene_of(
    emissions: str, *, rate: float = 1e6, duration: float = 0.2, noise: float = 0.0, receiver: str = ""
) -> Scene:
    head = HEAD.format(rate=rate, duration=duration, noise=noise, receiver=receiver)
    return parse_scene(tomllib.loads(head + emissions))


def samples_of(scene: Scene) -> np.ndarray:
    return np.concatenate([block for _, block, _ in stream(scene)])


def spectrum_db(x: np.ndarray, rate: float) -> tuple[np.ndarray, np.ndarray]:
    """Give (frequency, power in dB of the strongest bin) with a window whose side lobes are below -110 dB."""
    power = np.abs(fft.forward((x * np.kaiser(len(x), 16)).astype(np.complex64))) ** 2
    freq = (np.arange(len(x)) + len(x) // 2) % len(x) - len(x) // 2
    return freq * rate / len(x), 10 * np.log10(power / power.max() + 1e-20)


@pytest.mark.parametrize("mode", ["fsk2", "psk"])
def test_no_images_above_minus_70_db(mode: str) -> None:
    scene = scene_of(
        f"""
        [[emission]]
        mode = "{mode}"
        frequency_hz = 100.1234567e6
        level_dbfs = -6
        item = {{symbol_rate_hz = 4800, duration_s = 0.3{", bt = 0.5" if mode == "fsk2" else ""}}}
        """
    )
    freq, level = spectrum_db(samples_of(scene)[10_000:150_000], 1e6)
    # beyond two widths only images could stand: they would lie at multiples of the burst's own rate
    assert level[np.abs(freq - 123_456.7) > 25_000].max() < -70


def test_tone_is_pure_and_where_it_should_be() -> None:
    scene = scene_of(
        """
        [[emission]]
        mode = "carrier"
        frequency_hz = 99.8e6
        offset_hz = 123.4
        level_dbfs = -20
        item = {duration_s = 1}
        """,
        duration=0.5,
    )
    x = samples_of(scene)
    assert np.mean(np.abs(x[1000:]) ** 2) == pytest.approx(0.01, rel=1e-3)
    steps = np.angle(x[1001:] * np.conj(x[1000:-1]))
    assert np.mean(steps, dtype=float) / (2 * np.pi) * 1e6 == pytest.approx(-199_876.6, abs=0.01)
    assert np.std(steps) < 1e-4  # no steps at the seams of blocks
    freq, level = spectrum_db(x[1000:300_000], 1e6)
    assert level[np.abs(freq + 199_876.6) > 50].max() < -80


@pytest.mark.parametrize(
    ("mode", "item"),
    [
        ("fsk2", "{symbol_rate_hz = 9600, deviation_hz = 2400, duration_s = 0.15}"),
        ("noise", "{bandwidth_hz = 20000, duration_s = 0.15}"),
        ("ofdm", "{bandwidth_hz = 90000, duration_s = 0.15}"),
        ("ook", "{symbol_rate_hz = 500, duration_s = 0.15}"),
        ("fsk4", "{duration_s = 0.15}"),
        ("chirp", "{duration_s = 0.15}"),
    ],
)
def test_snr_is_as_stated(mode: str, item: str) -> None:
    text = f"""
    [[emission]]
    mode = "{mode}"
    frequency_hz = 100.05e6
    start_s = 0.02
    snr_db = 13
    item = {item}
    """
    scene = scene_of(text, noise=0.01)
    quiet = scene_of("", noise=0.01)
    burst = samples_of(scene) - samples_of(quiet)  # same seed, same noise
    power = np.mean(np.abs(burst[20_100:169_900]) ** 2)
    width = scene.bursts[0].bandwidth_hz
    noise_in_band = 0.01**2 * width / 1e6
    assert 10 * np.log10(power / noise_in_band) == pytest.approx(13, abs=0.3)
    assert not np.any(burst[:19_000])


def test_noise_power_and_density() -> None:
    x = samples_of(scene_of("", noise=0.05))
    assert np.mean(np.abs(x) ** 2) == pytest.approx(0.0025, rel=0.02)
    assert np.mean(x.real**2) == pytest.approx(np.mean(x.imag**2), rel=0.02)


def test_start_time_to_a_fraction_of_a_sample() -> None:
    text = """
    [[emission]]
    mode = "carrier"
    frequency_hz = 100e6
    start_s = {start}
    level_dbfs = 0
    bandwidth_hz = 50000
    item = {{duration_s = 0.01}}
    """
    edges = []
    for start in (0.05, 0.0500004):
        x = np.abs(samples_of(scene_of(text.format(start=start))))
        first = np.flatnonzero(x > 0.5)[0]
        edges.append(first - 1 + (0.5 - x[first - 1]) / (x[first] - x[first - 1]))
    assert edges[1] - edges[0] == pytest.approx(0.4, abs=0.01)


def test_crystal_error_shifts_frequency_and_stretches_time() -> None:
    text = CARRIER.format("100.2e6", 0, 0.1)
    x = samples_of(scene_of(text, receiver="ppm = 20"))
    steps = np.angle(x[1001:90_000] * np.conj(x[1000:89_999]))
    # 100.2 MHz / 1.00002 - 100 MHz
    assert np.mean(steps) / (2 * np.pi) * 1e6 == pytest.approx(100.2e6 / 1.00002 - 100e6, abs=0.05)
    assert np.flatnonzero(np.abs(x) > 0.5)[-1] == pytest.approx(
        100_002, abs=80
    )  # edges are as steep as 8 kHz allow


def test_drift_of_emission_and_receiver() -> None:
    text = """
    [[emission]]
    mode = "carrier"
    frequency_hz = 100e6
    drift_hz_per_s = 300
    level_dbfs = 0
    item = {duration_s = 1}
    """
    x = samples_of(scene_of(text, duration=1.0, receiver="drift_hz_per_s = -100"))
    freq = np.angle(x[1:] * np.conj(x[:-1])) / (2 * np.pi) * 1e6
    assert np.mean(freq[900_000:] - freq[: len(freq) - 900_000]) == pytest.approx(180, abs=1)


def test_two_rays_make_their_notches() -> None:
    # Two paths tau apart at equal strength cancel every 1/tau in frequency (textbook).
    text = """
    [[emission]]
    mode = "noise"
    frequency_hz = 100e6
    level_dbfs = 0
    echo_delay_us = 40
    echo_db = 0
    item = {bandwidth_hz = 200000, duration_s = 0.2}
    """
    x = samples_of(scene_of(text, duration=0.2))
    blocks = x[10_000:190_000].reshape(-1, 1000)
    power = np.mean(np.abs(fft.forward(blocks * np.hanning(1000).astype(np.float32))) ** 2, axis=0)
    comb = fft.forward(np.concatenate([power[910:], power[:90]]).astype(np.complex64))
    # 180 bins of 1 kHz hold 7.2 periods of 25 kHz
    assert int(np.argmax(np.abs(comb[3:60]))) + 3 == 7


@pytest.mark.parametrize("kind", ["rayleigh", "rician"])
def test_fading_has_its_statistics(kind: str) -> None:
    text = f"""
    [[emission]]
    mode = "carrier"
    frequency_hz = 2000
    level_dbfs = 0
    fading = "{kind}"
    doppler_hz = 20
    rician_k_db = 10
    item = {{duration_s = 60}}
    """
    head = HEAD.format(rate=4000, duration=60, noise=0, receiver="clip_level = 1").replace("100e6", "2000")
    scene = parse_scene(tomllib.loads(head + text.replace("level_dbfs = 0", "level_dbfs = -20")))
    power = np.abs(samples_of(scene)) ** 2 / 0.01
    assert np.mean(power) == pytest.approx(1, abs=0.15)
    # Rayleigh: P(power < 0.1 of the mean) = 1 - exp(-0.1) = 0.095; Rician of 10 dB: almost never.
    deep = np.mean(power < 0.1)
    assert (0.06 < deep < 0.14) if kind == "rayleigh" else deep < 0.01


def test_receiver_faults() -> None:
    text = CARRIER.format("100.1e6", -6, 1)
    faults = """
    dc = [0.01, -0.02]
    iq_gain_db = 0.5
    iq_phase_deg = 2.0
    spurs = [{frequency_hz = 99.7e6, level_dbfs = -40}]
    """
    x = samples_of(scene_of(text, receiver=faults))[:200_000]
    assert np.mean(x) == pytest.approx(0.01 - 0.02j, abs=1e-3)
    freq, level = spectrum_db(x, 1e6)
    image = level[np.abs(freq + 100e3) < 50].max()
    # (g exp(j phi) - 1) / (g exp(j phi) + 1) of 0.5 dB and 2 degrees: -29.5 dB
    g = 10 ** (0.5 / 20) * np.exp(1j * np.deg2rad(2))
    assert image == pytest.approx(20 * np.log10(abs((g - 1) / (g + 1))), abs=0.5)
    assert level[np.abs(freq + 300e3) < 50].max() == pytest.approx(-34, abs=0.5)
    hard = samples_of(scene_of(text, receiver="clip_level = 0.2"))
    assert np.abs(hard.view(np.float32)).max() == pytest.approx(0.2)


FULL = """
[[emission]]
mode = "fsk2"
frequency_hz = 100.1e6
snr_db = 20
start_s = 0.01
repeat = {times = 4, every_s = 0.04, snr_db_step = -2, offset_hz_step = 50, jitter_s = 0.002}
item = {duration_s = 0.03}
[[emission]]
mode = "carrier"
frequency_hz = 100.1e6
snr_db = 10
start_s = 0.05
item = {duration_s = 1}
"""


def test_recording_and_truth(tmp_path: Path) -> None:
    scene = scene_of(FULL, noise=0.02, receiver="ppm = -4")
    seen: list[tuple[int, int]] = []
    path = render(scene, tmp_path, progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (200_000, 200_000)
    source = open_source(path)
    assert source.warnings == []
    np.testing.assert_array_equal(source.stretches[0].read(0, 200_000), samples_of(scene))
    truth = json.loads((tmp_path / "try.truth.json").read_text())
    entries = truth["emissions"]
    assert [e["mode"] for e in entries] == ["fsk2", "carrier", "fsk2", "fsk2", "fsk2"]
    assert [e["snr_db"] for e in entries if e["mode"] == "fsk2"] == [20, 18, 16, 14]
    assert entries[0]["freq_in_file_hz"] == pytest.approx(100.1e6 / (1 - 4e-6), abs=1e-3)
    assert entries[0]["overlaps"] == 0
    assert entries[1]["overlaps"] == 3
    assert entries[1]["cut_at_end"] is True
    low, high = entries[0]["occupied_hz"]
    assert -7000 < low < -1500
    assert 1500 < high < 7000


def test_same_seed_same_samples_other_seed_others() -> None:
    scene = scene_of(FULL, noise=0.02)
    assert np.array_equal(samples_of(scene), samples_of(scene))
    text = HEAD.format(rate=1e6, duration=0.2, noise=0.02, receiver="").replace("seed = 5", "seed = 6")
    assert not np.array_equal(samples_of(scene), samples_of(parse_scene(tomllib.loads(text + FULL))))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_plain_kind_at_odd_rates(kind: str) -> None:
    for rate in (48_000.0, 77_777.7):
        item = {"duration_s": 0.02} | ({"bandwidth_hz": 9000.0} if "bandwidth_hz" in KINDS[kind] else {})
        burst = plain_burst(kind, item, rate, np.random.default_rng(1))
        assert burst.dtype == np.complex64
        assert abs(len(burst) - 0.02 * rate) <= 1
        assert np.isfinite(burst).all()


@pytest.mark.parametrize(
    ("emission", "word"),
    [
        ('mode = "ais"\nitem = {message = {message_id = 1}}', "ais cannot send this item"),
        ('mode = "ais"\nitem = {nonsense = 1}', "ais cannot send this item"),
        ('mode = "am"\nitem = {duration_s = -1}', "am cannot send this item"),
        ('mode = "noise"\nitem = {duration_s = 80000, bandwidth_hz = 1e6}', "too long"),
    ],
)
def test_items_that_cannot_be_sent(tmp_path: Path, emission: str, word: str) -> None:
    scene = scene_of(f"[[emission]]\nfrequency_hz = 100e6\nsnr_db = 9\n{emission}", noise=0.02)
    with pytest.raises(ParameterError, match=word):
        render(scene, tmp_path)


def test_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match="cannot be made"):
        render(scene_of("", noise=0.02), tmp_path / "file" / "under")


# the TOML

BASE = HEAD.format(rate=1e6, duration=0.2, noise=0.02, receiver="")
EMISSION = '[[emission]]\nmode = "fsk2"\nfrequency_hz = 100e6\nsnr_db = 10\n'


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("x = 1\n" + BASE, "'x' is not known"),
        (BASE.replace("rate_hz", "rates_hz"), "rate_hz is missing"),
        (BASE.replace("centre_hz = 100e6", 'centre_hz = "much"'), "centre_hz"),
        (BASE.replace('name = "try"', 'name = "../up"'), "name"),
        (BASE.replace('"cf32"', '"ri16"'), "sample_type"),
        (BASE.replace("seed = 5", "seed = 5\nmode = 3"), "'mode' is not known; allowed are name"),
        (BASE + "noise = 1", "'noise' is not known; allowed are dc"),
        (BASE + "dc = 4", "dc must be two numbers"),
        (BASE + "clip_level = 2", "allowed are 0.001 to 1"),
        (BASE + EMISSION.replace("fsk2", "fsk9"), "allowed are carrier, noise"),
        (BASE + EMISSION.replace("100e6", "120e6"), "allowed are 99500000 to 100500000"),
        (BASE + EMISSION + 'fading = "deep"', "allowed are none, rayleigh, rician"),
        (BASE + EMISSION + "item = {speed = 3}", "'speed' is not known; allowed are duration_s"),
        (BASE + EMISSION + "items = []", "items"),
        (BASE + EMISSION + "item = {}\nitems = [{}]", "only one of"),
        (BASE + EMISSION + "examples = true", "plain kind"),
        (BASE + EMISSION + "repeat = {times = 0}", "times"),
        (BASE + EMISSION + 'repeat = {times = 2, item_step = {"a.b" = 1}}', "does not name a number"),
        (BASE + EMISSION + "snr_db = nan".replace("snr_db", "bandwidth_hz"), "bandwidth_hz"),
        (BASE.replace("noise_rms = 0.02", "noise_rms = 0") + EMISSION, "level_dbfs"),
    ],
)
def test_what_is_wrong_is_named(text: str, word: str) -> None:
    with pytest.raises(ParameterError, match=word):
        parse_scene(tomllib.loads(text))


def test_files_that_are_no_scene(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    for body in (b"[scene", b"\xff\xfe", b""):
        path.write_bytes(body)
        with pytest.raises(ParameterError):
            load_scene(path)


VALUE = st.recursive(
    st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


NAMED = """
name centre_hz rate_hz duration_s seed start sample_type dc spurs ppm mode item items examples
frequency_hz snr_db fading echo_db repeat level_dbfs start_s
"""
KEYS = NAMED.split()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(["scene", "receiver", "emission"]),
    st.sampled_from(KEYS),
    VALUE,
)
def test_any_value_gives_a_scene_or_a_parameter_error(table: str, key: str, value: object) -> None:
    document = tomllib.loads(BASE + EMISSION)
    (document["emission"][0] if table == "emission" else document[table])[key] = value
    try:
        parse_scene(document)
    except Exception as error:  # noqa: BLE001
        assert type(error).__name__ in ("ParameterError", "SourceError")  # noqa: PT017


def test_several_frequencies_in_turn_and_stepping_items() -> None:
    text = """
    [[emission]]
    mode = "chirp"
    frequency_hz = [99.9e6, 100.1e6]
    snr_db = 10
    items = [{duration_s = 0.01, bandwidth_hz = 1000}, {duration_s = 0.02, bandwidth_hz = 1000}]
    repeat = {times = 4, every_s = 0.04, item_step = {duration_s = 0.002}}
    """
    bursts = scene_of(text, noise=0.01).bursts
    assert [b.frequency_hz for b in bursts] == [99.9e6, 100.1e6, 99.9e6, 100.1e6]
    assert [b.item["duration_s"] for b in bursts] == [0.01, 0.02, 0.012, 0.022]


@pytest.mark.parametrize("path", demo_scenes(), ids=lambda path: path.stem)
def test_demo_scene_begins_to_play(path: Path, tmp_path: Path) -> None:
    scene = load_scene(path)
    early = tuple(burst for burst in scene.bursts if burst.start_s < 1.0)
    meta = render(dataclasses.replace(scene, duration_s=1.0, bursts=early), tmp_path)
    source = open_source(meta)
    assert source.warnings == []
    truth = json.loads((tmp_path / f"{scene.name}.truth.json").read_text())
    assert len(truth["emissions"]) == len(early)
    assert truth["receiver"]["clipped_fraction"] < 1e-3


def test_there_are_several_demo_scenes() -> None:
    assert len(demo_scenes()) >= 3
