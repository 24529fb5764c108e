"""A result folder that is written whole or not at all.

Files are written into a folder beside, which then takes the old one's place by renaming. An
interrupt, a full disk or a crash on the way leaves the old result as it was.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim.errors import OutputError

# Whatever Stillair writes into a result folder; a folder with anything else in it is not ours.
OURS = frozenset(
    {"timeseries.csv", "events.csv", "summary.json", "overview.png", "overview.svg", "overview.pdf"}
)


def check_replaceable(folder: Path) -> None:
    """Raise OutputError where `folder` is no result folder of ours, so that nothing is lost."""
    if not folder.exists() and not folder.is_symlink():
        return
    if folder.is_symlink() or not folder.is_dir():
        raise OutputError(f"{folder} is not a folder; give another --out")
    strange = sorted(entry.name for entry in folder.iterdir() if entry.name not in OURS)
    if strange:
        raise OutputError(
            f"{folder} holds '{strange[0]}', which no run wrote, and would be replaced; "
            "give another --out"
        )


@contextmanager
def written_whole(folder: Path) -> Iterator[Path]:
    """Yield an empty folder to write into; it becomes `folder` when the block ends well.

    Raises OutputError where the place can't be written. Whatever ends the block otherwise leaves
    `folder` as it was and nothing beside it.
    """
    check_replaceable(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as problem:
        raise OutputError(f"{folder} can't be written: {problem.strerror}") from None
    try:
        fresh = beside / "new"
        fresh.mkdir()
        yield fresh
        if folder.exists():
            folder.rename(beside / "old")
        fresh.rename(folder)
    except OSError as problem:
        raise OutputError(f"{folder} can't be written: {problem.strerror}") from None
    finally:
        _restore(folder, beside / "old")
        shutil.rmtree(beside, ignore_errors=True)


def _restore(folder: Path, old: Path) -> None:
    """Put the old result back where the new one did not get into its place."""
    if old.exists() and not folder.exists():
        old.rename(folder)
