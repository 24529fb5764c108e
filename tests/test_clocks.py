"""Claims about time columns and the steps between rows.

Expected times are what a person reads in the stamps, by the Gregorian calendar.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from table_text import read, refusal

from sim.files.tables import load_column


@pytest.mark.parametrize(
    ("header", "second_row", "seconds"),
    [
        ("time_s", "90", 90),
        ("time_min", "1.5", 90),
        ("time_h", "0.025", 90),
        ("time_ms", "90000", 90),
        ("time_us", "90000000", 90),
        ("Zeit [min]", "1.5", 90),
        ("unix_s", "90", 90),
    ],
)
def test_numbers_of_time_take_the_unit_of_their_header(header, second_row, seconds):
    table = read(f"{header},power_W\n0,1\n{second_row},2\n")

    assert table.time_s[1] == pytest.approx(seconds, rel=1e-15)


def test_the_first_row_is_second_zero_and_large_epochs_keep_their_digits():
    table = read("time_us,power_W\n-1769872318259854,1\n-1769872318259853,2\n")

    assert table.time_s.tolist() == [0.0, 1e-6]


@pytest.mark.parametrize(
    ("stamps", "seconds", "start_s"),
    [
        (("06:30", "06:31:30"), 90, 23400),
        (("06:30:00", "06:31:30.250"), 90.25, 23400),
        (("11:59:00 AM", "12:00:30 PM"), 90, 43140),
        (("12:00 am", "12:01 am"), 60, 0),
        (("2024-02-28 23:59:00", "2024-03-01 00:00:00"), 86460, 86340),  # 2024 had a 29 February
        (("2024-05-03T09:12:05Z", "2024-05-03T09:12:06.5Z"), 1.5, 33125),
        (("2024-05-03T09:12:05+02:00", "2024-05-03T07:12:06Z"), 1, 33125),
        (("2024/05/03 09:12", "2024/05/03 09:13"), 60, 33120),
        (("31.01.2024 23:59:00", "01.02.2024 00:01:00"), 120, 86340),
        (("31/01/24 23:59", "01/02/24 00:01"), 120, 86340),
        (("1/31/2024 11:59 PM", "2/1/2024 12:01 AM"), 120, 86340),
        (("03.05.2024 06:00", "04.05.2024 06:00"), 86400, 21600),
    ],
)
def test_clocks_and_date_times_give_seconds_and_the_clock_of_the_start(stamps, seconds, start_s):
    table = read(f"time;power_W\n{stamps[0]};1\n{stamps[1]};2\n")

    assert table.time_s.tolist() == [0.0, seconds]
    assert table.start_clock_s == start_s
    assert table.is_clock == (len(stamps[0]) < 12)
    assert table.notes == ()


def test_date_and_clock_in_two_columns_are_one_time():
    table = read("Date,Time,power_W\n2024-05-03,23:59:30,1\n2024-05-04,00:00:30,2\n")

    assert table.time_s.tolist() == [0.0, 60.0] and not table.is_clock and table.notes == ()


def test_a_clock_passes_each_midnight_with_one_note():
    table = read("time,power_W\n20:00,1\n06:00,2\n20:00,3\n24:00,4\n06:00,5\n")

    assert (table.time_s / 3600).tolist() == [0, 10, 24, 28, 34]
    assert [(note.kind, note.line) for note in table.notes] == [("midnight", 3), ("midnight", 6)]


@pytest.mark.parametrize(
    "text",
    [
        "time,power_W\n06:00,1\n06:10,2\n06:05,3\n",
        "time_s,power_W\n0,1\n10,2\n5,3\n",
        "time,power_W\n2024-10-27 02:59,1\n2024-10-27 03:00,1\n2024-10-27 02:00,2\n",
    ],
)
def test_time_that_goes_back_is_refused(text):
    assert re.match(r"line 4 column '\w+': time goes back", refusal(text))


def test_a_clock_that_is_set_from_a_default_date_is_refused():
    said = refusal("time,power_W\n2000-01-01 00:00:00,1\n2024-05-03 09:00:00,2\n")

    assert "line 3" in said and "leaps" in said


@pytest.mark.parametrize("stamp", ["25:00", "06:60", "13:00 PM", "2024-02-30 06:00", "soon"])
def test_an_impossible_stamp_is_refused(stamp):
    first = "2024-02-01 06:00" if "-" in stamp else "1:00 PM" if "PM" in stamp else "06:00"
    assert "line 3 column 'time'" in refusal(f"time,power_W\n{first},1\n{stamp},2\n")


def test_day_and_month_are_decided_once_for_the_column():
    open_text = "time,power_W\n03/05/2024 06:00,1\n04/05/2024 06:00,2\n"

    assert "line 3" in refusal(open_text) and "`[load] day_first" in refusal(open_text)
    assert read(open_text, day_first=True).time_s[1] == 86400
    assert read(open_text, day_first=False).time_s[1] == 31 * 86400  # 5 March to 5 April
    both = "time,power_W\n31/01/2024 06:00,1\n01/31/2024 07:00,2\n"
    assert "line 3" in refusal(both) and "the other way round" in refusal(both)
    proved = "time,power_W\n31/01/2024 06:00,1\n01/02/2024 07:00,2\n"
    assert "contradicts `[load] day_first = false`" in refusal(proved, day_first=False)


def test_rows_ahead_of_the_first_time_are_left_out_and_told():
    table = read("time,power_W\n,9\n,9\n2024-05-03 09:00:00,1\n2024-05-03 09:00:01,2\n")

    assert load_column(table).values.tolist() == [1.0, 2.0] and table.lines.tolist() == [4, 5]
    assert [(note.kind, note.line) for note in table.notes] == [("time_missing", 2)]


def test_a_time_missing_further_down_is_refused():
    assert "line 3 column 'time_s': no time" in refusal("time_s,power_W\n0,1\n,2\n2,3\n")
    assert "no row has a time" in refusal("time_s,power_W\n,1\n,2\n")


def test_numbers_under_a_header_that_tells_no_unit_of_time():
    text = "time,power_W\n0,1\n2,2\n"

    assert "line 1 column 'time'" in refusal(text) and '`[load] time_unit = "s"`' in refusal(text)
    assert read(text, time_unit="min").time_s[1] == 120


def test_a_counter_is_a_time_only_when_the_scenario_says_so():
    text = "count,power_W\n5,1\n7,2\n"

    assert "no time column among 'count', 'power_W'" in refusal(text)
    assert read(text, time_column="count", time_unit="ms").time_s.tolist() == [0.0, 0.002]


def test_a_column_of_durations_is_not_taken_for_the_time():
    assert "no time column" in refusal("power_W,leg_s\n1,600\n2,1200\n")
    assert "no time column" in refusal("duration_s,power_W\n600,1\n1200,2\n")


def test_two_columns_of_time_need_a_choice():
    text = "timestamp,utc,power_W\n06:00,04:00,1\n06:01,04:01,2\n"

    assert "'timestamp', 'utc'" in refusal(text) and "`[load] time_column`" in refusal(text)
    assert read(text, time_column="utc").start_clock_s == 4 * 3600


def test_several_rows_a_stamp_are_averaged_and_told():
    table = read("time_s,current_A\n0,1\n0,2\n1,5\n1,6\n1,7\n2,0\n")

    assert load_column(table).values.tolist() == [1.5, 6.0, 0.0]
    assert table.lines.tolist() == [2, 4, 7] and np.all(np.diff(table.time_s) > 0)
    assert [(note.kind, note.line) for note in table.notes] == [("duplicate_time", 3)]


def test_an_edge_written_as_two_rows_is_refused_not_averaged():
    said = refusal("time_s,power_W\n0,100\n600,100\n600,300\n1200,300\n1200,0\n1800,0\n")

    assert "line 4" in said and "line 6" in said and "same time" in said


def test_a_lone_repeated_time_between_legs_is_refused():
    text = "time_s,power_W\n0,1\n600,2\n700,3\n700,4\n3600,5\n3700,6\n"

    assert refusal(text).startswith("line 5: has the same time")


def test_a_pause_of_a_regular_record_is_told_with_what_it_counts():
    times = [*range(0, 600, 10), *range(4200, 4500, 10)]
    table = read("time_s,current_A\n" + "".join(f"{t},2\n" for t in times))

    (gap,) = table.notes
    # the last row before it is at 590 s; 2 A over 3610 s are 2.006 Ah
    assert (gap.kind, gap.line) == ("gap", 62)
    assert "3610 s" in gap.text and "2.006 Ah" in gap.text


@pytest.mark.parametrize(("step_s", "pause_s"), [(1, 50), (30, 120)])
def test_a_short_pause_is_no_gap(step_s, pause_s):
    times = [i * step_s + (pause_s if i >= 20 else 0) for i in range(40)]

    assert read("time_s,current_A\n" + "".join(f"{t},2\n" for t in times)).notes == ()


def test_legs_of_unequal_length_have_no_gaps():
    table = read("time_s,power_W\n0,1\n60,2\n600,3\n7200,4\n7260,5\n30000,0\n")

    assert table.notes == ()
