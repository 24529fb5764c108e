"""Headroom in plain words: how far each knob can go, and what stops it."""

from __future__ import annotations

import math

from sim.ask.built_seen import cells_marched
from sim.ask.headroom import Headroom, Knob
from sim.files.built_case import built_case, is_built
from sim.files.case import guesses
from sim.show.lines import at, hung
from sim.show.one_out_words import clause
from sim.show.one_out_words import told as one_out_told
from sim.show.sentences import CAUTION, INDENT, cooling_weaker
from sim.show.sweep_words import event_of, failure, spare

# Of each knob: its line in the table, its words in the answer, digits.
KNOBS = {
    "load_scale": ("load scale", "load scale {}", 3),
    "ambient_shift_K": ("air shift, K", "air shift {} K", 1),
    "colder_K": ("air shift, colder, K", "air shift {} K", 1),
    "repeats": ("repeats of the load", "{} times the load without charging", 0),
    "until_reserve_A": ("constant, in the heat, A", "{} A held in the day's heat", 1),
    "whole_day_A": ("constant, all day, A", "{} A held all day", 1),
    "days": ("days in a row", "{} days in a row", 0),
    "controller_A": ("controller's limit, A", "a controller of {} A", 1),
    "controller_least_A": ("controller, lowest, A", "a controller of {} A", 1),
    "charge_A": ("charging, A", "charging at {} A", 2),
    "charge_least_A": ("charging, slowest, A", "charging at {} A", 2),
}
DOWNWARDS = ("colder_K", "controller_least_A", "charge_least_A")  # told where the day passes only


def shown(knob: Knob, value: float) -> str:
    """Return a value with as many digits as it can bear, rounded to the safe side."""
    digits = KNOBS[knob.name][2]
    sign = "+" if "air" in KNOBS[knob.name][0] else ""
    tens = value * 10**digits
    whole = math.floor(tens + 1e-6) if knob.upwards else math.ceil(tens - 1e-6)
    return f"{whole / 10**digits + 0.0:{sign}.{digits}f}"


def how_far(knob: Knob) -> str:
    """Return "load scale 1.109 (charge below reserve)": how far, and what stops it."""
    form = KNOBS[knob.name][1]
    if knob.greatest is None:
        assert knob.limit is not None  # what fails has a limit
        tried = form.format(f"{knob.searched_to:.3g}")
        return f"not even {tried} ({event_of(knob.limit)})"
    far = form.format(shown(knob, knob.greatest))
    if knob.name == "repeats" and knob.greatest == 1:
        far = "the load once without charging"
    if knob.alike_from is not None:
        return f"any number of days in a row (alike from day {knob.alike_from} on)"
    if knob.limit is not None:
        return f"{far} ({event_of(knob.limit)})"
    return f"{far} ({'no limit found so far' if knob.note is None else 'not known further'})"


def answer(found: Headroom) -> str:
    """Return the answer in one line: the day as it is, then how far each knob can go."""
    row, audit = found.today, found.run.audit
    doubt = "" if audit.passed else f"Do not trust this answer: {'; '.join(audit.complaints)}. "
    # A controller's limit that no load reaches is told in the table only.
    more = found.more.values()
    upwards = [k for k in more if k.name not in DOWNWARDS and k.limit is not None]
    knobs = (found.load_scale, found.ambient_shift_K, found.repeats, *upwards)
    current, out = how_far(found.until_reserve_A), clause(found.run.one_out)
    if row.passes:
        told = ", ".join(how_far(knob) for knob in (*knobs, found.until_reserve_A))
        hangs = "" if found.run.bad_end.passed else " if the guesses hold"
        far = ", if the guesses hold" if guesses(found.base.case) and not hangs else ""
        return f"{doubt}Holds as it is{hangs}, {spare(row)}{out}. Room up to{far}: {told}."
    helping = [how_far(knob) for knob in knobs if knob.greatest is not None]
    told = (
        f"Would hold with {' or '.join(helping)}"
        if helping
        else ("Neither less load nor colder or warmer air makes it hold")
    )
    said = f"{doubt}Fails as it is: {failure(found.base.case, row)}{out}. {told}."
    return f"{said} Current: {current}."


def table(found: Headroom) -> list[str]:
    """Return a line a knob: the value today, the greatest that passes, and what stops it."""
    lines = [f"{'knob':<26}{'today':>8}{'holds to':>10}  stopped by"]
    knobs = (
        found.load_scale, found.ambient_shift_K, found.colder_K, found.repeats,
        found.until_reserve_A, found.whole_day_A, *found.more.values(),
    )  # fmt: skip
    for knob in knobs:
        if knob.name in DOWNWARDS and not knob.passes_today:
            continue  # the line above has both ways
        today = "-" if knob.today is None else shown(knob, knob.today)
        greatest = "none" if knob.greatest is None else shown(knob, knob.greatest)
        greatest = greatest if knob.alike_from is None else "any"
        lines.append(f"{KNOBS[knob.name][0]:<26}{today:>8}{greatest:>10}  {stopped_by(knob)}")
    return lines


def stopped_by(knob: Knob) -> str:
    """Return what gives beyond the greatest value that holds, or why none is known."""
    if knob.alike_from is not None:
        return f"nothing: alike from day {knob.alike_from} on"
    if knob.limit is None:
        return knob.note or "no limit found so far"
    at_least = f", even at {knob.searched_to:.3g}" if knob.greatest is None else ""
    return event_of(knob.limit) + at_least


def currents(found: Headroom) -> str:
    """Return what the currents mean, and how low a limit on the pack's current could be."""
    limits = found.base.case.scenario.limits
    end = "the reserve" if limits.reserve_percent > 0.0 else "cut-off"
    is_set = (
        "no limit is set"
        if limits.pack_current_max_A is None
        else f"the limit is set to {limits.pack_current_max_A:g} A"
    )
    begun = "" if found.begins_s is None else f" ({at(found.base.case, found.begins_s)})"
    several = found.base.case.scenario.charger is not None or found.repeats.name == "days"
    first = ", the first 24 h where there are more, and without its charger" if several else ""
    return (
        f"of one pack; {is_set}, the day's own peak is {found.peak_A:.1f} A: a limit at that would "
        "not touch this day. Constant in the heat: drawn from the charge at the start down to "
        f"{end}, begun when that heats them most{begun}; above it a limit on the pack's current "
        "does not protect by itself, only with the pauses of the load. Constant all day: from the "
        f"start of the day to its end{first}."
    )


def bad_end(found: Headroom) -> str:
    """Return how far load and air can go with every guess at its bad end."""
    case, knobs = found.base.case, found.at_bad_end.values()
    weaker = cooling_weaker(case, found.run.bad_end.moved["film"])
    helping = [how_far(knob) for knob in knobs if knob.greatest is not None]
    if all(knob.passes_today for knob in knobs):
        far = f"room up to {', '.join(helping)}"
    elif helping:
        far = f"fails; would hold with {' or '.join(helping)}"
    else:
        far = "fails, and neither less load nor colder or warmer air makes it hold"
    return f"with all guesses at their hotter and emptier end at once{weaker}: {far}"


def as_built(found: Headroom) -> list[str]:
    """Return how packs as built were run, and what their knobs mean."""
    case = found.base.case
    if not is_built(case.scenario):
        return []
    said = [cells_marched(built_case(case))]
    if case.scenario.pack.packs > 1:
        said.append("constant currents are the mean of one pack; unlike packs share them unevenly")
    said.append("how far each knob goes with every guess at its bad end is not searched")
    if found.more:
        said.append("the limits of controller and charger are of all packs together")
    return said


def report(found: Headroom) -> list[str]:
    """Return everything that `headroom` prints, the answer first."""
    case, audit = found.base.case, found.run.audit
    lines = [answer(found), "", *table(found), ""]
    lines += hung("currents", currents(found), INDENT)
    if found.at_bad_end:
        lines += hung("bad end", bad_end(found), INDENT)
    told = "passed" if audit.passed else "; ".join(audit.complaints)
    lines += hung("audit", f"whole run of the day as it is: {told}", INDENT)
    if found.run.one_out is not None:
        lines += hung("pack out", one_out_told(case, found.run.one_out), INDENT)
    said = "step by step from today; where it fails and holds again within a step is not seen"
    lines += hung("searched", said, INDENT)
    for note in (*as_built(found), *case.notes):
        lines += hung("note", note, INDENT)
    named = guesses(case)
    if named:
        lines += hung("guesses", ", ".join(g["what"] for g in named), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]
