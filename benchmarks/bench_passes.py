"""Passes: how true, how quick, how often a hint is wrong. Prints ours, the limit or the yardstick, the ratio."""

from __future__ import annotations

import itertools
import sys
import time
from dataclasses import replace
from importlib.resources import files

import numpy as np

from earwitness.core.times import parse_time
from earwitness.orbit.doppler import follow, predicted_hz
from earwitness.orbit.elements import Elements, checked, read_elements
from earwitness.orbit.passes import Horizon, find_passes
from earwitness.orbit.swath import Swath, scan_of
from earwitness.orbit.track import Site, Track, trust
from earwitness.station.config import Antenna, Receiver, Satellite
from earwitness.station.passes import Planned, assign

EPOCH = parse_time("2026-11-25T00:00:00Z")
DAY_NS = 86_400_000_000_000
LANTERN = checked(Elements("LANTERN 2", 90001, "", EPOCH, 98.7, 100.0, 0.001, 90.0, 270.0, 14.2, 1e-4))
SITE = Site(50.0, 4.0, 30.0)
F_HZ = 137.9e6


def say(what: str, ours: str, limit: str, ratio: str = "") -> None:
    sys.stdout.write(f"{what:<62} {ours:>16} {limit:>26} {ratio:>8}\n")


def propagation() -> None:
    """Published states (AIAA 2006-6753) against what our reader and propagation give."""
    states: dict[int, list[list[float]]] = {}
    number = 0
    for line in files("sgp4").joinpath("tcppver.out").read_text().splitlines():
        words = line.split()
        if len(words) == 2 and words[1] == "xx":
            number = int(words[0])
        elif len(words) >= 7:
            states.setdefault(number, []).append([float(word) for word in words[:7]])
    lines = [
        t[:69]
        for t in files("sgp4").joinpath("SGP4-VER.TLE").read_text().splitlines()
        if t[:2] in ("1 ", "2 ")
    ]
    worst = count = 0.0
    for item in read_elements("\n".join(lines)).elements:
        for minutes, *state in states[item.number]:
            r, _ = Track(item).teme(np.array([item.epoch_ns + round(minutes * 60e9)]))
            if np.isfinite(r).all():
                worst, count = max(worst, float(np.abs(r[0] / 1000 - state[:3]).max())), count + 1
    say(
        f"SGP4, {count:.0f} published states: worst position",
        f"{worst * 1e6:.2f} mm",
        "7 mm (a microsecond)",
        f"{worst * 1e6 / 7:.2f}",
    )


def rise_and_set() -> None:
    """Rise and set against looks every 10 ms around them, over ten days."""
    mask = Horizon(((0.0, 3.0), (90.0, 12.0), (180.0, 1.0), (270.0, 5.0)))
    worst = 0.0
    found = [p for p in find_passes(LANTERN, SITE, EPOCH, EPOCH + 10 * DAY_NS, horizon=mask) if p.whole]
    track = Track(LANTERN)
    for one in found:
        for at in (one.aos, one.los):
            times = at.time_ns + np.arange(-500, 501) * 10_000_000
            look = track.look(SITE, times)
            up = look.elevation_deg > mask.at(look.azimuth_deg)
            crossing = times[np.flatnonzero(np.diff(up.astype(np.int8)))]
            worst = max(worst, float(np.abs(crossing - at.time_ns).min()) / 1e9)
    coarse = EPOCH + np.arange(0, 10 * 86_400) * 1_000_000_000
    look = track.look(SITE, coarse)
    up = look.elevation_deg > mask.at(look.azimuth_deg)
    rises = int((np.diff(up.astype(np.int8)) == 1).sum())
    say(
        f"{len(found)} passes of ten days over hills: worst rise or set",
        f"{worst * 1000:.1f} ms",
        "10 ms (brute force)",
        f"{worst / 0.01:.2f}",
    )
    say(
        "passes found, of those that looks every second show",
        f"{len(found)}",
        f"{rises}",
        f"{len(found) / rises:.2f}",
    )


def speed() -> None:
    """A day of a hundred satellites, against the bare propagation at the same steps."""
    rng = np.random.default_rng(0)
    many = [
        replace(
            LANTERN,
            number=90_000 + n,
            node_deg=float(rng.uniform(0, 360)),
            anomaly_deg=float(rng.uniform(0, 360)),
        )
        for n in range(100)
    ]
    begun = time.process_time()
    count = sum(len(find_passes(item, SITE, EPOCH, EPOCH + DAY_NS)) for item in many)
    ours = time.process_time() - begun
    begun = time.process_time()
    for item in many:
        Track(item).teme(EPOCH + np.arange(0, 90_000, 20) * 1_000_000_000)
    bare = time.process_time() - begun
    say(
        f"a day of 100 satellites, {count} passes",
        f"{ours:.2f} s",
        f"{bare:.2f} s (bare SGP4)",
        f"{ours / bare:.1f}",
    )


def schedule() -> None:
    """Our choice against the best of all choices: ten passes, one receiver, one tuning each."""
    rng = np.random.default_rng(1)
    found = find_passes(LANTERN, SITE, EPOCH, EPOCH + DAY_NS)[0]
    receiver = Receiver("r", rate_hz=100e3)
    shares = []
    for _ in range(200):
        items = []
        for n in range(10):
            start = round(rng.uniform(0, 5000) * 1e9)
            aos = replace(found.aos, time_ns=start)
            los = replace(found.los, time_ns=start + round(rng.uniform(300, 900) * 1e9))
            top = replace(found.culmination, elevation_deg=float(rng.uniform(5, 90)))
            one = replace(found, aos=aos, los=los, culmination=top)
            hz = 137e6 + 1e6 * n
            items.append(
                Planned(
                    one, Satellite("x", hz), trust(LANTERN, EPOCH), hz - 2e4, hz + 2e4, (0.0, 0.0), 1.0, 1.0
                )
            )
        got = sum(item.value for item in assign(items, [receiver], Antenna())[0] if item.receiver)
        shares.append(got / best_value(items))
    say(
        "schedule of ten passes: value against the best choice, mean",
        f"{np.mean(shares):.3f}",
        "1",
        f"{np.mean(shares):.3f}",
    )
    say("the same, worst of 200", f"{min(shares):.3f}", "1", f"{min(shares):.3f}")


def best_value(items: list[Planned]) -> float:
    """Weighted interval scheduling by its recurrence (exact)."""
    ordered = sorted(items, key=lambda item: item.stop_ns)
    best = [0.0]
    for n, item in enumerate(ordered):
        before = sum(other.stop_ns <= item.start_ns for other in ordered[:n])
        best.append(max(best[-1], item.value + best[before]))
    return best[-1]


def hints() -> None:
    """How often a satellite's frequencies are followed, and how often others' are taken for them."""
    passes = find_passes(LANTERN, SITE, EPOCH, EPOCH + 10 * DAY_NS, minimum_deg=10)
    track = Track(LANTERN)
    limit = 40e-6 * F_HZ
    for count, noise in itertools.product((6, 12, 40), (30.0, 300.0)):
        right = 0
        for n in range(60):
            rng = np.random.default_rng(n)
            one = passes[n % len(passes)]
            times = np.sort(rng.integers(one.aos.time_ns, one.los.time_ns, count))
            hz = predicted_hz(track, SITE, times - round(rng.uniform(-1, 1) * 1e9), F_HZ) + rng.uniform(
                -2000, 2000
            )
            hz = hz + rng.normal(0, noise, count)
            right += follow(track, SITE, F_HZ, times, hz, offset_limit_hz=limit, timing_s=1.0) is not None
        say(
            f"hints: {count} points, each off by {noise:.0f} Hz: satellite followed",
            f"{right} of 60",
            "60",
            f"{right / 60:.2f}",
        )
    wrong = dict.fromkeys(("steady", "drifting", "anywhere", "ten channels"), 0)
    tries = 300
    for n in range(tries):
        rng = np.random.default_rng(1000 + n)
        one = passes[n % len(passes)]
        times = np.sort(rng.integers(one.aos.time_ns, one.los.time_ns, 60))
        own = F_HZ + rng.uniform(-4000, 4000) + rng.normal(0, 30, 60)
        for kind, hz in (
            ("steady", own),
            ("drifting", own + rng.uniform(-8, 8) * (times - times[0]) / 1e9),
            ("anywhere", F_HZ + rng.uniform(-8000, 8000, 60)),
            ("ten channels", F_HZ + 1500 * rng.integers(-5, 6, 60) + rng.normal(0, 50, 60)),
        ):
            wrong[kind] += (
                follow(track, SITE, F_HZ, times, hz, offset_limit_hz=limit, timing_s=1.0) is not None
            )
    for kind, number in wrong.items():
        say(f"hints: 60 points of others, {kind}: taken for the satellite", f"{number} of {tries}", "0")


def overlay() -> None:
    """Places to pixels and back, and what a thousand lines cost."""
    lines = EPOCH + np.arange(1000) * 500_000_000
    swath = Swath(LANTERN, lines, scan_of("lrpt", 1568))  # type: ignore[arg-type]
    rows, columns = np.arange(0, 1000, 10), np.arange(0, 1568, 16)
    latitude, longitude = swath.places(rows, columns)
    begun = time.process_time()
    row, column = swath.pixels(latitude.ravel(), longitude.ravel())
    spent = time.process_time() - begun
    wanted = np.meshgrid(rows, columns, indexing="ij")
    worst = max(np.abs(row - wanted[0].ravel()).max(), np.abs(column - wanted[1].ravel()).max())
    say("overlay: pixel to place and back, worst", f"{worst:.1e} px", "0.5 px", f"{worst / 0.5:.0e}")
    say("overlay: places looked up", f"{len(row) / spent / 1e3:.0f} thousand/s", "")


def main() -> None:
    say("what", "ours", "limit or yardstick", "ratio")
    for part in (propagation, rise_and_set, speed, schedule, hints, overlay):
        part()


if __name__ == "__main__":
    main()
