"""Knobs of packs as built: days in a row, the controller's limit, the charging rate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sim.ask.built_run import settings_of, through
from sim.ask.candidates import Base, varied
from sim.ask.few_looks import close_in_few
from sim.ask.knobs import Knob, Look, look_at, share_of, turned
from sim.ask.lasting import settled, settled_built
from sim.drive.days import Ending
from sim.errors import InputError
from sim.files.built_case import built_case
from sim.files.case import Case, assemble, merged
from sim.files.scenario_schema import UNTIL
from sim.integrate.built_records import BUS_A, COLUMNS
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

STEP = 1.25
FAR_UP, FAR_DOWN = 30.0, 100.0  # times the value today
MOST_C = 20.0  # a charge in three minutes is the fastest tried
MOST_DAYS_IN_A_ROW, LEAST_DAYS_TRIED = 14, 4
MOST_CELL_DAYS = 1500  # marched in one look
CLEAR = 1.05  # between two instants that are kept, a current may be a little greater


def greatest_pack_A(case: Case) -> float:
    """Return the greatest current of one pack over the days, whichever way it flows."""
    built = built_case(settled(case))
    run, _ = through(built, settings_of(built, stop_at_limits=False))
    kept = run.past.kept[: int(run.past.rows[0])]
    return float(np.abs(kept[:, COLUMNS::3]).max())


def uncharged(case: Case) -> Case:
    """Return `case` without charger and days: a constant current leaves no time for them."""
    load = case.scenario.load.model_copy(update={"days": 1})
    scenario = case.scenario.model_copy(update={"charger": None, "load": load})
    return replace(case, scenario=scenario)


def one_day_s(case: Case) -> float:
    """Return how long a day with a constant current is: the run, or the first of several days."""
    end_s = float(case.legs.end_s[-1])
    several = case.scenario.charger is not None or case.scenario.load.days_at_most > 1
    return min(end_s, SECONDS_PER_DAY) if several else end_s


def days(base: Base) -> Knob:
    """Return for how many days in a row it holds, charged in between where there is a charger.

    They are run until they repeat, and then hold for ever, or until one fails; how many at the
    most hangs on how many cells are marched. Days of weather that does not repeat are counted.
    """
    load = base.case.scenario.load
    today = None if load.until_it_repeats else load.days_at_most
    cells = built_case(base.case).built.fixed.shape[1]
    most = max(min(MOST_CELL_DAYS // cells, MOST_DAYS_IN_A_ROW), LEAST_DAYS_TRIED, today or 0)
    most = load.days_at_most if today is None else most
    try:
        whole = merged(base.content, {"load": {"days": UNTIL, "most_days": most}})
        case = assemble(whole, base.path, base.case)
    except InputError:  # of the weather's dates, unless the day can't be used at all
        return _counted(base, load.days_at_most, most)
    last = look_at(case, 0, stop=True)
    if last.lasted is None:  # no numbers to tell
        return Knob("days", today, None, last.limit, False, 1, True, (last,))
    lasted, count = last.lasted, last.lasted.days
    last = replace(last, value=count)
    if not last.passes and lasted.ending != Ending.OPEN:
        good = count - 1
        seen = (_of_days(base, good), last) if good else (last,)
        if good and not seen[0].passes:  # what fails is no day's own, such as a share of all
            return _counted(base, load.days_at_most, most)
        passes = today is not None and today <= good
        return Knob("days", today, good or None, last.limit, passes, count, True, seen)
    far = max(count, today or 0)
    return Knob(
        "days", today, far, None, last.passes or today is not None, far, True, (last,),
        alike_from=lasted.from_day,
    )  # fmt: skip


def _of_days(base: Base, count: int) -> Look:
    return look_at(varied(base, (("load.days", count),)), count, stop=True)


def _counted(base: Base, today: int, most: int) -> Knob:
    """Return for how many days in a row it holds: doubled, then halved between."""
    looks: dict[int, Look] = {}

    def look(count: int) -> Look:
        looks[count] = _of_days(base, count)
        return looks[count]

    first = look(today)
    good, bad = (today, most + 1) if first.passes else (0, today)
    note: str | None = None
    while bad - good > 1 and note is None:
        count = min(max(2 * good, good + 1), bad - 1) if bad > most else (good + bad) // 2
        try:
            good, bad = (count, bad) if look(count).passes else (good, count)
        except InputError as problem:  # the weather's file may end
            note = problem.complaints[0]
    seen = tuple(looks[count] for count in sorted(looks))
    limit = None if bad > most else looks[bad].limit
    to = good if bad > most else bad
    return Knob("days", today, good or None, limit, first.passes, to, True, seen, note)


def _key(base: Base, name: str, key: str, today: float, *, most: float, upwards: bool) -> Knob:
    """Turn a dotted key up, or down; where the day fails as it is, `upwards` tries both ways."""

    def look(value: float) -> Look:
        return look_at(varied(base, ((key, value),)), value)

    def ladder(far: float) -> list[float]:
        steps = np.geomspace(today, far, max(int(abs(np.log(far / today)) / np.log(STEP)), 1) + 1)
        return steps[1:].tolist()

    def turn(onwards: list[float], back: list[float]) -> Knob:
        near = share_of(base.case)
        return turned(name, look, today, (onwards, back), lambda v: near * v, close=close_in_few)

    up, down = ladder(most), ladder(_lowest(base, key, today))
    if key == LIMIT and upwards:
        clear_A = CLEAR * reached_A(base, up[-1])
        up = [limit_A for limit_A in up[:-1] if limit_A < clear_A] + up[-1:]
    if not upwards:
        return turn(down, [])
    found = turn(up, down)
    return turn(up, up) if found.greatest is None else found


def reached_A(base: Base, limit_A: float) -> float:
    """Return the greatest current of the bus where the controller's limit is `limit_A`.

    Every limit above that leaves the run as it is, so that one of them stands for all.
    """
    built = settled_built(built_case(varied(base, ((LIMIT, limit_A),))))
    run, _ = through(built, settings_of(built, stop_at_limits=False))
    kept = run.past.kept[: int(run.past.rows[0])]
    return float(np.abs(kept[:, BUS_A]).max())


def _lowest(base: Base, key: str, today: float) -> float:
    """Return the least value tried; a charger's current is no less than where it tapers to."""
    charger = base.case.scenario.charger
    if key == CHARGE and charger is not None and charger.taper_A is not None:
        return min(charger.taper_A, today)
    return today / FAR_DOWN


def _charge(base: Base, name: str, *, upwards: bool) -> Knob:
    charger, pack = base.case.scenario.charger, base.case.plant.pack
    assert charger is not None  # or there is no such knob
    in_an_hour_A = base.case.plant.cell.capacity_As / SECONDS_PER_HOUR * pack.parallel * pack.packs
    most_A = max(MOST_C * in_an_hour_A, STEP * charger.current_A)
    return _key(base, name, CHARGE, charger.current_A, most=most_A, upwards=upwards)


def _controller(base: Base, name: str, *, upwards: bool) -> Knob:
    controller = base.case.scenario.controller
    assert controller is not None and controller.current_max_A is not None
    today_A = controller.current_max_A
    return _key(base, name, LIMIT, today_A, most=FAR_UP * today_A, upwards=upwards)


def charge_A(base: Base) -> Knob:
    """Return how fast the charger may charge [A, all packs]."""
    return _charge(base, "charge_A", upwards=True)


def charge_least_A(base: Base) -> Knob:
    """Return how slowly the charger may charge [A, all packs]."""
    return _charge(base, "charge_least_A", upwards=False)


def controller_A(base: Base) -> Knob:
    """Return how high the controller's limit may be [A, all packs]."""
    return _controller(base, "controller_A", upwards=True)


def controller_least_A(base: Base) -> Knob:
    """Return how low the controller's limit may be [A, all packs]."""
    return _controller(base, "controller_least_A", upwards=False)


CHARGE, LIMIT = "charger.current_A", "controller.current_max_A"
KNOBS_BUILT: dict[str, Callable[[Base], Knob]] = {
    "controller_A": controller_A,
    "controller_least_A": controller_least_A,
    "charge_A": charge_A,
    "charge_least_A": charge_least_A,
}
