"""The one way the physics is compiled: numba, cached, without fast-math (it would hide NaN)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(function: Callable[..., Any]) -> Any:
    """Return `function` compiled to machine code; plain Python where NUMBA_DISABLE_JIT=1.

    The interpreter lock is let go inside, so that threads march side by side.
    """
    return njit(cache=True, nogil=True, fastmath=False, error_model="numpy")(function)
