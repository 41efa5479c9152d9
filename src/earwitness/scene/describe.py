"""A scene as its TOML states it: read, checked key by key, and turned into values.

[scene]       name, centre_hz, rate_hz, duration_s; start (RFC 3339), seed, sample_type
[receiver]    noise_rms (of the complex noise, full scale 1.0), dc = [i, q], iq_gain_db, iq_phase_deg,
              clip_level, ppm, drift_hz_per_s, gain_db, spurs = [{frequency_hz, level_dbfs}]
[[emission]]  mode (a mode's name or carrier, noise, chirp, ook, fsk2, fsk4, psk, ofdm), frequency_hz
              (one, or a list used in turn), snr_db (or level_dbfs); start_s, offset_hz, drift_hz_per_s,
              bandwidth_hz, fading = "rayleigh" or "rician" with doppler_hz and rician_k_db, echo_delay_us
              with echo_db; item = {...} as the mode's transmitter takes it, or items = [...] sent in turn,
              or examples = true;
              repeat = {times, every_s, jitter_s, frequency_hz_step, offset_hz_step, snr_db_step,
              item_step = {"dotted.name" = step}}, the steps added at each repeat
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from earwitness.core.errors import ParameterError, SourceError
from earwitness.core.mode import get_mode, registry
from earwitness.core.times import parse_time
from earwitness.scene.plain import KINDS, width_hz
from earwitness.sources.sample_type import sample_type

_MOST_BURSTS = 100_000
_FADINGS = ("none", "rayleigh", "rician")


@dataclass(frozen=True, slots=True)
class Spur:
    """A fixed tone made in the receiver."""

    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True, slots=True)
class Receiver:
    """The simulated receiver and its faults. Levels are of full scale 1.0."""

    noise_rms: float = 0.02  # of the complex noise: its power in the whole rate is noise_rms squared
    dc_i: float = 0.0
    dc_q: float = 0.0
    iq_gain_db: float = 0.0
    iq_phase_deg: float = 0.0
    clip_level: float = 1.0
    ppm: float = 0.0  # crystal: a positive error makes everything appear lower and longer
    drift_hz_per_s: float = 0.0
    gain_db: float = 0.0
    spurs: tuple[Spur, ...] = ()


@dataclass(frozen=True, slots=True)
class Burst:
    """One transmission: what is sent, when, where, how strong and over which path."""

    kind: str  # a mode's name or a plain kind
    emission: int  # which [[emission]] table
    item: Mapping[str, Any]
    start_s: float
    frequency_hz: float
    bandwidth_hz: float
    snr_db: float | None
    level_dbfs: float | None
    drift_hz_per_s: float
    fading: str
    doppler_hz: float
    rician_k_db: float
    echo_delay_us: float
    echo_db: float | None
    seed: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Scene:
    """A recording to be made."""

    name: str
    center_hz: float
    rate_hz: float
    duration_s: float
    start_ns: int
    seed: int
    sample_type: str
    receiver: Receiver
    bursts: tuple[Burst, ...] = field(default=())


class _Table:
    """One TOML table: values are taken from it by name, checked; what is left over is an error."""

    def __init__(self, values: object, where: str):
        if not isinstance(values, dict):
            raise ParameterError(f"{where} must be a table")
        self.values = dict(values)
        self.where = where
        self.known: list[str] = []

    def has(self, key: str) -> bool:
        self.known.append(key)
        return key in self.values

    def take(self, key: str, default: Any = None) -> Any:
        self.known.append(key)
        return self.values.pop(key, default)

    def number(self, key: str, default: float | None, low: float, high: float) -> float:
        value = self.take(key, default)
        if value is None:
            raise ParameterError(f"{self.where}: {key} is missing (a number from {low:g} to {high:g})")
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise ParameterError(f"{self.where}: {key} = {value!r:.40}; allowed are {low:g} to {high:g}")
        return float(value)

    def text(self, key: str, default: str | None) -> str:
        value = self.take(key, default)
        if not isinstance(value, str) or not value or len(value) > 200:
            raise ParameterError(f"{self.where}: {key} must be a text of 1 to 200 characters")
        return value

    def finish(self) -> None:
        for key in self.values:
            raise ParameterError(
                f"{self.where}: {key!r:.60} is not known; allowed are {', '.join(self.known)}"
            )


def load_scene(path: str | Path) -> Scene:
    """Read and check a scene file; ParameterError names the key and what is allowed."""
    path = Path(path)
    try:
        octets = path.read_bytes()
    except OSError as error:
        raise SourceError(f"{path.name} cannot be read: {error.strerror}") from error
    try:
        document = tomllib.loads(octets.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise ParameterError(f"{path.name} is not TOML: {error}") from error
    try:
        return parse_scene(document)
    except ParameterError as error:
        raise ParameterError(f"{path.name}: {error}") from error


def parse_scene(document: Mapping[str, Any]) -> Scene:
    """Give the scene of a parsed TOML document; ParameterError names the key and what is allowed."""
    top = _Table(dict(document), "the scene file")
    main = _Table(top.take("scene"), "[scene]")
    receiver = _receiver(_Table(top.take("receiver", {}), "[receiver]"))
    tables = top.take("emission", [])
    top.finish()
    if not isinstance(tables, list):
        raise ParameterError("emission must be written as [[emission]] tables")
    name = main.text("name", None)
    if not name.replace("-", "").replace("_", "").isalnum() or not name.isascii():
        raise ParameterError(f"[scene]: name = {name!r:.60}; letters, digits, - and _ only")
    center_hz = main.number("centre_hz", None, 0, 1e11)
    rate_hz = main.number("rate_hz", None, 1000, 1e8)
    duration_s = main.number("duration_s", None, 1e-3, 86_400)
    seed = int(main.number("seed", 0, 0, 2**53))
    start_ns = parse_time(main.text("start", "2026-01-01T00:00:00Z"))
    stored = sample_type(main.text("sample_type", "cu8"))
    if not stored.is_complex or stored.dtype is None:
        raise ParameterError(f"[scene]: sample_type = {stored.name!r}; allowed are complex types of SigMF")
    main.finish()
    scene = Scene(name, center_hz, rate_hz, duration_s, start_ns, seed, stored.name, receiver)
    bursts: list[Burst] = []
    for number, table in enumerate(tables):
        bursts += _emission(_Table(table, f"[[emission]] {number + 1}"), number, scene)
        if len(bursts) > _MOST_BURSTS:
            raise ParameterError(f"[[emission]] {number + 1}: more than {_MOST_BURSTS} bursts in the scene")
    bursts.sort(key=lambda burst: burst.start_s)
    return Scene(name, center_hz, rate_hz, duration_s, start_ns, seed, stored.name, receiver, tuple(bursts))


def _receiver(table: _Table) -> Receiver:
    dc = table.take("dc", [0.0, 0.0])
    if not (
        isinstance(dc, list)
        and len(dc) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) and -1 <= v <= 1 for v in dc)
    ):
        raise ParameterError("[receiver]: dc must be two numbers from -1 to 1, for I and Q")
    spurs = table.take("spurs", [])
    if not isinstance(spurs, list):
        raise ParameterError("[receiver]: spurs must be a list of tables with frequency_hz and level_dbfs")
    tones = []
    for entry in spurs:
        tone = _Table(entry, "[receiver] spurs")
        tones.append(
            Spur(tone.number("frequency_hz", None, 0, 1e11), tone.number("level_dbfs", None, -200, 0))
        )
        tone.finish()
    receiver = Receiver(
        noise_rms=table.number("noise_rms", 0.02, 0, 1),
        dc_i=float(dc[0]),
        dc_q=float(dc[1]),
        iq_gain_db=table.number("iq_gain_db", 0, -6, 6),
        iq_phase_deg=table.number("iq_phase_deg", 0, -45, 45),
        clip_level=table.number("clip_level", 1.0, 1e-3, 1),
        ppm=table.number("ppm", 0, -1000, 1000),
        drift_hz_per_s=table.number("drift_hz_per_s", 0, -1e5, 1e5),
        gain_db=table.number("gain_db", 0, -120, 120),
        spurs=tuple(tones),
    )
    table.finish()
    return receiver


def _items(table: _Table, kind: str) -> list[Mapping[str, Any]]:
    """Give what is sent: one item, several in turn, or the mode's own examples."""
    given = [key for key in ("item", "items", "examples") if table.has(key)]
    if len(given) > 1:
        raise ParameterError(f"{table.where}: give only one of {', '.join(given)}")
    item, items, examples = table.take("item"), table.take("items"), table.take("examples", False)
    if item is not None:
        items = [item]
    elif examples is True:
        if kind in KINDS:
            raise ParameterError(f"{table.where}: examples = true needs a mode; {kind} is a plain kind")
        items = get_mode(kind).part("synth").examples()
    elif items is None:
        if kind not in KINDS:
            raise ParameterError(f"{table.where}: item is missing (what {kind} sends), or examples = true")
        items = [{}]
    if not isinstance(items, list) or not items or not all(isinstance(one, dict) for one in items):
        raise ParameterError(f"{table.where}: items must be a list of tables with at least one")
    if kind in KINDS:
        items = [_plain_item(one, kind, table.where) for one in items]
    return items


def _plain_item(item: Mapping[str, Any], kind: str, where: str) -> dict[str, Any]:
    table = _Table(dict(item), f"{where} item")
    out = {}
    for key, default in KINDS[kind].items():
        low, high = {
            "bt": (0.0, 10.0),
            "alpha": (0.01, 1.0),
            "order": (2.0, 64.0),
            "carriers": (2.0, 4096.0),
            "duration_s": (1e-5, 86_400.0),
        }.get(key, (1.0, 1e8))
        out[key] = table.number(key, default, low, high)
    table.finish()
    return out


def _frequencies(table: _Table) -> list[float]:
    """Give the frequencies an emission uses in turn: one number or a list of them."""
    given = table.values.get("frequency_hz")
    if not isinstance(given, list):
        return [table.number("frequency_hz", None, 0, 1e11)]
    if not 0 < len(given) <= 1000:
        raise ParameterError(f"{table.where}: frequency_hz must be a number or a list of 1 to 1000 numbers")
    out = []
    for value in given:
        table.values["frequency_hz"] = value
        out.append(table.number("frequency_hz", None, 0, 1e11))
    return out


def _emission(table: _Table, number: int, scene: Scene) -> list[Burst]:
    kind = table.text("mode", None)
    if kind not in KINDS and kind not in registry():
        known = ", ".join([*KINDS, *registry()])
        raise ParameterError(f"{table.where}: mode = {kind!r:.40}; allowed are {known}")
    items = _items(table, kind)
    if kind in KINDS:
        usual = max(width_hz(kind, one) for one in items)
    else:
        usual = get_mode(kind).bandwidth_hz
    bandwidth_hz = table.number("bandwidth_hz", usual, 1, 1e8)
    frequencies_hz = _frequencies(table)
    offset_hz = table.number("offset_hz", 0, -1e6, 1e6)
    start_s = table.number("start_s", 0, -1000, scene.duration_s)
    drift_hz_per_s = table.number("drift_hz_per_s", 0, -1e6, 1e6)
    snr_db = level_dbfs = None
    if table.has("level_dbfs") and "level_dbfs" in table.values:
        level_dbfs = table.number("level_dbfs", None, -200, 20)
    else:
        snr_db = table.number("snr_db", None, -50, 150)
        if scene.receiver.noise_rms == 0:
            raise ParameterError(f"{table.where}: snr_db has no meaning when noise_rms is 0; give level_dbfs")
    fading = table.text("fading", "none")
    if fading not in _FADINGS:
        raise ParameterError(f"{table.where}: fading = {fading!r:.40}; allowed are {', '.join(_FADINGS)}")
    doppler_hz = table.number("doppler_hz", 1.0, 1e-3, 1000)
    rician_k_db = table.number("rician_k_db", 6.0, -20, 40)
    echo_delay_us = table.number("echo_delay_us", 0, 0, 1e5)
    echo_db = None
    if "echo_db" in table.values:
        echo_db = table.number("echo_db", None, -100, 0)
    table.known.append("echo_db")
    repeat = _Table(table.take("repeat", {}), f"{table.where} repeat")
    table.finish()
    times = int(repeat.number("times", len(items), 1, _MOST_BURSTS))
    every_s = repeat.number("every_s", 1.0 if times > 1 else 0.0, 0, 86_400)
    jitter_s = repeat.number("jitter_s", 0, 0, 86_400)
    steps = {
        key: repeat.number(f"{key}_step", 0, -1e9, 1e9) for key in ("frequency_hz", "offset_hz", "snr_db")
    }
    item_step = repeat.take("item_step", {})
    repeat.finish()
    edge_hz = scene.rate_hz / 2
    bursts = []
    for n in range(times):
        seed = (scene.seed, number, n)
        jitter = _jitter(seed) * jitter_s
        carrier_hz = (
            frequencies_hz[n % len(frequencies_hz)]
            + offset_hz
            + n * (steps["frequency_hz"] + steps["offset_hz"])
        )
        if abs(carrier_hz - scene.center_hz) > edge_hz:
            raise ParameterError(
                f"{table.where}: frequency_hz = {carrier_hz:.0f} lies outside the recording; allowed are "
                f"{scene.center_hz - edge_hz:.0f} to {scene.center_hz + edge_hz:.0f}"
            )
        bursts.append(
            Burst(
                kind=kind,
                emission=number,
                item=_stepped(items[n % len(items)], item_step, n // len(items), table.where),
                start_s=start_s + n * every_s + jitter,
                frequency_hz=carrier_hz,
                bandwidth_hz=bandwidth_hz,
                snr_db=None if snr_db is None else snr_db + n * steps["snr_db"],
                level_dbfs=level_dbfs,
                drift_hz_per_s=drift_hz_per_s,
                fading=fading,
                doppler_hz=doppler_hz,
                rician_k_db=rician_k_db,
                echo_delay_us=echo_delay_us,
                echo_db=echo_db,
                seed=seed,
            )
        )
    return [burst for burst in bursts if burst.start_s < scene.duration_s]


def _jitter(seed: tuple[int, ...]) -> float:
    """Give a number from 0 to 1 that depends on the seed alone (Weyl steps, no numerics needed)."""
    return math.modf(seed[0] * 0.754877666 + seed[1] * 0.569840291 + (seed[2] + 1) * 0.618033989)[0]


def _stepped(item: Mapping[str, Any], steps: object, n: int, where: str) -> Mapping[str, Any]:
    """Give the item with n steps added to the numbers named by dotted paths ("message.latitude_deg")."""
    if not isinstance(steps, dict):
        raise ParameterError(f"{where} repeat: item_step must be a table of dotted names and numbers")
    if not steps or n == 0:
        return item
    out = _copied(item)
    for path, step in steps.items():
        inner: Any = out
        *parents, last = path.split(".")
        for parent in parents:
            inner = inner.get(parent) if isinstance(inner, dict) else None
        value = inner.get(last) if isinstance(inner, dict) else None
        if not isinstance(value, int | float) or not isinstance(step, int | float):
            raise ParameterError(f"{where} repeat: item_step {path!r:.60} does not name a number in the item")
        inner[last] = value + n * step
    return out


def _copied(value: Any) -> Any:
    return {key: _copied(inner) for key, inner in value.items()} if isinstance(value, Mapping) else value
