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
from sim.physics.lanes_type import LANES, VECTOR, WIDTH, RowType

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
