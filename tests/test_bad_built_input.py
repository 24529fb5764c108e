"""Tables of the pack as built that can't be used: one sentence, by table, key and what is accepted.

Sources of the rules: the scenario format as the project's design lays it down, and arithmetic.
"""

from __future__ import annotations

import pytest
from small_day import GONE, answer, write_day

DAY = {"windows": [["20:00", "22:00"]], "current_A": 5.0}


def fault(kind="link_open", group=1, **over):
    return {"fault": [{"kind": kind, "group": group, **over}]}


def charger(**over):
    return {"charger": {**DAY, **over}}


def board(name, **level):
    return {"board": {name: level}}


TWO_LEVELS = ": every threshold needs two levels, or it chatters"
TABLES = [
    (
        {"layout": {"rows": 3, "columns": 5}},
        "[layout] has 3 x 5 = 15 places for the 20 cells of a pack; "
        "accepted: as many places as cells",
    ),
    ({"layout": {"rows": 4}}, "[layout] columns is missing; give a whole number"),
    (
        {"layout": {"rows": 4, "columns": 5, "model": "all"}},
        "[layout] model is \"all\"; accepted: 'resolved' or 'places'",
    ),
    (
        {"layout": {"rows": 4, "columns": 5, "module_heat_capacity_J_K": 5.0}},
        "[layout]: module_heat_capacity_J_K and module_conductance_W_K come together: they make "
        "the air between the cells a node of its own",
    ),
    (fault(group=5, cell=1), "[[fault]] 1 names group 5 of 4"),
    (fault(cell=9), "[[fault]] 1 names cell 9 of 5"),
    (fault(cell=1, pack=2), "[[fault]] 1 names pack 2 of 1"),
    (fault(group=9, cell=9, pack=9), "[[fault]] 1 names pack 9 of 1, group 9 of 4, cell 9 of 5"),
    (fault(), "[[fault]] 1: link_open needs a cell"),
    (
        fault("weak_group", cell=1, capacity_factor=0.5),
        "[[fault]] 1: cell is not used by a weak_group",
    ),
    (
        fault("weak_cell", cell=1),
        "[[fault]] 1: weak_cell needs a capacity_factor or a resistance_factor",
    ),
    (
        fault("bad_joint", cell=1),
        "[[fault]] 1: joint_mohm belongs to a bad_joint, and a bad_joint needs it",
    ),
    (fault(cell=1, capacity_factor=0.5), "[[fault]] 1: capacity_factor is not used by link_open"),
    (
        {"fault": [{"kind": "cell_missing", "group": 2, "cell": 3}] * 2},
        "[[fault]] 2 names cell_missing of pack 1 group 2 cell 3, as [[fault]] 1 does; "
        "accepted: once",
    ),
    (
        {"fault": [{"kind": "cell_missing", "group": 2, "cell": k} for k in range(1, 6)]},
        "every cell of group 2 is missing",
    ),
    (fault("link_opn", cell=1), "[[fault]] 1 kind is \"link_opn\"; accepted: 'link_open', "
     "'cell_missing', 'weak_cell', 'weak_group' or 'bad_joint'"),
    ({"unit": [{"pack": 2}]}, "[[unit]] 1 names pack 2 of 1"),
    ({"unit": [{"pack": 1}] * 2}, "[[unit]] 2 names pack 1, as [[unit]] 1 does; accepted: once"),
    ({"unit": [{"pack": 1, "out": True}]}, "every [[unit]] is out, so there is no pack"),
    (
        {"charger": DAY, "load.start": GONE},
        "[charger] windows are clock times, so [load] needs a start",
    ),
    (
        charger(windows=[["20:00", "25:00"]]),
        '[charger] windows 1 2 is "25:00"; accepted: a clock time such as "06:30" or "06:30:15"',
    ),
    (
        charger(voltage_V=20.0),
        "[charger] voltage_V 20 is above the 16.8 V of 4 full cells; accepted: up to there",
    ),
    (
        charger(voltage_V=12.0),
        "[charger] voltage_V 12 is not above the 12 V of 4 empty cells, so it would never charge",
    ),
    (
        charger(taper_A=9.0),
        "[charger]: taper_A 9 is above current_A 5, so it would charge at no constant voltage; "
        "accepted: up to current_A",
    ),
    (
        charger(over_core_C=[0.0, 10.0], over_core_C_A=[1.0]),
        "[charger]: over_core_C has 2 entries and over_core_C_A 1; as many of both",
    ),
    (
        charger(over_core_C=[10.0, 0.0], over_core_C_A=[1.0, 2.0]),
        "[charger]: over_core_C must rise from entry to entry",
    ),
    (
        charger(over_core_C=[0.0, 10.0], over_core_C_A=[1.0, -2.0]),
        "[charger]: over_core_C_A holds a negative current; accepted: 0 or more",
    ),
    (
        charger(cold_off_C=0.0, cold_on_C=-5.0),
        "[charger]: cold_on_C -5 must lie above cold_off_C 0" + TWO_LEVELS,
    ),
    (
        charger(hot_off_C=40.0, hot_on_C=45.0),
        "[charger]: hot_on_C 45 must lie below hot_off_C 40" + TWO_LEVELS,
    ),
    (charger(hot_on_C=50.0), "[charger]: hot_on_C is not used without hot_off_C"),
    (charger(tapper_A=1.0), "[charger] tapper_A is not known here; did you mean 'taper_A'?"),
    (
        {"controller": {"over_cell_V": [3.0], "over_cell_V_A": []}},
        "[controller]: over_cell_V has 1 entries and over_cell_V_A 0; as many of both",
    ),
    (
        {"controller": {"over_cell_V": [3.0, 3.2], "over_cell_V_A": [10.0, 5.0]}},
        "[controller]: over_cell_V_A falls where the voltage rises, so no current would be "
        "settled on",
    ),
    ({"controller": {"hot_on_C": 50.0}}, "[controller]: hot_on_C is not used without hot_off_C"),
    (
        board("under_voltage", trip=2.8, release=2.7),
        "[board]: under_voltage release 2.7 must lie above under_voltage trip 2.8" + TWO_LEVELS,
    ),
    (
        board("over_voltage", trip=4.25, release=4.3),
        "[board]: over_voltage release 4.3 must lie below over_voltage trip 4.25" + TWO_LEVELS,
    ),
    (
        board("hot_discharge", trip=60.0, release=65.0),
        "[board]: hot_discharge release 65 must lie below hot_discharge trip 60" + TWO_LEVELS,
    ),
    (
        board("over_current", trip=50.0, release=1.0, latch=True),
        "[board] over_current: release is not used by a threshold that latches",
    ),
    (board("over_current", release=1.0), "[board] over_current trip is missing; give a number"),
    (
        board("over_curent", trip=50.0),
        "[board] over_curent is not known here; did you mean 'over_current'?",
    ),
    (
        board("under_voltage", trip=2800.0),
        "[board]: under_voltage trip is 2800 V; accepted: 0.1 to 10 V",
    ),
    (
        board("over_current", trip=-50.0),
        "[board]: over_current trip is -50 A; accepted: 0.01 to 100000 A",
    ),
    (
        board("cold_charge", trip=273.15),
        "[board]: cold_charge trip is 273.15 C; accepted: -60 to 200 C",
    ),
    (
        board("over_current", trip=50.0, tolerance=60.0),
        "[board]: over_current tolerance 60 A is not below its trip 50 A",
    ),
    ({"busbar": {"link_mohm": 0.0}},
     "[busbar] link_mohm is 0.0; accepted: a number, above 0 and up to 100"),
    ({"spread": {"capacity": 2.0}},
     "[spread] capacity is not known here; did you mean 'capacity_percent'?"),
    ({"spread": {}, "pack.parallel": 10_000}, "40000 cells one by one; accepted: up to 20000"),
]  # fmt: skip

HEADER = "group,place,capacity_Ah\n"
KNOWN = (
    "accepted: group, place, one or more of capacity_Ah, resistance_mohm, joint_mohm, "
    "charge_percent, and pack where there are several, each once"
)
WHOLE = "accepted: a whole number from 1 to 10000"
AMPERE_HOURS = "accepted: a number from 0.01 to 1000"
LISTS = [
    (None, " is not there; give the path of a CSV file"),
    (b"\xff\xfeg\x00", " is not UTF-8 text (byte 0); save it as UTF-8"),
    ("", " holds no cells; a header and a row a cell are needed"),
    (HEADER, " holds no cells; a header and a row a cell are needed"),
    (HEADER + "1,1,x\n", f" line 2, column capacity_Ah: 'x'; {AMPERE_HOURS}"),
    (HEADER + "#\n\n1,1,\n", f" line 4, column capacity_Ah: ''; {AMPERE_HOURS}"),
    (HEADER + "1,1,nan\n", f" line 2, column capacity_Ah: 'nan'; {AMPERE_HOURS}"),
    (HEADER + "1,1,-3\n", f" line 2, column capacity_Ah: '-3'; {AMPERE_HOURS}"),
    (
        HEADER + "1,1,3200\n",
        f" line 2, column capacity_Ah: '3200'; {AMPERE_HOURS}; 3.2 Ah if mAh was meant",
    ),
    (HEADER + "1,1,3.0,4\n", " line 2: 4 fields, where the header has 3"),
    (HEADER + '"1,1,3\n1,2,3\n', " line 2: 1 fields, where the header has 3"),
    (HEADER + "1.5,1,3\n", f" line 2, column group: '1.5'; {WHOLE}"),
    (HEADER + "0,1,3\n", f" line 2, column group: '0'; {WHOLE}"),
    (HEADER + "inf,1,3\n", f" line 2, column group: 'inf'; {WHOLE}"),
    (HEADER + "1e30,1,3\n", f" line 2, column group: '1e30'; {WHOLE}"),
    (HEADER + "1,9,3\n", ": group 1 place 9 of pack 1 is outside the 4s5p of 1 pack"),
    (HEADER + "1,1,3\n1,1,3\n", " line 3: group 1 place 1 of pack 1 stands in line 2 already"),
    ("group,place\n1,1\n", f": the header is group, place; {KNOWN}"),
    ("grp,place,capacity_Ah\n1,1,3\n", f": the header is grp, place, capacity_Ah; {KNOWN}"),
]


@pytest.mark.parametrize("changes, said", TABLES)
def test_a_pack_that_can_not_be_built_is_refused_in_one_sentence(tmp_path, changes, said):
    path = write_day(tmp_path, changes)

    code, out, err = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, out, err) == (2, "", f"{path}: {said}\n")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("text, said", LISTS)
def test_a_list_of_cells_that_can_not_be_used_is_refused_by_line_and_column(tmp_path, text, said):
    path, cells = write_day(tmp_path, {"spread": {"cells": "cells.csv"}}), tmp_path / "cells.csv"
    if text is not None:
        cells.write_bytes(text if isinstance(text, bytes) else text.encode())

    code, out, err = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, out, err) == (2, "", f"{cells}{said}\n")
