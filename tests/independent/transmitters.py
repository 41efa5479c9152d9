"""Transmitters written from the standards alone, without a look at the modes' own encoders.

Nothing here imports the program: what both sides understand, they read in the same standard. Sheets named are
those of the shared folder (`marine_paging_space.md`, `aviation.md`); "memory" is a value of the named standard
from memory. Waves are complex128, shape (n,), about unit power, at 0 Hz; `ppm` is the error of the symbol clock.
"""

from itertools import pairwise
from math import erf

import numpy as np

FLAG = [0, 1, 1, 1, 1, 1, 1, 0]  # ISO/IEC 13239


def bits_of(value, count):
    return [value >> n & 1 for n in range(count - 1, -1, -1)]


def hex_of(bits):
    bits = list(bits) + [0] * (-len(bits) % 8)
    return "".join(f"{int(''.join(map(str, bits[n : n + 8])), 2):02X}" for n in range(0, len(bits), 8))


def octet_bits(octets):
    """Least significant bit of each octet first, as HDLC and ACARS send them."""
    return [octet >> n & 1 for octet in octets for n in range(8)]


def crc_16(bits, start, last):
    """x^16 + x^12 + x^5 + 1, bit by bit, least significant first."""
    register = start
    for bit in bits:
        feedback = (register ^ bit) & 1
        register = register >> 1 ^ (0x8408 if feedback else 0)
    return register ^ last


def stuffed(bits):
    out, ones = [], 0
    for bit in bits:
        out.append(bit)
        ones = ones + 1 if bit else 0
        if ones == 5:
            out.append(0)
            ones = 0
    return out


def framed(bits):
    """Bits in the order of the air, with FCS, stuffed, between flags (sheet 1.1, 7)."""
    check = crc_16(bits, 0xFFFF, 0xFFFF)
    return FLAG + stuffed(bits + [check >> n & 1 for n in range(16)]) + FLAG


def nrzi(bits, level=0):
    out = []
    for bit in bits:
        level ^= 1 - bit  # 0 changes, 1 does not
        out.append(level)
    return out


def held(symbols, rate_hz, baud, ppm=0.0):
    """Each symbol for its time, sampled at rate_hz."""
    baud *= 1 + ppm * 1e-6
    at = (np.arange(int(len(symbols) * rate_hz / baud)) * baud / rate_hz).astype(int)
    return np.asarray(symbols)[np.minimum(at, len(symbols) - 1)]


def ramped(wave, count):
    edge = np.sin(np.linspace(0, np.pi / 2, int(count))) ** 2
    wave = np.array(wave, complex)
    wave[: len(edge)] *= edge
    wave[-len(edge) :] *= edge[::-1]
    return wave


# -- AIS: ITU-R M.1371 by way of the sheet, section 1 ------------------------------------------------------


def ais_bits(message, first=0):
    """Training, flag, message, FCS, flag. The training may begin with either bit (M.1371, memory)."""
    octets = [int(hex_of(message)[n : n + 2], 16) for n in range(0, len(message) // 4, 2)]
    return [(n + first) & 1 for n in range(24)] + framed(octet_bits(octets))


def gmsk(levels, rate_hz, bt=0.4, index=0.5, ppm=0.0, baud=9600.0):
    """Rectangular pulses through a Gaussian filter of 3 dB bandwidth bt / T, into an FM modulator."""
    per = rate_hz / (baud * (1 + ppm * 1e-6))
    grid = np.arange(-4, 4, 1 / 64)
    k = 2 * np.pi * bt / np.sqrt(2 * np.log(2))
    pulse = np.array([0.5 * (erf((t + 0.5) * k) - erf((t - 0.5) * k)) for t in grid])
    signs = np.concatenate([np.zeros(4), 2.0 * np.array(levels) - 1, np.zeros(4)])
    at = (np.arange(int(len(levels) * per)) + 0.5) / per
    deviation = np.zeros(len(at))
    for shift in range(-3, 4):
        symbol = np.floor(at).astype(int) + shift
        deviation += signs[np.clip(symbol + 4, 0, len(signs) - 1)] * np.interp(
            at - symbol - 0.5, grid, pulse, 0, 0
        )
    return np.exp(1j * np.pi * index * np.cumsum(deviation) / per)


def ais(message, rate_hz, *, first=0, bt=0.4, index=0.5, ppm=0.0):
    levels = nrzi(ais_bits(message, first), first)
    per = rate_hz / 9600
    return ramped(gmsk([levels[0]] * 8 + levels + [levels[-1]] * 4, rate_hz, bt, index, ppm), 6 * per)


def position(number, rng):
    """A position report (M.1371-5, message 1) with legal longitude, latitude, course, heading and second."""
    message = bits_of(1, 6) + bits_of(0, 2) + bits_of(244_000_123 + number, 30)
    message += rng.integers(0, 2, 130).tolist()
    message[61:89], message[89:116] = bits_of(4_000_000, 28), bits_of(30_000_000, 27)
    message[116:143] = bits_of(900, 12) + bits_of(91, 9) + bits_of(30, 6)
    return message


# -- DSC: ITU-R M.493, section 2 ---------------------------------------------------------------------------


def dsc_character(value):
    low_first = [value >> n & 1 for n in range(7)]
    return low_first + bits_of(7 - sum(low_first), 3)


def dsc_bits(call, end, dots):
    """`call`: symbols from the format specifier (once) to the last message; `end`: end of sequence."""
    check = end
    for symbol in call:
        check ^= symbol
    whole = [call[0], *call, end, check]
    direct = [125] * 6 + whole + [end, end]
    repeat = [111, 110, 109, 108, 107, 106, 105, 104, *whole]
    out = [n & 1 for n in range(dots)]
    for one, other in zip(direct, repeat, strict=True):
        out += dsc_character(one) + dsc_character(other)
    return out


def dsc_vhf(bits, rate_hz, *, index=2.0, ppm=0.0):
    """Sub-carrier 1300 Hz for 1 and 2100 Hz for 0, pre-emphasis 6 dB an octave: phase modulation by `index`."""
    tone_hz = np.where(held(bits, rate_hz, 1200, ppm) == 1, 1300.0, 2100.0)
    phase = index * np.sin(2 * np.pi * np.cumsum(tone_hz) / rate_hz)
    lead = np.zeros(int(0.01 * rate_hz))
    return ramped(np.exp(1j * np.concatenate([lead, phase, lead])), 0.002 * rate_hz)


def keyed(bits, rate_hz, baud, shift_hz, *, high=1, ppm=0.0):
    """F1B: the bit `high` on the upper frequency."""
    hz = np.where(held(bits, rate_hz, baud, ppm) == high, 0.5, -0.5) * shift_hz
    return ramped(np.exp(2j * np.pi * np.cumsum(hz) / rate_hz), 0.004 * rate_hz)


# -- SITOR B and NAVTEX: ITU-R M.476 and M.540, section 3; first element is the lowest bit, 1 = B ----------

_LETTERS = dict(
    zip(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZ",
        bytes.fromhex("47721D53561B35694D171E653959712D2E554B744E3C273A2B63"),
        strict=True,
    )
)
_FIGURES = dict(zip("-?:38().,9014'57=2/6+", "ABCEIKLMNOPQRSTUVWXYZ", strict=True))
ALPHA, RETURN, FIGURES, FEED, LETTERS, REQUEST, SPACE = 0x0F, 0x78, 0x36, 0x6C, 0x5A, 0x66, 0x5C


def sitor_words(text):
    out, shifted = [], False
    for char in text:
        plain = {"\r": RETURN, "\n": FEED, " ": SPACE}.get(char)
        if plain is not None:
            out.append(plain)
            continue
        if (char not in _LETTERS) != shifted:
            shifted = not shifted
            out.append(FIGURES if shifted else LETTERS)
        out.append(_LETTERS[_FIGURES.get(char, char)])
    return out


def sitor_bits(text, pairs=20):
    """First copy in every second place, the second copy five places later; phasing before, three alpha after."""
    words = sitor_words(text)
    first = [REQUEST] * pairs + words + [ALPHA] * 3
    second = [ALPHA] * (pairs + 2) + words + [ALPHA]
    return [word >> n & 1 for pair in zip(first, second, strict=True) for word in pair for n in range(7)]


# -- ACARS: section 2 of aviation.md -----------------------------------------------------------------------


def odd(code):
    return code | 0x80 * (code.bit_count() % 2 == 0)


def acars_block(mode, registration, label, number, text):
    """Octets with parity from the mode character to ETX, and the two of the block check."""
    plain = f"{mode}{registration:.>7}\x15{label}{number}" + (f"\x02{text}" if text else "") + "\x03"
    octets = [odd(ord(char)) for char in plain]
    check = crc_16(octet_bits(octets), 0, 0)
    return octets, [check & 255, check >> 8]


def acars(block, rate_hz, *, depth=0.8, pre_key=16, ppm=0.0):
    """2400 Hz where a bit is like the one before, 1200 Hz where it is not; on the envelope of a carrier."""
    octets, check = block
    whole = [0xFF] * pre_key + [odd(ord("+")), odd(ord("*")), 0x16, 0x16, 0x01, *octets, *check, 0x7F]
    bits = octet_bits(whole)
    same = [1] + [int(a == b) for a, b in pairwise(bits)]
    tone_hz = np.where(held(same, rate_hz, 2400, ppm) == 1, 2400.0, 1200.0) * (1 + ppm * 1e-6)
    tone = np.sin(2 * np.pi * np.cumsum(tone_hz) / rate_hz)
    quiet = np.zeros(int(0.01 * rate_hz))
    return ramped(1 + depth * np.concatenate([quiet, tone, quiet]), 0.003 * rate_hz)


# -- VDL mode 2: section 3 ---------------------------------------------------------------------------------

_GRAY = {0: 0, 1: 1, 3: 2, 2: 3, 6: 4, 7: 5, 5: 6, 4: 7}
_UNIQUE_WORD = (0, 2, 3, 6, 0, 1, 5, 6, 1, 4, 3, 7, 5, 7, 4, 2)
_HEADER = ("00000000111111111111", "00111111000011111111", "11000111001100001111", "11011011010100110011",
           "01101001111001010101")  # fmt: skip


def avlc(to, sender, control, information=()):
    """Octets of a frame without FCS; addresses are (type, 24 bits)."""
    out = []
    for last, (kind, address) in enumerate((to, sender)):
        sent = bits_of(kind << 24 | address, 28)
        for n in range(4):
            octet = [int(last == 1 and n == 3), *sent[7 * n : 7 * n + 7]]
            out.append(sum(bit << k for k, bit in enumerate(octet)))
    return [*out, control, *information]


def _times(a, b):
    out = 0
    while b:
        out ^= a * (b & 1)
        a = a << 1 ^ (0x187 if a & 0x80 else 0)
        b >>= 1
    return out


def _parity(row):
    """Six check octets of a row filled with zeros to 249, by g(x) = (x - a^120) ... (x - a^125)."""
    rest = [0] * 6
    for octet in row + [0] * (249 - len(row)):
        factor, rest = octet ^ rest[0], [*rest[1:], 0]
        rest = [
            a ^ _times(factor, b) for a, b in zip(rest, (0xD9, 0x63, 0x3E, 0xD9, 0x82, 0x17), strict=True)
        ]
    return rest[: 0 if len(row) <= 2 else 2 if len(row) <= 30 else 4 if len(row) <= 67 else 6]


def vdl2_phases(frames):
    """Phases in eighths of a turn from the ramp to the last symbol."""
    data = list(FLAG)
    for frame in frames:
        data += framed(octet_bits(frame))[8:]
    length = len(data)
    data += [0] * (-length % 8)
    octets = [sum(data[n + k] << k for k in range(8)) for n in range(0, len(data), 8)]
    rows = [octets[n : n + 249] for n in range(0, len(octets), 249)]
    checks = [_parity(row) for row in rows]
    sent = [row[n] for n in range(249) for row in rows if n < len(row)]
    sent += [check[n] for n in range(6) for check in checks if n < len(check)]
    header = [0, 0, 0] + [length >> n & 1 for n in range(17)]
    header += [sum(int(a) & b for a, b in zip(line, header[:20], strict=True)) % 2 for line in _HEADER]
    bits = header + octet_bits(sent)
    bits += [0] * (-len(bits) % 3)
    stages = [int(bit) for bit in "110100101011001"]
    for n, bit in enumerate(bits):
        turn = stages[0] ^ stages[14]
        stages = [turn, *stages[:14]]
        bits[n] = bit ^ turn
    words = [4 * a + 2 * b + c for a, b, c in zip(bits[::3], bits[1::3], bits[2::3], strict=True)]
    return np.cumsum([_GRAY[word] for word in (0, 0, 0, 0, *_UNIQUE_WORD, *words)]) % 8


def vdl2(frames, rate_hz, *, ppm=0.0):
    """Raised cosine, roll-off 0.6, all of it in the transmitter."""
    symbols = np.concatenate([np.zeros(8), np.exp(0.25j * np.pi * vdl2_phases(frames)), np.zeros(8)])
    per = rate_hz / (10_500 * (1 + ppm * 1e-6))
    at = np.arange(int((len(symbols) - 8) * per)) / per + 4
    wave = np.zeros(len(at), complex)
    for shift in range(-4, 5):
        symbol = np.round(at).astype(int) + shift
        t = at - symbol + 1e-9
        pulse = np.sinc(t) * np.cos(0.6 * np.pi * t) / (1 - (1.2 * t) ** 2)
        wave += symbols[np.clip(symbol, 0, len(symbols) - 1)] * pulse
    return wave


# -- 406 MHz beacons: C/S T.001, section 8.5 ---------------------------------------------------------------


def beacon(bits, rate_hz, *, self_test=False, radians=1.1, ppm=0.0):
    """160 ms of carrier, 15 ones, frame synchronisation, the message; biphase-L."""
    whole = [1] * 15 + [int(bit) for bit in ("011010000" if self_test else "000101111")] + list(bits)
    halves = [sign for bit in whole for sign in ((1, -1) if bit else (-1, 1))]
    phase = radians * held(halves, rate_hz, 800, ppm)
    return ramped(np.exp(1j * np.concatenate([np.zeros(int(0.16 * rate_hz)), phase])), 0.001 * rate_hz)


# -- Morse: ITU-R M.1677, from memory ----------------------------------------------------------------------

_MORSE = dict(
    zip(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/?=+",
        [
            ".-",
            "-...",
            "-.-.",
            "-..",
            ".",
            "..-.",
            "--.",
            "....",
            "..",
            ".---",
            "-.-",
            ".-..",
            "--",
            "-.",
            "---",
            ".--.",
            "--.-",
            ".-.",
            "...",
            "-",
            "..-",
            "...-",
            ".--",
            "-..-",
            "-.--",
            "--..",
            "-----",
            ".----",
            "..---",
            "...--",
            "....-",
            ".....",
            "-....",
            "--...",
            "---..",
            "----.",
            "-..-.",
            "..--..",
            "-...-",
            ".-.-.",
        ],
        strict=True,
    )
)


def morse(text, rate_hz, words_per_minute, *, unevenness=0.0, seed=1):
    """A hand whose every element and gap is off by `unevenness` (standard deviation, relative); 50 dots a word."""
    rng = np.random.default_rng(seed)
    parts = []
    for word in text.split():
        for char in word:
            for element in _MORSE[char]:
                parts += [(1, 1 if element == "." else 3), (0, 1)]
            parts[-1] = (0, 3)
        parts[-1] = (0, 7)
    dot = 1.2 / words_per_minute * rate_hz
    lengths = [round(dot * count * max(1 + unevenness * rng.normal(), 0.4)) for _, count in parts]
    keyed_down = np.repeat([float(state) for state, _ in parts], lengths)
    edge = np.hanning(int(0.01 * rate_hz) + 2)
    return np.convolve(keyed_down, edge / edge.sum(), "same").astype(complex)


# -- squelch: sections 6.1 and 6.2 -------------------------------------------------------------------------


def dcs_word(code):
    """23 bits, first sent is the lowest: nine of the octal code, 001, eleven of parity by 0xC75."""
    data = 0b100 << 9 | int(code, 8)
    rest = data << 11
    for n in range(22, 10, -1):
        if rest >> n & 1:
            rest ^= 0xC75 << (n - 11)
    return rest << 12 | data


def voice_band(seconds, rate_hz, seed=1):
    """Harmonics of a pitch that moves, through two formants, in syllables, 300 to 3000 Hz; float64, rms 1."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(seconds * rate_hz)) / rate_hz
    pitch_hz = (
        120 + 18 * np.sin(2 * np.pi * 0.7 * time_s + rng.random()) + 9 * np.sin(2 * np.pi * 2.3 * time_s)
    )
    phase = 2 * np.pi * np.cumsum(pitch_hz) / rate_hz
    formants_hz = (
        500 + 200 * np.sin(2 * np.pi * 1.9 * time_s),
        1500 + 500 * np.sin(2 * np.pi * 1.3 * time_s),
    )
    sound = np.zeros(len(time_s))
    for n in range(3, 22):
        near = sum(1 / (1 + ((n * pitch_hz - hz) / 120) ** 2) for hz in formants_hz)
        sound += near * np.sin(n * phase)
    sound *= np.clip(np.sin(2 * np.pi * 2.1 * time_s) + 0.7, 0, 1)
    return sound / np.sqrt(np.mean(sound**2))


def fm_voice(seconds, rate_hz, *, ctcss_hz=None, dcs=None, inverted=False, deviation_hz=5000.0, seed=1):
    hz = deviation_hz * np.clip(0.25 * voice_band(seconds, rate_hz, seed), -0.85, 0.85)
    time_s = np.arange(len(hz)) / rate_hz
    if ctcss_hz:
        hz += 0.12 * deviation_hz * np.sin(2 * np.pi * ctcss_hz * time_s)
    if dcs:
        word = dcs_word(dcs) ^ (0x7FFFFF if inverted else 0)
        bit = word >> ((time_s * 134.4).astype(int) % 23) & 1
        smooth = np.hanning(int(rate_hz / 250))
        hz += 0.12 * deviation_hz * np.convolve(2.0 * bit - 1, smooth / smooth.sum(), "same")
    return np.exp(2j * np.pi * np.cumsum(hz) / rate_hz)


# -- the way to the receiver -------------------------------------------------------------------------------


def two_paths(wave, rate_hz, *, apart_s, spread_hz, seed=1):
    """Two paths of equal power that fade alone: ITU-R F.1487, gains with a Gaussian Doppler spectrum of two
    standard deviations `spread_hz` (middle latitudes: 0.5 ms and 0.1 Hz quiet, 1 ms and 0.5 Hz, 2 ms and 1 Hz disturbed).
    """
    rng = np.random.default_rng(seed)
    count = len(wave)
    late = np.fft.ifft(np.fft.fft(wave) * np.exp(-2j * np.pi * np.fft.fftfreq(count) * apart_s * rate_hz))
    out = np.zeros(count, complex)
    for path in (wave, late):
        slow = int(count / rate_hz * 20) + 400
        shape = np.exp(-(np.fft.fftfreq(slow, 1 / 20) ** 2) / spread_hz**2)  # of amplitude: half the exponent
        gain = np.fft.ifft((rng.normal(size=slow) + 1j * rng.normal(size=slow)) * shape)
        gain /= np.sqrt(np.mean(np.abs(gain) ** 2))
        at = np.arange(count) / rate_hz * 20 + 100
        out += path * (
            np.interp(at, np.arange(slow), gain.real) + 1j * np.interp(at, np.arange(slow), gain.imag)
        )
    return out / np.sqrt(2)


def received(wave, rate_hz, *, snr_db, width_hz, offset_hz=0.0, quiet_s=0.1, seed=1):
    """The wave (mean power 0.01) on noise, `quiet_s` before and after; SNR of its mean power in `width_hz`."""
    rng = np.random.default_rng(seed)
    quiet = int(quiet_s * rate_hz)
    out = np.zeros(len(wave) + 2 * quiet, complex)
    turn = np.exp(2j * np.pi * (offset_hz / rate_hz * np.arange(len(wave)) + rng.random()))
    out[quiet : quiet + len(wave)] = wave / np.sqrt(np.mean(np.abs(wave) ** 2)) * turn
    power = 10 ** (-snr_db / 10) * rate_hz / width_hz
    out += np.sqrt(power / 2) * (rng.normal(size=len(out)) + 1j * rng.normal(size=len(out)))
    return (0.1 * out).astype(np.complex64)
