"""What a report of a pack as built tells of other sizes, and of how far each knob can go."""

from __future__ import annotations

import html
import math
import re
from pathlib import Path
from typing import Any

import pytest
import steady
from small_day import answer
from steady import CURRENT_A, HOURS

CELL_AH, RESERVE, CHARGE_A = 20.0, 0.1, 5.0


def reported(folder: Path, trip_A: float, sections: str, **changes: Any) -> list[list[str]]:
    """Report a day of 300 Ah, charged again, behind a board of 15 A tolerance; return its rows."""
    board = {"over_current": {"trip": trip_A, "release": 1.0, "tolerance": 15.0}}
    path = steady.write(
        folder,
        {
            "cell.capacity_Ah": CELL_AH,
            "cell.resistance.discharge_mohm": 1.0,  # heat is no limit
            "pack.joint_mohm": 0.0,
            "limits.core_max_C": 150.0,
            "limits.charge_core_max_C": 150.0,
            "limits.cell_charge_max_A": CHARGE_A,
            "charger": {"windows": [["12:00", "20:00"]], "current_A": 60.0},
            "board": board,
            **changes,
        },
    )
    page = folder / "r.html"
    _, _, err = answer("report", path, "--with", sections, "--jobs", "1", "--out", page)
    assert err == ""
    return rows_of(page.read_text(encoding="utf-8"))


def rows_of(page: str) -> list[list[str]]:
    """Return the cells of every row of every table, as text."""
    return [
        [
            html.unescape(cell).strip()
            for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
        ]
        for row in re.findall(r"<tr[^>]*>(.*?)</tr>", page, re.S)
    ]


def test_a_sweep_in_a_report_tells_that_a_board_gives_first_and_only_perhaps(tmp_path):
    """Charge lasts from 17 in parallel on by counting; 110 - 15 A is less than 100, 110 is not."""
    least = math.ceil(CURRENT_A * HOURS / ((1.0 - RESERVE) * CELL_AH))
    rows = {row[0]: row for row in reported(tmp_path, 110.0, "sweep", **{"pack.parallel": 18})}

    for count in (least, 18, 27):
        assert rows[str(count)][1:3] == ["no", "board over current may trip (inside its tolerance)"]
        # The least of the day, not the end's, when it is charged again.
        left = 100.0 - 100.0 * CURRENT_A * HOURS / (count * CELL_AH)
        assert rows[str(count)][5] == f"{left:.1f} %"


def test_wiring_in_a_report_is_judged_by_the_pack_as_built_and_says_what_is_not(tmp_path):
    """All of the load flows through the leads of the one pack: 100 A, and 60 A come back."""
    leads = {"name": "leads", "material": "copper", "area_mm2": 50, "length_mm": 500}
    rows = reported(tmp_path, 120.0, "wiring", conductor=[{**leads, "insulation_max_C": 90}])

    assert next(row for row in rows if row[0] == "leads")[1] == "100.0 A"
    page = html.unescape((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert "short-circuit currents are of alike cells" in page


@pytest.mark.slow
def test_headroom_in_a_report_turns_board_charger_and_controller(tmp_path):
    """The board holds to (120 - 15) / 100 of the load; 20 cells take 5 A each."""
    rows = reported(tmp_path, 120.0, "headroom", controller={"current_max_A": 150.0})
    knobs = {row[0]: row[1:] for row in rows}

    scale, charging, controller = (
        knobs[name] for name in ("load scale", "charging, A", "controller, lowest, A")
    )
    assert (float(scale[1]), scale[2]) == (
        pytest.approx(1.05, rel=1e-3), "board over current trips",
    )  # fmt: skip
    assert (float(charging[1]), charging[2]) == (
        pytest.approx(20 * CHARGE_A, rel=1e-3), "charge current above limit",
    )  # fmt: skip
    assert float(controller[1]) == pytest.approx(CURRENT_A, rel=2e-3)
