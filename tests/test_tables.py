"""Claims about the one table reader: rows, whole files, random tables, damaged tables.

Expected numbers are what a person reads in the text. Unit factors: SI brochure (9th ed.), mile
1609.344 m after NIST SP 811 app. B.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from table_text import LOAD, LOG, WEATHER, read, refusal

from sim.errors import InputError
from sim.files.tables import TableOptions, load_column, read_table


def test_a_plain_load_profile_holds_what_is_written():
    table = read("# a day\ntime_s,power_W\n\n0,100\n# leg\n600,250.5\n1200,0\n")

    assert table.time_s.tolist() == [0.0, 600.0, 1200.0]
    assert load_column(table).values.tolist() == [100.0, 250.5, 0.0]
    assert table.lines.tolist() == [4, 6, 7]
    assert table.notes == () and table.start_clock_s is None and not table.is_clock
    for word in ("commas", "point", "'time_s' (s)", "3 rows", "1200 s", "holds"):
        assert word in table.rule


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_delimiter_line_end_and_byte_order_mark_change_nothing(delimiter, ending, encoding):
    lines = ["time_s,current_A,temperature_C", "0,1.5,20.25", "10,2.5,20.5", "20,0,21.0", ""]
    text = ending.join(lines).replace(",", delimiter)

    table = read(text.encode(encoding))

    assert load_column(table).values.tolist() == [1.5, 2.5, 0.0]
    assert table.find("temperature")[0].values.tolist() == [20.25, 20.5, 21.0]
    assert table.lines.tolist() == [2, 3, 4] and table.notes == ()


def test_quotes_may_hold_the_delimiter_and_a_decimal_comma():
    table = read('"time_s","pack, current_A"\n"0","12,4"\n"10","3,5"\n')

    assert load_column(table).header == "pack, current_A"
    assert load_column(table).values.tolist() == [12.4, 3.5]


def test_a_preamble_and_a_row_of_units_are_understood():
    table = read("Device,box\nInterval,1 s\ntime,current,note\ns,mA,\n0,1500,a\n2,500,b\n")

    assert load_column(table).values.tolist() == [1.5, 0.5]
    assert table.time_s.tolist() == [0.0, 2.0] and table.header_line == 3
    assert table.notes == ()


def test_blanks_are_missing_values_where_nobody_asked():
    table = read("time_s,power_W,temperature_C\n0,1,20\n1,2,\n2,3,22\n")

    np.testing.assert_array_equal(table.find("temperature")[0].values, [20, np.nan, 22])


def test_minus_zero_is_plain_zero():
    table = read("time_s,current_A\n0,-0.00\n1,5\n")

    assert not np.signbit(load_column(table).values[0])


def test_columns_of_empty_names_and_delimiters_alone_are_passed_over():
    table = read("time_s;power_W;;;\n0;5;;;\n;;;;\n60;7;;;\n")

    assert load_column(table).values.tolist() == [5, 7]
    assert [column.header for column in table.columns] == ["power_W"]


def test_a_header_again_in_mid_file_is_refused():
    said = refusal("time_s,power_W\n0,1\n1,2\ntime_s,power_W\n0,1\n")

    assert said.startswith("line 4") and "header appears again" in said


@pytest.mark.parametrize("row", ["1", "1,2,3", "1,2,,"])
def test_a_row_of_another_width_is_refused(row):
    assert refusal(f"time_s,power_W\n0,1\n{row}\n2,2\n").startswith("line 3: ")


def test_one_trailing_delimiter_is_no_field():
    table = read("time_s,power_W\n0,1,\n1,2\n2,3,\n")

    assert load_column(table).values.tolist() == [1, 2, 3] and table.notes == ()


def test_an_open_quotation_mark_is_refused_on_its_own_line():
    assert "line 3: a quotation mark" in refusal('time_s,power_W\n0,1\n1,"2\n2,3\n')


@pytest.mark.parametrize("tail", ["3", "3,", "3,-", "3,1", "3,\0\0", "\0\0\0"])
def test_a_last_line_that_is_cut_off_is_left_out_and_told(tail):
    table = read(f"time_s,power_W\n0,10.5\n1,11.5\n2,12.5\n2.5,12.0\n{tail}")

    assert table.time_s[-1] == 2.5
    assert [(note.kind, note.line) for note in table.notes] == [("truncated", 6)]


def test_a_whole_last_line_without_a_line_end_is_kept():
    table = read("time_s,power_W\n0,10.5\n1,11.5\n2,12.5\n2.5,12.0\n3,1.0")

    assert table.time_s[-1] == 3.0 and table.notes == ()


def test_nul_bytes_in_the_middle_are_refused():
    assert refusal("time_s,power_W\n0,1\n1,\0\0\n2,3\n").startswith("line 3: NUL")


@pytest.mark.parametrize(
    ("text", "line"),
    [("", 1), ("\n\n# only words\n", 3), ("time_s,power_W\n", 1), ("# x\ntime_s,power_W\n\n", 2)],
)
def test_a_file_without_rows_never_passes(text, line):
    assert refusal(text).startswith(f"line {line}: no ")


def test_a_file_without_a_header_is_refused():
    assert "line 2: numbers where the names" in refusal("# time_s,power_W\n0,1\n1,2\n")


def test_rows_ahead_of_a_header_are_never_passed_over_as_a_preamble():
    said = refusal("count,amps\n1,5\n2,6\ntime_s,current_A\n0,5\n1,6\n")

    assert "line 2: a row of data ahead of the header on line 4" in said


def test_a_foreign_encoding_is_told_with_its_line():
    table = read("time_s,power_W,note\n0,1,a\n1,2,br\u00fccke\n".encode("cp1252"))

    assert [(note.kind, note.line) for note in table.notes] == [("encoding", 3)]


def test_bytes_of_no_encoding_are_refused():
    assert refusal(b"time_s,power_W\n0,1\n1,2\x81\n").startswith("line 3: byte 0x81")


def test_a_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(InputError, match="can't be read"):
        read_table(tmp_path / "absent.csv", LOAD)
    with pytest.raises(InputError, match="can't be read"):
        read_table(tmp_path, LOAD)


UNITS = {  # quantity, header, factor to the base unit, largest written value
    "current_A": ("current", Decimal(1), 500),
    "current_mA": ("current", Decimal("0.001"), 90000),
    "power_kW": ("power", Decimal(1000), 900),
    "Leistung [W]": ("power", Decimal(1), 90000),
    "speed_mph": ("speed", Decimal("0.44704"), 200),
    "Geschwindigkeit [km/h]": ("speed", 1 / Decimal("3.6"), 300),
    "temp_dC": ("temperature", Decimal("0.1"), 1900),
    "T [°C]": ("temperature", Decimal(1), 190),
}
TIMES = {
    "time_s": Decimal(1),
    "time_ms": Decimal("0.001"),
    "Zeit [min]": Decimal(60),
    "time_h": Decimal(3600),
}


@st.composite
def tables(draw):
    """A random table as text, with the numbers that a person would read in it."""
    delimiter, mark = draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ",")]))
    headers = draw(st.lists(st.sampled_from(sorted(UNITS)), min_size=1, max_size=4, unique=True))
    time_header = draw(st.sampled_from(sorted(TIMES)))
    size = draw(st.integers(2, 30))
    # Three places with every mark are refused as doubtful, see the tests above.
    places = [draw(st.sampled_from([0, 1, 2, 4])) for _ in headers]
    steps = draw(st.lists(st.integers(1, 5000), min_size=size, max_size=size))
    stamps = [Decimal(sum(steps[: i + 1])) / 4 for i in range(size)]
    columns = [
        [Decimal(draw(st.integers(0, UNITS[h][2] * 10**p))).scaleb(-p) for _ in range(size)]
        for h, p in zip(headers, places, strict=True)
    ]
    rows = [[time_header, *headers]]
    for i in range(size):
        numbers = [f"{stamps[i]:.2f}", *(f"{column[i]:f}" for column in columns)]
        rows.append([number.replace(".", mark) for number in numbers])
    quote = draw(st.booleans())
    lines = [delimiter.join(f'"{f}"' if quote else f for f in row) for row in rows]
    for at in draw(st.lists(st.integers(0, len(lines)), max_size=3)):
        lines.insert(at, draw(st.sampled_from(["", "# a remark; with, marks", "   "])))
    ending = draw(st.sampled_from(["\n", "\r\n"]))
    text = ending.join(lines) + (ending if draw(st.booleans()) else "")
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig"]))
    expected = {
        h: [float(v * UNITS[h][1]) for v in c] for h, c in zip(headers, columns, strict=True)
    }
    time_s = [float((t - stamps[0]) * TIMES[time_header]) for t in stamps]
    return text.encode(encoding), time_s, expected


@settings(max_examples=200, deadline=None)
@given(tables())
def test_any_table_reads_back_the_numbers_that_were_written(tmp_path_factory, table):
    raw, time_s, expected = table
    path = tmp_path_factory.mktemp("tables") / "table.csv"
    path.write_bytes(raw)

    got = read_table(path, ("current", "power", "speed", "temperature"))

    # a few roundings of doubles; times are differences of numbers up to 4e4 units
    np.testing.assert_allclose(got.time_s, time_s, rtol=1e-12, atol=1e-7)
    assert {column.header for column in got.columns} == set(expected)
    for column in got.columns:
        assert column.quantity == UNITS[column.header][0]
        np.testing.assert_allclose(column.values, expected[column.header], rtol=1e-13, atol=1e-12)


GOOD = [
    b"time_s,current_A,voltage_V,state\n0,0.0,41.6,Idle\n10,12.4,40.9,Discharging\n"
    b"20,-2.1,41.4,Charging\n30,12.3,40.6,Discharging\n40,0.0,41.1,Idle\n",
    b"Zeit;Leistung [kW];Temperatur [C]\r\n23:59:40;1,25;20,5\r\n23:59:50;0,75;20,6\r\n"
    b"00:00:00;0,00;20,7\r\n00:00:10;2,50;20,9\r\n",
    b'\xef\xbb\xbf"timestamp","speed_km_h","grade_percent"\n"2024-01-31T23:59:59Z","12.5","1"\n'
    b'"2024-02-01T00:00:00Z","13.0","-2"\n"2024-02-01T00:00:01.5Z","0","0"\n',
    b"Device,box\ntime,current,temp\nms,mA,degC\n0,1500,20\n100,-250,21\n200,900,22\n",
    b"Date\tTime\tpower_W\n31/01/2024\t11:59 PM\t1,234.5\n01/02/2024\t12:01 AM\t12.5\n",
]
BITS = [bytes([b]) for b in b"0123456789.,;:-+eE \t\n\r\"'#/_\0\xb0\xff"] + [
    b"\n\n", b"1e308", b"-9e17", b"nan", b"24:00", b"time_s", b"\xef\xbb\xbf", b"\xff\xfe", b"W/m2"
]  # fmt: skip
# Where, how many bytes go, what comes: mostly one digit for another, so that much stays readable.
EDIT = st.one_of(
    st.tuples(st.floats(0, 1), st.just(1), st.sampled_from([b"0", b"3", b"9", b"-", b"."])),
    st.tuples(st.floats(0, 1), st.integers(0, 4), st.sampled_from(BITS) | st.binary(max_size=2)),
)
ANY_OPTIONS = st.just(TableOptions()) | st.builds(
    TableOptions,
    time_unit=st.sampled_from([None, None, "s", "h"]),
    column=st.sampled_from([None, None, "current_A"]),
    unit=st.sampled_from([None, None, "mA", "km/h"]),
    discharge=st.sampled_from(["positive", "negative"]),
    thousands=st.sampled_from([None, None, ".", ",", " "]),
    day_first=st.sampled_from([None, True, False]),
)


@settings(max_examples=500, deadline=None)
@given(
    st.sampled_from(GOOD),
    st.lists(EDIT, min_size=1, max_size=3),
    st.sampled_from([LOAD, WEATHER, LOG]),
    ANY_OPTIONS,
)
def test_a_damaged_file_is_read_or_refused_but_never_crashes(
    tmp_path_factory, good, edits, wanted, options
):
    raw = good
    for share, gone, new in edits:
        at = int(share * len(raw))
        raw = raw[:at] + new + raw[at + gone :]
    path = tmp_path_factory.mktemp("damaged") / "table.csv"
    path.write_bytes(raw)

    try:
        table = read_table(path, wanted, options)
        assert table.time_s[0] == 0.0 and np.all(np.diff(table.time_s) > 0)
        assert all(len(column.values) == len(table.time_s) for column in table.columns)
        assert all(note.line >= 1 for note in table.notes)
        load = load_column(table, options)
        assert np.isfinite(load.values).all() or load.quantity not in wanted
    except InputError as refused:
        assert all(str(path) in complaint for complaint in refused.complaints)


def test_a_day_of_seconds_is_read_as_it_was_written(tmp_path):
    current_A = [10 + i % 7 + (i % 10) / 10 for i in range(86400)]
    rows = (f"{i},{ampere:.1f},4{i % 2}.25\n" for i, ampere in enumerate(current_A))
    path = Path(tmp_path / "day.csv")
    path.write_text("time_s,current_A,voltage_V\n" + "".join(rows))

    table = read_table(path, LOAD)

    assert np.array_equal(table.time_s, np.arange(86400.0))
    load = load_column(table, TableOptions())
    assert np.array_equal(load.values, np.round(current_A, 1))
