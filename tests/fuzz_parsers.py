"""Throw octets at every parser of decoded text and bits: `python tests/fuzz_parsers.py SECONDS`.

Not collected by pytest. Guided by coverage where atheris is installed (pip install atheris), else plain
mutation of the modes' own examples and random octets. Whatever a parser gives must be plain JSON of bounded
size whose text cannot move a terminal; whatever it raises must be an error its docstring names. Each fault
is printed once, with the octets that show it; exit status 1 when there was one.
"""

from __future__ import annotations

import json
import os
import random
import re
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

import earwitness

sys.setrecursionlimit(400)  # a parser that recurses as deep as its input says so here
PARSERS = ["earwitness.payloads", "earwitness.core.bits", "earwitness.core.text"]
MODE_PARTS = (
    "messages",
    "tables",
    "registers",
    "layouts",
    "codes",
    "position",
    "avlc",
    "network",
    "connections",
    "xid",
)
MOST_OCTETS = 1200
MOST_JSON = 400_000
FIXED_BITS = {"mode-s": (56, 112)}
STEP_NS = 37_000_000
ROOT = Path(earwitness.__file__).parent

try:
    import atheris
except ImportError:
    atheris = None


class Fault(Exception):
    """What came out is not what may come out."""


def check_value(value: Any, what: str) -> None:
    """Raise Fault unless `value` is finite JSON of bounded size without control or format characters."""
    import unicodedata

    text = json.dumps(value, allow_nan=False)
    if len(text) > MOST_JSON:
        raise Fault(f"{what}: {len(text)} characters of JSON")
    waiting = [value]
    while waiting:
        item = waiting.pop()
        if isinstance(item, dict):
            waiting += [*item.keys(), *item.values()]
        elif isinstance(item, list | tuple):
            waiting += item
        elif isinstance(item, str):
            bad = [char for char in item if char != "\n" and unicodedata.category(char) in ("Cc", "Cf", "Cs")]
            if bad:
                raise Fault(f"{what}: text holds {bad[0]!r}")


def check_message(message: Any) -> None:
    """Raise Fault unless a message may go into the log as it is."""
    check_value(dict(message.fields), "fields")
    check_value([message.kind, message.check, *message.flags], "kind, check, flags")
    if message.check not in ("pass", "corrected", "address"):
        raise Fault(f"check {message.check!r}")
    for who in (message.identity, *message.related):
        if who is None:
            continue
        check_value([who.kind, who.key, *who.names], "identity")
        if not who.key:
            raise Fault("an identity without a key")
        for degrees, most in ((who.latitude_deg, 90), (who.longitude_deg, 180)):
            if degrees is not None and not -most <= degrees <= most:
                raise Fault(f"a place at {degrees} degrees")


def mode_target(name: str) -> Callable[[bytes], None]:
    """Give a target that feeds a run of frames, cut from the octets, to a fresh assembler of a mode."""
    from earwitness.core.mode import get_mode
    from earwitness.core.types import Bits, Frame

    part = get_mode(name).part("messages")

    def target(octets: bytes) -> None:
        assembler = part.Assembler()
        time_ns = 1_700_000_000_000_000_000
        out: list[Any] = []
        for piece in octets.split(b"\xfe\xfd")[:8]:
            if not piece:
                continue
            head, body = piece[0], piece[1:]
            sizes = FIXED_BITS.get(name)
            size = sizes[head & 1] if sizes else max(0, 8 * len(body) - (head & 7))
            if size == 0:
                continue
            padded = body.ljust(-(-size // 8), b"\0")[: -(-size // 8)]
            value = int.from_bytes(padded, "big") >> (8 * len(padded) - size)
            time_ns += STEP_NS * (head >> 4)
            extra = {"more": bool(head & 8), "complete": bool(head & 8), "remainder": value & 0xFFFFFF}
            check = ("pass", "corrected", None)[head % 3]
            out += assembler.feed(
                Frame(
                    name, time_ns, time_ns + 1000, Bits(value, size), check, extra=extra, frequency_hz=162e6
                )
            )
        out += assembler.close()
        for message in out:
            check_message(message)

    return target


def plain_targets() -> dict[str, Callable[[bytes], None]]:
    """Give the parsers below the modes, each with the errors it documents."""
    from earwitness.core.errors import ParameterError
    from earwitness.core.types import Bits
    from earwitness.payloads import (
        acars_block,
        acars_text,
        ads_c,
        arinc622,
        atn_cpdlc,
        atn_upper,
        fans_cpdlc,
        iec61162,
    )
    from earwitness.payloads.per import NotDecodedError, Reader

    def facts(found: Any) -> None:
        if found is not None:
            check_value(dict(found.fields), "fields")

    def text(octets: bytes) -> None:
        words, label = octets[3:].decode("latin-1"), octets[1:3].decode("latin-1")
        facts(acars_text.read_text(label, words, downlink=bool(octets[0] & 1)))
        facts(arinc622.read(words, downlink=bool(octets[0] & 1)))

    def imbedded(octets: bytes) -> None:
        kind = ("ADS", "AT1", "CR1", "CC1", "DR1", "DIS")[octets[0] % 6]
        body = arinc622.pack("ABCDEFG", kind, ".XX-ABC", octets[1:200])
        facts(arinc622.read(body, downlink=bool(octets[0] & 128)))

    def sentences(octets: bytes) -> None:
        assembler = iec61162.SentenceAssembler()
        for line in octets.decode("latin-1").split("\n"):
            star = line.rfind("*")
            if line.startswith("!") and star > 0:  # a right checksum, else nothing ever gets past it
                line = f"{line[:star]}*{iec61162.checksum(line[1:star])}"
            found = assembler.feed(line)
            if found is not None and found[0].value >> found[0].size:
                raise Fault("bits beyond their size")
        with suppress(ParameterError):
            iec61162.unarmour(octets.decode("latin-1"), octets[0] % 7)
        bits = Bits(int.from_bytes(octets[:120], "big"), 8 * len(octets[:120]))
        try:
            lines = iec61162.sentences(bits, channel="A", sequence=octets[0] % 10)
        except ParameterError:
            return
        back = [iec61162.parse_sentence(line) for line in lines]
        if None in back or any(len(line) > 80 for line in lines):
            raise Fault("a sentence that cannot be read back")

    def block(octets: bytes) -> None:
        acars_block.parse(octets)
        acars_block.parse_frame(octets)
        acars_block.from_characters(octets, more=bool(octets[0] & 1))

    def protected(octets: bytes) -> None:
        with suppress(NotDecodedError):
            facts(atn_cpdlc.read_protected(Reader(octets[1:]), downlink=bool(octets[0] & 1)))
        with suppress(NotDecodedError):
            fields = atn_cpdlc.read_message(Reader(octets[1:]), downlink=bool(octets[0] & 1))
            check_value(fields, "fields")

    out = {
        "atn upper": lambda octets: facts(atn_upper.read_upper(octets[1:], downlink=bool(octets[0] & 1))),
        "atn protected": protected,
        "acars text": text,
        "imbedded": imbedded,
        "iec61162": sentences,
        "acars block": block,
        "ads-c": lambda octets: facts(ads_c.read_groups(octets[1:], downlink=bool(octets[0] & 1))),
        "cpdlc": lambda octets: facts(fans_cpdlc.read_message(octets[1:], downlink=bool(octets[0] & 1))),
    }
    try:
        from earwitness.payloads import aprs
    except ImportError:
        return out

    def position_text(octets: bytes) -> None:
        found = aprs.parse(octets[7:], octets[1:7].decode("latin-1"))
        if found:
            check_value([found[0], dict(found[1])], "fields")

    out["aprs"] = position_text
    return out


def examples(names: list[str]) -> list[bytes]:
    """Give octets to start from: each mode's own examples, in the form its target reads."""
    from earwitness.core.mode import get_mode

    out = []
    for index, name in enumerate(names):
        if " " in name or name not in MODES:
            continue
        synth = get_mode(name).part("synth")
        for item in synth.examples():
            for bits in synth.payloads(item):
                spare = -bits.size % 8
                octets = (bits.value << spare).to_bytes(-(-bits.size // 8), "big")
                head = int(bits.size == 112) if name in FIXED_BITS else spare
                out.append(bytes([index, head]) + octets)
    words = [
        b"#M1BPOSN35123W120456,",
        b"!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*00",
    ]
    return out + [bytes([index, 1]) + word for index in range(len(names)) for word in words]


MODES: list[str] = []


def load() -> dict[str, Callable[[bytes], None]]:
    """Import all parsers (instrumented where atheris is there) and give the targets by name."""
    from earwitness.core.mode import registry

    modes = [mode for mode in registry().values() if not mode.voice]
    wanted = PARSERS + [f"{mode.package}.{part}" for mode in modes for part in MODE_PARTS]
    targets: dict[str, Callable[[bytes], None]] = {}

    def fill() -> None:
        for mode in modes:
            try:
                targets[mode.name] = mode_target(mode.name)
            except ImportError as error:  # pictures have no messages
                print(f"left out: {mode.name} ({error})")
        targets.update(plain_targets())

    if atheris is None:
        fill()
    else:
        compiled = re.compile(r"^@kernel", re.MULTILINE)
        for path in sorted(ROOT.rglob("*.py")):  # compiled code cannot be instrumented: loaded before
            if compiled.search(path.read_text("utf-8")) and "test" not in path.name:
                import_module(".".join(path.relative_to(ROOT.parent).with_suffix("").parts))
        with atheris.instrument_imports(include=wanted):
            fill()
    MODES[:] = [mode.name for mode in modes if mode.name in targets]
    return targets


def main() -> None:
    """Fuzz for the seconds given; print executions, coverage apart (libFuzzer prints it), and every fault."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    targets = load()
    names = list(targets)
    runs: Counter[str] = Counter()
    faults: dict[tuple[str, str], str] = {}
    slowest = (0.0, "", b"")
    end = time.monotonic() + seconds

    def one(octets: bytes) -> None:
        nonlocal slowest
        if time.monotonic() > end:
            finish()
        if len(octets) < 4:
            return
        name = names[octets[0] % len(names)]
        runs[name] += 1
        began = time.perf_counter()
        try:
            targets[name](octets[1:MOST_OCTETS])
        except Exception as error:  # noqa: BLE001 - finding these is the purpose
            last = traceback.extract_tb(error.__traceback__)[-1]
            key = (
                name,
                f"{type(error).__name__} in {last.filename.rsplit('earwitness/', 1)[-1]}:{last.lineno}",
            )
            if key not in faults:
                faults[key] = f"{error!s:.200} from {octets[1:MOST_OCTETS].hex()}"
        took = time.perf_counter() - began
        if took > slowest[0]:
            slowest = (took, name, octets)

    def finish() -> None:
        print(f"{sum(runs.values())} executions in {seconds:g} s, {len(faults)} faults")
        for name, count in runs.most_common():
            print(f"  {name}: {count}")
        print(f"slowest: {1000 * slowest[0]:.1f} ms in {slowest[1]}: {slowest[2][1:].hex()[:200]}")
        for (name, where), what in faults.items():
            print(f"FAULT {name}: {where}: {what}")
        sys.stdout.flush()
        os._exit(1 if faults else 0)

    seeds = examples(names)
    if atheris is None:
        rng = random.Random(os.environ.get("FUZZ_SEED", "1"))
        while True:
            one(_mutated(rng, seeds))
    for seed in seeds:
        one(seed)
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        for n, seed in enumerate(seeds):
            (Path(folder) / str(n)).write_bytes(seed)
        options = [f"-max_len={MOST_OCTETS}", "-rss_limit_mb=1500", "-verbosity=0", "-timeout=20"]
        atheris.Setup([sys.argv[0], folder, *options], one)
        atheris.Fuzz()


def _mutated(rng: random.Random, seeds: list[bytes]) -> bytes:
    octets = bytearray(rng.choice(seeds) if rng.random() < 0.8 else rng.randbytes(rng.randrange(4, 300)))
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        at = rng.randrange(len(octets))
        act = rng.randrange(5)
        if act == 0:
            octets[at] = rng.randrange(256)
        elif act == 1:
            octets[at] ^= 1 << rng.randrange(8)
        elif act == 2 and len(octets) > 12:
            del octets[at : at + rng.randrange(1, 8)]
        elif act == 3:
            octets[at:at] = rng.randbytes(rng.randrange(1, 8))
        else:
            octets += b"\xfe\xfd" + rng.choice(seeds)[1:]
    return bytes(octets).ljust(4, b"\0")


if __name__ == "__main__":
    main()
