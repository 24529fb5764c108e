"""Rows of numbers or of lanes that live on the stack, and arrays with a column for each lane.

numba's own arrays can't hold lanes, and code that makes them counts their owners.
"""

from __future__ import annotations

import operator
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, overload, type_callable

from sim.physics.lanes_type import LANES, VECTOR, WIDTH, RowType
from sim.physics.side_by_side import alike, any_of

A_LINE = 64  # bytes; one register of lanes, one line of a cache


def room(like: Any, fixed: Any, a_pair: Any, pairs: Any) -> Any:
    """Return room for numbers like `like`, not filled, on the stack of the function that asks.

    For as many as `fixed` has entries, and for each of `pairs` as many as `a_pair` has. It must
    not be returned from that function, since it is gone with it.
    """
    return [0.0] * (len(fixed) + len(a_pair) * len(pairs))


def part(whole: Any, at: Any, fixed: Any, a_pair: Any, pairs: Any) -> Any:
    """Return a part of a `room` that begins at place `at`, as large as `room` says."""
    return [0.0] * (len(fixed) + len(a_pair) * len(pairs))


def take(array: Any, i: Any, like: Any) -> Any:
    """Return row `i` of `array` (rows, lanes), or what it holds for all lanes: (rows, 1)."""
    return float(array[i, 0])


def wide(row: Any, fixed: Any) -> Any:
    """Return a row for what is done to all its entries alike: as many vectors as it takes.

    Lanes are such vectors, one for each entry of `fixed`. Plain numbers are looked at eight at a
    time, so that one lane alone is not eight times as slow in what it does to each of its limits;
    their row has room for a whole number of eights.
    """
    return row


def gathered(mask: Any, like: Any) -> Any:
    """Return in which lanes an answer about `wide` rows holds: for plain numbers, in any entry."""
    return mask


@type_callable(room)
def _room_typing(context: Any) -> Any:
    return lambda like, fixed, a_pair, pairs: RowType(like, len(fixed) + len(a_pair) * len(pairs))


@lower_builtin(room, types.Any, types.Any, types.Any, types.Any)
def _room_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    held = context.get_value_type(sig.return_type.dtype)
    found = cgutils.alloca_once(builder, ir.ArrayType(held, max(1, sig.return_type.count)))
    found.align = A_LINE
    return builder.bitcast(found, held.as_pointer())


@type_callable(part)
def _part_typing(context: Any) -> Any:
    def typer(whole: Any, at: Any, fixed: Any, a_pair: Any, pairs: Any) -> Any:
        return RowType(whole.dtype, len(fixed) + len(a_pair) * len(pairs))

    return typer


@lower_builtin(part, RowType, types.Integer, types.Any, types.Any, types.Any)
def _part_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.gep(args[0], [args[1]])


@type_callable(wide)
def _wide_typing(context: Any) -> Any:
    def typer(row: Any, fixed: Any) -> Any:
        return RowType(LANES, len(fixed) if row.dtype == LANES else row.count // WIDTH)

    return typer


@lower_builtin(wide, RowType, types.Any)
def _wide_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.bitcast(args[0], VECTOR.as_pointer())


@overload(gathered, jit_options={"forceinline": True})
def _gathered(mask, like):
    if like == LANES:
        return lambda mask, like: mask
    return lambda mask, like: any_of(mask)


@infer_global(len)
class _RowLength(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        return signature(types.intp, *args) if isinstance(args[0], RowType) else None


@lower_builtin(len, RowType)
def _row_length(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return context.get_constant(types.intp, sig.args[0].count)


@infer_global(operator.getitem)
class _RowGet(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        if isinstance(args[0], RowType) and isinstance(args[1], types.Integer):
            return signature(args[0].dtype, args[0], types.intp)
        return None


@lower_builtin(operator.getitem, RowType, types.Integer)
def _row_get(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.load(builder.gep(args[0], [args[1]]), align=8)


@infer_global(operator.setitem)
class _RowSet(AbstractTemplate):
    def generic(self, args: Any, kws: Any) -> Any:
        if isinstance(args[0], RowType) and isinstance(args[1], types.Integer):
            return signature(types.none, args[0], types.intp, args[0].dtype)
        return None


@lower_builtin(operator.setitem, RowType, types.Integer, types.Any)
def _row_set(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    value = context.cast(builder, args[2], sig.args[2], sig.args[0].dtype)
    builder.store(value, builder.gep(args[0], [args[1]]), align=8)
    return context.get_dummy_value()


def _place(context: Any, builder: Any, array_type: Any, array: Any, i: Any) -> Any:
    """Return where row `i` of a C-ordered array of lanes begins."""
    made = context.make_array(array_type)(context, builder, array)
    start = cgutils.get_item_pointer(context, builder, array_type, made, [i, i.type(0)])
    return builder.bitcast(start, VECTOR.as_pointer())


# These two are of lanes only, so of compiled code only: numba lowers them, and nobody calls them.


def _load(array: Any, i: Any) -> Any:
    raise RuntimeError("lanes exist in compiled code only")


@type_callable(_load)
def _load_typing(context: Any) -> Any:
    return lambda array, i: LANES


@lower_builtin(_load, types.Array, types.Integer)
def _load_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return builder.load(_place(context, builder, sig.args[0], *args), align=8)


@overload(take, jit_options={"forceinline": True})
def _take(array, i, like):
    if like != LANES:
        return lambda array, i, like: array[i, 0]

    def many(array, i, like):
        if array.shape[1] == 1:
            return alike(array[i, 0], like)
        return _load(array, i)

    return many
