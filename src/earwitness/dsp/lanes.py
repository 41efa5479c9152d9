"""Steps on rows of LANES float32 values inside compiled kernels, each as whole vector instructions.

A row is named by its array and the index of its first value, both unchecked: the caller keeps to the bounds. The
compiler does not find these by itself: it must fear that what is written overlaps what is still to be read, and it
does not turn a transposition into shuffles.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import update_wrapper
from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

LANES = 16
_SQUARE = 8  # rows and values of what is transposed at once
_FLOAT = ir.FloatType()
_FAST = ("fast",)


def _vector(lanes: int) -> ir.VectorType:
    return ir.VectorType(_FLOAT, lanes)


def _chosen(places: Sequence[int]) -> ir.Constant:
    return ir.Constant(ir.VectorType(ir.IntType(32), len(places)), list(places))


class _Writer:
    """Writes the instructions of one step."""

    def __init__(self, builder: Any):
        self._builder = builder

    def _place(self, pointer: Any, at: Any, lanes: int) -> Any:
        return self._builder.bitcast(self._builder.gep(pointer, [at]), _vector(lanes).as_pointer())

    def load(self, pointer: Any, at: Any, lanes: int = LANES) -> Any:
        return self._builder.load(self._place(pointer, at, lanes), align=4)

    def store(self, vector: Any, pointer: Any, at: Any) -> None:
        self._builder.store(vector, self._place(pointer, at, vector.type.count), align=4)

    def plus(self, a: Any, b: Any) -> Any:
        return self._builder.fadd(a, b, flags=_FAST)

    def minus(self, a: Any, b: Any) -> Any:
        return self._builder.fsub(a, b, flags=_FAST)

    def times(self, a: Any, b: Any) -> Any:
        return self._builder.fmul(a, b, flags=_FAST)

    def shuffled(self, a: Any, b: Any, places: Sequence[int]) -> Any:
        return self._builder.shuffle_vector(a, b, _chosen(places))

    def less(self, a: Any, b: Any) -> Any:
        return self._builder.fcmp_ordered("<", a, b)

    def either(self, which: Any, a: Any, b: Any) -> Any:
        return self._builder.select(which, a, b)

    def store_flags(self, flags: Any, pointer: Any, at: Any) -> None:
        """Store truth values as uint8."""
        octets = self._builder.zext(flags, ir.VectorType(ir.IntType(8), flags.type.count))
        place = self._builder.bitcast(self._builder.gep(pointer, [at]), octets.type.as_pointer())
        self._builder.store(octets, place, align=1)

    def everywhere(self, value: Any, lanes: int = LANES) -> Any:
        """Give a row of one value."""
        empty = ir.Constant(_vector(lanes), ir.Undefined)
        one = self._builder.insert_element(empty, value, ir.Constant(ir.IntType(32), 0))
        return self.shuffled(one, empty, [0] * lanes)

    def value(self, pointer: Any, at: Any) -> Any:
        return self._builder.load(self._builder.gep(pointer, [at]))

    def moved(self, at: Any, by: int) -> Any:
        return self._builder.add(at, ir.Constant(at.type, by))

    def further(self, at: Any, step: Any, times: int) -> Any:
        return self._builder.add(at, self._builder.mul(step, ir.Constant(step.type, times)))

    def unzipped(self, pairs: Any, at: Any, lanes: int = LANES) -> tuple[Any, Any]:
        """Give the first and the second of each of some pairs."""
        both = self.load(pairs, at, 2 * lanes)
        even = self.shuffled(both, both, range(0, 2 * lanes, 2))
        return even, self.shuffled(both, both, range(1, 2 * lanes, 2))

    def turned_over(self, rows: Sequence[Any]) -> list[Any]:
        """Give eight vectors of eight transposed: by pairs, by fours, by halves."""
        a = []
        for i in range(0, 8, 2):
            a.append(self.shuffled(rows[i], rows[i + 1], [0, 8, 1, 9, 4, 12, 5, 13]))
            a.append(self.shuffled(rows[i], rows[i + 1], [2, 10, 3, 11, 6, 14, 7, 15]))
        b = []
        for i in (0, 4):
            for j in (0, 1):
                one, other = a[i + j], a[i + j + 2]
                b.append(self.shuffled(one, other, [0, 1, 8, 9, 4, 5, 12, 13]))
                b.append(self.shuffled(one, other, [2, 3, 10, 11, 6, 7, 14, 15]))
        low = [self.shuffled(b[i], b[i + 4], [0, 1, 2, 3, 8, 9, 10, 11]) for i in range(4)]
        return low + [self.shuffled(b[i], b[i + 4], [4, 5, 6, 7, 12, 13, 14, 15]) for i in range(4)]


def _step(write: Callable[..., None]) -> Any:
    """Make a call for compiled kernels of a function that writes the instructions of a step.

    It is called with the arguments of `write` but the first; indices are unsigned.
    """

    def typed(typing: Any, *arguments: Any) -> tuple[Any, Callable[..., Any]]:
        def generate(context: Any, builder: Any, signature: Any, values: Sequence[Any]) -> Any:
            given = [
                context.make_array(kind)(context, builder, value).data
                if isinstance(kind, types.Array)
                else value
                for kind, value in zip(signature.args, values, strict=True)
            ]
            write(_Writer(builder), *given)
            return context.get_dummy_value()

        kinds = [kind if isinstance(kind, types.Array | types.Float) else types.uint64 for kind in arguments]
        return types.void(*kinds), generate

    update_wrapper(typed, write)  # Numba counts the arguments of what it seems to be
    return intrinsic(typed)


@_step
def copy(w: _Writer, x: Any, at: Any, out: Any, to: Any) -> None:
    """Copy a row."""
    w.store(w.load(x, at), out, to)


@_step
def scale(w: _Writer, x: Any, at: Any, by: Any, out: Any, to: Any) -> None:
    """Write a row times one float32."""
    w.store(w.times(w.load(x, at), w.everywhere(by)), out, to)


@_step
def turn(w: _Writer, x: Any, u: Any, at: Any, c: Any, s: Any, y: Any, v: Any, to: Any) -> None:
    """Write a row x + iu times one c + is to y + iv."""
    a, b, c, s = w.load(x, at), w.load(u, at), w.everywhere(c), w.everywhere(s)
    w.store(w.minus(w.times(a, c), w.times(b, s)), y, to)
    w.store(w.plus(w.times(a, s), w.times(b, c)), v, to)


@_step
def add_power(w: _Writer, x: Any, u: Any, at: Any, out: Any, to: Any) -> None:
    """Add |x + iu|^2 of a row to another."""
    a, b = w.load(x, at), w.load(u, at)
    w.store(w.plus(w.load(out, to), w.plus(w.times(a, a), w.times(b, b))), out, to)


@_step
def unzip(w: _Writer, pairs: Any, at: Any, x: Any, u: Any, to: Any) -> None:
    """Write LANES pairs from index `at` on to a row of their first and one of their second values."""
    a, b = w.unzipped(pairs, at)
    w.store(a, x, to)
    w.store(b, u, to)


@_step
def unzip_times(w: _Writer, pairs: Any, at: Any, window: Any, where: Any, x: Any, u: Any, to: Any) -> None:
    """Do as `unzip`, every pair times a value of the window's row from `where` on."""
    a, b = w.unzipped(pairs, at)
    by = w.load(window, where)
    w.store(w.times(a, by), x, to)
    w.store(w.times(b, by), u, to)


@_step
def unzip_over(w: _Writer, pairs: Any, at: Any, step: Any, x: Any, u: Any, to: Any, apart: Any) -> None:
    """Write LANES stretches of LANES pairs, `step` values from one to the next, turned over to rows `apart`."""
    for i in range(0, LANES, _SQUARE):
        for j in range(0, LANES, _SQUARE):
            start = w.moved(at, 2 * j)
            end = w.moved(to, i)
            rows = [w.unzipped(pairs, w.further(start, step, i + k), _SQUARE) for k in range(_SQUARE)]
            for part, into in ((0, x), (1, u)):
                for k, row in enumerate(w.turned_over([row[part] for row in rows])):
                    w.store(row, into, w.further(end, apart, j + k))


@_step
def turn_over(
    w: _Writer, x: Any, u: Any, at: Any, c: Any, s: Any, where: Any, out: Any, other: Any, to: Any
) -> None:
    """Write a square of LANES rows x + iu times c + is (rows from `where` on), turned over, to out + i other.

    All squares lie in one piece.
    """
    step = ir.Constant(at.type, LANES)
    for i in range(0, LANES, _SQUARE):
        for j in range(0, LANES, _SQUARE):
            re, im = [], []
            for k in range(_SQUARE):
                here = (i + k) * LANES + j
                place, turned = w.moved(at, here), w.moved(where, here)
                a, b = w.load(x, place, _SQUARE), w.load(u, place, _SQUARE)
                p, q = w.load(c, turned, _SQUARE), w.load(s, turned, _SQUARE)
                re.append(w.minus(w.times(a, p), w.times(b, q)))
                im.append(w.plus(w.times(a, q), w.times(b, p)))
            end = w.moved(to, i)
            for rows, into in ((re, out), (im, other)):
                for k, row in enumerate(w.turned_over(rows)):
                    w.store(row, into, w.further(end, step, j + k))


@_step
def four(
    w: _Writer, x: Any, u: Any, at: Any, apart: Any, turns: Any, which: Any, y: Any, v: Any, to: Any, run: Any
) -> None:
    """Transform four rows of x + iu that lie `apart`; write them times 1 and three `turns` to rows `run` apart."""
    twiddles = [w.everywhere(w.value(turns, w.moved(which, k)), _SQUARE) for k in range(6)]
    for part in range(0, LANES, _SQUARE):
        here, there = w.moved(at, part), w.moved(to, part)
        for k, (a, b) in enumerate(_of_four(w, x, u, here, apart)):
            if k:
                c, s = twiddles[2 * k - 2 : 2 * k]
                a, b = w.minus(w.times(a, c), w.times(b, s)), w.plus(w.times(a, s), w.times(b, c))
            place = w.further(there, run, k)
            w.store(a, y, place)
            w.store(b, v, place)


@_step
def four_last(w: _Writer, x: Any, u: Any, at: Any, apart: Any, y: Any, v: Any) -> None:
    """Transform four rows of x + iu that lie `apart`; write them to the same places of y + iv."""
    for part in range(0, LANES, _SQUARE):
        here = w.moved(at, part)
        for k, (a, b) in enumerate(_of_four(w, x, u, here, apart)):
            place = w.further(here, apart, k)
            w.store(a, y, place)
            w.store(b, v, place)


def _of_four(w: _Writer, x: Any, u: Any, at: Any, apart: Any) -> list[tuple[Any, Any]]:
    """Give the transform of four half rows: a whole one would not stay in the registers."""
    places = [w.further(at, apart, k) for k in range(4)]
    a, b, c, d = ((w.load(x, place, _SQUARE), w.load(u, place, _SQUARE)) for place in places)
    er, ei, fr, fi = w.plus(a[0], c[0]), w.plus(a[1], c[1]), w.minus(a[0], c[0]), w.minus(a[1], c[1])
    gr, gi, hr, hi = w.plus(b[0], d[0]), w.plus(b[1], d[1]), w.minus(b[1], d[1]), w.minus(d[0], b[0])
    return [
        (w.plus(er, gr), w.plus(ei, gi)),
        (w.plus(fr, hr), w.plus(fi, hi)),
        (w.minus(er, gr), w.minus(ei, gi)),
        (w.minus(fr, hr), w.minus(fi, hi)),
    ]


def survivors(one: Sequence[int], other: Sequence[int], barred: Sequence[int], rows: int) -> Any:
    """Give the step that lets the better path into each of LANES states of a trellis go on.

    State k is reached from states `one[k]` and `other[k]`. The step's arguments: paths (`rows` rows, the metric
    first, the least the best) and the index of the first value, uint8 values and the index where to write which
    states were reached from the other, what is added to the metrics of the others (more than any metric: none is
    taken), and what is added to those of the states that are `barred`.
    """
    held = ir.Constant(_vector(LANES), [1.0 if k in barred else 0.0 for k in range(LANES)])

    def go_on(w: _Writer, paths: Any, at: Any, back: Any, to: Any, more: Any, bar: Any) -> None:
        metric = w.load(paths, at)
        first = w.shuffled(metric, metric, one)
        second = w.plus(w.shuffled(metric, metric, other), w.everywhere(more))
        better = w.less(second, first)
        w.store_flags(better, back, to)
        metric = w.either(better, second, first)
        w.store(w.plus(metric, w.times(held, w.everywhere(bar))), paths, at)
        for row in range(1, rows):
            place = w.moved(at, LANES * row)
            value = w.load(paths, place)
            w.store(
                w.either(better, w.shuffled(value, value, other), w.shuffled(value, value, one)), paths, place
            )

    return _step(go_on)
