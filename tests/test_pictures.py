"""The two pictures that README.md shows are still what its commands draw.

`python tests/test_pictures.py` draws them anew, after a change that moves them; look at them then.
Each holds its answer as text, and its pixels are compared coarsely: another font or another
version of the plotting library moves words by some pixels, and must not fail.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo
from small_day import answer

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "scenarios/pictures"
SCENARIO = ROOT / "scenarios/orchard-cart.toml"
DRAWN = {
    "orchard-cart-overview.png": ("overview.png", ["simulate", SCENARIO]),
    "orchard-cart-sweep.png": ("sweep.png", ["sweep", SCENARIO, "--parallel", "6:24"]),
}
WIDE = 900  # pixels
COLOURS = 256  # of a palette; no pixel is off by more than 8 of 255
MOST_BYTES = 120_000
COARSE = 90  # pixels across, for comparing
# Mean difference of grey at that width, in shares of white. Drawn with a serif font it is 0.006 and
# 0.002, with a typewriter font 0.015 and 0.006; a sweep over other counts 0.028, eleven in parallel
# 0.064. Lesser changes of the day are told by the answer.
ALIKE = 0.02


def drawn(name: str, folder: Path, *more: object) -> tuple[Image.Image, str]:
    """Return what the command draws now, as wide as it is kept, and its answer."""
    file, words = DRAWN[name]
    code, _, err = answer(*words, *more, "--out", folder / "out")
    assert code in (0, 1), err
    summary = json.loads((folder / "out/summary.json").read_text("utf-8"))
    whole = Image.open(folder / "out" / file).convert("RGB")
    high = round(whole.height * WIDE / whole.width)
    return whole.resize((WIDE, high), Image.Resampling.LANCZOS), summary["verdict"]["sentence"]


def apart(one: Image.Image, other: Image.Image) -> float:
    """Return the mean difference of two pictures in grey, coarsely seen; 1 is white on black."""
    size = (COARSE, round(COARSE * one.height / one.width))
    grey = [
        np.asarray(each.convert("L").resize(size, Image.Resampling.BOX), float)
        for each in (one, other)
    ]
    return float(np.mean(np.abs(grey[0] - grey[1]))) / 255.0


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_of_the_readme_is_what_its_command_draws(name, tmp_path):
    kept = Image.open(FOLDER / name)
    now, sentence = drawn(name, tmp_path)

    assert kept.width == WIDE
    assert (FOLDER / name).stat().st_size <= MOST_BYTES
    assert kept.text["Description"] == sentence, f"draw it anew: python {Path(__file__).name}"
    assert apart(now, kept.convert("RGB")) < ALIKE


@pytest.mark.slow
def test_a_picture_of_another_day_is_told_apart(tmp_path):
    """The comparison above can fail: a sweep over other counts is another picture."""
    kept = Image.open(FOLDER / "orchard-cart-sweep.png").convert("RGB")
    other, _ = drawn("orchard-cart-sweep.png", tmp_path, "--parallel", "12:30")

    assert apart(other, kept) > ALIKE


def main() -> None:
    """Draw the pictures anew into the scenarios' folder."""
    FOLDER.mkdir(exist_ok=True)
    for name in DRAWN:
        with tempfile.TemporaryDirectory() as folder:
            picture, sentence = drawn(name, Path(folder))
        said = PngInfo()
        said.add_text("Description", sentence)
        few = picture.quantize(COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
        few.save(FOLDER / name, optimize=True, pnginfo=said)
        sys.stdout.write(f"{name}: {(FOLDER / name).stat().st_size} bytes; {sentence}\n")


if __name__ == "__main__":
    main()
