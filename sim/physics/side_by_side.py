"""Many lanes at once: eight numbers in one, calculated with as one number is.

A function of numbers that branches on none of them can be compiled twice: for plain numbers, and
for `Lanes`, eight numbers that vector instructions treat alike. Every operation is the same IEEE
operation either way, so a lane gives the same bits alone or beside any others. numba compiles
whichever it is handed; what Python has no operator for stands here under a name that serves both.

Compilers vectorise such code by themselves only where no look-up stands in the way and no two
arrays may overlap: never here (measured). Without the compiler (NUMBA_DISABLE_JIT=1) the names
work for plain numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, type_callable

from sim.physics.lanes_type import BITS, I32, LANES, MASK, MASK_BITS, VECTOR, WIDTH

ROUNDER = 1.5 * 2.0**52  # added to a number, it leaves no room for a fraction


# ---- what serves both


def where(choose: Any, one: Any, other: Any) -> Any:
    """Return `one` where `choose` holds and `other` elsewhere; both are calculated."""
    return one if choose else other


def any_of(mask: Any) -> Any:
    """Return whether it holds in any lane."""
    return mask


def fails(mask: Any) -> Any:
    """Return where it does not hold."""
    return not mask


def least(one: Any, other: Any) -> Any:
    """Return the lesser; `other` where either is no number."""
    return one if one < other else other


def most(one: Any, other: Any) -> Any:
    """Return the greater; `other` where either is no number."""
    return one if one > other else other


def lane(value: Any, k: Any) -> Any:
    """Return the number (or answer) in lane `k`; a plain one is its own only lane."""
    return value


def with_lane(value: Any, k: Any, one: Any) -> Any:
    """Return `value` with the number `one` in lane `k`."""
    return float(one)


def alike(value: Any, like: Any) -> Any:
    """Return `value` in as many lanes as `like` has."""
    return value


def lanes_in(like: Any) -> Any:
    """Return how many lanes there are."""
    return 1


def half_to(rounded: Any) -> Any:
    """Return 2^-n, where `rounded` = n + ROUNDER for a whole n from -1000 to 1000."""
    return math.ldexp(1.0, -int(rounded - ROUNDER))


def noughts(lanes: Any) -> Any:
    """Return nought in each of `lanes`, a tuple of one entry or of `WIDTH`.

    More than one lane at once there is in compiled code only.
    """
    if len(lanes) != 1:
        raise RuntimeError("lanes exist in compiled code only")
    return 0.0


def never_inlined() -> None:
    """Say that the function that calls this is not to be copied into its callers.

    For large and rare ones: the compiler takes a function that few call for cheap to copy.
    """


def borrowed(value: Any) -> Any:
    """Return a record with no share in its arrays' ownership, for code that its caller outlives.

    Else their owners would be counted whenever the record is handed on, which takes longer than
    all that is computed (measured).
    """
    return value


@type_callable(where)
def _where_typing(context: Any) -> Any:
    def typer(choose: Any, one: Any, other: Any) -> Any:
        if choose == MASK:
            return LANES if one == LANES or other == LANES else None
        if choose == types.boolean:
            return LANES if LANES in (one, other) else types.float64
        return None

    return typer


@lower_builtin(where, types.Boolean, types.Float, types.Float)
@lower_builtin(where, types.Boolean, types.Any, types.Any)
@lower_builtin(where, MASK, types.Any, types.Any)
def _where_lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    one = context.cast(builder, args[1], sig.args[1], sig.return_type)
    other = context.cast(builder, args[2], sig.args[2], sig.return_type)
    return builder.select(args[0], one, other)


def _both(function: Any, result: Callable[..., Any], code: Callable[..., Any]) -> None:
    """Teach numba a function whose code is the same for a number and for lanes."""

    @infer_global(function)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            return signature(result(*args), *args)

    @lower_builtin(function, types.VarArg(types.Any))
    def _lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return code(context, builder, sig, args)


def _numbers(*args: Any) -> Any:
    return LANES if LANES in args else types.float64


def _choice(sign: str) -> Callable[..., Any]:
    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        one, other = (
            context.cast(builder, arg, given, sig.return_type)
            for arg, given in zip(args, sig.args, strict=True)
        )
        return builder.select(builder.fcmp_ordered(sign, one, other), one, other)

    return code


def _any_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    if sig.args[0] == types.boolean:
        return args[0]
    bits = builder.bitcast(args[0], ir.IntType(WIDTH))
    return builder.icmp_unsigned("!=", bits, ir.Constant(bits.type, 0))


def _fails_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    return (
        builder.not_(args[0])
        if sig.args[0] == types.boolean
        else builder.xor(args[0], ir.Constant(MASK_BITS, [1] * WIDTH))
    )


def _lane_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    if sig.args[0] not in (LANES, MASK):
        return args[0]
    place = builder.trunc(args[1], I32) if args[1].type.width > 32 else args[1]
    return builder.extract_element(args[0], place)


def _with_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    one = context.cast(builder, args[2], sig.args[2], types.float64)
    if sig.args[0] != LANES:
        return one
    place = builder.trunc(args[1], I32) if args[1].type.width > 32 else args[1]
    return builder.insert_element(args[0], one, place)


def _apart_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    builder.function.attributes.add("noinline")
    return context.get_dummy_value()


def _half_code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
    many = sig.args[0] == LANES
    kind, bits = (VECTOR, BITS) if many else (ir.DoubleType(), ir.IntType(64))

    def constant(value: int) -> Any:
        return ir.Constant(bits, [value] * WIDTH if many else value)

    power = builder.shl(builder.bitcast(args[0], bits), constant(52))
    return builder.bitcast(builder.sub(constant(1023 << 52), power), kind)


_both(least, _numbers, _choice("<"))
_both(most, _numbers, _choice(">"))
_both(any_of, lambda mask: types.boolean, _any_code)
_both(fails, lambda mask: mask, _fails_code)
_both(
    lane,
    lambda value, k: {LANES: types.float64, MASK: types.boolean}.get(value, value),
    _lane_code,
)


def _lent(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    if isinstance(kind, types.Array):
        made = context.make_array(kind)(context, builder, value)
        made.meminfo = cgutils.get_null_value(made.meminfo.type)
        made.parent = cgutils.get_null_value(made.parent.type)
        return made._getvalue()
    if isinstance(kind, types.BaseTuple):
        inside: Any = kind
        for n, inner in enumerate(inside):
            lent = _lent(context, builder, inner, builder.extract_value(value, n))
            value = builder.insert_value(value, lent, n)
    return value


_both(
    borrowed,
    lambda value: value,
    lambda context, builder, sig, args: _lent(context, builder, sig.args[0], args[0]),
)
_both(with_lane, lambda value, k, one: value, _with_code)
_both(
    alike,
    lambda value, like: like,
    lambda context, builder, sig, args: context.cast(builder, args[0], sig.args[0], sig.args[1]),
)
_both(
    lanes_in,
    lambda like: types.intp,
    lambda context, builder, sig, args: context.get_constant(
        types.intp, WIDTH if sig.args[0] == LANES else 1
    ),
)
_both(
    noughts,
    lambda lanes: types.float64 if len(lanes) == 1 else LANES,
    lambda context, builder, sig, args: ir.Constant(
        context.get_value_type(sig.return_type), 0.0 if len(sig.args[0]) == 1 else [0.0] * WIDTH
    ),
)
_both(never_inlined, lambda: types.none, _apart_code)
_both(half_to, lambda rounded: rounded, _half_code)
