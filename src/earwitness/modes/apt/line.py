"""The line: 2080 words in half a second, two channels of synchronisation, space, video and telemetry."""

from __future__ import annotations

import numpy as np

SUBCARRIER_HZ = 2400.0
LINES_PER_S = 2.0
CYCLES = SUBCARRIER_HZ / LINES_PER_S  # of the sub-carrier in a line
WORDS = 2080
CHANNEL = WORDS // 2
SYNC, SPACE, VIDEO, TELEMETRY = 39, 47, 909, 45
SYNC_A = "000011001100110011001100110011000000000"  # seven cycles of 1040 Hz
SYNC_B = "000011100111001110011100111001110011100"  # seven pulses, 832 a second
DEPTH = 0.87  # of the amplitude modulation at the most
LEAST = (1 - DEPTH) / (1 + DEPTH)  # of the sub-carrier, at black; 1 at white
DEVIATION_HZ = 17_000.0
WEDGE_LINES, WEDGES = 8, 16
FRAME_LINES = WEDGE_LINES * WEDGES
GREYS = (*(n / 8 for n in range(1, 9)), 0.0)  # wedges 1 to 9
MINUTE_LINES = 120
MARK_LINES = 4
# what wedge 16 equals says which sensor it was (from memory)
CHANNELS = {
    1: "1, visible",
    2: "2, near infrared",
    3: "3A, 1.6 um",
    4: "4, thermal infrared 10.8 um",
    5: "5, thermal infrared 12 um",
    6: "3B, 3.7 um",
}


def sync_words(pattern: str) -> np.ndarray:
    """Give a synchronisation word by word, float64 (39,), 0 or 1."""
    return np.array([float(bit) for bit in pattern])
