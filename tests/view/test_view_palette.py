"""The ramp of the pictures: even, straight in lightness, told apart by colour-blind eyes."""

import numpy as np
import pytest

from earwitness.view.palette import ramp, shade, srgb_to_oklab

# matrices of Machado, Oliveira, Fernandes 2009, severity 1.0, for linear RGB (from memory)
PROTAN = [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
DEUTAN = [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]


def linear(rgb):
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def coded(rgb):
    rgb = np.clip(rgb, 0, 1)
    return np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1 / 2.4) - 0.055)


def test_oklab_of_red_and_white():
    # W3C CSS Color 4: `red` is oklch(62.8% 0.25768 29.234), `white` oklch(100% 0 none) (from memory)
    red, white = srgb_to_oklab(np.array([[1.0, 0, 0], [1.0, 1, 1]]))
    assert red[0] == pytest.approx(0.628, abs=5e-4)
    assert np.hypot(red[1], red[2]) == pytest.approx(0.25768, abs=2e-4)
    assert np.degrees(np.arctan2(red[2], red[1])) == pytest.approx(29.234, abs=0.02)
    assert white == pytest.approx([1, 0, 0], abs=1e-6)


def test_equal_steps_look_equal():
    lab = srgb_to_oklab(ramp(33) / 255)
    steps = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    assert steps.max() / steps.min() < 1.25
    assert np.all(np.diff(lab[:, 0]) < -0.01)


@pytest.mark.parametrize("eye", [PROTAN, DEUTAN, [[0.2126, 0.7152, 0.0722]] * 3])
def test_colour_blind_eyes_and_grey_print_keep_the_order(eye):
    seen = srgb_to_oklab(coded(linear(ramp(17) / 255) @ np.array(eye).T))
    assert np.all(np.diff(seen[:, 0]) < -0.015)
    assert np.linalg.norm(np.diff(seen, axis=0), axis=1).min() > 0.03


def test_shade_bears_anything():
    levels = np.array([[np.nan, -5, 0], [1, 9, np.inf]])
    assert shade(levels).shape == (2, 3, 3)
    assert tuple(shade(np.array([0.0]))[0]) == tuple(ramp()[0])
