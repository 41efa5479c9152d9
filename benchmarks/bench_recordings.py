"""Surveys the recordings of independent transmitters and scores the log against their truth.

Needs the folder of shared recordings beside the project; says so and ends when it is absent.
Usage: python benchmarks/bench_recordings.py [NAME ...]
"""

import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from earwitness.core.times import parse_time
from earwitness.log.store import Log
from earwitness.station.run import survey_file

FOLDER = Path(__file__).parents[1] / ".." / "shared" / "recordings" / "independent"
VOICE = {"nfm": "fm", "am": "am", "ssb": "ssb"}


def seconds(text, epoch_ns):
    return (parse_time(text) - epoch_ns) / 1e9


def squeezed(text):
    return " ".join(str(text).split())


def sent(mode, message):
    """What makes a sent message the same as a heard one, as its truth file states it; None if it does not."""
    if mode == "acars":
        return (
            mode,
            message["registration"].strip("."),
            message["label"].replace("\x7f", "d"),
            message["text"],
        )
    if mode == "ax25":
        return mode, message["frame_hex"][:-4].upper()  # without its check sequence
    if mode == "dsc":
        return mode, tuple(message["symbols"])
    if mode == "navtex":
        return mode, message["station"] + message["subject"], message["number"], squeezed(message["text"])
    if mode == "cw":
        return "morse", squeezed(message["text"])
    payload = message.get("payload_hex") or message.get("hex")
    return (mode, payload.upper()) if payload else None


def heard(row):
    """The same of a logged message."""
    mode, fields = row["mode"], row["fields"]
    if mode == "acars":
        return mode, fields["registration"], fields["label"], fields["text"] or ""
    if mode == "dsc":
        return mode, tuple(fields["symbols"])
    if mode == "navtex":
        name = fields["station"] + fields["subject_indicator"]
        return mode, name, int(fields["serial"]), squeezed(fields["text"])
    if mode == "morse":
        return mode, squeezed(fields["text"])
    return mode, row["payload_hex"]


def score(name, folder):
    truth = json.loads((FOLDER / f"{name}.truth.json").read_text())
    epoch_ns = parse_time(truth["start"])
    began = time.monotonic()
    survey_file(str(FOLDER / f"{name}.sigmf-meta"), folder / name)
    took = time.monotonic() - began
    with Log.open(folder / name) as log:
        emissions = [row for row in log.emissions() if row["artefact"] is None]
        messages, overs = list(log.messages()), list(log.overs())
    print(f"\n{name}: {len(truth['emissions'])} true emissions; {len(emissions)} logged, "
          f"{len(messages)} messages, {len(overs)} overs; {truth['duration_s'] / took:.1f} x real time")  # fmt: skip
    got = [heard(row) for row in messages]
    left = Counter(got)  # what was sent n times has to be logged n times
    known, missed, wanted = set(), [], 0
    for emission in truth["emissions"]:
        for message in emission["messages"]:
            key = sent(emission["mode"], message)
            if key is None:
                continue
            known.add(key)
            found = left[key] > 0
            left[key] -= found
            if emission.get("cut_at_end") or message.get("repeat"):
                continue
            wanted += 1
            if not found:
                missed.append(
                    (emission["mode"], emission["snr_db"], emission.get("overlaps"), message.get("df"), key)
                )
    false = [row for row, key in zip(messages, got, strict=True) if key not in known]
    print(f"  messages: {wanted - len(missed)} of {wanted}; logged but not in the truth: {len(false)}")
    for item in missed[:40]:
        print("   missed", *item)
    for row in false[:10]:
        print("   not in truth", row["mode"], row["kind"], heard(row), row["check"], row["snr_db"])
    used = set()
    for emission in truth["emissions"]:
        low, high = emission["band_in_file_hz"]
        hits = [
            row
            for row in emissions
            if low <= row["frequency_hz"] <= high
            and seconds(row["start"], epoch_ns) < emission["t_stop"]
            and seconds(row["stop"], epoch_ns) > emission["t_start"]
        ]
        used |= {row["id"] for row in hits}
        if not hits:
            print(f"   emission missed: {emission['mode']} {emission['t_start']:.3f} s {emission['freq_in_file_hz']:.0f} Hz"
                  f" {emission['snr_db']} dB")  # fmt: skip
        elif emission["mode"] not in ("mode-s", "ais"):
            best = min(hits, key=lambda row: abs(row["frequency_hz"] - emission["freq_in_file_hz"]))
            error = best["frequency_hz"] - emission["freq_in_file_hz"]
            density = best["snr_db"] + 10 * __import__("math").log10(best["occupied_bandwidth_hz"] or 1)
            tone = next((over["tone"] for over in overs if over["emission_id"] == best["id"]), None)
            print(f"   {emission['mode']:7} -> {best['class']}/{best['mode']} {best['confidence'] or 0:.2f} "
                  f"df {error:+.0f} Hz, dt {seconds(best['start'], epoch_ns) - emission['t_start']:+.3f}"
                  f"/{seconds(best['stop'], epoch_ns) - emission['t_stop']:+.3f} s, "
                  f"C/N0 {density - emission['cn0_dbhz']:+.1f} dB, hits {len(hits)}, {best['designator']}, {tone}")  # fmt: skip
    for row in emissions:
        if row["id"] not in used:
            print(f"   false emission: {seconds(row['start'], epoch_ns):.3f}-{seconds(row['stop'], epoch_ns):.3f} s "
                  f"{row['frequency_hz']:.0f} Hz {row['class']} snr {row['snr_db']:.1f} n {row['burst_count']}")  # fmt: skip


def main():
    if not FOLDER.is_dir():
        print("the shared recordings are not here; nothing to score")
        return
    names = sys.argv[1:] or sorted(
        path.name.removesuffix(".truth.json") for path in FOLDER.glob("*.truth.json")
    )
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            score(name, Path(folder))


if __name__ == "__main__":
    main()
