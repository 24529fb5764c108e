"""A result folder that is written whole or not at all.

Files are written into a folder beside, which then takes the old one's place by renaming. An
interrupt, a full disk or a crash on the way leaves the old result as it was.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from sim.errors import OutputError

# Whatever Stillair writes into a result folder; a folder with anything else in it is not ours.
OURS = frozenset(
    {
        "timeseries.csv",
        "events.csv",
        "summary.json",
        "sweep.csv",
        "candidates.jsonl",
        "cells.csv",
        "conductors.csv",
        "compare.csv",
        "draws.csv",
        *(
            f"{picture}.{suffix}"
            for picture in (
                "overview",
                "pack-map",
                "sweep",
                "headroom",
                "wiring",
                "odds",
                "compare",
                "size",
            )
            for suffix in ("png", "svg", "pdf")
        ),
    }
)


def check_replaceable(folder: Path) -> None:
    """Raise OutputError where `folder` is no result folder of ours, so that nothing is lost.

    Also where it could not be written, as far as can be seen without trying.
    """
    try:
        _check(folder)
    except OSError as problem:
        raise _unwritable(folder, problem) from None


def _check(folder: Path) -> None:
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if nearest.is_dir() and not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(f"{folder} can't be written: no permission in {nearest}")
    if not nearest.is_dir() and nearest != folder:
        raise OutputError(f"{folder} can't be written: {nearest} is a file")
    if nearest != folder and not folder.is_symlink():
        return
    if folder.is_symlink() or not folder.is_dir():
        raise OutputError(f"{folder} is not a folder; give another --out")
    if folder.samefile(Path.cwd()):
        raise OutputError(f"{folder} is the folder you are in; give another --out")
    names = sorted(entry.name for entry in folder.iterdir())
    strange = [name for name in names if name not in OURS or not _is_result(folder)]
    if strange:
        raise OutputError(
            f"{folder} holds '{strange[0]}', which no run wrote, and would be replaced; "
            "give another --out"
        )


def _is_result(folder: Path) -> bool:
    """Return whether the summary in `folder` says that Stillair wrote it."""
    try:
        return '"stillair"' in (folder / "summary.json").read_text("utf-8")[:100]
    except (OSError, UnicodeDecodeError):
        return False


@contextmanager
def written_whole(folder: Path) -> Iterator[Path]:
    """Yield an empty folder to write into; it becomes `folder` when the block ends well.

    Raises OutputError where the place can't be written. Whatever ends the block otherwise leaves
    `folder` as it was and nothing beside it.
    """
    check_replaceable(folder)
    made = [place for place in folder.absolute().parents if not place.exists()]
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as problem:
        _remove_empty(made)
        raise _unwritable(folder, problem) from None
    try:
        fresh = beside / "new"
        fresh.mkdir()
        yield fresh
        if folder.exists():
            folder.rename(beside / "old")
        fresh.rename(folder)
    except OSError as problem:
        raise _unwritable(folder, problem) from None
    finally:
        _restore(folder, beside / "old")
        shutil.rmtree(beside, ignore_errors=True)
        _remove_empty(made)


def _unwritable(folder: Path, problem: OSError) -> OutputError:
    return OutputError(f"{folder} can't be written: {problem.strerror or problem}")


def _restore(folder: Path, old: Path) -> None:
    """Put the old result back where the new one did not get into its place."""
    if old.exists() and not folder.exists():
        old.rename(folder)


def _remove_empty(places: list[Path]) -> None:
    """Remove the folders that were made on the way to a result which then did not come."""
    for place in places:  # the innermost first; one that holds something stays
        with suppress(OSError):
            place.rmdir()
