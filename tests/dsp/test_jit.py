"""A compiled kernel is taken from the cache only while all that went into it is as it was."""

import os
import subprocess
import sys
from pathlib import Path

import earwitness

STEP = """
from earwitness.dsp.jit import kernel
@kernel("float64(float64)")
def step(x):
    return x + {more}
"""
FACTORS = "FACTOR = {factor}\n"
USER = """
from earwitness.dsp.jit import kernel
from scratch_step import step
from scratch_factors import FACTOR
@kernel("float64(float64)")
def walk(x):
    return step(x) * FACTOR
print(walk(1.0), sum(walk.stats.cache_hits.values()))
"""


def run(folder: Path) -> tuple[float, int]:
    source = str(Path(earwitness.__file__).parents[1])
    environment = {
        **os.environ, "NUMBA_CACHE_DIR": str(folder / "cache"), "PYTHONPATH": os.pathsep.join([str(folder), source]),
        "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, str(folder / "scratch_user.py")], env=environment, capture_output=True, text=True, check=True
    )  # fmt: skip
    value, hits = done.stdout.split()
    return float(value), int(hits)


def test_a_kernel_is_compiled_anew_when_what_it_calls_or_its_constants_have_changed(tmp_path):
    (tmp_path / "scratch_user.py").write_text(USER)
    (tmp_path / "scratch_step.py").write_text(STEP.format(more=1.0))
    (tmp_path / "scratch_factors.py").write_text(FACTORS.format(factor=10.0))
    assert run(tmp_path) == (20.0, 0)
    assert run(tmp_path) == (20.0, 1)  # from the cache
    (tmp_path / "scratch_step.py").write_text(STEP.format(more=2.0))
    assert run(tmp_path) == (30.0, 0)
    (tmp_path / "scratch_factors.py").write_text(FACTORS.format(factor=7.0))
    assert run(tmp_path) == (21.0, 0)
    assert run(tmp_path) == (21.0, 1)


LATER = """
import threading
import numpy as np
from earwitness.dsp import jit

@jit.kernel("float64(float64[::1], int64)")
def share(x, count):
    return x.sum() / count

@jit.kernel("float64(float64[::1])", "float32(float32[::1])")
def largest(x):
    return x.max()

@jit.kernel("float64(float64[::1], int64)")
def both(x, count):
    return share(x, count) + largest(x)

assert not any(made.overloads for made in (share, largest, both))
x = np.arange(4.0)
assert both(x, np.int32(2)) == 6.0  # converted as in any later call
assert share(x, 2) == 3.0
assert largest(x.astype(np.float32)) == 3.0

@jit.kernel("float64(float64[::1])")
def least(x):
    return x.min()

for wrong in (x[::2], x.astype(np.int64), 1.0):
    for _ in range(2):
        try:
            least(wrong)
        except TypeError:
            continue
        raise SystemExit(f"took {wrong!r}")
assert len(least.overloads) == 1

@jit.kernel("int64(int64)")
def slow(n):
    return 2 * n

seen = []
threads = [threading.Thread(target=lambda n=n: seen.append(slow(n) == 2 * n)) for n in range(8)]
[thread.start() for thread in threads], [thread.join() for thread in threads]
assert seen == [True] * 8

@jit.kernel("int64(int64)")
def never(n):
    return n

jit.load_all()
assert never.overloads
print(1.0, 0)
"""


def test_a_kernel_is_loaded_when_it_is_first_used_and_takes_what_it_would_take_later(tmp_path):
    (tmp_path / "scratch_user.py").write_text(LATER)
    assert run(tmp_path) == (1.0, 0)
    assert run(tmp_path) == (1.0, 0)  # from the cache
