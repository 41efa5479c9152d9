"""One AIS burst read: detected, its frame found and repaired, and what is known of it told.

1. Detection: a phase-locked loop steered by decisions, then two passes that estimate carrier, amplitude and timing
   from all decided neighbours of each symbol but itself, and take the known interference of neighbours away.
2. Frames: NRZI makes bit k the product of pulse symbols k and k - 2. The frame is read from the start flag;
   when its FCS fails, a discriminator (which bears a wrong deviation) has a try, and last the few least
   certain symbols are reversed; the result of that must be plausible and is marked "corrected".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.coding.hdlc import FLAG, HdlcFrame, frame_at, hard_bits, repairs
from earwitness.core.types import Bits
from earwitness.modes.ais.messages import legal, plausible
from earwitness.modes.ais.symbols import (
    FAR,
    NEAR,
    PULSE,
    agreement,
    derotate,
    discriminate,
    first_pass,
    later_pass,
    matched,
    unbend,
)
from earwitness.modes.ais.training import KNOWN_SIGNS, LEAD, OS, TRAINING, Fit

# from the start of training to the end of a burst of one slot and what shows that it has ended
USUAL_BITS = 300
MOST_BITS = 1290  # start of training to end flag of five slots, stuffing included
FIRST_LOOK = 160  # symbols that are looked at first ...
# ... and how many must lie on either side of the carrier: 0.4 in bursts, 0.02 in a foreign one
LEAST_EITHER = 0.2
REPAIR_TRIALS = 12
REPAIR_TRIALS_COLLIDED = 4
ALONE_NOISE = 2.0  # residual over noise up to which a burst is taken to be alone
REPAIR_LARGEST = 0.6  # a symbol of nominal size 1 further out than this is not doubted
REPAIR_LEAST_RATIO = 2.5  # signal to residual below which nothing is repaired
LEAST_OCTETS, MOST_OCTETS = 5, 132  # message lengths looked at: 1008 bits and some padding at most
LEAST_BITS = 8 * LEAST_OCTETS + 16
FALL = 12  # symbols the first pass runs on after a burst's end
STEADY = 30  # symbols either side over which a burst's amplitude is taken to be steady
FIT_BENT = 0.5  # fit from which a burst that cannot be read may have another deviation; 0.67 at 6 dB Eb/N0
BENDS = tuple(
    np.pi / 2 * error for error in (-0.14, -0.07, 0.07, 0.14)
)  # deviations tried beside the nominal
# a deviation 1 % off, which leaves a hundredth of a burst's power where it is not known of
LEAST_BEND = 0.015
BEND_SPAN = 8  # symbols over which a burst's own turns are compared
FADE = (0.25, 0.5, 0.25)  # symbols over which a transmitter's fall is smoothed
LEAST_SHARE = 0.35  # of the amplitude, below which it has fallen
_FLAG = FLAG.tobytes()


@dataclass(frozen=True, slots=True)
class Coherent:
    """What coherent detection knows of a burst beyond its frame."""

    noise: float  # residual power in one symbol's bandwidth
    turn: float  # carrier taken out before detection, rad/sample
    drift: float  # of the symbol clock, relative
    signs: np.ndarray  # of the pulses
    z: np.ndarray  # matched-filter outputs, without what a wrong deviation turns them by
    bend: float  # what a symbol turns the phase by beyond a quarter turn, rad
    turned: np.ndarray  # and what they have together
    stop: int  # symbols to the end of the closing flag; what comes then fades


@dataclass(frozen=True, slots=True)
class Found:
    """A frame with the figures of its burst, positions in resampled samples."""

    frame: HdlcFrame
    start: float
    carrier: float  # rad/sample
    power: float
    coherent: Coherent | None = None  # None when the discriminator read it


def air_bits(octets: bytes) -> Bits:
    """Give the message bits of HDLC octets: each octet was sent least significant bit first."""
    return Bits(int.from_bytes(octets, "big"), 8 * len(octets))


def _keyed(y: np.ndarray, burst: Fit) -> bool:
    """Tell whether what follows the training sequence goes to either side of the carrier, as data do."""
    head = y[: int(burst.start) + (FIRST_LOOK + 2) * OS]
    res, ims = np.empty((2, len(head)), np.float32)
    derotate(head, burst.carrier, res, ims)
    steps = np.empty(FIRST_LOOK, np.float32)
    discriminate(res, ims, burst.start, steps)
    above = float(np.count_nonzero(steps[TRAINING:] > 0)) / (FIRST_LOOK - TRAINING)
    return LEAST_EITHER < above < 1 - LEAST_EITHER


def detect(y: np.ndarray, burst: Fit, noise: float | None = None, *, odd: bool = True) -> Found | None:
    """Detect the symbols of a burst and give its frame, if any reading of it holds.

    `noise` is the noise power in the symbol rate. What is left of a burst beyond it is another burst, whose
    errors are many and anywhere: then few repairs are tried.

    `odd`: bursts of wrong deviation or through a null of a fade are worth a try with the discriminator.
    """
    if not _keyed(y, burst):
        return None
    carrier = burst.carrier
    known = np.cumprod(burst.sign * KNOWN_SIGNS[burst.form]).astype(np.float32)
    frame = None
    for size in (USUAL_BITS, MOST_BITS):  # few bursts are longer than a slot
        part = y[: LEAD + (size + 16) * OS]
        res, ims = np.empty((2, len(part)), np.float32)
        derotate(part, carrier, res, ims)
        sight = _symbols(res, ims, burst.start, known, size)
        if len(sight.soft) < TRAINING + LEAST_BITS:
            break
        frame = read_frame(hard_bits(sight.soft, 2))
        if frame is not None or len(sight.soft) < size:
            break
    if frame is None and burst.score > FIT_BENT:
        bent = _bent(res, ims, burst.start, known, sight)
        if bent is not None:
            sight = bent
            frame = read_frame(hard_bits(sight.soft, 2))
    if frame is None:
        steps = np.empty(MOST_BITS if odd else 0, np.float32)
        if odd:
            if len(res) < len(y):
                res, ims = np.empty((2, len(y)), np.float32)
                derotate(y, carrier, res, ims)
            discriminate(res, ims, burst.start, steps)
        plain = read_frame(hard_bits(steps, 1)) if odd else None
        if plain:
            part = y[int(burst.start) : int(burst.start) + plain.stop * OS]
            steps = steps[: plain.stop]
            # Upper and lower steps would have opposite means without a carrier error.
            error = (np.mean(steps[steps > 0]) + np.mean(steps[steps < 0])) / 2
            carrier += float(error) * np.pi / 2 / OS
            return Found(plain, burst.start, carrier, float(np.mean(np.abs(part) ** 2)))
        if len(sight.soft) < TRAINING + LEAST_BITS or sight.ratio() < REPAIR_LEAST_RATIO:
            return None
        alone = noise is not None and np.mean(sight.rest) < ALONE_NOISE * noise
        frame = _repaired(sight.soft, REPAIR_TRIALS if alone else REPAIR_TRIALS_COLLIDED)
        if frame is None:
            return None
    inner = slice(3, frame.stop + 6)  # the outermost lack a decided neighbour
    if np.mean(sight.rest[inner]) > ALONE_NOISE * (noise or 0.0):
        bend = _bend(sight, frame.stop)
        if abs(bend) > LEAST_BEND:
            exact = _symbols(res, ims, burst.start, known, len(sight.soft), bend)
            heard = len(exact.soft) >= frame.stop + 8
            if heard and np.mean(exact.rest[inner]) < np.mean(sight.rest[inner]):
                sight = exact
    stop = frame.stop + 8
    kept = slice(0, stop + FALL)
    return Found(
        frame,
        sight.start,
        carrier + sight.turn / OS,
        float(np.mean(np.abs(sight.track[inner]) ** 2)),
        Coherent(
            float(np.mean(sight.rest[inner])),
            carrier,
            sight.drift,
            sight.decided[kept],
            sight.z[kept],
            sight.bend,
            sight.turned[kept],
            stop,
        ),
    )


@dataclass(frozen=True, slots=True)
class _Symbols:
    """What the passes of coherent detection make of a burst: a value each symbol, and its clock and carrier."""

    z: np.ndarray
    decided: np.ndarray
    track: np.ndarray
    soft: np.ndarray
    rest: np.ndarray
    turned: np.ndarray
    start: float
    drift: float
    turn: float
    bend: float

    def ratio(self) -> float:
        """Give the power explained over the power that is not."""
        return float(np.mean(np.abs(self.track) ** 2) / (np.mean(self.rest) + 1e-30))


def _symbols(
    res: np.ndarray, ims: np.ndarray, start: float, known: np.ndarray, size: int, bend: float = 0.0
) -> _Symbols:
    """Detect up to `size` symbols of a burst whose symbols turn the phase by `bend` beyond a quarter turn."""
    z, track = np.empty((2, size), np.complex64)
    decided = np.empty(size, np.float32)
    drift = 0.0
    matched(res, ims, start, drift, PULSE, z)
    count = int(first_pass(z, known, NEAR, bend, decided, track))
    z, decided, track = z[:count], decided[:count], track[:count]
    soft, rest, turned = np.zeros((3, count), np.float32)
    turn = 0.0
    if count >= TRAINING + LEAST_BITS:
        for again in range(3):
            if again:
                turns = track * np.exp(1j * turned) if bend else track
                late, stretch = _timing(res, ims, start, drift, decided, turns)
                start, drift = start + late, drift + stretch
                matched(res, ims, start, drift, PULSE, z)
            if bend:
                straight = np.empty(count, np.complex64)
                unbend(z, decided, bend, turned, straight)
                if not again:
                    track *= np.exp(-1j * turned)
                turn = later_pass(straight, NEAR, FAR, decided, track, soft, rest)
            else:
                turn = later_pass(z, NEAR, FAR, decided, track, soft, rest)
        if bend:
            unbend(z.copy(), decided, bend, turned, z)
    return _Symbols(z, decided, track, soft, rest, turned, start, drift, turn, bend)


def _bent(
    res: np.ndarray, ims: np.ndarray, start: float, known: np.ndarray, plain: _Symbols
) -> _Symbols | None:
    """Give the best detection with a deviation other than the nominal; None where the nominal explains more."""
    count = len(plain.soft)
    best = None
    ratio = plain.ratio() if count >= TRAINING + LEAST_BITS else 0.0
    for bend in BENDS:
        bent = _symbols(res, ims, start, known, max(count, USUAL_BITS), bend)
        if len(bent.soft) >= max(TRAINING + LEAST_BITS, 0.9 * count) and bent.ratio() > ratio:
            best, ratio = bent, bent.ratio()
    return best


def _bend(sight: _Symbols, stop: int) -> float:
    """Give what each symbol of a burst turns the phase by beyond a quarter turn, rad."""
    b = sight.decided[:stop]
    model = b.astype(np.complex128)
    model[1:-1] += 1j * NEAR * (b[2:] - b[:-2])
    seen = sight.z[:stop] * model.conj()
    steps = seen[BEND_SPAN:] * seen[:-BEND_SPAN].conj()
    steps *= np.conj(np.sum(steps))
    ways = np.concatenate([[0.0], np.cumsum(b[1:] * b[:-1])])
    ways = ways[BEND_SPAN:] - ways[:-BEND_SPAN]
    ways -= np.mean(ways)
    return sight.bend + float(np.angle(steps) @ ways / (ways @ ways + 1e-30))


def _repaired(soft: np.ndarray, tried: int) -> HdlcFrame | None:
    """Give the first plausible frame that a few reversed symbols make."""
    trials = repairs(
        soft,
        TRAINING,
        lag=2,
        stop=len(soft) - FALL,
        suspects=8,
        trials=tried,
        largest=REPAIR_LARGEST,
        min_octets=LEAST_OCTETS,
        max_octets=MOST_OCTETS,
    )
    return next((frame for frame in trials if plausible(air_bits(frame.octets))), None)


def _timing(
    res: np.ndarray, ims: np.ndarray, start: float, drift: float, decided: np.ndarray, track: np.ndarray
) -> tuple[float, float]:
    """Give how much later the burst starts than thought, and how much slower its clock is (relative).

    Early and late matched filters against the decided symbols; the clock only where a burst of several
    slots lets it be seen.
    """
    count = len(decided)
    z = np.empty((3, count), np.complex64)
    for row, shift in enumerate((-1.0, 0.0, 1.0)):
        matched(res, ims, start + shift, drift, PULSE, z[row])

    def peak(low: int, high: int) -> float:
        a, b, c = (agreement(z[row, low:high], decided[low:high], track[low:high]) for row in range(3))
        bend = a - 2 * b + c
        return min(max(0.5 * (a - c) / bend, -1.0), 1.0) if bend < 0 else 0.0

    if count < 400:
        return peak(0, count), 0.0
    first, second = peak(0, count // 2), peak(count // 2, count)
    slope = (second - first) / (count // 2 * OS)
    return first - slope * count / 4 * OS, slope


def read_frame(bits: np.ndarray) -> HdlcFrame | None:
    """Give the frame after the start flag: where it should be, or where else near there a flag stands."""
    near = bits[TRAINING - 28 : TRAINING + 8].tobytes()
    for at in (TRAINING, *(at for at in range(TRAINING - 20, TRAINING + 9) if at != TRAINING)):
        if at != TRAINING and near[at - TRAINING + 20 : at - TRAINING + 28] != _FLAG:
            continue
        frame = frame_at(bits, at, min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS)
        if frame and legal(air_bits(frame.octets)):
            return frame
    return None


def steady_amplitude(burst: Coherent, carrier: float) -> np.ndarray:
    """Give a burst's complex amplitude per symbol, complex64, smoothed for taking the burst out.

    A weaker burst in the same slot sends the same training sequence at the same time, so over the known
    part its share cannot be told from the stronger one's: there the amplitude is carried on from later.
    After the closing flag the transmitter falls silent at its own pace, which only ever goes down.
    """
    b = burst.signs.astype(np.float64)
    model = b.astype(np.complex128)
    model[1:-1] += 1j * NEAR * (b[2:] - b[:-2])
    turn = np.exp(1j * (carrier - burst.turn) * OS * np.arange(len(b)))
    window = np.bartlett(2 * STEADY + 1)[1:-1]
    margin = len(window) // 2
    seen = burst.z * turn.conj() * model.conj()
    k = np.arange(len(b))
    heard = k < burst.stop
    top = np.convolve(seen * heard, window)[margin:-margin]
    power = np.convolve(np.abs(model) ** 2 * heard, window)[margin:-margin]
    first = TRAINING + 8
    data = slice(first, min(first + 110, len(b) - 8))
    weight = np.abs(model[data])
    line = np.polyfit(k[data], (burst.z * turn.conj() / model)[data], 1, w=weight)
    blend = np.clip((k - first) / STEADY, 0, 1)
    out = blend * top / power + (1 - blend) * np.polyval(line, k)
    end = min(burst.stop, len(b)) - 1
    share = (seen * out[end].conj()).real / (np.abs(model * out[end]) ** 2 + 1e-30)
    share = np.minimum.accumulate(np.clip(np.convolve(share, FADE, "same")[end:], 0, 1))
    out[end:] = out[end] * np.where(share > LEAST_SHARE, share, 0)
    return (out * turn).astype(np.complex64)
