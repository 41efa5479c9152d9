"""Transmitters of space and picture modes written from the sheet of standards alone, and what a cheap receiver does.

Numpy only; nothing of the project is imported. Sections are those of the sheet on marine, paging and space modes; what
it does not hold is from memory and says so. Waves are complex with unit power, pictures uint8.
"""

import numpy as np

LIGHT_M_S = 299_792_458.0

# -- the way to a cheap receiver -----------------------------------------------------------------------------


def pass_doppler_hz(seconds, carrier_hz, height_m=850e3, centre_s=0.0):
    """Shift during a pass through the zenith of a circular orbit; closest at `centre_s`."""
    earth, gravity = 6.371e6, 3.986e14
    radius = earth + height_m
    speed = np.sqrt(gravity / radius) / radius  # rad/s
    angle = speed * (np.asarray(seconds) - centre_s)
    distance = np.sqrt(earth**2 + radius**2 - 2 * earth * radius * np.cos(angle))
    rate = earth * radius * np.sin(angle) * speed / distance
    return -carrier_hz * rate / LIGHT_M_S


def shifted(wave, rate_hz, hz):
    """The wave moved by a frequency that may be an array."""
    return wave * np.exp(2j * np.pi * np.cumsum(np.broadcast_to(hz, len(wave))) / rate_hz)


def fading(count, rate_hz, depth_db, hz, seed=1):
    """Amplitude of slow fading: sums of a few sines in dB, as deep as said."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) / rate_hz
    wave = sum(np.sin(2 * np.pi * (hz * k * t + rng.random())) / k for k in (1, 2, 3)) / 1.8
    return 10 ** (-depth_db * (0.5 + 0.5 * np.clip(wave, -1, 1)) / 20)


def cheap(wave, rate_hz, *, snr_db, width_hz, quiet_s=0.2, dc=0.0, imbalance=0.0, bits=8, seed=1):
    """Noise, the two rails unlike (amplitude, and as many radians of phase), a constant, and rounding to so many bits.

    SNR of the wave's mean power in `width_hz`; `dc` in amplitudes of the wave.
    """
    rng = np.random.default_rng(seed)
    quiet = int(quiet_s * rate_hz)
    size = np.sqrt(np.mean(np.abs(wave) ** 2))
    out = np.concatenate([np.zeros(quiet), wave / size * np.exp(2j * np.pi * rng.random()), np.zeros(quiet)])
    power = 10 ** (-snr_db / 10) * rate_hz / width_hz
    out = out + np.sqrt(power / 2) * (rng.normal(size=len(out)) + 1j * rng.normal(size=len(out)))
    out = out.real * (1 + imbalance) + 1j * (out.imag + imbalance * out.real)
    out = out + dc * np.exp(0.7j)
    scale = 0.25 / np.sqrt(np.mean(np.abs(out) ** 2))
    step = 2.0 ** (1 - bits)
    rails = np.clip(
        np.round(scale * np.array([out.real, out.imag]) / step), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    )
    return (step * (rails[0] + 1j * rails[1])).astype(np.complex64), 20 * np.log10(scale) + 10 * np.log10(
        power / rate_hz
    )


def fm(audio, rate_hz, deviation_hz):
    """Frequency modulation by audio of at most one."""
    return np.exp(2j * np.pi * np.cumsum(audio) * deviation_hz / rate_hz)


# -- slow-scan pictures: section 8.3; colours as ITU-R BT.601, from memory -------------------------------------

PICTURE_MODES = {  # name: (code, rows, width)
    "Martin 1": (44, 256, 320), "Martin 2": (40, 256, 320), "Scottie 1": (60, 256, 320), "Scottie 2": (56, 256, 320),
    "Scottie DX": (76, 256, 320), "Robot 36": (8, 240, 320), "Robot 72": (12, 240, 320), "PD 50": (93, 256, 320),
    "PD 90": (99, 256, 320), "PD 120": (95, 496, 640), "PD 160": (98, 400, 512), "PD 180": (96, 496, 640),
    "PD 240": (97, 496, 640), "PD 290": (94, 616, 800), "SC2-180": (55, 256, 320), "P3": (113, 496, 640),
    "P5": (114, 496, 640), "P7": (115, 496, 640),
}  # fmt: skip
_PD = {"PD 50": 91.52, "PD 90": 170.24, "PD 120": 121.6, "PD 160": 195.584, "PD 180": 183.04, "PD 240": 244.48, "PD 290": 228.8}  # fmt: skip
# sync, porch, scan of one colour: from memory; their sums are the sheet's line times
_P = {"P3": (5.208, 1.042, 133.333), "P5": (7.813, 1.563, 200.0), "P7": (10.417, 2.083, 266.667)}


def test_card(rows, width):
    """Bars of colours, a wedge of greys that turns, and a few lines: something to measure a received picture by."""
    y, x = np.mgrid[0:rows, 0:width] / np.array([rows, width]).reshape(2, 1, 1)
    red = 128 + 110 * np.sin(2 * np.pi * (1.5 * x + y))
    green = 255 * x
    blue = 128 + 110 * np.cos(2 * np.pi * (x - 1.3 * y))
    out = np.stack([red, green, blue], axis=-1)
    out[:, width // 2 : width // 2 + max(width // 40, 2)] = 255
    out[rows // 3 : rows // 3 + rows // 20] *= 0.3
    return np.clip(out, 0, 255).astype(np.uint8)


def _hz(level):
    return 1500.0 + 800.0 * np.asarray(level, float) / 255


def _luminance(card):
    r, g, b = (card[..., k].astype(float) for k in range(3))
    y = 16 + (65.738 * r + 129.057 * g + 25.064 * b) / 256
    v = 128 + (112.439 * r - 94.154 * g - 18.285 * b) / 256
    u = 128 + (-37.945 * r - 74.494 * g + 112.439 * b) / 256
    return y, v, u


def sstv_parts(name, card, *, vis=True):
    """The picture as [(Hz or array of Hz, ms), ...]."""
    code = PICTURE_MODES[name][0]
    out = []
    if vis:
        bits = [code >> k & 1 for k in range(7)]
        bits.append(sum(bits) % 2)
        out += [(1900, 300), (1200, 10), (1900, 300), (1200, 30)]
        out += [(1100 if bit else 1300, 30) for bit in bits] + [(1200, 30)]
    y, v, u = _luminance(card)
    red, green, blue = (card[..., k] for k in range(3))
    if name.startswith("Scottie"):
        scan = {"Scottie 1": 138.24, "Scottie 2": 88.064, "Scottie DX": 345.6}[name]
        out.append((1200, 9))
        for n in range(len(card)):
            out += [(1500, 1.5), (_hz(green[n]), scan), (1500, 1.5), (_hz(blue[n]), scan)]
            out += [(1200, 9), (1500, 1.5), (_hz(red[n]), scan)]
    elif name.startswith("Martin"):
        scan = 146.432 if name.endswith("1") else 73.216
        for n in range(len(card)):
            out += [(1200, 4.862), (1500, 0.572)]
            for colour in (green, blue, red):
                out += [(_hz(colour[n]), scan), (1500, 0.572)]
    elif name == "Robot 36":
        for n in range(len(card)):
            pair = slice(n - n % 2, n - n % 2 + 2)
            colour = (u if n % 2 else v)[pair].mean(axis=0)
            out += [(1200, 9), (1500, 3), (_hz(y[n]), 88)]
            out += [(2300 if n % 2 else 1500, 4.5), (1900, 1.5), (_hz(colour), 44)]
    elif name == "Robot 72":
        for n in range(len(card)):
            out += [(1200, 9), (1500, 3), (_hz(y[n]), 138), (1500, 4.5), (1900, 1.5), (_hz(v[n]), 69)]
            out += [(2300, 4.5), (1900, 1.5), (_hz(u[n]), 69)]
    elif name in _PD:
        for n in range(0, len(card), 2):
            out += [
                (1200, 20),
                (1500, 2.08),
                (_hz(y[n]), _PD[name]),
                (_hz(v[n : n + 2].mean(axis=0)), _PD[name]),
            ]
            out += [(_hz(u[n : n + 2].mean(axis=0)), _PD[name]), (_hz(y[n + 1]), _PD[name])]
    elif name == "SC2-180":
        for n in range(len(card)):
            out += [(1200, 5.5225), (1500, 0.5)] + [(_hz(colour[n]), 235) for colour in (red, green, blue)]
    else:
        sync, porch, scan = _P[name]
        for n in range(len(card)):
            out += [(1200, sync), (1500, porch)]
            for colour in (red, green, blue):
                out += [(_hz(colour[n]), scan), (1500, porch)]
    return out


def tone_hz(parts, rate_hz, ppm=0.0):
    """Frequency of each sample; a sound card `ppm` fast plays it in less time."""
    stretch = 1e-3 / (1 + 1e-6 * ppm)
    edges = np.concatenate([[0.0], np.cumsum([ms for _, ms in parts])]) * stretch * rate_hz
    out = np.empty(int(edges[-1]))
    for (hz, _), begin, end in zip(parts, edges[:-1], edges[1:], strict=True):
        first, last = int(np.ceil(begin)), min(int(np.ceil(end)), len(out))
        if np.ndim(hz):
            at = ((np.arange(first, last) - begin) / (end - begin) * len(hz)).astype(int)
            out[first:last] = hz[np.minimum(at, len(hz) - 1)]
        else:
            out[first:last] = hz
    return out * (1 + 1e-6 * ppm)


def sound(hz, rate_hz):
    """Audio of a frequency that changes."""
    return np.cos(2 * np.pi * np.cumsum(hz) / rate_hz)


def single_sideband(hz, rate_hz):
    """Upper sideband: the tone at its own frequency above the carrier."""
    return np.exp(2j * np.pi * np.cumsum(hz) / rate_hz)


# -- weather fax: section 4 --------------------------------------------------------------------------------


def chart(lines, width):
    """Dark lines on white, with a wedge of greys, and a diagonal that shows any slant."""
    y, x = np.mgrid[0:lines, 0:width]
    out = np.full((lines, width), 255.0)
    out[(x - 3 * y) % 211 < 6] = 0
    out[(y % 31 < 2) & (x > width // 4)] = 0
    out[:, width // 2 : width // 2 + 256] = np.arange(256)
    out[:, -12:] = 0
    return out.astype(np.uint8)


def fax_hz(
    page, rate_hz, *, lines_per_minute=120, index=576, start_s=5.0, phasing_lines=30, stop_s=5.0, ppm=0.0
):
    """Frequencies of a transmission: start tone, phasing (white 5 % on black), the chart, stop tone, black."""
    rate = rate_hz / (1 + 1e-6 * ppm)
    line_s = 60.0 / lines_per_minute
    t = np.arange(int(start_s * rate)) / rate
    parts = [2300.0 - 800.0 * (np.floor(2 * (300 if index == 576 else 675) * t) % 2)]
    t = np.arange(int(phasing_lines * line_s * rate)) / (rate * line_s) % 1.0
    parts.append(np.where((t < 0.025) | (t >= 0.975), 2300.0, 1500.0))
    t = np.arange(int(len(page) * line_s * rate)) / (rate * line_s)
    row = np.minimum(t.astype(int), len(page) - 1)
    column = ((t % 1.0) * page.shape[1]).astype(int)
    parts.append(1500.0 + 800.0 * page[row, column] / 255)
    t = np.arange(int(stop_s * rate)) / rate
    parts += [2300.0 - 800.0 * (np.floor(2 * 450 * t) % 2), np.full(int(0.5 * stop_s * rate), 1500.0)]
    return np.concatenate(parts)


# -- automatic picture transmission: section 8.1 -------------------------------------------------------------

_SYNC_A = [int(bit) for bit in "000011001100110011001100110011000000000"]
_SYNC_B = [int(bit) for bit in "000011100111001110011100111001110011100"]


def apt_lines(lines, first=0):
    """Words of so many lines, 2080 each: pictures that are easy to know again, wedges of telemetry, minute markers."""
    y, x = np.mgrid[first : first + lines, 0:909]
    out = np.empty((lines, 2080))
    for at, sync, space, picture in (
        (0, _SYNC_A, 0, 128 + 110 * np.sin(x / 37 + y / 9)),
        (1040, _SYNC_B, 255, 255 * ((x // 60 + y // 16) % 2)),
    ):
        out[:, at : at + 39] = 244 * np.array(sync) + 11
        out[:, at + 39 : at + 86] = np.where(
            np.arange(first, first + lines)[:, None] % 120 < 4, 255 - space, space
        )
        out[:, at + 86 : at + 995] = picture
        steps = [31, 63, 95, 127, 159, 191, 223, 255, 0, 100, 110, 120, 130, 140, 90, 63 if at == 0 else 127]
        out[:, at + 995 : at + 1040] = np.array(steps)[np.arange(first, first + lines) // 8 % 16][:, None]
    return np.clip(out, 0, 255)


def apt(page, rate_hz, ppm=0.0):
    """FM of 17 kHz of a 2400 Hz sub-carrier, amplitude modulated to 87 %."""
    t = np.arange(int(0.5 * len(page) * rate_hz)) / rate_hz * (1 + 1e-6 * ppm)
    word = np.minimum((t * 4160).astype(int), page.size - 1)
    level = page.reshape(-1)[word] / 255
    return fm((0.07 + 0.93 * level) * np.cos(2 * np.pi * 2400 * t), rate_hz, 17_000.0)


# -- CCSDS and LRPT: section 8.2 -----------------------------------------------------------------------------


def _field():
    power, log = [1] * 510, [0] * 256
    value = 1
    for k in range(255):
        power[k] = value
        log[value] = k
        value <<= 1
        if value & 256:
            value ^= 0x187
    power[255:] = power[:255]
    return power, log


_POWER, _LOG = _field()


def _times(a, b):
    return _POWER[_LOG[a] + _LOG[b]] if a and b else 0


def reed_solomon_parity(data):
    """Check octets of RS(255,223), roots a^(11 k), k = 112 to 143, conventional basis."""
    generator = [1]
    for k in range(112, 144):
        root = _POWER[11 * k % 255]
        generator = [
            (generator[n] if n < len(generator) else 0) ^ (_times(generator[n - 1], root) if n else 0)
            for n in range(len(generator) + 1)
        ]
    rest = [0] * 32
    for octet in data:
        lead = octet ^ rest[0]
        rest = [rest[n + 1] if n < 31 else 0 for n in range(32)]
        if lead:
            rest = [r ^ _times(lead, g) for r, g in zip(rest, generator[1:], strict=True)]
    return bytes(rest)


def randomiser(count):
    state, out = [1] * 8, []
    for _ in range(8 * count):
        out.append(state[0])
        state = [*state[1:], state[7] ^ state[5] ^ state[3] ^ state[0]]
    return np.packbits(out)


def channel_access_unit(frame):
    """Marker and 1020 octets: 892 of the frame and four interleaved words' check octets, randomised."""
    coded = bytearray(1020)
    for k in range(4):
        part = frame[k::4]
        coded[k::4] = part + reed_solomon_parity(part)
    return b"\x1a\xcf\xfc\x1d" + (np.frombuffer(bytes(coded), np.uint8) ^ randomiser(1020)).tobytes()


def convolved(bits, *, inverted=False):
    """Rate 1/2, 171 and 133 octal, newest bit first."""
    padded = np.concatenate([np.zeros(6, int), bits])
    streams = []
    for octal in (0o171, 0o133):
        taps = [octal >> (6 - lag) & 1 for lag in range(7)]
        streams.append(sum(tap * padded[6 - lag : len(padded) - lag] for lag, tap in enumerate(taps)) % 2)
    if inverted:
        streams[1] = 1 - streams[1]
    return np.stack(streams, axis=1).reshape(-1)


def root_raised_cosine(levels, per, roll=0.6, late=0.0, span=8):
    """Levels as pulses `per` samples apart (any ratio), each evaluated where the samples are."""
    count = int(len(levels) * per) + int(2 * span * per)
    out = np.zeros(count)
    for k in range(-span, span + 1):
        t = (np.arange(count) / per) - span - late
        n = np.floor(t).astype(int) + k
        x = t - n
        with np.errstate(divide="ignore", invalid="ignore"):
            pulse = (np.sin(np.pi * x * (1 - roll)) + 4 * roll * x * np.cos(np.pi * x * (1 + roll))) / (
                np.pi * x * (1 - (4 * roll * x) ** 2)
            )
        pulse = np.where(np.abs(x) < 1e-9, 1 - roll + 4 * roll / np.pi, pulse)
        edge = np.abs(np.abs(4 * roll * x) - 1) < 1e-6
        a = np.pi / (4 * roll)
        pulse = np.where(
            edge, roll / np.sqrt(2) * ((1 + 2 / np.pi) * np.sin(a) + (1 - 2 / np.pi) * np.cos(a)), pulse
        )
        inside = (n >= 0) & (n < len(levels))
        out[inside] += levels[n[inside]] * pulse[inside]
    return out


_DC_CODES = [
    "00",
    "010",
    "011",
    "100",
    "101",
    "110",
    "1110",
    "11110",
    "111110",
    "1111110",
    "11111110",
    "111111110",
]


def picture_packet(apid, count, block, greys, day=120, milliseconds=36_000_000):
    """One packet of 14 blocks of even grey (from memory of the packet; Huffman codes are T.81 tables K.3 and K.5).

    At quality 100 (all quantisation steps one) an even block of grey g has the one coefficient 8 (g - 128).
    """
    bits, before = "", 0
    for grey in greys:
        value = round(8 * (float(grey) - 128))
        step, before = value - before, value
        size = abs(step).bit_length()
        bits += _DC_CODES[size]
        if size:
            bits += format(step if step > 0 else step + (1 << size) - 1, f"0{size}b")
        bits += "1010"
    bits += "1" * (-len(bits) % 8)
    data = int(bits, 2).to_bytes(len(bits) // 8, "big")
    head = day.to_bytes(2, "big") + milliseconds.to_bytes(4, "big") + bytes(2)
    head += bytes([block, 0, 0, 0xFF, 0xF0, 100])
    body = head + data
    return (
        (0x0800 | apid).to_bytes(2, "big")
        + (0xC000 | count & 0x3FFF).to_bytes(2, "big")
        + (len(body) - 1).to_bytes(2, "big")
        + body
    )


def lrpt_greys(strips):
    """Greys of 196 blocks of each strip: a ramp that moves, with a bright band."""
    y, x = np.mgrid[0:strips, 0:196]
    return np.where((x + 3 * y) % 50 < 6, 240, 20 + x)


def lrpt_frames(greys, apid=64, spacecraft=9):
    """VCDUs of virtual channel 5 with the packets of all strips, and idle ones before and after."""
    packets, count = [], 0
    for number, strip in enumerate(greys):
        for block in range(0, 196, 14):
            packets.append(
                picture_packet(
                    apid, count, block, strip[block : block + 14], milliseconds=36_000_000 + 1230 * number
                )
            )
            count += 1
        packets.append(
            (0x0800 | 70).to_bytes(2, "big")
            + (0xC000 | count & 0x3FFF).to_bytes(2, "big")
            + b"\x00\x3b"
            + bytes(60)
        )
        count += 1
    flow, starts = b"", []
    for packet in packets:
        starts.append(len(flow))
        flow += packet
    zone = 892 - 6 - 2 - 2
    lack = -len(flow) % zone
    while lack and lack < 7:
        lack += zone
    if lack:
        starts.append(len(flow))
        flow += (0x07FF).to_bytes(2, "big") + b"\xc0\x00" + (lack - 7).to_bytes(2, "big") + bytes(lack - 6)
    out = []
    for number, begin in enumerate(range(0, len(flow), zone)):
        first = next((start - begin for start in starts if begin <= start < begin + zone), 0x7FF)
        head = (0x4000 | spacecraft << 6 | 5).to_bytes(2, "big") + number.to_bytes(3, "big") + b"\x00"
        out.append(head + b"\x00\x00" + first.to_bytes(2, "big") + flow[begin : begin + zone])
    idle = (0x4000 | spacecraft << 6 | 63).to_bytes(2, "big") + bytes(4) + bytes(range(256)) * 3 + bytes(118)
    return [idle, *out, idle]


def lrpt(frames, rate_hz, *, offset=False, symbols_s=72_000.0, ppm=0.0):
    """QPSK, or OQPSK, of the coded frames."""
    octets = b"".join(channel_access_unit(frame) for frame in frames)
    bits = np.unpackbits(np.frombuffer(octets, np.uint8))
    rng = np.random.default_rng(1)
    levels = 2.0 * convolved(np.concatenate([rng.integers(0, 2, 400), bits, rng.integers(0, 2, 400)])) - 1
    per = rate_hz / (symbols_s * (1 + 1e-6 * ppm))
    return root_raised_cosine(levels[0::2], per) + 1j * root_raised_cosine(
        levels[1::2], per, late=0.5 * offset
    )


def spread(symbols):
    """Symbols over 36 branches, branch b later by 2048 b of its own symbols; 00100111 before every 72 of them.

    LRPT at 80 000 symbols a second (from memory). What is in the branches at first and at the end is chance.
    """
    rng = np.random.default_rng(4)
    turns = -(-len(symbols) // 36) + 35 * 2048
    turns += turns % 2
    commutated = rng.integers(0, 2, (turns, 36))
    for branch in range(36):
        own = symbols[branch::36]
        commutated[2048 * branch : 2048 * branch + len(own), branch] = own
    marked = np.empty((turns // 2, 80), int)
    marked[:, :8] = [int(one) for one in format(0x27, "08b")]
    marked[:, 8:] = commutated.reshape(-1, 72)
    return marked.reshape(-1)


def lrpt_interleaved(frames, rate_hz, *, offset=False, ppm=0.0, turned=0):
    """QPSK, or OQPSK, at 80 000 symbols a second, interleaved, the carrier turned by quarters."""
    octets = b"".join(channel_access_unit(frame) for frame in frames)
    bits = np.unpackbits(np.frombuffer(octets, np.uint8))
    rng = np.random.default_rng(1)
    coded = convolved(np.concatenate([rng.integers(0, 2, 410), bits, rng.integers(0, 2, 410)]))
    levels = 2.0 * spread(coded) - 1
    per = rate_hz / (80_000.0 * (1 + 1e-6 * ppm))
    first = root_raised_cosine(levels[0::2], per)
    return (first + 1j * root_raised_cosine(levels[1::2], per, late=0.5 * offset)) * 1j**turned


# -- frames of small satellites: as measured on recordings of two, and IEEE 802.15.4g from memory --------------------


def _remainder(octets, poly, start, last):
    """Sixteen check bits, octets least significant bit first (poly reflected)."""
    register = start
    for octet in octets:
        register ^= octet
        for _ in range(8):
            register = register >> 1 ^ (poly if register & 1 else 0)
    return (register ^ last).to_bytes(2, "little")


def coded_flags(data, flags=30):
    """Flags, zero insertion, CRC-16; then the code 23 and 35 octal and a square of 4 by 4 symbols."""
    octets = data + _remainder(data, 0xA001, 0xFFFF, 0xFFFF)
    bits, ones = [], 0
    for octet in octets:
        for k in range(8):
            bit = octet >> k & 1
            bits.append(bit)
            ones = ones + 1 if bit else 0
            if ones == 5:
                bits.append(0)
                ones = 0
    flag = [0, 1, 1, 1, 1, 1, 1, 0]
    bits = flag * flags + bits + flag * 12
    bits += [0] * (-len(bits) % 8)
    register, coded = 0, []
    for bit in bits:
        register = (register << 1 | bit) & 31  # the newest bit is the lowest here
        coded.append(1 ^ (register ^ register >> 3 ^ register >> 4) & 1)
        coded.append((register ^ register >> 1 ^ register >> 2 ^ register >> 4) & 1)
    squares = np.array(coded).reshape(-1, 4, 4)
    return squares.transpose(0, 2, 1).reshape(-1)


def open_packet(data):
    """Preamble, 904E, header with CRC-16 and whitening, data whitened by x^9 + x^5 + 1 from ones."""
    octets = data + _remainder(data, 0x8408, 0, 0)
    state, sequence = [1] * 9, []
    for _ in range(8 * len(octets)):
        sequence.append(state[-1])  # stages 9 and 5 counted from the input
        state = [state[8] ^ state[3], *state[:8]]
    bits = np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little") ^ np.array(sequence, np.uint8)
    head = np.unpackbits(np.frombuffer((0x904E1800 | len(octets)).to_bytes(4, "big"), np.uint8))
    return np.concatenate([np.tile([0, 1], 48), head, bits, np.tile([0, 1], 8)]).astype(int)


def keyed_audio(bits, baud, *, ppm=0.0, snr_db=20.0, coupling_hz=20.0, seed=1):
    """A discriminator's output of frequency keying at 48 kHz: rounded edges, no constant, noise that grows with frequency."""
    rng = np.random.default_rng(seed)
    per = 48_000.0 / (baud * (1 + 1e-6 * ppm))
    count = int(len(bits) * per)
    level = 2.0 * np.asarray(bits)[np.minimum((np.arange(count) / per).astype(int), len(bits) - 1)] - 1
    width = max(int(0.7 * per), 1)
    level = np.convolve(level, np.ones(width) / width, "same")
    level = np.concatenate([np.zeros(9600), level, np.zeros(9600)])
    noise = np.diff(rng.normal(size=len(level) + 1))
    spectrum = np.fft.rfft(noise)
    spectrum[np.fft.rfftfreq(len(noise), 1 / 48_000.0) > 0.8 * baud] = 0
    noise = np.fft.irfft(spectrum, len(noise))
    noise *= 10 ** (-snr_db / 20) / np.std(noise)
    out, slow, share = level + noise, 0.0, coupling_hz / 48_000.0 * 2 * np.pi
    for n in range(len(out)):
        slow += share * (out[n] - slow)
        out[n] -= slow
    return (0.2 * out).astype(np.float32)
