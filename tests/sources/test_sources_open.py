"""Opening recordings: every format, every way in which one can be broken, and hostile octets."""

import gzip
import io
import json
import os
import resource
import struct
import tarfile
import wave
from pathlib import Path

import numpy as np
import pytest
import sigmf
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sigmf.siggen import SigMFGenerator

from earwitness.core.errors import ParameterError, SourceError
from earwitness.sources import open_source, recordings_in
from earwitness.sources.declared import centre_in_name

RATE = 48_000.0
RNG = np.random.default_rng(3)
IQ = (RNG.uniform(-0.9, 0.9, 2 * 1000).astype(np.float32)).view(np.complex64)
COMPLEX_TYPES = [f"c{n}{e}" for n in ("i8", "u8") for e in ("",)] + [
    f"c{n}_{e}" for n in ("i16", "u16", "i32", "u32", "f32", "f64") for e in ("le", "be")
]
SHARED = Path(__file__).parents[2] / ".." / "shared" / "recordings"


def check(error: SourceError) -> None:
    assert str(error)
    assert "\n" not in str(error)


def octets_of(name: str, iq: np.ndarray = IQ) -> tuple[bytes, float]:
    """Give (octets, step) of IQ stored as SigMF type `name`, by plain numpy."""
    kind, order = [*name.split("_"), "le"][:2]
    width = int(kind[2:])
    dtype = np.dtype((">" if order == "be" else "<") + kind[1] + str(width // 8))
    flat = iq.view(np.float32).astype(np.float64)
    if kind[1] == "f":
        return flat.astype(dtype).tobytes(), 1e-6
    half = 2.0 ** (width - 1)
    codes = flat * half if kind[1] == "i" else flat * (half - 0.5) + half - 0.5
    return np.round(codes).astype(dtype).tobytes(), 1 / half + 1e-6


def put(folder: Path, meta: dict, data: bytes | None, stem: str = "rec") -> Path:
    path = folder / f"{stem}.sigmf-meta"
    path.write_text(json.dumps(meta))
    if data is not None:
        (folder / f"{stem}.sigmf-data").write_bytes(data)
    return path


def plain_meta(**changes: object) -> dict:
    facts = {"core:datatype": "ci16_le", "core:sample_rate": RATE, "core:version": "1.2.0"} | changes
    captures = [{"core:sample_start": 0, "core:frequency": 1e8, "core:datetime": "2026-03-14T09:30:00.5Z"}]
    return {"global": facts, "captures": captures, "annotations": []}


DATA = octets_of("ci16_le")[0]


# SigMF


@pytest.mark.parametrize("name", COMPLEX_TYPES)
def test_sigmf_every_complex_type(tmp_path: Path, name: str) -> None:
    data, step = octets_of(name)
    source = open_source(put(tmp_path, plain_meta(**{"core:datatype": name}), data))
    (stretch,) = source.stretches
    assert (stretch.kind, stretch.rate_hz, stretch.center_hz) == ("iq", RATE, 1e8)
    assert stretch.epoch_ns == 1_773_480_600_500_000_000
    assert stretch.count == 1000
    np.testing.assert_allclose(stretch.read(0, 2000), IQ, atol=step * 1.5)
    np.testing.assert_array_equal(stretch.read(100, 50), stretch.read(0, 1000)[100:150])
    assert stretch.native(3, 4).shape == (4, 2)
    assert source.warnings == []


@pytest.mark.parametrize("name", ["ri8", "ru8", "ri16_le", "ru16_be", "ri32_be", "rf32_le", "rf64_be"])
def test_sigmf_real_types_are_audio_at_low_rates(tmp_path: Path, name: str) -> None:
    data, step = octets_of("c" + name[1:])
    meta = plain_meta(**{"core:datatype": name})
    del meta["captures"][0]["core:frequency"]
    (stretch,) = open_source(put(tmp_path, meta, data)).stretches
    assert (stretch.kind, stretch.count) == ("audio", 2000)
    got = stretch.read(0, 2000)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, IQ.view(np.float32), atol=step * 1.5)


def test_real_intermediate_frequency_becomes_iq(tmp_path: Path) -> None:
    # A real tone at 300 kHz of a 1 MS/s recording whose 0 Hz is 10 MHz lies at 10.3 MHz, once.
    rate, n = 1e6, 40_000
    tone = (0.8 * np.cos(2 * np.pi * 0.3 * np.arange(n) + 0.4)).astype("<f4")
    meta = plain_meta(**{"core:datatype": "rf32_le", "core:sample_rate": rate})
    meta["captures"][0]["core:frequency"] = 10e6
    (stretch,) = open_source(put(tmp_path, meta, tone.tobytes())).stretches
    assert (stretch.kind, stretch.rate_hz, stretch.center_hz, stretch.count) == ("iq", 5e5, 10.25e6, n // 2)
    got = stretch.read(1000, 8192)
    time = (1000 + np.arange(8192)) / 5e5
    # the quarter-rate shift starts at phase 0 with the first sample of the file
    np.testing.assert_allclose(got, 0.8 * np.exp(1j * (2 * np.pi * 50e3 * time + 0.4)), atol=2e-3)
    whole = stretch.read(0, n)
    pieces = np.concatenate([stretch.read(a, 777) for a in range(0, n // 2, 777)])
    np.testing.assert_allclose(pieces, whole, atol=1e-6)


def test_fast_real_samples_of_any_file_are_an_intermediate_frequency(tmp_path: Path) -> None:
    rate, n = 1_000_000, 40_000
    tone = np.round(20_000 * np.cos(2 * np.pi * 0.3 * np.arange(n))).astype("<i2").tobytes()
    (tmp_path / "a.wav").write_bytes(wave_bytes(tone, channels=1, rate=rate))
    (tmp_path / "a.rs16").write_bytes(tone)
    for path, more in ((tmp_path / "a.wav", {}), (tmp_path / "a.rs16", {"rate_hz": float(rate)})):
        source = open_source(path, centre_hz=10e6, **more)
        (stretch,) = source.stretches
        assert (stretch.kind, stretch.rate_hz, stretch.center_hz) == ("iq", 5e5, 10.25e6)
        assert (stretch.stored_rate_hz, stretch.stored_center_hz) == (1e6, 10e6)
        spectrum = np.abs(np.fft.fft(stretch.read(1000, 10_000)))
        assert np.fft.fftfreq(10_000, 1 / 5e5)[spectrum.argmax()] == pytest.approx(50e3, abs=60)
        assert any("intermediate" in w for w in source.warnings)


def test_recording_made_by_the_reference_library(tmp_path: Path) -> None:
    # The generator and the scaling of the sigmf library are independent of our reader.
    made = SigMFGenerator(seed=4).generate()
    made.tofile(tmp_path / "made")
    stretch = open_source(tmp_path / "made.sigmf-data").stretches[0]
    expected = sigmf.fromfile(str(tmp_path / "made.sigmf-meta")).read_samples()
    assert stretch.rate_hz == made.sample_rate
    np.testing.assert_allclose(stretch.read(0, len(expected)), expected, atol=1e-6)


def captures_of(*items: tuple[int, float | None, str | None]) -> list[dict]:
    out = []
    for start, frequency, moment in items:
        capture: dict = {"core:sample_start": start}
        if frequency is not None:
            capture["core:frequency"] = frequency
        if moment is not None:
            capture["core:datetime"] = moment
        out.append(capture)
    return out


def test_frequency_change_and_gap_make_stretches(tmp_path: Path) -> None:
    meta = plain_meta()
    meta["captures"] = captures_of(
        (0, 1e8, "2026-03-14T09:30:00Z"),
        (240, 1e8, "2026-03-14T09:30:00.005Z"),  # goes on: 240 samples are 5 ms
        (480, 1e8, "2026-03-14T09:30:02Z"),  # a gap
        (720, 1.2e8, "2026-03-14T09:30:02.005Z"),  # another frequency
    )
    source = open_source(put(tmp_path, meta, DATA))
    facts = [(s.index, s.count, s.center_hz, s.epoch_ns % 10**10) for s in source.stretches]
    second = 1_000_000_000
    assert facts == [
        (0, 480, 1e8, 0),
        (1, 240, 1e8, 2 * second),
        (2, 280, 1.2e8, 2 * second + 5_000_000),
    ]
    np.testing.assert_allclose(source.stretches[1].read(0, 240), IQ[480:720], atol=1e-4)


def test_global_index_shows_lost_samples(tmp_path: Path) -> None:
    # SigMF specification 1.2, core:global_index: "indicating that 500 samples were lost".
    meta = plain_meta()
    meta["captures"] = captures_of((0, 1e8, "2026-03-14T09:30:00Z"), (500, 1e8, None))
    meta["captures"][0]["core:global_index"] = 0
    meta["captures"][1]["core:global_index"] = 1000
    source = open_source(put(tmp_path, meta, DATA))
    assert [s.count for s in source.stretches] == [500, 500]
    lost_ns = round(500 / RATE * 1e9)
    first, second = source.stretches
    assert second.epoch_ns - first.epoch_ns == pytest.approx(round(500 / RATE * 1e9) + lost_ns, abs=2)


def test_non_conforming_dataset_with_headers(tmp_path: Path) -> None:
    # SigMF specification 1.2, core:header_bytes: its example of two chunks with 4-octet headers.
    cu8 = octets_of("cu8")[0]
    (tmp_path / "chunks.dat").write_bytes(b"HEAD" + cu8[:1000] + b"HEAD" + cu8[1000:2000] + b"TRAILER")
    meta = plain_meta(**{"core:datatype": "cu8", "core:dataset": "chunks.dat", "core:trailing_bytes": 7})
    meta["captures"] = [
        {"core:sample_start": 0, "core:header_bytes": 4, "core:frequency": 1e8},
        {"core:sample_start": 500, "core:header_bytes": 4},
    ]
    source = open_source(put(tmp_path, meta, None))
    assert [s.count for s in source.stretches] == [500, 500]
    joined = np.concatenate([s.read(0, 500) for s in source.stretches])
    np.testing.assert_allclose(joined, IQ, atol=0.01)


def test_offset_counts_from_another_file(tmp_path: Path) -> None:
    meta = plain_meta(**{"core:offset": 7000})
    meta["captures"][0]["core:sample_start"] = 7000
    assert open_source(put(tmp_path, meta, DATA)).stretches[0].count == 1000


def test_only_the_first_of_several_channels(tmp_path: Path) -> None:
    both = np.stack([IQ, np.zeros_like(IQ)], axis=1).reshape(-1)
    meta = plain_meta(**{"core:num_channels": 2})
    source = open_source(put(tmp_path, meta, octets_of("ci16_le", both)[0]))
    np.testing.assert_allclose(source.stretches[0].read(0, 1000), IQ, atol=1e-4)
    assert any("2 channels" in w for w in source.warnings)


def test_wrong_hash_is_only_a_warning(tmp_path: Path) -> None:
    source = open_source(put(tmp_path, plain_meta(**{"core:sha512": "0" * 128}), DATA))
    assert source.facts["sha512"] == "wrong"
    assert any("sha512" in w for w in source.warnings)


def archive_of(*members: tuple[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        for name, body in members:
            info = tarfile.TarInfo(name)
            info.size = len(body)
            archive.addfile(info, io.BytesIO(body))
    return buffer.getvalue()


ARCHIVE = archive_of(("rec/rec.sigmf-meta", json.dumps(plain_meta()).encode()), ("rec/rec.sigmf-data", DATA))


def test_archive_is_read_in_place(tmp_path: Path) -> None:
    path = tmp_path / "rec.sigmf"
    path.write_bytes(ARCHIVE)
    (stretch,) = open_source(path).stretches
    np.testing.assert_allclose(stretch.read(0, 1000), IQ, atol=1e-4)
    made = SigMFGenerator(seed=5).generate()
    made.archive(str(tmp_path / "theirs.sigmf"))
    theirs = open_source(tmp_path / "theirs.sigmf").stretches[0]
    np.testing.assert_allclose(theirs.read(0, theirs.count), made.read_samples(), atol=1e-6)


def test_archive_that_cannot_be_used(tmp_path: Path) -> None:
    path = tmp_path / "rec.sigmf"
    for body, word in (
        (gzip.compress(ARCHIVE), "gzip"),
        (b"nonsense" * 100, "archive"),
        (b"", "archive|meta"),
        (archive_of(("a.sigmf-meta", json.dumps(plain_meta()).encode())), "dataset"),
        (archive_of(("a.txt", b"hello")), "sigmf-meta"),
    ):
        path.write_bytes(body)
        with pytest.raises(SourceError, match=word):
            open_source(path)
    path.write_bytes(ARCHIVE[: ARCHIVE.index(DATA[:64]) + 2000])
    source = open_source(path)
    assert source.stretches[0].count == 500
    assert any("cut short" in w for w in source.warnings)


def test_collection_names_its_recordings(tmp_path: Path) -> None:
    # SigMF 1.2, "SigMF Collection": core:streams lists objects with name and hash; a list of pairs before
    path = tmp_path / "night.sigmf-collection"
    for streams in ([{"name": "a", "hash": "0"}, {"name": "b", "hash": "1"}], [["a", "0"], ["b", "1"]]):
        path.write_text(json.dumps({"collection": {"core:version": "1.2.0", "core:streams": streams}}))
        assert recordings_in(path) == [tmp_path / "a.sigmf-meta", tmp_path / "b.sigmf-meta"]
    assert recordings_in("x.wav") == ["x.wav"]
    for bad in ("", "[]", "{", '{"collection": {"core:streams": []}}', '{"collection": {"core:streams": [7]}}',
                '{"collection": {"core:streams": [{"name": "../../etc/passwd"}]}}'):  # fmt: skip
        path.write_text(bad)
        with pytest.raises(SourceError, match="night"):
            recordings_in(path)
    os.mkfifo(tmp_path / "pipe.sigmf-collection")
    with pytest.raises(SourceError, match="regular"):
        recordings_in(tmp_path / "pipe.sigmf-collection")


@pytest.mark.parametrize(
    ("meta", "word"),
    [
        ("{", "JSON"),
        ("[]", "global"),
        ('{"global": 3}', "global"),
        ("[" * 200_000, "JSON"),
        ('{"global": {}, "captures": []}', "sample-type"),
        ('{"global": {"core:datatype": "cu8"}, "captures": []}', "--rate"),
        ('{"global": {"core:datatype": "cu9", "core:sample_rate": 1e6}, "captures": []}', "sample type"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": NaN}}', "100 and 2.5e8"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": 0}}', "100 and 2.5e8"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": -48000}}', "100 and 2.5e8"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": 1e11}}', "100 and 2.5e8"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": 1e-3}}', "100 and 2.5e8"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": "fast"}}', "no number"),
        ('{"global": {"core:datatype": "cu8", "core:sample_rate": %s}}' % ("9" * 400), "huge"),
        ('{"global": {"core:dataset": "../../secret", "core:datatype": "cu8"}}', "beside"),
    ],
)
def test_metadata_that_cannot_be_used(tmp_path: Path, meta: str, word: str) -> None:
    (tmp_path / "rec.sigmf-meta").write_text(meta)
    (tmp_path / "rec.sigmf-data").write_bytes(DATA)
    with pytest.raises(SourceError, match=word) as caught:
        open_source(tmp_path / "rec.sigmf-meta")
    assert "\n" not in str(caught.value)


def test_strange_metadata_is_a_warning(tmp_path: Path) -> None:
    meta = plain_meta(**{"core:hw": "dongle\x1b[2J"})
    meta["captures"] = [
        {"core:sample_start": 500, "core:frequency": 2e8, "core:datetime": "yesterday"},
        {"core:sample_start": 0, "core:frequency": "much", "core:datetime": "9999-01-01T00:00:00Z"},
        {"core:sample_start": -4},
        {"core:sample_start": 10**30},
        {},
    ]
    source = open_source(put(tmp_path, meta, DATA), centre_hz=1e8)
    assert [s.count for s in source.stretches] == [1000]
    words = " / ".join(source.warnings)
    for word in ("conform", "sorted", "no frequency", "no time", "left out"):
        assert word in words
    assert "\x1b" not in source.facts["hw"]


def test_missing_halves(tmp_path: Path) -> None:
    path = put(tmp_path, plain_meta(), None)
    with pytest.raises(SourceError, match=r"no rec\.sigmf-data"):
        open_source(path)
    path.unlink()
    (tmp_path / "rec.sigmf-data").write_bytes(DATA)
    with pytest.raises(SourceError, match=r"no rec\.sigmf-meta"):
        open_source(tmp_path / "rec.sigmf-data")
    declared = open_source(tmp_path / "rec.sigmf-data", rate_hz=RATE, centre_hz=5e6, sample_type="cs16")
    assert declared.stretches[0].count == 1000


def test_samples_with_metadata_beside_them_are_not_another_recording(tmp_path: Path) -> None:
    path = put(tmp_path, plain_meta(), DATA)
    data = path.with_suffix(".sigmf-data")
    whole = open_source(path)
    centre_hz = whole.stretches[0].center_hz
    for options in ({}, {"rate_hz": RATE}, {"rate_hz": RATE, "centre_hz": centre_hz, "sample_type": "cs16"}):
        assert open_source(data, **options).content_id == whole.content_id
        assert open_source(path, **options).content_id == whole.content_id
    for options in ({"rate_hz": 2 * RATE}, {"centre_hz": 1.0}, {"sample_type": "cu8"}):
        with pytest.raises(SourceError, match=r"metadata beside it.*rec\.sigmf-meta"):
            open_source(data, **options)
        assert open_source(path, **options).warnings  # who means it says so
    meta = plain_meta()
    del meta["global"]["core:sample_rate"]
    put(tmp_path, meta, DATA)
    assert open_source(data, rate_hz=RATE).stretches[0].rate_hz == RATE


def test_dataset_shorter_than_its_captures(tmp_path: Path) -> None:
    meta = plain_meta()
    meta["captures"] = captures_of((0, 1e8, "2026-03-14T09:30:00Z"), (5000, 2e8, None))
    source = open_source(put(tmp_path, meta, DATA[:-1]))
    assert [s.count for s in source.stretches] == [999]
    assert any("cut short" in w for w in source.warnings)


# WAVE and FLAC


def wave_bytes(
    body: bytes,
    *,
    tag: int = 1,
    bits: int = 16,
    channels: int = 2,
    rate: int = 48_000,
    head: bytes = b"RIFF",
    frame: int = 0,
) -> bytes:
    """Give a WAVE file with a chunk of an unknown kind and odd length before the samples."""
    frame = frame or channels * bits // 8
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits)
    chunks = b"fmt " + struct.pack("<I", len(form)) + form + b"auxi" + struct.pack("<I", 5) + b"abcde\0"
    return (
        head
        + struct.pack("<I", 4 + len(chunks) + 8 + len(body))
        + b"WAVE"
        + chunks
        + b"data"
        + (struct.pack("<I", len(body)) + body)
    )


@pytest.mark.parametrize(
    ("subtype", "step"),
    [("PCM_U8", 1 / 64), ("PCM_16", 1e-4), ("PCM_24", 1e-6), ("PCM_32", 1e-6), ("FLOAT", 1e-6)],
)
@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
def test_wave_written_by_a_reference_library(tmp_path: Path, subtype: str, step: float, form: str) -> None:
    path = tmp_path / "band_145500000Hz.wav"
    soundfile.write(path, IQ.view(np.float32).reshape(-1, 2), 192_000, subtype=subtype, format=form)
    source = open_source(path, start="2026-03-14T09:30:00Z")
    (stretch,) = source.stretches
    assert (stretch.kind, stretch.rate_hz, stretch.center_hz) == ("iq", 192_000, 145.5e6)
    np.testing.assert_allclose(stretch.read(0, 1000), IQ, atol=step)
    assert source.warnings == ["centre frequency 145500000 Hz was taken from the file name"]


@pytest.mark.parametrize("form", ["WAV", "FLAC"])
def test_one_channel_is_audio(tmp_path: Path, form: str) -> None:
    path = tmp_path / ("tone." + form.lower())
    tone = (0.5 * np.sin(np.arange(5000) / 7)).astype(np.float32)
    soundfile.write(path, tone, 16_000, format=form)
    (stretch,) = open_source(path).stretches
    assert (stretch.kind, stretch.count, stretch.rate_hz) == ("audio", 5000, 16_000)
    np.testing.assert_allclose(stretch.read(1234, 100), tone[1234:1334], atol=1e-4)
    joined = np.concatenate([block.data for block in stretch.blocks(333)])
    np.testing.assert_allclose(joined, tone, atol=1e-4)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_stereo_flac_is_iq(tmp_path: Path, subtype: str) -> None:
    path = tmp_path / "band 7.1MHz.flac"
    soundfile.write(path, IQ.view(np.float32).reshape(-1, 2), 96_000, subtype=subtype)
    (stretch,) = open_source(path).stretches
    assert (stretch.kind, stretch.center_hz) == ("iq", 7.1e6)
    np.testing.assert_allclose(stretch.read(10, 900), IQ[10:910], atol=1e-4)


def test_wave_by_the_standard_library(tmp_path: Path) -> None:
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(48_000)
        file.writeframes(DATA)
    np.testing.assert_allclose(open_source(tmp_path / "a.wav").stretches[0].read(0, 1000), IQ, atol=1e-4)


def test_big_wave_sizes(tmp_path: Path) -> None:
    # ITU-R BS.2088: ds64 carries the sizes when the 32-bit fields hold FFFFFFFF.
    body = wave_bytes(DATA)
    plain = body.replace(b"data" + struct.pack("<I", len(DATA)), b"data\xff\xff\xff\xff")
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, len(body) + 36, len(DATA) - 400, 0, 0)
    path = tmp_path / "big.wav"
    path.write_bytes(b"BW64" + b"\xff" * 4 + b"WAVE" + ds64 + plain[12:])
    assert open_source(path).stretches[0].count == 900


@pytest.mark.parametrize("stated", [0, 0xFFFFFFFF, 10**9])
def test_wave_of_a_recorder_that_was_killed(tmp_path: Path, stated: int) -> None:
    body = wave_bytes(DATA).replace(
        b"data" + struct.pack("<I", len(DATA)), b"data" + struct.pack("<I", stated)
    )
    (tmp_path / "a.wav").write_bytes(body)
    source = open_source(tmp_path / "a.wav")
    assert source.stretches[0].count == 1000
    assert any("cut" in w for w in source.warnings)


def test_wave_whose_header_was_written_long_before_its_end(tmp_path: Path) -> None:
    long = DATA * 3
    stale = wave_bytes(long).replace(b"data" + struct.pack("<I", len(long)), b"data" + struct.pack("<I", 8))
    (tmp_path / "a.wav").write_bytes(stale)
    source = open_source(tmp_path / "a.wav")
    assert source.stretches[0].count == 3000
    assert any("beyond" in w for w in source.warnings)
    # chunks after the samples are none of them, nor is a little padding
    for after in (b"LIST" + struct.pack("<I", 9000) + bytes(9000), bytes(1000)):
        (tmp_path / "b.wav").write_bytes(wave_bytes(DATA) + after)
        assert open_source(tmp_path / "b.wav").stretches[0].count == 1000


def test_wave_of_more_than_four_gigabytes_whose_length_ran_over(tmp_path: Path) -> None:
    # RIFF lengths have 32 bits: a recorder that does not mind writes what is left of them
    path = tmp_path / "long.wav"
    head = wave_bytes(b"")[:-4]
    path.write_bytes(head + struct.pack("<I", 4000) + DATA)
    try:
        os.truncate(path, len(head) + 4 + 4000 + (1 << 32))
    except OSError:
        pytest.skip("this disk has no sparse files")
    source = open_source(path)
    assert source.stretches[0].count == 1000 + (1 << 30)
    assert any("4 GiB" in w for w in source.warnings)


def test_wave_of_24_bits_in_words_of_32(tmp_path: Path) -> None:
    # RIFF/WAVE (1991), "Data Packing for PCM": left-justified in the container that nBlockAlign gives (from memory)
    words = np.round(IQ.view(np.float32).astype(float) * 2**23).astype("<i4") << 8
    (tmp_path / "a.wav").write_bytes(wave_bytes(words.tobytes(), bits=24, frame=8))
    source = open_source(tmp_path / "a.wav")
    np.testing.assert_allclose(source.stretches[0].read(0, 1000), IQ, atol=1e-6)


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (wave_bytes(DATA, tag=85), "format 85"),
        (wave_bytes(DATA, channels=5), "5 channels"),
        (wave_bytes(DATA, channels=0), "0 channels"),
        (wave_bytes(DATA, bits=12), "12 bits"),
        (wave_bytes(DATA, rate=0), "rate"),
        (wave_bytes(b""), "no samples"),
        (wave_bytes(DATA)[:30], "cut short|damaged"),
        (b"RIFX" + wave_bytes(DATA)[4:], "does not begin"),
        (b"\0" * 5000, "does not begin"),
    ],
)
def test_wave_that_cannot_be_used(tmp_path: Path, body: bytes, word: str) -> None:
    (tmp_path / "a.wav").write_bytes(body)
    with pytest.raises(SourceError, match=word):
        open_source(tmp_path / "a.wav")


def test_headers_cut_at_every_length(tmp_path: Path) -> None:
    """Nothing but SourceError, and never more samples than there are."""
    soundfile.write(tmp_path / "whole.flac", IQ.view(np.float32).reshape(-1, 2), 96_000)
    meta = json.dumps(plain_meta()).encode()
    flac = (tmp_path / "whole.flac").read_bytes()
    for suffix, body, upto in (
        (".wav", wave_bytes(DATA), 120),
        (".flac", flac, 120),
        (".sigmf", ARCHIVE, 2100),
        (".sigmf-meta", meta, len(meta)),
    ):
        path = tmp_path / f"cut{suffix}"
        for length in range(0, upto, 1 if upto < 1000 else 7):
            path.write_bytes(body[:length])
            try:
                source = open_source(path)
                for stretch in source.stretches:
                    assert len(stretch.read(0, 1000)) <= max(length // 4, 1)
            except SourceError as error:
                check(error)


# raw


@pytest.mark.parametrize(
    "name", ["cu8", "cs8", "ci8", "cu16", "cs16", "ci16", "cs32", "cf32", "cf64", "cs16_be"]
)
def test_raw_types(tmp_path: Path, name: str) -> None:
    data, step = octets_of(name.replace("s", "i"))
    path = tmp_path / "band.raw"
    path.write_bytes(data)
    source = open_source(path, rate_hz=2.4e6, centre_hz=162e6, sample_type=name, start="2026-01-01T00:00:00Z")
    assert source.warnings == []
    np.testing.assert_allclose(source.stretches[0].read(0, 1000), IQ, atol=step * 1.5)


def test_type_from_the_suffix_and_time_from_the_name(tmp_path: Path) -> None:
    path = tmp_path / "20260314_093000Z_146.52MHz.cs16"
    path.write_bytes(DATA)
    source = open_source(path, rate_hz=1e6)
    assert (source.stretches[0].center_hz, source.stretches[0].epoch_ns) == (146.52e6, 1_773_480_600 * 10**9)
    assert len(source.warnings) == 2


@pytest.mark.parametrize(
    "name", ["band_cs16_162MHz.raw", "evening-CS16.iq", "cs16 tuesday.bin", "cs16.le.dat"]
)
def test_type_that_stands_in_the_name(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(DATA)
    source = open_source(tmp_path / name, rate_hz=1e6)
    assert source.stretches[0].sample_type == "ci16_le"
    assert any("ci16_le was taken from the file name" in w for w in source.warnings)


@pytest.mark.parametrize("name", ["cs16_or_cu8.raw", "bcs16.raw", "cs161.raw", "cf16.raw", "plain.raw"])
def test_names_that_do_not_tell_the_type(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(DATA)
    with pytest.raises(SourceError, match="--sample-type"):
        open_source(tmp_path / name, rate_hz=1e6)


@pytest.mark.parametrize(
    ("name", "hz"),
    [
        ("x_145500000Hz.wav", 145.5e6),
        ("x 7.100 MHz.raw", 7.1e6),
        ("518khz.wav", 518e3),
        ("1.09GHz.bin", 1.09e9),
        ("a_100MHz_at_2MHz.raw", None),
        ("plain.raw", None),
        ("3.4.5MHzx.raw", None),
    ],
)
def test_centre_in_a_name(name: str, hz: float | None) -> None:
    assert centre_in_name(name) == hz


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({}, "--rate"),
        ({"rate_hz": 1e6}, "--sample-type"),
        ({"sample_type": "cu8"}, "--rate"),
        ({"rate_hz": 0, "sample_type": "cu8"}, "100 and 2.5e8"),
        ({"rate_hz": float("nan"), "sample_type": "cu8"}, "100 and 2.5e8"),
        ({"rate_hz": 1e12, "sample_type": "cu8"}, "100 and 2.5e8"),
        ({"rate_hz": 1e6, "sample_type": "cu9"}, "use one of"),
        ({"rate_hz": 1e6, "sample_type": "cu8", "centre_hz": float("inf")}, "centre"),
        ({"rate_hz": 1e6, "sample_type": "cu8", "start": "noon"}, "2026-11-25T08:30:00Z"),
        ({"rate_hz": 1e6, "sample_type": "cu8", "start": "2999-01-01T00:00:00Z"}, "1970"),
    ],
)
def test_declarations_that_do_not_do(tmp_path: Path, given: dict, word: str) -> None:
    (tmp_path / "band.raw").write_bytes(DATA)
    with pytest.raises(SourceError, match=word):
        open_source(tmp_path / "band.raw", **given)


def test_paths_that_are_no_recording(tmp_path: Path) -> None:
    for path, word in (
        (tmp_path, "folder"),
        (tmp_path / "missing.wav", "no file"),
        ("a\0b.wav", "opened|no file"),
        ("x" * 5000, "opened|no file"),
        ("/dev/null", "regular"),
    ):
        with pytest.raises(SourceError, match=word):
            open_source(path, rate_hz=1e6, sample_type="cu8")
    (tmp_path / "empty.cu8").write_bytes(b"")
    with pytest.raises(SourceError, match="empty"):
        open_source(tmp_path / "empty.cu8", rate_hz=1e6)
    (tmp_path / "one.cs16").write_bytes(b"abc")
    with pytest.raises(SourceError, match="no samples"):
        open_source(tmp_path / "one.cs16", rate_hz=1e6)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "a.cu8"
    path.write_bytes(DATA)
    path.chmod(0)
    with pytest.raises(SourceError, match="cannot be read"):
        open_source(path, rate_hz=1e6)


def test_odd_length_all_zero_and_wrong_type(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(bytes(4001))
    source = open_source(path, rate_hz=1e6, sample_type="cs16", centre_hz=1e6)
    assert source.stretches[0].count == 1000
    words = " / ".join(source.warnings)
    assert "incomplete" in words
    assert "nothing was recorded" in words
    path.write_bytes(RNG.integers(0, 256, 4000).astype(np.uint8).tobytes())
    source = open_source(path, rate_hz=1e6, sample_type="cf32", centre_hz=1e6)
    assert any("sample type right" in w for w in source.warnings)


def test_no_numbers_are_counted(tmp_path: Path) -> None:
    values = IQ.copy()
    values[10] = np.nan
    values[20] = np.inf
    path = tmp_path / "a.cf32"
    path.write_bytes(values.tobytes())
    source = open_source(path, rate_hz=1e6)
    stretch = source.stretches[0]
    assert stretch.bad_samples == 0
    got = stretch.read(0, 1000)
    assert stretch.bad_samples == 2
    assert got[10] == got[20] == 0
    assert np.isfinite(got).all()
    assert any("not numbers" in w for w in source.warnings)


def test_file_that_shrinks_gives_what_is_left(tmp_path: Path) -> None:
    path = tmp_path / "a.cu8"
    path.write_bytes(octets_of("cu8")[0])
    stretch = open_source(path, rate_hz=1e6).stretches[0]
    os.truncate(path, 600)
    assert len(stretch.read(0, 1000)) == 300
    assert sum(len(block.data) for block in stretch.blocks(128)) == 300


def test_reading_outside(tmp_path: Path) -> None:
    path = tmp_path / "a.cu8"
    path.write_bytes(octets_of("cu8")[0])
    stretch = open_source(path, rate_hz=1e6).stretches[0]
    assert len(stretch.read(990, 100)) == 10
    assert len(stretch.read(10**15, 100)) == 0
    for start, count in ((-1, 5), (0, -1), (0, 10**12)):
        with pytest.raises(ParameterError):
            stretch.read(start, count)


def test_twenty_gigabytes_in_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "long.cu8"
    with open(path, "wb") as file:
        try:
            file.truncate(20 << 30)
        except OSError:
            pytest.skip("this disk has no sparse files")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    source = open_source(path, rate_hz=2.4e6, centre_hz=1e8)
    stretch = source.stretches[0]
    assert stretch.count == 10 << 30
    assert stretch.read(stretch.count - 5, 100).shape == (5,)
    for n, block in enumerate(stretch.blocks(1 << 18)):
        if n == 100:
            assert block.time_ns() - stretch.epoch_ns == (100 << 18) * 10**9 // 2_400_000
            break
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 60_000  # KiB


def test_content_id(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    one = open_source(put(tmp_path / "a", plain_meta(), DATA)).content_id
    again = plain_meta()
    again["annotations"] = [{"core:sample_start": 0, "core:label": "someone wrote here"}]
    assert open_source(put(tmp_path, again, DATA)).content_id == one
    assert open_source(put(tmp_path, plain_meta(), DATA[:-4] + b"\0\0\0\1")).content_id != one
    assert open_source(put(tmp_path, plain_meta(**{"core:sample_rate": 96e3}), DATA)).content_id != one
    (tmp_path / "a.cu8").write_bytes(DATA)
    raw = open_source(tmp_path / "a.cu8", rate_hz=1e6).content_id
    os.utime(tmp_path / "a.cu8", (1, 1_000_000_000))
    assert open_source(tmp_path / "a.cu8", rate_hz=1e6).content_id == raw


# hostile octets

SMALL = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def try_open(path: Path, **given: object) -> None:
    try:
        source = open_source(path, **given)
        for stretch in source.stretches[:3]:
            stretch.read(0, 5000)
            stretch.read(max(stretch.count - 3, 0), 5000)
            next(iter(stretch.blocks(100)), None)
    except SourceError as error:
        check(error)


@SMALL
@given(
    st.sampled_from([".wav", ".flac", ".sigmf", ".sigmf-meta", ".cu8", ".cf64", ".xyz"]),
    st.binary(max_size=600),
)
def test_random_octets(tmp_path: Path, suffix: str, body: bytes) -> None:
    path = tmp_path / f"a{suffix}"
    path.write_bytes(body)
    (tmp_path / "a.sigmf-data").write_bytes(DATA)
    try_open(path, rate_hz=1e6)


@SMALL
@given(st.integers(0, 2), st.lists(st.tuples(st.integers(0, 600), st.integers(0, 255)), max_size=8))
def test_damaged_headers(tmp_path: Path, which: int, changes: list[tuple[int, int]]) -> None:
    flac = tmp_path / "good.flac"
    if not flac.exists():
        soundfile.write(flac, IQ.view(np.float32).reshape(-1, 2), 96_000)
    suffix, body = ((".wav", wave_bytes(DATA)), (".flac", flac.read_bytes()), (".sigmf", ARCHIVE))[which]
    damaged = bytearray(body)
    for at, value in changes:
        damaged[at % len(damaged)] = value
    path = tmp_path / f"b{suffix}"
    path.write_bytes(damaged)
    try_open(path)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
CORE = [
    "datatype",
    "sample_rate",
    "num_channels",
    "offset",
    "trailing_bytes",
    "dataset",
    "sha512",
    "hw",
    "version",
]
CAPTURE = ["sample_start", "frequency", "datetime", "header_bytes", "global_index"]


@SMALL
@given(
    st.dictionaries(st.sampled_from([f"core:{key}" for key in CORE]), JSON, max_size=4),
    st.lists(st.dictionaries(st.sampled_from([f"core:{key}" for key in CAPTURE]), JSON), max_size=4),
)
def test_random_metadata(tmp_path: Path, facts: dict, captures: list[dict]) -> None:
    meta = plain_meta(**facts)
    meta["captures"] = captures
    try_open(put(tmp_path, meta, DATA))


# independent recordings


def test_independent_recording_has_its_stated_offset() -> None:
    folder = SHARED / "independent"
    if not folder.is_dir():
        pytest.skip("the shared recordings are not here")
    source = open_source(folder / "vhf_air.sigmf-meta")
    truth = json.loads((folder / "vhf_air.truth.json").read_text())
    stretch = source.stretches[0]
    assert source.facts["sha512"] == "checked"
    assert (stretch.rate_hz, stretch.center_hz) == (truth["sample_rate"], truth["center_hz"])
    mean = np.mean([block.data.mean() for block in stretch.blocks()])
    i, q = (code / 127.5 for code in truth["receiver"]["dc_lsb8"])
    assert abs(mean - complex(i, q)) < 1e-4


def test_a_damaged_flac_is_read_up_to_the_damage(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    samples = (0.1 * rng.standard_normal((48_000, 2))).astype(np.float32)
    whole = tmp_path / "whole 7.1MHz.flac"
    soundfile.write(whole, samples, 96_000)
    body = whole.read_bytes()
    torn = bytearray(body)
    torn[len(body) // 3 : len(body) // 3 + 3000] = rng.bytes(3000)
    for octets, least in ((body[: len(body) // 2], 15_000), (bytes(torn), 10_000)):
        path = tmp_path / "hurt 7.1MHz.flac"
        path.write_bytes(octets)
        source = open_source(path)
        (stretch,) = source.stretches
        assert least <= stretch.count < 48_000
        assert any("damaged or was cut short" in warning for warning in source.warnings)
        assert len(stretch.read(0, stretch.count)) == stretch.count
        assert stretch.read(0, 1000) == pytest.approx(samples[:1000].view(np.complex64)[:, 0], abs=1e-4)


def test_an_empty_name_is_said(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="empty"):
        open_source("")
