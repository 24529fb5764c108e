"""The starter scenario: files that come with the package, laid where a user wants them."""

from __future__ import annotations

from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path

from sim.errors import OutputError

STARTER = ("vehicle.toml", "cell.toml", "day.csv")  # the scenario first


def lay(folder: Path) -> list[Path]:
    """Write the starter's files into `folder`, made where it isn't there; return their paths.

    Raises OutputError where one of them is there already, or can't be written; what was written
    by then is taken away again.
    """
    paths = [folder / name for name in STARTER]
    for path in paths:
        if path.exists() or path.is_symlink():
            raise OutputError(f"{path} is there already and is not overwritten; give another DIR")
    texts = [(files("sim") / "starter" / name).read_text(encoding="utf-8") for name in STARTER]
    made = [place for place in (folder, *folder.parents) if not place.exists()]
    written: list[Path] = []
    with ExitStack() as undo:
        undo.callback(_take_away, written, made)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for path, text in zip(paths, texts, strict=True):
                _write(path, text, written)
        except OSError as problem:
            why = problem.strerror or problem
            raise OutputError(f"{folder} can't be written: {why}") from None
        undo.pop_all()
    return paths


def _write(path: Path, text: str, written: list[Path]) -> None:
    with path.open("x", encoding="utf-8", newline="\n") as file:
        written.append(path)
        file.write(text)


def _take_away(written: list[Path], made: list[Path]) -> None:
    for path in written:
        path.unlink(missing_ok=True)
    for place in made:
        if place.is_dir() and not any(place.iterdir()):
            place.rmdir()
