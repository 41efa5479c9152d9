"""Sample types: names, the conversion against plain numpy, and round trips through quantisation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import SourceError
from earwitness.sources.sample_type import sample_type, wave_8bit

NAMES = ["cu8", "cs8", "ci8", "cu16", "cs16", "ci16_be", "cu32", "cs32", "cs32_be", "cf32", "cf32_be", "cf64"]


@pytest.mark.parametrize(
    ("name", "stored"),
    # SigMF specification 1.2, "Dataset format": names and their order of octets
    [
        ("cu8", "u1"),
        ("cs8", "i1"),
        ("ci16_le", "<i2"),
        ("CI16_BE", ">i2"),
        ("ru16_be", ">u2"),
        ("ri32_le", "<i4"),
        ("cf32_le", "<f4"),
        ("rf64_be", ">f8"),
    ],
)
def test_names_of_the_specification(name: str, stored: str) -> None:
    kind = sample_type(name)
    assert kind.dtype == np.dtype(stored)
    assert kind.is_complex == (name.lower()[0] == "c")


@pytest.mark.parametrize("name", ["", "cu", "cf16", "cu64", "xi8", "cu8_xe", "ci24_be", "c\x00", "u8" * 1000])
def test_other_names_are_refused(name: str) -> None:
    with pytest.raises(SourceError, match="sample type"):
        sample_type(name)


@pytest.mark.parametrize("name", NAMES)
def test_conversion_against_numpy(name: str) -> None:
    kind = sample_type(name)
    octets = np.random.default_rng(1).integers(0, 256, 4096 * kind.frame_bytes).astype(np.uint8)
    with np.errstate(invalid="ignore"):
        plain = octets.view(kind.dtype).astype(np.float64)
    if kind.dtype.kind == "u":
        half = 2.0 ** (8 * kind.dtype.itemsize - 1) - 0.5
        plain = (plain - half) / half
    elif kind.dtype.kind == "i":
        plain /= 2.0 ** (8 * kind.dtype.itemsize - 1)
    with np.errstate(over="ignore", invalid="ignore"):
        plain = plain.astype(np.float32)
    plain = plain.reshape(-1, 2)
    plain[~(np.abs(plain) <= 2.0**24).all(axis=1)] = 0  # beyond it is no sample: our own bound
    got, bad = kind.convert(kind.native(octets))
    assert got.dtype == np.complex64
    np.testing.assert_allclose(got.real, plain[:, 0], atol=2e-7, rtol=2e-7)
    np.testing.assert_allclose(got.imag, plain[:, 1], atol=2e-7, rtol=2e-7)
    assert (bad > 0) == (kind.dtype.kind == "f")


def test_unsigned_8_bit_is_symmetric() -> None:
    # Decision of this project (module docstring): codes 0 and 255 are -1 and +1, zero lies at 127.5.
    kind = sample_type("cu8")
    got, _ = kind.convert(kind.native(np.array([0, 255, 127, 128], np.uint8)))
    np.testing.assert_allclose(got.view(np.float32), [-1, 1, -0.5 / 127.5, 0.5 / 127.5], atol=1e-7)


def test_wave_8_bit_has_its_zero_at_128() -> None:
    # Multimedia Programming Interface and Data Specifications 1.0: 8-bit PCM midpoint is 128 (80H).
    kind = wave_8bit(True)
    got, _ = kind.convert(kind.native(np.array([128, 128, 0, 255], np.uint8)))
    np.testing.assert_allclose(got.view(np.float32), [0, 0, -1, 127 / 128], atol=1e-7)


def test_24_bit_is_little_endian_and_signed() -> None:
    kind = sample_type("cs24")
    octets = np.frombuffer(bytes.fromhex("000080 ffff7f 010000 ffffff".replace(" ", "")), np.uint8).copy()
    native = kind.native(octets)
    assert native.tolist() == [[-(2**23), 2**23 - 1], [1, -1]]
    got, _ = kind.convert(native)
    np.testing.assert_allclose(got.view(np.float32), [-1, 1 - 2**-23, 2**-23, -(2**-23)], atol=1e-9)


def test_what_is_no_number_becomes_zero_and_is_counted() -> None:
    kind = sample_type("cf32")
    values = np.array([1, np.nan, 0.5, 0.25, np.inf, 0, 0, -np.inf], np.float32)
    got, bad = kind.convert(kind.native(values.view(np.uint8)))
    assert bad == 3
    assert got.tolist() == [0, 0.5 + 0.25j, 0, 0]
    wide = sample_type("cf64")
    got, bad = wide.convert(wide.native(np.array([1e300, 0, 1, 2], np.float64).view(np.uint8)))
    assert bad == 1
    assert got.tolist() == [0, 1 + 2j]


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(NAMES), st.lists(st.floats(-1, 0.9375, width=32), min_size=2, max_size=40))
def test_quantised_samples_come_back(name: str, values: list[float]) -> None:
    kind = sample_type(name)
    wave = np.array(values[: len(values) // 2 * 2], np.float32).view(np.complex64)
    got, _ = kind.convert(kind.native(kind.quantise(wave)))
    low, high = kind.full_scale
    step = 2 / (high - low) if kind.dtype.kind != "f" else 0.0
    np.testing.assert_allclose(got.view(np.float32), wave.view(np.float32), atol=step / 2 + 1e-6)


def test_quantiser_clips() -> None:
    for name, ends in (("cu8", [0, 255]), ("cs16", [-32768, 32767]), ("cs32", [-(2**31), 2**31 - 1])):
        kind = sample_type(name)
        octets = kind.quantise(np.array([-3 + 3j], np.complex64))
        assert kind.native(octets).tolist() == [ends]
