"""Where symbols are looked for and how they are read: clocks in lines made by numpy alone."""

import numpy as np
import pytest

from earwitness.dsp.runs import runs
from earwitness.dsp.symbols.clock import Clock
from earwitness.dsp.symbols.look import ClockLook
from earwitness.dsp.symbols.slicer import Slicer
from earwitness.dsp.symbols.strength import HOP, OS, nearby


def line_of(rng, baud, rate_hz, seconds, noise):
    """A held two-level line, one pole low-passed near its rate, in noise; with its levels."""
    levels = rng.integers(0, 2, round(seconds * baud)) * 2.0 - 1
    count = round(seconds * rate_hz)
    held = levels[np.minimum((np.arange(count) * baud / rate_hz).astype(int), len(levels) - 1)]
    pole = np.exp(-2 * np.pi * 0.8 * baud / rate_hz)
    smooth = np.empty(count)
    state = 0.0
    for i, value in enumerate(held):
        state = pole * state + (1 - pole) * value
        smooth[i] = state
    return (smooth + noise * rng.standard_normal(count)).astype(np.float32), levels


@pytest.mark.parametrize(("rate_hz", "baud"), [(51_360.0, 9600.0), (16_000.0, 1200.0), (48_000.0, 19_200.0), (16_000.0, 4800.0)])  # fmt: skip
def test_clock_is_seen_where_it_is_and_hardly_elsewhere(rate_hz, baud):
    rng = np.random.default_rng(3)
    seconds = 40 * HOP / baud
    line, _ = line_of(rng, baud, rate_hz, seconds, 0.3)
    silence = np.float32(0.5) * rng.standard_normal(2 * len(line)).astype(np.float32)
    look = ClockLook(rate_hz, baud)
    whole = np.concatenate([silence, line, silence])
    near = np.concatenate([look.feed(whole), look.feed(whole[:0], last=True)])
    begin, end = len(silence) // look.hop, (len(silence) + len(line)) // look.hop
    assert near[begin:end].all()
    assert np.mean(np.concatenate([near[: begin - 20], near[end + 20 :]])) < 0.4


def test_where_the_cuts_fall_changes_nothing():
    rng = np.random.default_rng(4)
    line, _ = line_of(rng, 4800.0, 16_000.0, 1.0, 0.3)
    once, parts = ClockLook(16_000.0, 4800.0), ClockLook(16_000.0, 4800.0)
    whole = once.feed(line, last=True)
    cut = [parts.feed(line[at : at + 777]) for at in range(0, len(line), 777)]
    np.testing.assert_array_equal(whole, np.concatenate([*cut, parts.feed(line[:0], last=True)]))


def test_symbols_are_read_to_the_last():
    rng = np.random.default_rng(5)
    line, levels = line_of(rng, 1.0, OS, 700, 0.1)
    offsets = (0, -4, -2, 2, 4)
    places, x = Clock(1, offsets, gated=False).feed(line[None, :], last=True)
    at, soft, _ = Slicer(len(offsets)).feed(places, x[0], x[0, 0], last=True)
    read = {int(place // OS): value > 0 for place, value in zip(at - 0.5, soft, strict=True)}
    wanted = range(1, len(levels) - 1)
    assert all(k in read for k in wanted)
    assert sum(read[k] != (levels[k] > 0) for k in wanted) <= 2


def test_noise_is_not_sliced():
    rng = np.random.default_rng(6)
    x = rng.standard_normal((5, 64 * HOP)).astype(np.float32)
    places, soft, facts = Slicer(5).feed(np.arange(x.shape[1], dtype=float), x, x[0])
    assert len(places) == len(soft) == HOP * len(facts) < 0.5 * x.shape[1]


def test_runs_and_what_is_near():
    strong = np.array([0, 0, 0, 0, 1, 0, 0, 0, 0, 0], bool)
    np.testing.assert_array_equal(nearby(strong, 2), [1, 1, 1, 1, 1, 0])
    assert runs(nearby(strong, 2)) == [(0, 5)]
    assert runs(np.zeros(3, bool)) == []
    assert runs(np.array([1, 0, 1, 1], bool)) == [(0, 1), (2, 4)]
