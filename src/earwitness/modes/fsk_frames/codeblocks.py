"""CCSDS codeblocks of transmitters whose clock is further off than mode `ccsds` follows.

A radio chip's divider may give a symbol rate a percent beside the round one; mode `ccsds` follows 0.02 %. What is
nearer to a round rate than OFF is left to that mode, so nothing is logged twice. Only randomized codeblocks are looked
for: a sparse frame's randomizer alone lies near words of codes without one.
"""

from __future__ import annotations

import numpy as np

from earwitness.coding.ccsds import BlockCode, Deframer
from earwitness.modes.fsk_frames.framing import Found

OFF = 1e-3  # of the symbol rate
FRAMING = "CCSDS codeblock"
CODES = tuple(BlockCode(depth=depth, dual=dual) for depth in (1, 2, 3, 4, 5, 8) for dual in (True, False))


def read_all(soft: np.ndarray) -> list[Found]:
    """Give every frame in soft symbols float32 (n,), not convolutionally coded."""
    deframer = Deframer(CODES)
    places = np.arange(len(soft), dtype=np.float64)
    out: list[Found] = []
    for block in [*deframer.feed((soft > 0).astype(np.uint8), places), *deframer.close()]:
        extra: dict[str, object] = {"sync": "1ACFFC1D", "randomizer": block.randomizer}
        if block.code is not None:
            extra["interleave_depth"] = block.code.depth
        name = block.check_name()
        out.append(
            Found(block.frame, int(block.start), int(block.stop), FRAMING, name, block.corrected, extra)
        )
    return out
