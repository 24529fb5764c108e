"""Cells of a pack abreast: rows of arrays over cells, eight cells at a time.

As `sim.physics.side_by_side`, where each lane is a plant of its own; here lanes are neighbouring
columns of arrays (rows, cells), and some of a plant's numbers are one for all. Without the
compiler (NUMBA_DISABLE_JIT=1) one cell is one step.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, type_callable
from numpy.typing import NDArray

from sim.physics.compiled import has_machine_code
from sim.physics.lanes_type import LANES, MASK, VECTOR, WIDTH, RowType

WIDE = WIDTH if has_machine_code() else 1
ALIGNED = 8 * WIDTH  # bytes, as the compiler takes for granted of lanes in memory


def at(array: Any, row: Any, c: Any) -> Any:
    """Return lanes from `array` (rows, cells): the cells from `c` on in a row."""
    return float(array[row, c])


def put_at(array: Any, row: Any, c: Any, value: Any) -> None:
    """Set the cells from `c` on in a row of `array` (rows, cells)."""
    array[row, c] = value


def gathered(array: Any, row: Any, places: Any, k: Any, c: Any) -> Any:
    """Return what stands in a row of `array` at the cells that `places` (k, cells) names."""
    return float(array[row, places[k, c]])


def put_there(array: Any, row: Any, places: Any, k: Any, c: Any, value: Any) -> None:
    """Set what stands in a row of `array` at the cells that `places` (k, cells) names."""
    array[row, places[k, c]] = value


def rows_of(array: Any, block: Any) -> Any:
    """Return the rows that a block of lanes keeps in `array` (blocks, rows, WIDTH), to be changed.

    As `side_by_side.room`, but they outlive the function. Not aligned to `ALIGNED`, it crashes.
    """
    return array[block, :, 0]


def aligned(shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return an array of noughts that begins on a whole multiple of `ALIGNED`."""
    count = int(np.prod(shape))
    whole = np.zeros(count + WIDTH)
    skip = -(whole.ctypes.data // 8) % WIDTH
    return whole[skip : skip + count].reshape(shape)


def total(value: Any) -> Any:
    """Return the sum over the lanes: of halves, of their halves, and of those."""
    return value


def highest(value: Any) -> Any:
    """Return the greatest of the lanes; no number where one is none."""
    return value


def lowest(value: Any) -> Any:
    """Return the least of the lanes; no number where one is none."""
    return value


def eights(array: Any, row: Any, fixed: Any) -> Any:
    """Return a row of `array` for what is done to all its entries alike, as `rows.wide` does.

    As many lanes as it takes for the entries of `fixed`, a whole number of eights.
    """
    return array[row]


def put_lowest_each(row: Any, n: Any, *values: Any) -> None:
    """Set the `n`-th eight of a row of `eights` to the `lowest` of each of eight `values`."""
    for k, value in enumerate(values):
        row[WIDTH * n + k] = value


def put_total_each(row: Any, n: Any, *values: Any) -> None:
    """Set the `n`-th eight of a row of `eights` to the `total` of each of eight `values`."""
    for k, value in enumerate(values):
        row[WIDTH * n + k] = value


def bits_of(mask: Any) -> Any:
    """Return the lanes in which it holds, as bits of a whole number."""
    return int(mask)


def first_bit(bits: Any) -> Any:
    """Return the place of the lowest bit that is set, of a number that isn't nought."""
    return (bits & -bits).bit_length() - 1


def lane_numbers(like: Any) -> Any:
    """Return 0 in the first lane, 1 in the second and so on."""
    return 0.0


def in_line(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `array` itself where it is aligned, or else a copy that is."""
    if array.ctypes.data % ALIGNED == 0:
        return array
    copy = aligned(array.shape)
    copy[...] = array
    return copy


def _neighbouring(*arrays: Any) -> bool:
    """Return whether a row's cells stand side by side in memory: else lanes would be others."""
    return all(array.layout == "C" for array in arrays)


@type_callable(at)
def _at_typing(context: Any) -> Any:
    return lambda array, row, c: LANES if _neighbouring(array) else None


@type_callable(put_at)
def _put_typing(context: Any) -> Any:
    return lambda array, row, c, value: types.none if _neighbouring(array) else None


@type_callable(gathered)
def _gathered_typing(context: Any) -> Any:
    return lambda array, row, places, k, c: LANES if _neighbouring(array, places) else None


@type_callable(put_there)
def _put_there_typing(context: Any) -> Any:
    def typer(array: Any, row: Any, places: Any, k: Any, c: Any, value: Any) -> Any:
        return types.none if _neighbouring(array, places) else None

    return typer


@infer_global(rows_of)
class _RowsTyping(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(RowType(LANES, 0), *args)


def _start(context: Any, builder: Any, kind: Any, array: Any, *places: Any) -> Any:
    made = context.make_array(kind)(context, builder, array)
    return cgutils.get_item_pointer(context, builder, kind, made, list(places))


@lower_builtin(at, types.Array, types.Integer, types.Integer)
def _at_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    start = _start(context, builder, sig.args[0], *args)
    return builder.load(builder.bitcast(start, VECTOR.as_pointer()), align=8)


@lower_builtin(put_at, types.Array, types.Integer, types.Integer, types.Any)
def _put_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    start = _start(context, builder, sig.args[0], *args[:3])
    value = context.cast(builder, args[3], sig.args[3], LANES)
    builder.store(value, builder.bitcast(start, VECTOR.as_pointer()), align=8)
    return context.get_dummy_value()


@lower_builtin(gathered, types.Array, types.Integer, types.Array, types.Integer, types.Integer)
def _gathered_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    array, row, places, k, c = args
    of = _start(context, builder, sig.args[2], places, k, c)
    found = ir.Constant(VECTOR, ir.Undefined)
    for n in range(WIDTH):
        place = builder.load(builder.gep(of, [ir.Constant(ir.IntType(64), n)]))
        one = builder.load(_start(context, builder, sig.args[0], array, row, place))
        found = builder.insert_element(found, one, ir.Constant(ir.IntType(32), n))
    return found


@lower_builtin(
    put_there, types.Array, types.Integer, types.Array, types.Integer, types.Integer, types.Any
)
def _put_there_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    array, row, places, k, c, value = args
    of = _start(context, builder, sig.args[2], places, k, c)
    value = context.cast(builder, value, sig.args[5], LANES)
    for n in range(WIDTH):
        place = builder.load(builder.gep(of, [ir.Constant(ir.IntType(64), n)]))
        one = builder.extract_element(value, ir.Constant(ir.IntType(32), n))
        builder.store(one, _start(context, builder, sig.args[0], array, row, place))
    return context.get_dummy_value()


@lower_builtin(rows_of, types.Array, types.Integer)
def _rows_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    nought = ir.Constant(ir.IntType(64), 0)
    start = _start(context, builder, sig.args[0], args[0], args[1], nought, nought)
    return builder.bitcast(start, VECTOR.as_pointer())


@type_callable(eights)
def _eights_typing(context: Any) -> Any:
    def typer(array: Any, row: Any, fixed: Any) -> Any:
        return RowType(LANES, len(fixed) // WIDTH) if _neighbouring(array) else None

    return typer


@lower_builtin(eights, types.Array, types.Integer, types.Any)
def _eights_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    start = _start(context, builder, sig.args[0], *args[:2], ir.Constant(ir.IntType(64), 0))
    return builder.bitcast(start, VECTOR.as_pointer())


@infer_global(bits_of)
class _BitsTyping(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(types.intp, MASK) if args == (MASK,) else None


@lower_builtin(bits_of, MASK)
def _bits_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.zext(builder.bitcast(args[0], ir.IntType(WIDTH)), ir.IntType(64))


@infer_global(first_bit)
class _FirstTyping(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(types.intp, types.intp)


@lower_builtin(first_bit, types.intp)
def _first_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.cttz(args[0], ir.Constant(ir.IntType(1), 1))


@infer_global(lane_numbers)
class _NumbersTyping(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(LANES, LANES)


@lower_builtin(lane_numbers, LANES)
def _numbers_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return ir.Constant(VECTOR, [float(k) for k in range(WIDTH)])


def _shuffled(builder: Any, one: Any, other: Any, places: list[int]) -> Any:
    kind = ir.VectorType(ir.IntType(32), WIDTH)
    return builder.shuffle_vector(one, other, ir.Constant(kind, places))


# Two vectors a step become one, whose lanes hold what is left of either. Pairs of lanes stay
# beside each other, as the processor likes it, so that the order is right in the end.
_STEPS = (
    ([0, 8, 2, 10, 4, 12, 6, 14], [1, 9, 3, 11, 5, 13, 7, 15]),
    ([0, 1, 4, 5, 8, 9, 12, 13], [2, 3, 6, 7, 10, 11, 14, 15]),
    ([0, 1, 4, 5, 8, 9, 12, 13], [2, 3, 6, 7, 10, 11, 14, 15]),
)


def _each_folded(function: Any, code: Any) -> None:
    """Teach numba to fold eight lanes at once: a third of the work of one after the other."""

    @infer_global(function)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            if isinstance(args[0], RowType) and args[2:] == (LANES,) * WIDTH:
                return signature(types.none, args[0], types.intp, *args[2:])
            return None

    @lower_builtin(function, RowType, types.intp, *(LANES,) * WIDTH)
    def _lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        left = list(args[2:])
        for some, others in _STEPS:
            left = [
                code(
                    builder,
                    _shuffled(builder, one, other, some),
                    _shuffled(builder, one, other, others),
                )
                for one, other in zip(left[::2], left[1::2], strict=True)
            ]
        builder.store(left[0], builder.gep(args[0], [args[1]]), align=8)
        return context.get_dummy_value()


def _folded(function: Any, code: Any) -> None:
    """Teach numba a function that makes one number of lanes, two halves at a time."""

    @infer_global(function)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            return signature(types.float64, LANES)

    @lower_builtin(function, LANES)
    def _lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        value, count = args[0], WIDTH
        while count > 1:
            count //= 2
            halves = [
                builder.shuffle_vector(
                    value,
                    ir.Constant(value.type, ir.Undefined),
                    ir.Constant(
                        ir.VectorType(ir.IntType(32), count), list(range(start, start + count))
                    ),
                )
                for start in (0, count)
            ]
            value = code(builder, *halves)
        return builder.extract_element(value, ir.Constant(ir.IntType(32), 0))


def _chosen(sign: str) -> Any:
    def code(builder: Any, one: Any, other: Any) -> Any:
        stays = builder.fcmp_unordered("!=", one, one)
        return builder.select(
            builder.or_(builder.fcmp_ordered(sign, one, other), stays), one, other
        )

    return code


_folded(total, lambda builder, one, other: builder.fadd(one, other))
_folded(highest, _chosen(">"))
_folded(lowest, _chosen("<"))
_each_folded(put_total_each, lambda builder, one, other: builder.fadd(one, other))
_each_folded(put_lowest_each, _chosen("<"))
