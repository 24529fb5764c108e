"""Several days in words: how they go on, and from which one on they are alike."""

from __future__ import annotations

from typing import Any

from sim.ask.day_peaks import DayPeak
from sim.drive.days import Ending, Lasted
from sim.files.case import Case
from sim.judge.mornings import ALIKE_K, ALIKE_SHARE, ALIKE_V
from sim.show.lines import room
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

ALIKE_IS = f"to {ALIKE_K:g} K and {100.0 * ALIKE_SHARE:g} % of charge as each begins"


def ending(case: Case) -> str:
    """Return what stands at the end of an answer of days that are run until they repeat."""
    lasted = case.lasted
    if lasted is None or lasted.ending == Ending.OPEN:
        return ""
    if lasted.ending == Ending.FAILS:
        return f"; day {lasted.days} is the first that fails" if lasted.days > 1 else ""
    if lasted.from_day == 1:
        return "; every day is alike"
    return f"; from day {lasted.from_day} on every day is alike"


def still_changes(lasted: Lasted) -> str:
    """Return "after 30 days they still change: the last ends 0.2 K warmer ... than it began"."""
    said = f"after {lasted.days} days they still change"
    if lasted.last_change_K is None or lasted.last_change_share is None:
        return f"{said}, for a board that has tripped in one of the last two only"
    warmer = "warmer" if lasted.last_change_K >= 0.0 else "colder"
    more = "more" if lasted.last_change_share >= 0.0 else "less"
    return (
        f"{said}: the last ends up to {room(lasted.last_change_K, 'K')} {warmer} than it began and "
        f"with up to {room(100.0 * lasted.last_change_share, '%')} {more} charge"
    )


def of_open(case: Case) -> str:
    """Return why nothing is said of every day to come, where the bound on days was reached."""
    assert case.lasted is not None  # what stays open was asked for
    return still_changes(case.lasted)


def at_bad_end(lasted: Lasted | None) -> str:
    """Return what stands behind the outcome of a bad end whose days do not repeat."""
    if lasted is None or lasted.ending != Ending.OPEN:
        return ""
    return f"; {still_changes(lasted)}"


def alike_hour(case: Case) -> float | None:
    """Return at which hour the first day begins that all later ones are like, for a picture."""
    if case.lasted is None or case.lasted.from_day is None:
        return None
    return (case.start_clock_s + (case.lasted.from_day - 1) * SECONDS_PER_DAY) / SECONDS_PER_HOUR


def told(case: Case, days: tuple[DayPeak, ...], repeats_from: int | None) -> list[str]:
    """Return the line about several days; none for a single one."""
    lasted = case.lasted
    if lasted is None and len(days) < 2:
        return []
    peaks = ", ".join(f"{day.hottest_core_C:z.1f}" for day in days)
    begins = ", ".join(f"{100.0 * day.charge_begin:z.0f}" for day in days)
    said = f"peaks {peaks} C; charge as each begins {begins} %"
    if lasted is None:
        again = (
            f"day {repeats_from} and all later ones are alike"
            if repeats_from is not None
            else "they still change from day to day, so more days may be worse"
        )
        return [f"{said}; {again}"]
    run = f"run until they repeat, {lasted.most_days} at the most"
    if lasted.ending == Ending.REPEATS:
        return [f"{run}: day {lasted.from_day} and all later ones are alike, {ALIKE_IS}; {said}"]
    if lasted.ending == Ending.FAILS:
        return [f"{run}: day {lasted.days} is the first that fails; {said}"]
    return [f"{run}: {still_changes(lasted)}; {said}"]


def as_values(lasted: Lasted | None) -> dict[str, Any] | None:
    """Return what a summary tells of days that are run until they repeat; None for other days."""
    if lasted is None:
        return None
    share = lasted.last_change_share
    return {
        "ending": lasted.ending.value,
        "days_run": lasted.days,
        "most_days": lasted.most_days,
        "alike_from_day": lasted.from_day,
        "first_failing_day": lasted.days if lasted.ending == Ending.FAILS else None,
        "last_change_K": lasted.last_change_K,
        "last_change_percent": None if share is None else 100.0 * share,
        "alike_K": ALIKE_K,
        "alike_percent": 100.0 * ALIKE_SHARE,
        "alike_polarisation_V": ALIKE_V,
    }
