"""Logs as nobody should write them: read to the right numbers, or refused where they stand.

Judge: each record was written by hand from one list of numbers (RECORD), so that what it must be
read as is known; a refusal must name line and, where one field is to blame, the column.
"""

from __future__ import annotations

import gzip
import zoneinfo

import pytest

from sim.errors import InputError
from sim.files.headers import TableOptions
from sim.files.log_columns import LogOptions, read_log_table

TIMES_S = (0, 10, 20, 30, 40)
CURRENTS_A = (0.0, 12.4, 12.3, 24.8, 0.0)
VOLTS_V = (41.6, 40.8, 40.7, 39.6, 41.4)
ROWS = "0,0.0,41.6\n10,12.4,40.8\n20,12.3,40.7\n30,24.8,39.6\n40,0.0,41.4\n"
HEAD = "time_s,current_A,voltage_V\n"


def read(raw: bytes | str, tmp_path, **options):
    path = tmp_path / "log.csv"
    path.write_bytes(raw if isinstance(raw, bytes) else raw.encode("utf-8"))
    return read_log_table(path, LogOptions(TableOptions(flags=True, **options)))


READ = {
    "zeros with a minus": HEAD + ROWS.replace("0,0.0,", "0,-0.0,"),
    "exponents": HEAD + "0,0e0,41.6\n1e1,1.24e1,40.8\n2E1,1.23E+1,40.7\n3e1,248e-1,39.6\n"
    "4e1,0,41.4\n",
    "spaces that don't break": HEAD.replace(",", ";")
    + ROWS.replace("12.4", "\u00a012.4").replace("12.3", "12.3\u00a0").replace(",", ";"),
    "tabs and decimal commas": "Zeit [s]\tStrom [A]\tSpannung [V]\n"
    + ROWS.replace(",", "\t").replace(".", ","),
    "columns without a name": "time_s,,current_A,,voltage_V\n" + ROWS.replace(",", ",,"),
    "units in the second row": "time,current,voltage\n(s),(A),(V)\n" + ROWS,
    "capitals": "TIME_S,CURRENT_A,VOLTAGE_V\n" + ROWS,
    "a word above the header": "Battery,,\n" + HEAD + ROWS,
    "the delimiter told": "sep=;\n" + (HEAD + ROWS).replace(",", ";"),
    "line ends of old": (HEAD + ROWS).replace("\n", "\r"),
    "sixteen bits": (HEAD + ROWS).encode("utf-16"),
    "half days": "time,current_A,voltage_V\n"
    + "".join(
        f"{clock} PM,{a},{v}\n"
        for clock, a, v in zip(
            ("12:59:40", "12:59:50", "1:00:00", "1:00:10", "1:00:20"),
            CURRENTS_A,
            VOLTS_V,
            strict=True,
        )
    ),
    "points all through": HEAD + "0.,0.,42.\n10.,12.,41.\n20.,13.,41.\n30.,25.,40.\n40.,0.,41.\n",
}


@pytest.mark.parametrize("name", READ)
def test_odd_ways_of_writing_change_no_number(name, tmp_path):
    found = read(READ[name], tmp_path)

    rounded = name == "points all through"
    amps = [round(a + 0.2) for a in CURRENTS_A] if rounded else CURRENTS_A
    assert found.table.time_s.tolist() == list(TIMES_S)
    assert found.current_A.tolist() == pytest.approx(amps, abs=1.0 if rounded else 1e-12)
    assert found.pack_V.tolist() == pytest.approx(VOLTS_V, abs=0.5 if rounded else 1e-12)
    assert found.table.notes == ()


def test_hours_as_fractions_fahrenheit_and_thousandths_are_scaled(tmp_path):
    found = read(
        "time_h,current_mA,temp_F\n0,0,77.0\n0.0027778,12400,86.0\n0.0055556,12300,95.0\n", tmp_path
    )

    assert found.table.time_s.tolist() == pytest.approx([0.0, 10.0, 20.0], abs=1e-3)
    assert found.current_A.tolist() == [0.0, 12.4, 12.3]
    assert found.temperature.values.tolist() == pytest.approx([25.0, 30.0, 35.0], abs=1e-12)


REFUSED = {
    "another delimiter in one row": (HEAD + ROWS.replace("10,12.4,40.8", "10;12.4;40.8"), "line 3"),
    "a minus of print": (HEAD + ROWS.replace("12.3", "\u22122.3"), "line 4 column 'current_A'"),
    "a dash": (HEAD + ROWS.replace("12.3", "\u20132.3"), "line 4 column 'current_A'"),
    "thousands in quotes": (
        'time_s,current_mA,voltage_mV\n0,0,"41,600"\n10,"12,400","40,800"\n20,"12,300","40,700"\n',
        "--thousands ,",
    ),
    "thousands by spaces": (
        "time_s;current_mA\n0;0\n10;12\u00a0400\n20;12\u00a0300\n",
        "line 3 column 'current_mA'",
    ),
    "commas for everything": ("Zeit [s],Strom [A]\n0,0,0\n10,12,4\n20,12,3\n", "line 2: 3 fields"),
    "one name twice": (
        "time_s,current_A,current_A\n0,0,1\n10,12,2\n20,12,3\n",
        "a name of its own",
    ),
    "one time twice": ("time_s,time_s,current_A\n0,0,1\n10,10,2\n20,20,3\n", "a name of its own"),
    "two currents, one of the battery": (
        "time_s,current_mA,pack_current_A\n0,0,0.1\n10,12400,2.4\n20,12300,2.3\n",
        "'pack_current_A'; name one by `--column`",
    ),
    "units in the cells": ("time,current\n0 s,0 A\n10 s,12.4 A\n20 s,800 mA\n", "without a unit"),
    "minutes that look like hours": (
        "time_min,current_A\n0:00,0.0\n0:10,12.4\n0:20,12.3\n",
        "line 2 column 'time_min'",
    ),
    "a stretch that looks like a clock": (
        "elapsed time,current_A\n00:00,0.0\n00:10,12.4\n00:20,12.3\n",
        "line 2 column 'elapsed time'",
    ),
    "a day of 25 hours": (
        "time,current_A\n23:59:50,0\n24:00:10,12.4\n25:00:20,0\n",
        "line 3 column 'time'",
    ),
    "a counter of 32 bits that wrapped": (
        "time_ms,current_A\n4294966000,0.0\n4294967000,12.4\n704,0.0\n",
        "line 4 column 'time_ms'",
    ),
    "a sum behind the rows": (HEAD + ROWS + "Average,12.4,40.8\n", "line 7 column 'time_s'"),
    "a remark behind the rows": (HEAD + ROWS + "--- end of log ---\n", "line 7"),
    "a packed file": (gzip.compress((HEAD + ROWS).encode()), "a gzip file"),
    "a spreadsheet": (b"PK\x03\x04" + bytes(range(200)), "a spreadsheet"),
    "sixteen bits without a mark": ((HEAD + ROWS).encode("utf-16-le"), "--encoding utf-16-le"),
    "infinity": (HEAD + ROWS.replace("12.4", "inf"), "line 3 column 'current_A'"),
    "no number": (HEAD + ROWS.replace("12.4", "NaN"), "line 3 column 'current_A'"),
    "base sixteen": (HEAD + ROWS.replace("12.4", "0x10"), "line 3 column 'current_A'"),
    "wide digits": (HEAD + ROWS.replace("12.4", "\uff11\uff12.4"), "line 3 column 'current_A'"),
    "a mark and nothing behind it": (HEAD + ROWS.replace("12.4", "12."), "line 3 column"),
    "a book-keeper's minus": (HEAD + ROWS.replace("12.4", "(12.4)"), "line 3 column 'current_A'"),
    "a minus behind": (HEAD + ROWS.replace("12.4", "12.4-"), "line 3 column 'current_A'"),
    "both decimal marks": ((HEAD + ROWS).replace(",", ";").replace("2.4", "2,4"), "line 3 column"),
    "bars": ((HEAD + ROWS).replace(",", "|"), "line 1"),
    "spaces": ((HEAD + ROWS).replace(",", " "), "line 1"),
    "no header": (ROWS, "line 1"),
    "days since 1900": ("date,current_A\n45413.25,0\n45413.251,12\n45413.252,0\n", "column 'date'"),
    "time that runs backwards": (HEAD + "\n".join(reversed(ROWS.split("\n"))), "line 4 column"),
    "in and out, both positive": (
        "time_s,current_A,direction\n0,0.0,idle\n10,12.4,out\n20,2.3,in\n30,24.8,out\n",
        "line 4 column 'current_A'",
    ),
    "fahrenheit under celsius": (
        "time_s,current_A,temp_C\n0,0,277\n10,1,278\n20,1,279\n",
        "line 2",
    ),
    "missing-value code": (HEAD + ROWS.replace("12.4", "9999"), "line 3 column 'current_A'"),
    "a quoted field over two lines": (
        'time_s,current_A,note\n0,0.0,"start\nof run"\n10,12.4,\n20,0,\n',
        "line 2",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_can_be_read_in_two_ways_is_refused_where_it_stands(name, tmp_path):
    raw, told = REFUSED[name]

    with pytest.raises(InputError) as refused:
        read(raw, tmp_path)

    assert told in str(refused.value)
    assert all("log.csv" in complaint for complaint in refused.value.complaints)


@pytest.mark.parametrize(
    ("name", "options", "ampere"),
    [
        ("thousands in quotes", {"thousands": ","}, [0.0, 12.4, 12.3]),
        ("thousands by spaces", {"thousands": " "}, [0.0, 12.4, 12.3]),
        ("two currents, one of the battery", {"column": "pack_current_A"}, [0.1, 2.4, 2.3]),
        ("sixteen bits without a mark", {"encoding": "utf-16-le"}, list(CURRENTS_A)),
        ("in and out, both positive", {"discharge": "by state"}, [0.0, 12.4, -2.3, 24.8]),
    ],
)
def test_the_option_that_the_refusal_names_makes_it_readable(name, options, ampere, tmp_path):
    assert read(REFUSED[name][0], tmp_path, **options).current_A.tolist() == ampere


def test_an_hour_missing_where_summer_time_begins_is_told_and_can_be_declared(tmp_path):
    clocks = ("01:59:30", "01:59:40", "01:59:50", "03:00:00", "03:00:10", "03:00:20")
    rows = "".join(f"2024-03-31 {clock},{10.0 + i},41.0\n" for i, clock in enumerate(clocks))
    raw = "timestamp,current_A,voltage_V\n" + rows

    (note,) = read(raw, tmp_path).table.notes
    assert note.kind == "gap" and "--zone" in note.text

    if "Europe/Berlin" not in zoneinfo.available_timezones():
        pytest.skip("this system has no table of time zones")
    declared = read(raw, tmp_path, zone="Europe/Berlin").table
    assert declared.time_s.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    assert declared.notes == ()
