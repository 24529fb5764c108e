"""Claims about headers, units and the writing of numbers.

Expected numbers are what a person reads in the text. Unit factors: SI brochure (9th ed.), mile
1609.344 m and Fahrenheit after NIST SP 811 app. B.
"""

from __future__ import annotations

import numpy as np
import pytest
from table_text import WEATHER, kinds, read, refusal

from sim.errors import InputError
from sim.files.headers import understand
from sim.files.tables import TableOptions, load_column


@pytest.mark.parametrize(
    ("header", "written", "quantity", "value"),
    [
        ("power_W", 7, "power", 7.0),
        ("power_kW", 7, "power", 7000.0),
        ("Leistung [kW]", 7, "power", 7000.0),
        ("Puissance (W)", 7, "power", 7.0),
        ("current_mA", 12310, "current", 12.31),
        ("Strom [A]", 5, "current", 5.0),
        ("Batteriestrom in mA", 500, "current", 0.5),
        ("Corriente (A)", 5, "current", 5.0),
        ("battery_a", 5, "current", 5.0),
        ("speed_m_s", 10, "speed", 10.0),
        ("speed_km_h", 36, "speed", 10.0),  # 1 km/h = 1/3.6 m/s
        ("speed_mph", 1, "speed", 0.44704),  # 1609.344 m / 3600 s
        ("speed_m_per_s", 10, "speed", 10.0),
        ("Geschwindigkeit [km/h]", 72, "speed", 20.0),
        ("grade_percent", 4, "grade", 4.0),
        ("Steigung [%]", 4, "grade", 4.0),
        ("elevation_m", 120, "elevation", 120.0),
        ("Höhe [m]", 120, "elevation", 120.0),
        ("temperature_C", 20, "temperature", 20.0),
        ("temp_dC", 245, "temperature", 24.5),
        ("T / °C", 20, "temperature", 20.0),
        ("Außentemperatur [°C]", 20, "temperature", 20.0),
        ("temperature_K", 293.15, "temperature", 20.0),
        ("temperature_F", 212, "temperature", 100.0),
        ("pack_mV", 41620, "voltage", 41.62),
        ("Spannung [V]", 42, "voltage", 42.0),
        ("sun_W", 60, "sun", 60.0),
        ("sun_W_m2", 800, "sun_per_area", 800.0),
        ("solar irradiance (W/m²)", 800, "sun_per_area", 800.0),
    ],
)
def test_a_header_tells_quantity_and_unit(header, written, quantity, value):
    meaning = understand(header)

    assert meaning.quantity == quantity
    # one rounding of a double per step of the conversion
    assert meaning.unit.to_base(np.array([written]))[0] == pytest.approx(
        value, rel=1e-14, abs=1e-12
    )


@pytest.mark.parametrize(
    "header",
    ["soc_percent", "distance_m", "wind_m_s", "rise_K", "charge_C", "used_mAh", "energy_kWh",
     "power_factor", "heat_W", "voltage_min", "joint_mohm", "seq", "current_limit_A"],
)  # fmt: skip
def test_a_header_that_only_resembles_a_quantity_stays_unknown(header):
    assert understand(header).quantity == "unknown"


def test_capital_megawatt_is_nobodys_guess():
    assert "column 'power_MW': a power without a unit" in refusal("time_s,power_MW\n0,1\n1,2\n")


def test_a_bare_power_is_refused_asking_for_its_unit():
    said = refusal("time_s,power\n0,1\n1,2\n")

    assert "line 1 column 'power'" in said and "`[load] unit`" in said


@pytest.mark.parametrize(("unit", "factor"), [("W", 1.0), ("kW", 1000.0), ("mA", 0.001)])
def test_the_unit_of_a_bare_column_comes_from_the_scenario(unit, factor):
    table = read("time_s,power\n0,1\n1,2\n", unit=unit)

    assert load_column(table).values.tolist() == [factor, 2 * factor]


def test_a_unit_that_contradicts_the_header_is_told():
    table = read("time_s,current_mA\n0,1\n1,2\n", column="current_mA", unit="A")

    assert load_column(table, TableOptions(column="current_mA")).values.tolist() == [1.0, 2.0]
    assert kinds(table) == ["unit"]


def test_a_bare_grade_is_refused_and_a_second_bare_load_is_told():
    assert "column 'grade'" in refusal("time_s,speed_m_s,grade\n0,1,2\n1,2,2\n")
    table = read("time_s,current_A,power\n0,1,40\n1,2,80\n")
    assert kinds(table) == ["unit"] and load_column(table).header == "current_A"


def test_the_load_is_named_by_the_scenario_where_there_are_two():
    text = "time_s,motor_A,battery_A\n0,9,1\n1,8,2\n"

    with pytest.raises(InputError, match=r"line 1: .*'motor_A'.*'battery_A'.*\[load\] column"):
        load_column(read(text))
    options = {"column": "battery_A"}
    assert load_column(read(text, **options), TableOptions(**options)).values.tolist() == [1.0, 2.0]


def test_the_column_that_is_not_the_load_may_have_holes():
    table = read("time_s,motor_A,battery_A\n0,,1\n1,8,2\n", column="battery_A")

    assert np.isnan(table.columns[0].values[0])


def test_a_table_without_a_load_says_what_it_found_and_what_is_accepted():
    said = refusal("time_s,voltage_V,seq\n0,40,1\n1,41,2\n")

    assert "line 1" in said and "'voltage_V', 'seq'" in said
    assert all(name in said for name in ("power_W", "current_A", "speed_m_s"))


def test_a_misspelt_column_is_met_with_the_nearest():
    said = refusal("time_s,battery_A\n0,1\n1,2\n", column="batery_A")

    assert "did you mean 'battery_A'?" in said


def test_a_chosen_column_that_is_no_load_is_refused():
    said = refusal("time_s,power_W,box_C\n0,1,20\n1,2,20\n", column="box_C")

    assert said.startswith("line 1 column 'box_C': is temperature; accepted: power")


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"discharge": "minus"}, "known: positive, negative"),
        ({"thousands": "x"}, "`[load] thousands`"),
        ({"unit": "furlong"}, "known: W, kW, A"),
        ({"time_unit": "fortnight"}, "known: s, ms, us, min, h"),
        ({"time_unit": "ms"}, "the header says s"),
        ({"time_column": "tim"}, "did you mean 'time_s'?"),
    ],
)
def test_an_option_that_cannot_be_meant_is_refused(options, word):
    assert word in refusal("time_s,power_W\n0,1\n1,2\n", **options)


def test_weather_is_never_sent_to_options_that_it_has_not():
    said = refusal("count,temperature_C\n0,20\n1,nan\n", WEATHER)

    assert "[load]" not in said and "no time column" in said


@pytest.mark.parametrize(
    "field",
    ["abc", "nan", "inf", "-inf", "1e999", "1_000", "0x10", "١٢", "", "12 A", "1.2.3", "--1"],
)
def test_what_is_no_finite_number_is_refused_with_its_line(field):
    said = refusal(f"time_s,power_W\n0,1\n\n10,{field}\n20,3\n")

    found = f"found '{field}'" if field else "found nothing"
    assert said.startswith(f"line 4 column 'power_W': {found}; accepted")


def test_many_complaints_are_cut_at_eight():
    said = refusal("time_s,power_W\n" + "".join(f"{i},x\n" for i in range(20))).split("\n")

    assert len(said) == 9 and said[-1].endswith("and 12 more")
    assert [line[:7] for line in said[:3]] == ["line 2 ", "line 3 ", "line 4 "]


def test_two_decimal_marks_in_one_number_need_a_declared_thousands_mark():
    text = "time_s;current_mA\n0;410,5\n10;1.234,5\n20;1.240,25\n"

    assert "line 3 column 'current_mA': found '1.234,5'" in refusal(text)
    table = read(text, thousands=".")
    assert load_column(table).values.tolist() == [0.4105, 1.2345, 1.24025]


@pytest.mark.parametrize(
    ("mark", "text"),
    [
        (",", "time_s\tcurrent_mA\n0\t410\n10\t1,234\n20\t12,345\n"),
        (".", "time_s;current_mA\n0;410\n10;1.234\n20;12.345\n"),
    ],
)
def test_three_digits_behind_every_mark_are_not_guessed(mark, text):
    said = refusal(text)

    assert "line 3" in said and f'`[load] thousands = "{mark}"`' in said
    as_thousands = load_column(read(text, thousands=mark)).values
    np.testing.assert_allclose(as_thousands, [0.410, 1.234, 12.345], rtol=1e-15)
    as_decimal = load_column(read(text, thousands="." if mark == "," else ",")).values
    np.testing.assert_allclose(as_decimal, [0.410, 0.001234, 0.012345], rtol=1e-15)


@pytest.mark.parametrize("text", ["0;0,000\n1;1,250\n2;2,500", "0;1,250\n1;12,50\n2;2,500"])
def test_one_field_proves_the_decimal_comma_of_a_file(text):
    table = read("time_s;current_A\n" + text + "\n")

    assert load_column(table).values[-1] == 2.5


@pytest.mark.parametrize(
    ("thousands", "field"), [("'", "1'234.5"), (" ", "1 234.5"), (" ", "1\u202f234.5")]
)
def test_declared_thousands_marks_of_other_countries(thousands, field):
    table = read(f"time_s,power_W\n0,{field}\n1,12.5\n", thousands=thousands)

    assert load_column(table).values.tolist() == [1234.5, 12.5]


def test_a_thousands_mark_in_the_wrong_place_is_refused():
    assert "found '12.4'" in refusal("time_s;power_W\n0;12.4\n1;1.234\n", thousands=".")
