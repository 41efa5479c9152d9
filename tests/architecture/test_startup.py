"""Start-up stays light: help and queries never load numerics (checked by name, not by stopwatch)."""

import json
import subprocess
import sys

HEAVY = {"numpy", "scipy", "numba", "sigmf", "soundfile", "pyarrow", "PIL"}


def loaded_by(code):
    script = f"import sys, json\n{code}\nprint(json.dumps(sorted(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    return {name.split(".")[0] for name in json.loads(out.splitlines()[-1])}


def test_help_loads_no_numerics():
    code = "from earwitness.cli.app import run\ntry:\n run(['--help'])\nexcept SystemExit: pass"
    assert loaded_by(code) & HEAVY == set()


def test_registry_of_modes_loads_no_numerics():
    assert loaded_by("from earwitness.core.mode import registry\nregistry()") & HEAVY == set()


def test_query_loads_no_numerics(tmp_path):
    code = (
        "from earwitness.cli.app import run\n"
        f"try:\n run(['query', 'emissions', '--json', '--station', {str(tmp_path / 's')!r}])\n"
        "except SystemExit: pass"
    )
    assert loaded_by(code) & HEAVY == set()
