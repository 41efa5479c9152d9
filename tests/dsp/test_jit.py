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
