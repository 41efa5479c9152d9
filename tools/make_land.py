"""Make `src/earwitness/view/assets/land.bin` from the npm package world-atlas 2.0.2 (land-50m.json).

    npm pack world-atlas@2.0.2 && tar xzf world-atlas-2.0.2.tgz
    python tools/make_land.py package/land-50m.json src/earwitness/view/assets/land.bin

The file is zlib over: for each ring an unsigned count, then that many pairs of signed steps in hundredths
of a degree (longitude, latitude; longitudes run past 180 where land does), all as base-128 numbers, low
groups first, signs folded (zig-zag).
"""

from __future__ import annotations

import json
import sys
import zlib
from itertools import pairwise
from pathlib import Path

STEP_DEG = 0.01
TOLERANCE = 1.5  # steps: how far a dropped point may lie from the line kept


def unpack(topology: dict) -> list[list[tuple[float, float]]]:
    """Give the rings in degrees."""
    (sx, sy), (tx, ty) = topology["transform"]["scale"], topology["transform"]["translate"]
    arcs = []
    for arc in topology["arcs"]:
        x = y = 0
        line = []
        for dx, dy in arc:
            x, y = x + dx, y + dy
            line.append((x * sx + tx, y * sy + ty))
        arcs.append(line)
    rings = []
    for shape in topology["objects"]["land"]["geometries"]:
        polygons = shape["arcs"] if shape["type"] == "MultiPolygon" else [shape["arcs"]]
        for polygon in polygons:
            for ring in polygon:
                line = []
                for index in ring:
                    part = arcs[index] if index >= 0 else arcs[~index][::-1]
                    line += part[1:] if line else part
                rings.append(unwrap(line))
    return rings


def unwrap(line: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Let longitudes run on past 180 degrees instead of jumping, and close a ring about a pole along it."""
    turn = 0
    out = [line[0]]
    for (before, _), (x, y) in pairwise(line):
        turn += 360 * ((before - x > 180) - (x - before > 180))
        out.append((x + turn, y))
    if turn:
        pole = 90 if out[0][1] > 0 else -90
        out += [(out[-1][0], pole), (out[0][0], pole), out[0]]
    return out


def simplify(line: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Drop points closer than TOLERANCE to the line kept (Douglas and Peucker 1973)."""
    keep = {0, len(line) - 1}
    todo = [(0, len(line) - 1)]
    while todo:
        a, b = todo.pop()
        (ax, ay), (bx, by) = line[a], line[b]
        length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
        far, at = 0.0, a
        for i in range(a + 1, b):
            x, y = line[i]
            if length:
                off = abs((bx - ax) * (ay - y) - (ax - x) * (by - ay)) / length
            else:
                off = ((x - ax) ** 2 + (y - ay) ** 2) ** 0.5
            if off > far:
                far, at = off, i
        if far > TOLERANCE:
            keep.add(at)
            todo += [(a, at), (at, b)]
    return [line[i] for i in sorted(keep)]


def number(value: int) -> bytes:
    """Give a base-128 number."""
    out = bytearray()
    while value >= 128:
        out.append(value & 127 | 128)
        value >>= 7
    out.append(value)
    return bytes(out)


def fold(value: int) -> int:
    """Fold the sign into the lowest bit."""
    return value * 2 if value >= 0 else -value * 2 - 1


def main(source: str, target: str) -> None:
    """Read the topology, write the asset."""
    body = bytearray()
    points = 0
    for ring in unpack(json.loads(Path(source).read_text())):
        line = simplify([(round(x / STEP_DEG), round(y / STEP_DEG)) for x, y in ring])
        if len(line) < 4:
            continue
        points += len(line)
        body += number(len(line))
        px = py = 0
        for x, y in line:
            body += number(fold(x - px)) + number(fold(y - py))
            px, py = x, y
    packed = zlib.compress(bytes(body), 9)
    Path(target).write_bytes(packed)
    sys.stdout.write(f"{points} points, {len(packed)} bytes\n")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
