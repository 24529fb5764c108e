"""From [ambient] and [enclosure] to the weather of the run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.drive.weather import (
    Weather,
    daily_C,
    daily_sun_W,
    even_knots_s,
    over_days,
    within,
)
from sim.errors import InputError
from sim.files.load_file import options_of
from sim.files.scenario_schema import UNTIL, EnclosureTable, ScenarioTable, seconds_of_clock
from sim.files.tables import Table, read_table
from sim.units import SECONDS_PER_DAY, ZERO_C_K

Floats = NDArray[np.float64]
COLDEST_C, WARMEST_C = -50.0, 100.0  # where the film's air properties hold with room for a hot can
LONGEST_STEP_S = 6 * 3600.0  # a daily profile with a wider hole, midnight included, isn't one


def read_weather(
    scenario: ScenarioTable, scenario_path: Path, start_clock_s: float | None, end_s: float
) -> tuple[Weather, list[str]]:
    """Return ambient and absorbed sun from 0 to `end_s`, and what was done to a weather file.

    Raises InputError where the weather can't be used, or needs a clock that nobody gave.
    """
    ambient, box = scenario.ambient, scenario.enclosure
    notes: list[str] = []
    sun_of_file: tuple[Floats, Floats] | None = None
    if ambient.profile is not None:
        table = read_table(
            scenario_path.parent / ambient.profile,
            ("temperature", "sun", "sun_per_area"),
            options_of(ambient),
        )
        notes += [note.text for note in table.notes]
        notes += _sun_not_used(table, box, scenario_path)
        which, knots_s = _spread(
            table,
            start_clock_s,
            end_s,
            scenario_path,
            must_repeat=scenario.load.until_it_repeats,
        )
        ambient_C = _one(table, "temperature")[which]
        sun = _sun_of_file(table, box, scenario_path)
        if sun is not None:
            sun_of_file = knots_s, sun[which]
    else:
        knots_s = even_knots_s(end_s)
        ambient_C = _without_file_C(scenario, scenario_path, knots_s, start_clock_s)
    if sun_of_file is not None:
        sun_W = sun_of_file[1]
    else:
        knots_s, ambient_C, sun_W = _with_sun(
            knots_s, ambient_C, box, scenario_path, start_clock_s, end_s
        )
    weather = within(knots_s, ambient_C + ambient.shift_K, sun_W, end_s)
    coldest_C, warmest_C = (float(f(weather.ambient_K)) - ZERO_C_K for f in (np.min, np.max))
    if coldest_C < COLDEST_C or warmest_C > WARMEST_C:
        raise InputError(
            f"{scenario_path}: [ambient] air goes from {coldest_C:.1f} to {warmest_C:.1f} C; "
            f"accepted: {COLDEST_C:g} to {WARMEST_C:g} C, shift_K in it"
        )
    return weather, notes


def _sun_not_used(table: Table, box: EnclosureTable | None, scenario_path: Path) -> list[str]:
    """Return a note where a file's sun, or the area it would fall on, is left out."""
    if box is None:
        columns = [*table.find("sun"), *table.find("sun_per_area")]
        return [f"{table.path}: '{c.header}' is not used: there is no [enclosure]" for c in columns]
    if box.sun_area_m2 is not None and not table.find("sun_per_area"):
        what = "sun_area_m2 is not used"
        return [f"{scenario_path}: [enclosure] {what}: {table.path} has no sun per area"]
    return []


def _needs_clock(scenario_path: Path, what: str) -> InputError:
    return InputError(
        f"{scenario_path}: [load] start is missing, but {what} needs to know the clock; "
        'give the clock time of the first row, such as start = "06:30"'
    )


def _without_file_C(
    scenario: ScenarioTable, scenario_path: Path, knots_s: Floats, start_clock_s: float | None
) -> Floats:
    """Return constant or daily air at the knots."""
    ambient = scenario.ambient
    if ambient.constant_C is not None:
        return np.full(len(knots_s), ambient.constant_C)
    if start_clock_s is None:
        raise _needs_clock(scenario_path, "[ambient] low_C/high_C")
    assert ambient.low_C is not None and ambient.high_C is not None  # the schema's rule
    return daily_C(
        start_clock_s + knots_s, ambient.low_C, ambient.high_C, seconds_of_clock(ambient.warmest)
    )


def _with_sun(
    knots_s: Floats,
    ambient_C: Floats,
    box: EnclosureTable | None,
    scenario_path: Path,
    start_clock_s: float | None,
    end_s: float,
) -> tuple[Floats, Floats, Floats]:
    """Return knots, air and the sun that [enclosure] sun_W gives, on knots fine enough for it."""
    if box is None or not box.sun_W:
        return knots_s, ambient_C, np.zeros(len(knots_s))
    if start_clock_s is None:
        raise _needs_clock(scenario_path, "[enclosure] sun_W")
    fine_s = np.union1d(knots_s, even_knots_s(end_s))
    sun_W = daily_sun_W(
        start_clock_s + fine_s,
        box.sun_W,
        seconds_of_clock(box.sunrise),
        seconds_of_clock(box.sunset),
    )
    return fine_s, np.interp(fine_s, knots_s, ambient_C), sun_W


def _spread(
    table: Table,
    start_clock_s: float | None,
    end_s: float,
    scenario_path: Path,
    *,
    must_repeat: bool,
) -> tuple[NDArray[np.intp], Floats]:
    """Return, for each knot of the run, which row of the table it is, and its time in the run.

    Clock times make one day that repeats; dated or elapsed times must cover the run, and are
    refused where it `must_repeat`.
    """
    if table.is_clock:
        if start_clock_s is None:
            raise _needs_clock(scenario_path, f"{table.path} with clock times")
        assert table.start_clock_s is not None  # what is_clock means
        return _spread_daily(table, table.start_clock_s, start_clock_s, end_s)
    if must_repeat:
        raise InputError(
            f'{scenario_path}: [load] days = "{UNTIL}" needs weather that repeats, and '
            f"{table.path} is of one time only; accepted: clock times of a day, low_C with high_C, "
            "or constant_C"
        )
    shift_s = 0.0
    if table.start_clock_s is not None:
        if start_clock_s is None:
            raise _needs_clock(scenario_path, f"{table.path} with dates")
        shift_s = table.start_clock_s - start_clock_s
    times_s = table.time_s + shift_s
    if times_s[0] > 0.0 or times_s[-1] < end_s:
        raise InputError(
            f"{table.path} goes from {times_s[0] / 3600:.2f} h to {times_s[-1] / 3600:.2f} h after "
            f"the start of the run; accepted: all of 0 to {end_s / 3600:.2f} h, "
            "or clock times, which repeat daily"
        )
    return np.arange(len(times_s)), times_s


def _spread_daily(
    table: Table, first_clock_s: float, start_clock_s: float, end_s: float
) -> tuple[NDArray[np.intp], Floats]:
    knots_s = first_clock_s + table.time_s
    if table.time_s[-1] > SECONDS_PER_DAY:
        raise InputError(
            f"{table.path} line {table.lines[-1]}: clock times run over more than one day; "
            "accepted: one day, or date-times"
        )
    inside = knots_s < first_clock_s + SECONDS_PER_DAY  # 24:00 would stand twice
    knots_s = knots_s[inside]
    over_midnight_s = knots_s[0] + SECONDS_PER_DAY - knots_s[-1]
    widest_s = max(over_midnight_s, float(np.max(np.diff(knots_s), initial=0.0)))
    if widest_s > LONGEST_STEP_S:
        raise InputError(
            f"{table.path}: clock times leave {widest_s / 3600:.1f} h of the day without a row; "
            "accepted: a whole day, no more than 6 h from row to row"
        )
    times_s, which = over_days(knots_s, start_clock_s, end_s)
    order = np.argsort(times_s)
    return which[order], times_s[order]


def _one(table: Table, quantity: str) -> Floats:
    columns = table.find(quantity)
    if len(columns) != 1:
        found = ", ".join(f"'{c.header}'" for c in columns) or "none"
        raise InputError(
            f"{table.path} needs one column of {quantity}, such as temperature_C; found {found}"
        )
    return columns[0].values


def _sun_of_file(table: Table, box: EnclosureTable | None, scenario_path: Path) -> Floats | None:
    """Return the absorbed sun [W] of a weather file; None where it has none or no box takes it."""
    absorbed, per_area = table.find("sun"), table.find("sun_per_area")
    if box is None or not (absorbed or per_area):
        return None
    if box.sun_W is not None:
        raise InputError(
            f"{scenario_path}: the sun is given twice, by [enclosure] sun_W and by {table.path}; "
            "accepted: one of the two"
        )
    if absorbed:
        return _one(table, "sun")
    if box.sun_area_m2 is None or box.sun_absorptance is None:
        raise InputError(
            f"{scenario_path}: {table.path} gives sun per area, so [enclosure] needs sun_area_m2 "
            "and sun_absorptance"
        )
    return _one(table, "sun_per_area") * box.sun_area_m2 * box.sun_absorptance
