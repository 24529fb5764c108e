"""numba's types of lanes, and its operators on them, as vector instructions.

See `sim.physics.side_by_side`, which is what the physics uses.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.core.typeconv import Conversion
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, lower_cast, models, register_model

WIDTH = 8  # lanes; one register of AVX-512, two of AVX2
VECTOR = ir.VectorType(ir.DoubleType(), WIDTH)
BITS = ir.VectorType(ir.IntType(64), WIDTH)
MASK_BITS = ir.VectorType(ir.IntType(1), WIDTH)
I32 = ir.IntType(32)


class LanesType(types.Type):
    """numba's type of eight numbers; a plain number turns into eight equal ones."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes({WIDTH})")

    def can_convert_from(self, typingctx: Any, other: Any) -> Any:
        """Say that a float may stand where lanes are asked for."""
        return Conversion.safe if isinstance(other, types.Float) else None

    def unify(self, typingctx: Any, other: Any) -> Any:
        """Say that what is a float here and lanes there is lanes."""
        return self if isinstance(other, types.Float) else None


class MaskType(types.Type):
    """numba's type of eight answers."""

    def __init__(self) -> None:
        super().__init__(name=f"Mask({WIDTH})")

    def can_convert_from(self, typingctx: Any, other: Any) -> Any:
        """Say that one answer may stand where eight are asked for."""
        return Conversion.safe if other == types.boolean else None

    def unify(self, typingctx: Any, other: Any) -> Any:
        """Say that what is one answer here and eight there is eight."""
        return self if other == types.boolean else None


class RowType(types.Type):
    """numba's type of a few numbers or lanes that live on the stack, as a C array does."""

    def __init__(self, dtype: Any, count: int) -> None:
        super().__init__(name=f"Row({dtype}, {count})")
        self.dtype, self.count = dtype, count


LANES, MASK = LanesType(), MaskType()
BOTH = (types.float64, LANES)


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, of: Any) -> None:
        super().__init__(manager, of, VECTOR)


@register_model(MaskType)
class _MaskModel(models.PrimitiveModel):
    def __init__(self, manager: Any, of: Any) -> None:
        super().__init__(manager, of, MASK_BITS)


@register_model(RowType)
class _RowModel(models.PrimitiveModel):
    def __init__(self, manager: Any, of: Any) -> None:
        held = manager.lookup(of.dtype).get_value_type()
        super().__init__(manager, of, held.as_pointer())


def _spread(builder: Any, value: Any, vector: Any = VECTOR) -> Any:
    one = builder.insert_element(ir.Constant(vector, ir.Undefined), value, I32(0))
    places = ir.Constant(ir.VectorType(I32, vector.count), [0] * vector.count)
    return builder.shuffle_vector(one, ir.Constant(vector, ir.Undefined), places)


@lower_cast(types.Float, LanesType)
def _float_to_lanes(context: Any, builder: Any, given: Any, wanted: Any, value: Any) -> Any:
    return _spread(builder, context.cast(builder, value, given, types.float64))


@lower_cast(types.Boolean, MaskType)
def _answer_to_mask(context: Any, builder: Any, given: Any, wanted: Any, value: Any) -> Any:
    return _spread(builder, value, MASK_BITS)


# ---- operators


def _operator(
    symbol: Any, kinds: tuple[Any, ...], result: Any, code: Callable[[Any, Any, Any], Any]
) -> None:
    """Teach numba one operator on two of `kinds`, of which one at least is the first."""

    @infer_global(symbol)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            if len(args) == 2 and kinds[0] in args and all(_is_one(kinds, a) for a in args):
                return signature(result, kinds[0], kinds[0])
            return None

    @lower_builtin(symbol, kinds[0], kinds[0])
    def _lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return code(builder, *args)


def _is_one(kinds: tuple[Any, ...], given: Any) -> bool:
    return given in kinds or (types.float64 in kinds and isinstance(given, types.Float))


def _named(name: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, one, other: getattr(builder, name)(one, other)


def _compared(sign: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, one, other: builder.fcmp_ordered(sign, one, other)


for _symbol, _name in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
    (operator.iadd, "fadd"),
    (operator.isub, "fsub"),
    (operator.imul, "fmul"),
):
    _operator(_symbol, (LANES, types.float64), LANES, _named(_name))
for _symbol, _sign in (
    (operator.lt, "<"),
    (operator.le, "<="),
    (operator.gt, ">"),
    (operator.ge, ">="),
    (operator.eq, "=="),
):
    _operator(_symbol, (LANES, types.float64), MASK, _compared(_sign))
_operator(operator.ne, (LANES, types.float64), MASK, lambda b, x, y: b.fcmp_unordered("!=", x, y))
for _symbol, _name in ((operator.and_, "and_"), (operator.or_, "or_"), (operator.xor, "xor")):
    _operator(_symbol, (MASK,), MASK, _named(_name))


def _of_one(symbol: Any, code: Callable[[Any, Any], Any]) -> None:
    """Teach numba one operation on one of the lanes' numbers."""

    @infer_global(symbol)
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            return signature(LANES, LANES) if args == (LANES,) else None

    @lower_builtin(symbol, LANES)
    def _lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return code(builder, args[0])


def _intrinsic(name: str) -> Callable[[Any, Any], Any]:
    def code(builder: Any, value: Any) -> Any:
        kind = ir.FunctionType(VECTOR, [VECTOR])
        function = cgutils.get_or_insert_function(builder.module, kind, f"{name}.v{WIDTH}f64")
        return builder.call(function, [value])

    return code


_of_one(math.sqrt, _intrinsic("llvm.sqrt"))
_of_one(abs, _intrinsic("llvm.fabs"))
_of_one(operator.neg, lambda builder, value: builder.fneg(value))
