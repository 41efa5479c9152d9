"""How sure an occupancy figure is."""

from __future__ import annotations

import math

Z_95 = 1.959963984540054  # two-sided 95 % point of the normal distribution


def wilson(occupied: float, samples: float, z: float = Z_95) -> tuple[float, float]:
    """Give the Wilson score interval, as shares 0..1, of `occupied` successes among `samples`.

    Rec. ITU-R SM.1880 gives occupancy as N_O / N; the interval is E. B. Wilson's (1927). For dependent
    samples divide both counts by the variance inflation first. No samples: (0, 1).
    """
    if samples <= 0:
        return 0.0, 1.0
    share = min(max(occupied / samples, 0.0), 1.0)
    scale = 1.0 / (1.0 + z * z / samples)
    middle = scale * (share + z * z / (2.0 * samples))
    half = scale * z * math.sqrt(share * (1.0 - share) / samples + z * z / (4.0 * samples * samples))
    low = 0.0 if share == 0.0 else max(middle - half, 0.0)
    high = 1.0 if share == 1.0 else min(middle + half, 1.0)
    return low, high
