"""SigMF out: judged by the sigmf library and its schema, and by reading it back."""

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
import sigmf

from earwitness.core.errors import LogError
from earwitness.sources import open_source
from earwitness.sources.write import Note, SigmfAppender, write_sigmf

IQ = (0.7 * np.exp(1j * np.arange(5000) / 11)).astype(np.complex64)
EPOCH_NS = 1_773_480_600_123_456_789


def judged(path: Path) -> sigmf.SigMFFile:
    """Open with the reference library, which checks schema and hash."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = sigmf.fromfile(str(path))
        made.validate()
    return made


@pytest.mark.parametrize("name", ["ci16_le", "ci16_be", "cf32_le", "ci8", "cu8"])
def test_one_recording(tmp_path: Path, name: str) -> None:
    note = Note(100, 50, 145.49e6, 145.51e6, label="fm", comment="a test")
    path = write_sigmf(
        tmp_path / "rec.v1",
        IQ,
        rate_hz=48e3,
        center_hz=145.5e6,
        epoch_ns=EPOCH_NS,
        sample_type=name,
        annotations=[note],
        facts={"description": "test", "hw": "none"},
    )
    made = judged(path)
    step = 0.015 if name.endswith("8") else 1e-4  # the library scales cu8 about 128, we about 127.5
    np.testing.assert_allclose(made.read_samples(), IQ, atol=step)
    assert made.get_annotations()[0]["core:label"] == "fm"
    source = open_source(path)
    assert source.warnings == []
    assert source.facts["sha512"] == "checked"
    assert source.stretches[0].epoch_ns == EPOCH_NS
    np.testing.assert_allclose(source.stretches[0].read(0, 9000), IQ, atol=step)


def test_growing_recording(tmp_path: Path) -> None:
    stem = tmp_path / "evidence"
    with SigmfAppender(stem, rate_hz=25e3) as out:
        assert out.append(IQ[:1000], center_hz=1e8, epoch_ns=EPOCH_NS) == 0
        assert out.append(IQ[1000:1500]) == 1000
        out.flush()
        first = open_source(out.meta_path)
        assert [s.count for s in first.stretches] == [1500]
        out.append(IQ[:700], center_hz=1.2e8, epoch_ns=EPOCH_NS + 10**10, notes=[Note(0, 700, label="x")])
    with SigmfAppender(stem, rate_hz=25e3, resume=True) as out:
        out.append(IQ[:300], center_hz=1e8, epoch_ns=EPOCH_NS + 2 * 10**10)
    judged(out.meta_path)
    source = open_source(out.meta_path)
    assert [(s.count, s.center_hz) for s in source.stretches] == [(1500, 1e8), (700, 1.2e8), (300, 1e8)]
    assert source.stretches[1].epoch_ns == EPOCH_NS + 10**10
    assert not list(tmp_path.glob("*.part"))


def test_crash_between_samples_and_metadata(tmp_path: Path) -> None:
    stem = tmp_path / "evidence"
    with SigmfAppender(stem, rate_hz=25e3) as out:
        out.append(IQ[:1000], center_hz=1e8, epoch_ns=EPOCH_NS)
    with open(out.data_path, "ab") as file:
        file.write(b"half a snippet")
    with SigmfAppender(stem, rate_hz=25e3, resume=True) as out:
        out.append(IQ[:500], center_hz=1e8, epoch_ns=EPOCH_NS + 10**10)
    assert [s.count for s in open_source(out.meta_path).stretches] == [1000, 500]
    judged(out.meta_path)


def test_what_cannot_be_continued(tmp_path: Path) -> None:
    stem = tmp_path / "evidence"
    with SigmfAppender(stem, rate_hz=25e3) as out:
        out.append(IQ[:1000], center_hz=1e8, epoch_ns=EPOCH_NS)
    with pytest.raises(LogError, match="rate"):
        SigmfAppender(stem, rate_hz=50e3, resume=True)
    meta = json.loads(out.meta_path.read_text())
    meta["global"]["earwitness:sample_count"] = 10**9
    out.meta_path.write_text(json.dumps(meta))
    with pytest.raises(LogError, match="length"):
        SigmfAppender(stem, rate_hz=25e3, resume=True)
    out.meta_path.write_text("{")
    with pytest.raises(LogError, match="damaged"):
        SigmfAppender(stem, rate_hz=25e3, resume=True)
    with pytest.raises(LogError, match="written"):
        SigmfAppender(tmp_path / "no" / "folder", rate_hz=1e6)


def test_full_disk_leaves_whole_samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with SigmfAppender(tmp_path / "evidence", rate_hz=25e3) as out:
        out.append(IQ[:1000], center_hz=1e8, epoch_ns=EPOCH_NS)
        real = out._file

        class Full:
            closed = False

            def write(self, view: memoryview) -> int:
                real.write(view[:101])
                raise OSError(28, "No space left on device")

            def __getattr__(self, name: str) -> object:
                return getattr(real, name)

        monkeypatch.setattr(out, "_file", Full())
        with pytest.raises(LogError, match="No space"):
            out.append(IQ[:500], center_hz=1e8, epoch_ns=EPOCH_NS)
        monkeypatch.setattr(out, "_file", real)
        assert out.append(IQ[:10], center_hz=1e8, epoch_ns=EPOCH_NS + 10**10) == 1000
    judged(out.meta_path)
