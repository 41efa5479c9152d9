"""What compiles kernels ahead: once for each state of a module, in processes of their own."""

import json
from pathlib import Path

from earwitness.cli import prepare

PACKAGE = Path(prepare.__file__).parents[1]


def test_each_state_of_a_module_is_compiled_once(tmp_path, monkeypatch, capfd):
    """The cheapest of modules stand for those with kernels."""
    module = PACKAGE / "core" / "errors.py"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "cache"))
    monkeypatch.setattr(prepare, "_with_kernels", lambda: [(False, -1, module)])
    prepare.compile_new()
    assert "compiling kernels: 1 of 1" in capfd.readouterr().err
    note = tmp_path / "cache" / "compiled.json"
    assert list(json.loads(note.read_text())) == [str(module)]
    prepare.compile_new()
    assert capfd.readouterr().err == ""
    monkeypatch.setattr(prepare, "_stamp", lambda path: "another state")
    prepare.compile_new()
    assert "1 of 1" in capfd.readouterr().err
    note.write_text("[not")
    prepare.compile_new()
    assert "1 of 1" in capfd.readouterr().err


def test_what_cannot_be_loaded_is_not_noted(tmp_path, monkeypatch, capfd):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(prepare, "_with_kernels", lambda: [(False, -1, PACKAGE / "nowhere.py")])
    monkeypatch.setattr(prepare, "_stamp", lambda path: "a state")
    prepare.compile_new()
    assert json.loads((tmp_path / "compiled.json").read_text()) == {}
    assert "ModuleNotFoundError" in capfd.readouterr().err


def test_every_module_with_kernels_is_found():
    found = {path for *_, path in prepare._with_kernels()}
    assert PACKAGE / "dsp" / "carrier.py" in found
    assert not [path for path in found if "tests" in path.parts]
    assert prepare._name(PACKAGE / "dsp" / "carrier.py") == "earwitness.dsp.carrier"
    assert prepare._name(PACKAGE / "spectrum" / "__init__.py") == "earwitness.spectrum"
