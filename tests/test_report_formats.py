"""`--format`: every picture comes as PNG, SVG or PDF; one replaces the other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from report_page import LEADS
from small_day import answer, names_in, write_day

from sim.show.folder import OURS

# How such files begin: the PNG, SVG (as XML) and PDF standards.
BEGINS = {"png": b"\x89PNG\r\n\x1a\n", "svg": b"<?xml ", "pdf": b"%PDF-"}
PICTURE = {
    "simulate": "overview",
    "sweep": "sweep",
    "headroom": "headroom",
    "wiring": "wiring",
    "odds": "odds",
    "size": "size",
    "compare": "compare",
}
MORE = {
    "sweep": ["--parallel", "4:6", "--jobs", "1"],
    "headroom": ["--jobs", "1"],
    "odds": ["--draws", "128", "--jobs", "1"],
    "size": ["--distance", "8", "--speed", "10", "--power", "150", "--controller", "10:17",
             "--ambient", "25", "--jobs", "1"],
    "compare": ["--start-percent", "100"],
}  # fmt: skip


def asked_of(command: str, folder: Path, changes: dict[str, Any]) -> list[object]:
    """Return the words of a command about the small day, changed, its result in `out`."""
    path = write_day(folder, {"conductor": [LEADS], **changes})
    words: list[object] = [command, "--out", folder / "out", "--quiet", *MORE.get(command, [])]
    if command == "size":
        return [*words, "--cell", folder / "cell.toml"]
    if command != "compare":
        return [*words, path]
    rows = [f"{60 * k},2.0,{16.4 - 0.005 * k:.3f},{25 + 0.01 * k:.2f}" for k in range(60)]
    header = "time_s,current_A,voltage_V,cell_temperature_C"
    (folder / "log.csv").write_text("\n".join([header, *rows]) + "\n")
    return [*words, path, folder / "log.csv"]


@pytest.mark.parametrize("command", PICTURE)
def test_a_picture_comes_in_the_format_asked_for_and_takes_the_others_place(tmp_path, command):
    words, out = asked_of(command, tmp_path, {}), tmp_path / "out"
    for suffix in ("svg", "pdf", None):
        asked = [] if suffix is None else ["--format", suffix]
        code, _, err = answer(*words, *asked)
        assert code in (0, 1), err
        pictures = [name for name in names_in(out) if name.startswith(f"{PICTURE[command]}.")]
        pictures = [name for name in pictures if not name.endswith("csv")]
        assert pictures == [f"{PICTURE[command]}.{suffix or 'png'}"]
        assert (out / pictures[0]).read_bytes().startswith(BEGINS[suffix or "png"])


def test_a_pack_as_built_has_both_its_pictures_in_that_format(tmp_path):
    path = write_day(tmp_path, {"layout": {"rows": 4, "columns": 5}})
    code, _, err = answer("simulate", path, "--out", tmp_path / "out", "--format", "svg")

    assert code in (0, 1), err
    assert {"overview.svg", "pack-map.svg"} <= set(names_in(tmp_path / "out")) <= OURS


@pytest.mark.parametrize("command", PICTURE)
def test_a_dollar_sign_in_a_title_is_drawn_as_one(tmp_path, command):
    """matplotlib takes what stands between two of them for mathematics, and stops at this."""
    title = "5 $ or 6 $_^{ more $\\frac$"
    changes = {"title": title, "conductor": [{**LEADS, "name": title}]}
    code, _, err = answer(*asked_of(command, tmp_path, changes))

    assert (code in (0, 1), err) == (True, "")


def test_another_format_is_refused(tmp_path):
    code, _, err = answer("simulate", write_day(tmp_path), "--format", "gif")

    assert code == 2
    assert "gif" in err
