"""The one way the physics is compiled: numba, cached, without fast-math (it would hide NaN).

numba's own cache watches a function's file only, not those of the functions it calls, and so would
run old physics after an update. Here the cache is in a folder named after all compiled sources.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numba
from numba.core import event
from numba.core.typing.templates import infer_global

from sim.physics import compiling

PACKAGE = Path(__file__).resolve().parents[1]
# Where compiled functions stand, and the constants that are compiled into them.
COMPILED = ("physics/*.py", "drive/*.py", "integrate/*.py", "judge/*.py", "units.py")
PREFIX = "machine-code-"
INSIDE: list[Any] = []  # what `_inside` made; numba itself keeps weak references only


KERNEL = "run"  # the name of a march's outermost function, by far the longest to compile


class _Watch(event.Listener):
    """Tells when a march is compiled and not taken from what was kept.

    Meanwhile LLVM vectorises no loop by itself. Ours that could be are eight at a time already, or
    so short that asking whether they are worth it takes longer: a fifth of a step of a pack.
    """

    def __init__(self) -> None:
        self.before: list[Any] = []

    def on_start(self, event: Any) -> None:
        config: Any = numba.config
        self.before.append(config.LOOP_VECTORIZE)
        function = event.data["dispatcher"].py_func
        if not function.__module__.startswith("sim."):
            return
        config.LOOP_VECTORIZE = 0
        if function.__name__ == KERNEL:
            compiling.tell()

    def on_end(self, event: Any) -> None:
        config: Any = numba.config
        config.LOOP_VECTORIZE = self.before.pop()


event.register("numba:compile", _Watch())


def digest_of(package: Path) -> str:
    """Return a short hash of all compiled sources of `package`, names and contents."""
    found = hashlib.sha256()
    for source in sorted(path for pattern in COMPILED for path in package.glob(pattern)):
        found.update(source.name.encode() + b"\0" + source.read_bytes())
    return found.hexdigest()[:16]


def has_machine_code() -> bool:
    """Return whether anything is compiled at all: not where NUMBA_DISABLE_JIT=1."""
    config: Any = numba.config
    return not config.DISABLE_JIT


@cache
def cache_folder() -> Path | None:
    """Return where machine code of just these sources is kept; None where nothing can be written.

    Beside the package, or else in the user's own cache folder. Code of older sources in the same
    place is removed.
    """
    name = PREFIX + digest_of(PACKAGE)
    chosen = os.environ.get("NUMBA_CACHE_DIR")
    own = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "stillair"
    for parent in [Path(chosen)] if chosen else [PACKAGE / "__pycache__", own]:
        try:
            (parent / name).mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(parent / name, os.W_OK):
            for old in parent.glob(PREFIX + "*"):
                if old.name != name:
                    shutil.rmtree(old, ignore_errors=True)
            return parent / name
    return None


def compiled(function: Callable[..., Any]) -> Any:
    """Return `function` compiled to machine code; plain Python where NUMBA_DISABLE_JIT=1.

    Its code is copied into its callers: handing a plant about would cost three times as much as
    what is computed of it.
    """
    return _compiled(function, inline=True)


def compiled_apart(function: Callable[..., Any]) -> Any:
    """Return `function` compiled as `compiled` does, but called and not copied.

    For what runs once or rarely, so that the compiler has less to do.
    """
    return _compiled(function, inline=False)


def inlined(function: Callable[..., Any]) -> Any:
    """Return `function` as it is, known to the compiler: compiled code that calls it has a copy.

    Called from Python it is plain Python. Machine code of its own, and the way into it from
    Python, would take the compiler longer than the code that is used. No references are counted,
    as in `bare`.
    """
    return _inside(function, inline=True)


def inside(function: Callable[..., Any]) -> Any:
    """Return `function` as `inlined` does, but called by compiled code and not copied into it."""
    return _inside(function, inline=False)


def _inside(function: Callable[..., Any], *, inline: bool) -> Any:
    if not has_machine_code():
        return function
    known = _compiled(
        function,
        inline=inline,
        counted=False,
        kept=not inline,
        no_cpython_wrapper=True,
        no_cfunc_wrapper=True,
    )
    INSIDE.append(known)
    infer_global(function, numba.types.Dispatcher(known))
    return function


def bare(function: Callable[..., Any]) -> Any:
    """Return `function` compiled as `compiled` does, without counting references to arrays.

    For code that makes no array and keeps none: where records of many arrays are handed about,
    the counting, atomic and at every call, costs ten times what is computed.
    """
    return _compiled(function, inline=True, counted=False)


def bare_apart(function: Callable[..., Any]) -> Any:
    """Return `function` compiled as `bare` does, but called and not copied."""
    return _compiled(function, inline=False, counted=False)


def _compiled(
    function: Callable[..., Any],
    *,
    inline: bool,
    counted: bool = True,
    kept: bool = True,
    **others: bool,
) -> Any:
    folder = cache_folder() if kept else None
    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(folder or "")
    try:
        njit: Any = numba.njit  # some of its options are not in its types
        return njit(
            cache=folder is not None,
            nogil=True,  # the interpreter lock is let go, so that threads march side by side
            fastmath=False,
            error_model="numpy",
            forceinline=inline,
            _nrt=counted,
            **others,
        )(function)
    finally:
        config.CACHE_DIR = before
