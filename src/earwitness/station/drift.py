"""Whose Doppler shift is it: emissions and messages whose frequencies over a pass follow a satellite's, as a hint.

For each satellite of `station.toml` that passed over during a recording, the frequencies measured in its band are held
against the shift its elements predict. Rows that follow it get a hint with the figures; whoever sent the frames among
them gets a "perhaps" relation to the satellite, which can be undone like any other (`earwitness identity --part`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.core.types import IdentityRef
from earwitness.dsp import fft
from earwitness.dsp.spectra import mean_power
from earwitness.log.identities import id_of
from earwitness.station.config import Satellite, Station

if TYPE_CHECKING:
    from earwitness.orbit.doppler import Fit
    from earwitness.orbit.elements import Elements
    from earwitness.orbit.track import Site
    from earwitness.sources import Stretch

Row = dict[str, Any]

FOLLOWED = (
    "the frequencies of its frames follow the Doppler shift that the elements of this satellite predict for the pass: a "
    "hint, nothing it sent shows that it is on board"
)
OFFSET_PPM = 40.0  # what the satellite's and the receiver's oscillators may be off together
MOST_AGE_DAYS = 30.0
MOST_POINTS = 5_000  # of a satellite in a recording; further ones are not looked at
LONGEST_NS = 20_000_000_000  # a frequency averaged over longer is no point of a curve
HEAD_NS = 4_000_000_000  # a long transmission is measured on its first seconds
LISTEN_NS = 1_000_000_000  # between looks at a long transmission ...
MOST_LOOKS = 120  # ... and the most of them
MOST_LONG = 50  # long transmissions that are looked at again, of a satellite in a recording
LEAST_FRAMES = 5  # of one sender


@dataclass
class _Watched:
    """One satellite on one frequency, and what was measured near it."""

    satellite: Satellite
    elements: Elements
    timing_s: float
    emissions: dict[str, tuple[int, Row]]
    messages: dict[str, tuple[int, Row]]
    long: dict[str, Row]
    heard: dict[str, tuple[np.ndarray, np.ndarray]]  # of long ones: times, frequencies

    @property
    def reach_hz(self) -> float:
        """Give how far from the listed frequency it may be received: Doppler of the lowest orbits, oscillators."""
        return self.satellite.frequency_hz * (27e-6 + OFFSET_PPM * 1e-6)

    def covers(self, frequency_hz: float) -> bool:
        return abs(frequency_hz - self.satellite.frequency_hz) <= self.reach_hz


class DopplerHints:
    """Gathers what a recording gives near its satellites' frequencies; `settle` says what follows one."""

    def __init__(self, site: Site, watched: Sequence[_Watched]) -> None:
        self._site = site
        self._watched = list(watched)

    def emission(self, row: Row) -> None:
        """Take the row of an emission as it will be logged."""
        if row.get("artefact"):
            return
        start, stop = row["start_ns"], row["stop_ns"]
        lasting = stop - start > LONGEST_NS
        if row.get("burst_count"):
            if lasting:
                return
            at_ns = (start + stop) // 2
        else:
            at_ns = start + min(stop - start, HEAD_NS) // 2
        for one in self._watched:
            if not one.covers(row["frequency_hz"]):
                continue
            if lasting and len(one.long) < MOST_LONG:
                one.long[row["id"]] = row
            elif not lasting and len(one.emissions) < MOST_POINTS:
                one.emissions[row["id"]] = (at_ns, row)

    def message(self, row: Row) -> None:
        """Take the row of a message whose frame has a measured frequency."""
        if row.get("frequency_hz") is None:
            return
        for one in self._watched:
            if one.covers(row["frequency_hz"]) and len(one.messages) < MOST_POINTS:
                one.messages[row["id"]] = (row["time_ns"], row)

    def listen(self, stretch: Stretch) -> None:
        """Measure where the long transmissions of a stretch are in frequency, time and again."""
        if stretch.kind != "iq":
            return
        for one in self._watched:
            for name, row in one.long.items():
                if name not in one.heard:
                    one.heard[name] = frequencies(stretch, row, one.reach_hz)

    def settle(self) -> tuple[list[Row], list[Row], list[Row]]:
        """Give the emissions and messages that carry a hint now, and the relations it makes."""
        found = [(fit, one, rows) for one in self._watched for fit, rows in self._follow(one)]
        told: dict[str, Row] = {}
        relations: list[Row] = []
        for fit, one, rows in sorted(found, key=lambda item: item[0].chance):
            facts = _facts(fit, one)
            new = [
                row
                for row, member in zip(rows, fit.members.tolist(), strict=True)
                if member and row["id"] not in told
            ]
            for row in new:
                row.update(facts)
                told[row["id"]] = row
            relations += _relations(new, one)
            spoken = Counter(row["emission_id"] for row in new if row.get("emission_id"))
            for emission, count in spoken.items():  # an emission goes with most of its messages
                all_of = sum(row.get("emission_id") == emission for row in rows)
                at = one.emissions.get(emission)
                if at is not None and emission not in told and 2 * count > all_of:
                    at[1].update(facts)
                    told[emission] = at[1]
        for one in self._watched:
            for name, (times_ns, hz) in one.heard.items():
                lasting = self._fit(one, times_ns, hz)
                if lasting is not None and 2 * lasting.members.sum() > len(times_ns) and name not in told:
                    one.long[name].update(_facts(lasting, one))
                    told[name] = one.long[name]
        emissions = [row for row in told.values() if "time_ns" not in row]
        return emissions, [row for row in told.values() if "time_ns" in row], relations

    def _follow(self, one: _Watched) -> list[tuple[Fit, list[Row]]]:
        spoken = {row.get("emission_id") for _, row in one.messages.values()}
        points = list(one.messages.values())
        points += [point for name, point in one.emissions.items() if name not in spoken]
        rows = [row for _, row in points]
        times = np.array([at_ns for at_ns, _ in points], np.int64)
        fit = self._fit(one, times, np.array([row["frequency_hz"] for row in rows], np.float64))
        return [] if fit is None else [(fit, rows)]

    def _fit(self, one: _Watched, times_ns: np.ndarray, hz: np.ndarray) -> Fit | None:
        from earwitness.orbit.doppler import follow
        from earwitness.orbit.track import Track

        limit_hz = one.satellite.frequency_hz * OFFSET_PPM * 1e-6
        return follow(
            Track(one.elements), self._site, one.satellite.frequency_hz, times_ns, hz, offset_limit_hz=limit_hz,
            timing_s=one.timing_s,
        )  # fmt: skip


def frequencies(stretch: Stretch, row: Row, reach_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Give times (int64 ns) and the middle of a transmission's power in frequency at them, shape (n,).

    The middle is the centroid of what stands out of the noise in its band, which may have moved by `reach_hz`. Times at
    which nothing stands out are left out.
    """
    width = float(row.get("detected_width_hz") or row.get("occupied_bandwidth_hz") or 1000.0)
    rate = stretch.rate_hz
    size = fft.good_size(int(rate / min(max(width / 100, 25.0), 500.0)))
    count = 8 * size
    first = max(0, round((row["start_ns"] - stretch.epoch_ns) * rate / 1e9))
    last = min(stretch.count, round((row["stop_ns"] - stretch.epoch_ns) * rate / 1e9)) - count
    looks = min(MOST_LOOKS, int((row["stop_ns"] - row["start_ns"]) // LISTEN_NS))
    if last <= first or looks < 1:
        return np.empty(0, np.int64), np.empty(0)
    hz = stretch.center_hz + (np.arange(size) - size // 2) * rate / size
    inside = np.abs(hz - row["frequency_hz"]) < width / 2 + reach_hz
    inside &= np.abs(hz - stretch.center_hz) < 0.49 * rate
    window = np.hanning(size).astype(np.float32)
    times, middles = [], []
    for start in np.linspace(first, last, looks).astype(int).tolist():
        data = stretch.read(start, count)
        if len(data) < count:
            continue
        power = mean_power(fft.forward(data.reshape(8, size) * window))
        floor = float(np.median(power))
        out = np.where(
            inside & (power > 4 * floor), power - floor, 0.0
        )  # mean of 8: noise passes 4 once in 1e8
        if out.sum() > 0:
            times.append(stretch.epoch_ns + round((start + count / 2) / rate * 1e9))
            middles.append(float(np.sum(out * hz) / out.sum()))
    return np.array(times, np.int64), np.array(middles)


def _facts(fit: Fit, one: _Watched) -> Row:
    from earwitness.core.times import format_time

    rule = (
        f"{int(fit.members.sum())} measured frequencies follow the Doppler shift of {one.elements.title} within "
        f"{fit.residual_hz:.0f} Hz while it changes by {fit.swing_hz:.0f} Hz (elements of "
        f"{format_time(one.elements.epoch_ns)[:16]}Z, oscillators off by {fit.offset_hz:+.0f} Hz, chance of less than "
        f"{max(fit.chance, 1e-12):.0e}): a hint, nothing it sent shows that it is this satellite"
    )
    return {
        "perhaps_satellite": one.elements.name or str(one.elements.number),
        "perhaps_satellite_number": one.elements.number,
        "perhaps_rule": rule,
        "doppler_residual_hz": round(fit.residual_hz, 1),
        "doppler_offset_hz": round(fit.offset_hz, 1),
    }


def _relations(rows: Sequence[Row], one: _Watched) -> list[Row]:
    """Give a relation for each sender that has frames enough on the curve."""
    frames: dict[str, list[Row]] = {}
    for row in rows:
        who = row.get("identity")
        if isinstance(who, IdentityRef):
            frames.setdefault(id_of(who), []).append(row)
    names = (one.elements.name,) if one.elements.name else ()
    satellite = IdentityRef("satellite", str(one.elements.number), names)
    return [
        {
            "a": some[0]["identity"],
            "b": satellite,
            "relation": "perhaps",
            "rule": FOLLOWED,
            "time_ns": some[0]["time_ns"],
            "message_id": some[0]["id"],
        }
        for some in frames.values()
        if len(some) >= LEAST_FRAMES
    ]


def hints_for(station: Station, start_ns: int, stop_ns: int) -> DopplerHints | None:
    """Give the hints for a recording; None when no satellite of the station, with elements, passed over during it."""
    place = station.place
    if (
        not station.satellite
        or place.latitude_deg is None
        or place.longitude_deg is None
        or stop_ns <= start_ns
    ):
        return None
    from earwitness.orbit.passes import MOST_DAYS, find_passes
    from earwitness.orbit.track import trust
    from earwitness.station.passes import elements_for, station_site, stored_elements

    if stop_ns - start_ns > MOST_DAYS * 86_400_000_000_000:
        return None
    site = station_site(station)
    sets, _ = stored_elements(station.folder)
    watched = []
    for satellite in station.satellite:
        found = elements_for(sets, satellite.name, start_ns)
        if found is None or abs(found[0].age_days(start_ns)) > MOST_AGE_DAYS:
            continue
        if find_passes(found[0], site, start_ns, stop_ns):
            timing = trust(found[0], start_ns, found[1]).timing_s
            watched.append(_Watched(satellite, found[0], timing, {}, {}, {}, {}))
    return DopplerHints(site, watched) if watched else None
