"""The report in a real browser: no error, no request, an accessibility checker finds nothing.

Needs Chromium, Node, and the two packages of tests/browser/package.json (`npm install` there, or
NODE_PATH); skips, with the reason, where one is missing.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from report_page import BUILT, HOSTILE, LEADS, PLAIN, reported

HERE = Path(__file__).resolve().parent / "browser"
CHROMIUM = next((p for n in ("chromium", "chromium-browser") if (p := shutil.which(n))), None)
NODE = shutil.which("node")


def lacking() -> str | None:
    """Return what is missing for a look in a browser."""
    if CHROMIUM is None:
        return "chromium is not installed"
    if NODE is None:
        return "node is not installed"
    asked = "require.resolve('axe-core'); require.resolve('playwright-core')"
    there = subprocess.run([NODE, "-e", asked], cwd=HERE, capture_output=True, timeout=60)
    if there.returncode:
        return "axe-core and playwright-core are not installed (npm install in tests/browser)"
    return None


@pytest.fixture(scope="module", params=["plain", "built"])
def look(request, tmp_path_factory):
    """Return what the browser saw of a hostile report."""
    missing = lacking()
    if missing:
        pytest.skip(missing)
    folder = tmp_path_factory.mktemp("browser")
    if request.param == "plain":
        asked = {**PLAIN, "conductor": [LEADS]}
        _, page = reported(folder, asked, "--with", "sweep,headroom,wiring,odds", "--jobs", "1")
    else:
        _, page = reported(folder, BUILT)
    assert NODE is not None and CHROMIUM is not None
    seen = subprocess.run(
        [NODE, HERE / "look.cjs", page, CHROMIUM],
        capture_output=True, text=True, timeout=180, cwd=HERE, env=dict(os.environ),
    )  # fmt: skip
    assert seen.returncode == 0, seen.stderr
    return json.loads(seen.stdout)


@pytest.mark.slow
def test_nothing_goes_wrong_and_nothing_leaves_the_page(look):
    assert len(look["views"]) == 4  # desk and phone, light and dark
    for view in look["views"]:
        assert view["console"] == []
        assert view["errors"] == []
        assert view["requests"] == []
        assert view["dialogs"] == []


@pytest.mark.slow
def test_the_accessibility_checker_finds_nothing(look):
    for view in look["views"]:
        assert view["rules"] > 30  # it did look
        assert view["axe"] == []


@pytest.mark.slow
def test_hostile_words_stay_words_and_the_page_fits_its_screen(look):
    for view in look["views"]:
        facts = view["facts"]
        assert facts["harmless"]
        assert facts["heading"] == HOSTILE
        assert facts["scripts"] == 1
        assert facts["handlers"] == 0
        assert facts["wide"] <= 0  # nothing sticks out sideways
        assert facts["unseen"] == 0
        assert facts["pictures"] >= 2
        assert facts["firstTab"] == "To the answer"
    assert len({view["facts"]["body"] for view in look["views"]}) == 2  # light and dark differ


@pytest.mark.slow
def test_it_prints_on_both_papers(look):
    assert all(1 < pages < 25 for pages in look["pages"].values())
    assert set(look["pages"]) == {"A4", "Letter"}
