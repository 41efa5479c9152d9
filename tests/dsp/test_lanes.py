"""Steps on rows inside kernels, against NumPy's own arithmetic on the same arrays."""

import numpy as np
import pytest

from earwitness.dsp import lanes
from earwitness.dsp.jit import kernel
from earwitness.dsp.lanes import LANES

N = LANES * LANES


@pytest.fixture
def rows():
    rng = np.random.default_rng(1)
    return [rng.standard_normal(2 * N).astype(np.float32) for _ in range(4)]


def _zeros(count=2):
    return [np.zeros(2 * N, np.float32) for _ in range(count)]


def _compiled(step):
    return kernel(cache=False)(step)


def test_rows_are_copied_scaled_and_turned(rows):
    x, u, *_ = rows

    @_compiled
    def work(x, u, y, v):
        lanes.copy(x, np.uint64(3), y, np.uint64(0))
        lanes.scale(x, np.uint64(5), np.float32(2.5), y, np.uint64(LANES))
        lanes.turn(x, u, np.uint64(7), np.float32(0.6), np.float32(0.8), y, v, np.uint64(2 * LANES))

    y, v = _zeros()
    work(x, u, y, v)
    np.testing.assert_array_equal(y[:LANES], x[3 : 3 + LANES])
    np.testing.assert_allclose(y[LANES : 2 * LANES], 2.5 * x[5 : 5 + LANES], rtol=1e-6)
    turned = (x + 1j * u)[7 : 7 + LANES] * (0.6 + 0.8j)
    np.testing.assert_allclose((y + 1j * v)[2 * LANES : 3 * LANES], turned, atol=1e-6)
    assert not y[3 * LANES :].any()
    assert not v[: 2 * LANES].any()


def test_power_is_added(rows):
    x, u, out, _ = rows

    @_compiled
    def work(x, u, out):
        lanes.add_power(x, u, np.uint64(2), out, np.uint64(9))

    before = out.copy()
    work(x, u, out)
    np.testing.assert_allclose(
        out[9 : 9 + LANES], before[9 : 9 + LANES] + np.abs((x + 1j * u)[2 : 2 + LANES]) ** 2, rtol=1e-5
    )
    np.testing.assert_array_equal(out[9 + LANES :], before[9 + LANES :])


def test_pairs_are_taken_apart(rows):
    pairs, window, *_ = rows

    @_compiled
    def work(pairs, window, x, u):
        lanes.unzip(pairs, np.uint64(4), x, u, np.uint64(0))
        lanes.unzip_times(pairs, np.uint64(4), window, np.uint64(1), x, u, np.uint64(LANES))

    x, u = _zeros()
    work(pairs, window, x, u)
    taken = pairs[4 : 4 + 2 * LANES].view(np.complex64)
    np.testing.assert_array_equal((x + 1j * u)[:LANES], taken)
    np.testing.assert_allclose(
        (x + 1j * u)[LANES : 2 * LANES], taken * window[1 : 1 + LANES], rtol=1e-5, atol=1e-6
    )


def test_squares_are_turned_over(rows):
    x, u, c, s = rows

    @_compiled
    def work(x, u, c, s, y, v):
        lanes.turn_over(x, u, np.uint64(0), c, s, np.uint64(N), y, v, np.uint64(0))

    y, v = _zeros()
    work(x, u, c, s, y, v)
    square = ((x + 1j * u)[:N] * (c + 1j * s)[N:]).reshape(LANES, LANES)
    np.testing.assert_allclose((y + 1j * v)[:N].reshape(LANES, LANES), square.T, atol=1e-5)


def test_stretches_of_pairs_stand_side_by_side(rows):
    step, apart = 2 * LANES + 6, LANES + 1
    pairs = np.random.default_rng(2).standard_normal(LANES * step).astype(np.float32)

    @_compiled
    def work(pairs, x, u):
        lanes.unzip_over(pairs, np.uint64(2), np.uint64(step), x, u, np.uint64(1), np.uint64(apart))

    x, u = np.zeros(LANES * apart + 1, np.float32), np.zeros(LANES * apart + 1, np.float32)
    work(pairs, x, u)
    for stretch in range(LANES):
        taken = pairs[2 + stretch * step :][: 2 * LANES].view(np.complex64)
        np.testing.assert_array_equal((x + 1j * u)[1 + stretch :: apart][:LANES], taken)


def test_better_paths_go_on(rows):
    one = [k >> 1 for k in range(LANES)]
    other = [k >> 1 | 8 for k in range(LANES)]
    go_on = lanes.survivors(one, other, [k for k in range(LANES) if k & 1], 2)

    @_compiled
    def work(paths, back, more, bar):
        go_on(paths, np.uint64(2), back, np.uint64(5), more, bar)

    for more, bar in ((0.0, 0.0), (0.0, 1e6), (1e6, 0.0)):
        paths, back = rows[0].copy(), np.full(40, 7, np.uint8)
        metric, value = paths[2 : 2 + LANES].copy(), paths[2 + LANES : 2 + 2 * LANES].copy()
        work(paths, back, np.float32(more), np.float32(bar))
        from_other = metric[other] + more < metric[one]
        np.testing.assert_array_equal(back[5 : 5 + LANES], from_other)
        best = np.where(from_other, metric[other], metric[one]) + bar * (np.arange(LANES) % 2)
        np.testing.assert_allclose(paths[2 : 2 + LANES], best, rtol=1e-6)
        np.testing.assert_array_equal(
            paths[2 + LANES : 2 + 2 * LANES], np.where(from_other, value[other], value[one])
        )
        np.testing.assert_array_equal(paths[2 + 2 * LANES :], rows[0][2 + 2 * LANES :])
        assert (back[:5] == 7).all()
        assert (back[5 + LANES :] == 7).all()
