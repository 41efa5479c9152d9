"""False messages: every mode that decodes against noise and against the signals of every other mode.

    python benchmarks/bench_false_messages.py [MINUTES, default 10] [--modes NAME ...] [--on NAME ...] [--survey | --matrix]

The matrix: a row is what listens, a column what is on the air. A column's examples are sent by its own transmitter
again and again, at 20 dB SNR over its own bandwidth, at carriers spread over what the listener bears, pauses between;
the listener's channel cuts out what it would of them. What a mode says on its own signals is false only where it was
not sent. Cells give false messages (or pictures) in so many minutes; the limit is none.

The survey: as many minutes of noise at 2.4 MS/s through the whole station, where modes are tried by frequency alone.
Its limit is none of messages, voice, pictures and identities; emissions beside the false-alarm rate it states.
"""

import argparse
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from scipy.signal import resample_poly

from earwitness.core.mode import registry
from earwitness.core.types import Frame, Picture, Samples
from earwitness.detect.detector import Detector
from earwitness.log.store import Log
from earwitness.station.run import survey_file

SNR_DB = 20.0
LEVEL = 0.1  # amplitude of the signal, of full scale
PIECE_S = 1.0
LONG_S = 5.0
MOST_SAMPLES = 1 << 24  # of one transmission at the listener's rate
CENTRES_HZ = (162.0e6, 136.9e6, 1090.0e6)  # of the surveys of noise: where modes are tried by frequency alone
MODES = registry()
LISTENERS = [mode for mode in MODES.values() if not mode.voice]


def centres(mode):
    """Where a mode listens: its lowest and its highest channel, for what it does may depend on it."""
    bands = sorted(mode.bands_hz)
    return sorted({sum(bands[0]) / 2, sum(bands[-1]) / 2}) if bands else [150e6]


def waves(sender, rate_hz):
    """Each of a mode's examples, unit power, at the listener's rate."""
    if rate_hz >= sender.rate_hz:
        up, down = int(rate_hz // sender.rate_hz), 1
    else:
        up, down = 1, int(-(-sender.rate_hz // rate_hz))
    synth = sender.part("synth")
    out = []
    for item in synth.examples():
        wave = synth.transmit(item, rate_hz * down / up)[: MOST_SAMPLES // up]
        out.append(resample_poly(wave, up, down).astype(np.complex64) if up != down else wave)
    return out


def pieces(listener, sender, center_hz, minutes, rng):
    """Noise, and a sender's transmissions in it one after the other, a second at a time."""
    rate_hz = listener.rate_hz * 1.07
    size = round(PIECE_S * rate_hz)
    width_hz = sender.bandwidth_hz if sender else listener.bandwidth_hz
    density = LEVEL**2 * 10 ** (-SNR_DB / 10) / width_hz
    sigma = np.float32(np.sqrt(density * rate_hz / 2))
    known = waves(sender, rate_hz) if sender else []
    wave, at, turn = np.zeros(0, np.complex64), 0, 0.0
    for number in range(round(60 * minutes / PIECE_S)):
        data = sigma * rng.standard_normal(2 * size, np.float32).view(np.complex64)
        done = 0
        while known and done < size:
            if at >= len(wave):
                wave = known[rng.integers(len(known))]
                long = len(wave) > LONG_S * rate_hz  # such senders follow one another less closely
                at = -round(rng.uniform(2.0, 4.0) * rate_hz if long else rng.uniform(0.02, 0.4) * rate_hz)
                turn = rng.uniform(-1, 1) * listener.offset_ok_hz / rate_hz
            if at < 0:
                pause = min(-at, size - done)
                at, done = at + pause, done + pause
                continue
            part = wave[at : at + size - done]
            phase = np.exp(2j * np.pi * (turn * np.arange(at, at + len(part)) % 1.0)).astype(np.complex64)
            data[done : done + len(part)] += np.float32(LEVEL) * part * phase
            at, done = at + len(part), done + len(part)
        yield Samples(
            data, rate_hz, center_hz, number * size, 1_700_000_000_000_000_000, 10 * np.log10(density)
        )


def sent_by(mode):
    synth = mode.part("synth")
    if hasattr(synth, "pictures"):
        return None  # pictures of its own signals are right as the contract suite compares them
    return {bits for item in synth.examples() for bits in synth.payloads(item)}


def is_right(item, own):
    """Whether it was sent, in whole or (a survey that ends within it) from its beginning on."""
    if own is None:
        return True
    bits = item.frame.bits
    return any(sent.size >= bits.size and sent.value >> (sent.size - bits.size) == bits.value for sent in own)


def false_of(listener, sender, minutes, seed):
    """False messages of one cell, what they said, the right ones, and how much quicker than real time it went."""
    rng = np.random.default_rng(seed)
    own = sent_by(listener) if listener is sender else set()
    false, right, said, spent = 0, 0, [], 1e-9
    places = centres(listener)
    for center_hz in places:
        demodulator, assembler = listener.demodulator(), None
        if find_spec(f"{listener.package}.messages"):
            assembler = listener.assembler()
        share = minutes / len(places)
        results = []
        for samples in pieces(listener, sender, center_hz, share, rng):
            began = time.process_time()
            results += demodulator.feed(samples)
            spent += time.process_time() - began
        results += demodulator.close()
        found = [item for item in results if isinstance(item, Picture)]
        if assembler:
            for frame in results:
                found += assembler.feed(frame) if isinstance(frame, Frame) else ()
            found += assembler.close()
        for item in found:
            if is_right(item, own):
                right += 1
            else:
                false += 1
                said.append(
                    dict(item.extra) if isinstance(item, Picture) else f"{item.kind} {dict(item.fields)}"
                )
    return false, right, said, 60 * minutes / spent


def matrix(minutes, names, only):
    senders = [MODES[name] for name in only] or [None, *MODES.values()]
    total = 0
    for row, listener in enumerate(mode for mode in LISTENERS if not names or mode.name in names):
        cells, slowest = [], (float("inf"), "")
        for column, sender in enumerate(senders):
            word = sender.name if sender else "noise"
            false, right, said, speed = false_of(listener, sender, minutes, (row, column))
            total += false
            slowest = min(slowest, (speed, word))
            own = f" (right {right})" if sender is listener else ""
            cells.append(f"{word} {false}{own}")
            for text in said[:5]:
                print(f"    {listener.name} on {word}: {str(text)[:300]}", flush=True)
        print(f"{listener.name:8} in {minutes:g} min each of: {', '.join(cells)}; slowest {slowest[0]:.0f} x real time "
              f"on {slowest[1]}", flush=True)  # fmt: skip
    print(f"false messages and pictures: {total} (limit 0)")


def survey(minutes):
    rate_hz = 2.4e6
    for number, center_hz in enumerate(CENTRES_HZ):
        rng = np.random.default_rng(number)
        with tempfile.TemporaryDirectory() as folder:
            made = Path(folder) / "noise.cu8"
            with made.open("wb") as out:
                for _ in range(round(60 * minutes)):
                    levels = 4.0 * rng.standard_normal(2 * int(rate_hz), np.float32) + 127.5
                    out.write(np.clip(np.rint(levels), 0, 255).astype(np.uint8).tobytes())
            station = Path(folder) / "station"
            outcome = survey_file(str(made), station, rate_hz=rate_hz, centre_hz=center_hz, sample_type="cu8")
            with Log.open(station) as log:
                counts = {
                    "messages": len(list(log.messages())),
                    "identities": len(list(log.identities())),
                    "overs": len(list(log.overs())),
                    "pictures": len(list(log.pictures())),
                }
        stated = Detector(rate_hz, center_hz)._per_hour * minutes / 60
        print(f"survey of {minutes:g} min of noise at {center_hz / 1e6:g} MHz, {rate_hz / 1e6:g} MS/s: {counts} "
              f"(limits 0); emissions {outcome.counts.get('emissions', 0)}, stated {stated:.2f}; "
              f"{outcome.seconds / outcome.took_s:.1f} x real time", flush=True)  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("minutes", nargs="?", type=float, default=10.0)
    parser.add_argument("--modes", nargs="*", default=[], choices=[mode.name for mode in LISTENERS])
    parser.add_argument(
        "--on", nargs="*", default=[], choices=list(MODES), help="only signals of these modes"
    )
    parser.add_argument("--survey", action="store_true", help="only the survey of noise")
    parser.add_argument("--matrix", action="store_true", help="only the matrix")
    given = parser.parse_args()
    if not given.survey:
        matrix(given.minutes, given.modes, given.on)
    if not given.matrix:
        survey(given.minutes)
