"""The picture of a stretch, against the same rows merged whole by NumPy."""

from types import SimpleNamespace

import numpy as np
import pytest

from earwitness.station.overview import MAX_ROWS, Overview


def _picture(power, sizes):
    overview = Overview()
    at = 0
    for size in sizes:
        rows = np.ascontiguousarray(power[at : at + size])
        overview.feed(SimpleNamespace(power=rows, rate_hz=1e6, center_hz=0.0, hop=1000))
        at += size
    assert at == len(power)
    return overview.picture()


@pytest.mark.parametrize(("rows", "bins"), [(5, 64), (1023, 64), (1024, 64), (7001, 96), (2600, 2048)])
@pytest.mark.parametrize("size", [1, 7, 700, 7001])
def test_rows_and_bins_are_merged_by_their_highest(rows, bins, size):
    power = np.random.default_rng(rows).exponential(size=(rows, bins)).astype(np.float32)
    sizes = [size] * (rows // size) + ([rows % size] if rows % size else [])
    levels, row_s = _picture(power, sizes)
    merge = round(row_s / 1e-3)
    assert len(levels) == -(-rows // merge)
    assert len(levels) <= MAX_ROWS
    fold = -(-bins // 1024)
    for number, row in enumerate(levels):
        part = power[number * merge : (number + 1) * merge]
        highest = part.reshape(len(part), bins // fold, fold).max(axis=(0, 2))
        np.testing.assert_allclose(row, 10 * np.log10(highest), atol=1e-4)


def test_nothing_gives_no_picture():
    levels, row_s = Overview().picture()
    assert levels.shape == (0, 0)
    assert row_s == 0
