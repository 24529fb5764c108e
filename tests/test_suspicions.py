"""Claims about implausible tables: sensor range, wrapped counters, dropouts, turned signs.

What is implausible follows from physics (voltage falls as discharge rises) or from how numbers
are stored (16 bits of milliamperes span 65.536 A); the bounds are the project's own choice.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from table_text import LOAD, WEATHER, read, refusal

from sim.files.tables import load_column


@pytest.mark.parametrize("value", ["255", "-127", "6552.9", "298.15"])
def test_an_overflowed_temperature_is_refused_wanted_or_not(value):
    text = f"time_s,power_W,temperature_C\n0,1,20\n1,1,{value}\n"

    for wanted in (LOAD, WEATHER):
        said = refusal(text, wanted)
        assert said.startswith(f"line 3 column 'temperature_C': found {value}")
        assert "-60 to 200 C" in said


@pytest.mark.parametrize(
    ("header", "value"),
    [("speed_m_s", "-3"), ("speed_km_h", "900"), ("grade_percent", "120"), ("current_A", "2e5")],
)
def test_what_no_vehicle_does_is_refused(header, value):
    text = f"time_s,speed_m_s,{header}\n0,1,1\n1,1,{value}\n"

    assert f"line 3 column '{header}': found {value}" in refusal(text)


def test_a_wrapped_16_bit_current_is_refused_and_a_plain_reversal_is_not():
    head = "time_s,current_A\n0,20.5\n1,32.5\n"

    # 33.0 A in milliamperes of 16 bits reads 33.0 - 65.536
    assert "line 4 column 'current_A': found -32.536 after 32.5" in refusal(head + "2,-32.536\n")
    assert load_column(read(head + "2,-20.0\n")).values[-1] == -20.0


def test_a_voltage_that_drops_out_for_one_row_is_left_out_and_told():
    table = read("time_s,current_A,pack_V,spare_V\n0,1,40,0\n1,1,0,0\n2,1,39.9,0\n3,1,39.8,0\n")

    pack, spare = (column.values for column in table.find("voltage"))
    np.testing.assert_array_equal(pack, [40, np.nan, 39.9, 39.8])
    assert np.isnan(spare).all()
    assert sorted((n.kind, n.line) for n in table.notes) == [("dropout", 3), ("unused", 2)]


def test_text_in_a_column_nobody_asked_for_is_told():
    table = read("time_s,power_W,box_C\n0,1,20\n1,1,ERR\n2,1,21\n")

    assert [(note.kind, note.line) for note in table.notes] == [("number", 3)]


NEGATIVE = "time_s,current_A,voltage_V\n0,1,41\n1,-10,40\n2,-2,40.8\n3,-12,39.8\n4,3,41.2\n"


def test_a_voltage_that_falls_with_the_current_shows_the_wrong_sign():
    said = refusal(NEGATIVE)

    assert said.startswith("line 3 column 'current_A'")
    assert '`[load] discharge = "negative"`' in said
    table = read(NEGATIVE, discharge="negative")
    assert load_column(table).values.tolist() == [-1, 10, 2, 12, -3]
    assert table.find("voltage")[0].values.tolist() == [41, 40, 40.8, 39.8, 41.2]


def test_the_option_on_a_file_that_counts_right_is_refused():
    right = NEGATIVE.replace(",-", ",+").replace("0,1,", "0,-1,").replace("4,3,", "4,-3,")

    assert "leave `[load]" in refusal(right, discharge="negative")


def test_the_voltage_of_a_motor_proves_nothing():
    text = NEGATIVE.replace(",-", ",").replace("voltage_V", "motor_V")
    text = text.replace(",40\n", ",60\n").replace(",39.8\n", ",70\n")

    assert load_column(read(text)).values.tolist() == [1, 10, 2, 12, 3]


@pytest.mark.parametrize(
    ("discharging", "charging", "line", "word"),
    [
        (-12, 2, 3, "discharge ="),
        (-12, -2, 4, "opposite"),
        (12, 2, 4, "opposite"),
    ],
)
@pytest.mark.parametrize("words", [("Discharging", "Charging"), ("Entladen", "Laden")])
def test_a_state_that_contradicts_the_sign_is_refused(discharging, charging, line, word, words):
    text = (
        f"time_s,current_A,state\n0,0,Idle\n1,{discharging},{words[0]}\n2,{charging},{words[1]}\n"
    )

    said = refusal(text)
    assert said.startswith(f"line {line} ") and word in said


def test_a_state_that_agrees_with_the_sign_is_silent():
    table = read("time_s,current_A,state\n0,0,Idle\n1,12,Discharging\n2,-2,Charging\n")

    assert table.notes == () and [c.quantity for c in table.columns] == ["current", "state"]


@pytest.mark.parametrize("header", ["power_W", "current_A"])
def test_a_load_that_only_ever_charges_is_taken_for_a_turned_sign(header):
    text = f"time_s,{header}\n0,0.1\n1,-50\n2,-40\n"

    assert refusal(text).startswith(f"line 3 column '{header}'")
    assert load_column(read(text, discharge="negative")).values.tolist() == [-0.1, 50, 40]


def test_a_charger_with_some_standby_load_is_no_turned_sign():
    text = "time_s,current_A\n" + "".join(
        f"{600 * i},{0.5 if i < 60 else -20}\n" for i in range(80)
    )

    assert load_column(read(text)).values[-1] == -20


MEASURED = Path(__file__).resolve().parents[2] / "shared" / "data"
RECORDS = sorted(p for p in MEASURED.glob("*/*.csv") if "time_s,voltage_V" in p.read_text()[:40])


@pytest.mark.skipif(not RECORDS, reason="the shared open measurements are not here")
def test_measured_cells_are_read_silently_and_never_with_the_sign_turned():
    # open data by several publishers, discharge positive by their reductions (data/README.md)
    for path in RECORDS:
        header, *rows = path.read_text().splitlines()
        at = header.split(",").index("current_A")
        turned = [header]
        for row in rows:
            fields = row.split(",")
            fields[at] = fields[at][1:] if fields[at].startswith("-") else "-" + fields[at]
            turned.append(",".join(fields))

        assert read(path.read_text(), ("current", "voltage", "temperature")).notes == (), path
        assert "`[load] discharge" in refusal("\n".join(turned) + "\n"), path
