"""The answer about a pack as built: one sentence with its margin and its place, then the rest."""

from __future__ import annotations

from sim.ask.built import BuiltResult
from sim.ask.built_boards import Switching
from sim.ask.built_run import UNDELIVERED
from sim.ask.built_seen import place_of
from sim.ask.lasting import keeps_changing
from sim.files.case import guesses
from sim.judge.verdict import Event
from sim.physics.board import CHARGE_PATH, CHARGER, COLDEST_K, HIGHEST_GROUP_V, HOTTEST_K
from sim.physics.built import DELIVERED, LEAD, LINK, PACK_COUNT, SHORT, sensors_in
from sim.physics.limits import BEYOND_REACH, CUTOFF, HOT, NAMES, RESERVE
from sim.show import days_words, fitted_words
from sim.show.built_pack_words import (
    told_boards,
    told_groups,
    told_pack,
    told_places,
    told_sensors,
    told_shares,
)
from sim.show.lines import at, hung, moment, number, room, small, span
from sim.show.one_out_words import clause, told
from sim.show.sentences import (
    AN_INSTANT_S,
    CAUTION,
    INDENT,
    cold_end,
    cut_short,
    full_end,
    hotter_end,
    table,
)
from sim.units import SECONDS_PER_HOUR, ZERO_C_K


def place(result: BuiltResult, limit: int, index: int) -> str:
    """Return where the weakest part of a limit is, in words; "" where there is no place."""
    return place_of(result.built_case, limit, index)


def _in(result: BuiltResult, limit: int) -> str:
    words = place(result, limit, result.placed.worst_at[limit])
    return f" ({words})" if words else ""


def _heat_and_voltage(result: BuiltResult) -> str:
    hot, low = result.verdict.limit(HOT), result.verdict.limit(CUTOFF)
    if hot.margin is None or low.margin is None or hot.worst is None or low.worst is None:
        return "nothing was drawn"
    assert hot.time_s is not None and low.time_s is not None
    hot_side = "below" if hot.margin >= 0.0 else "above"
    low_side = "above" if low.margin >= 0.0 else "below"
    return (
        f"hottest core {number(hot.worst, 'K')}{_in(result, HOT)} {at(result.case, hot.time_s)}, "
        f"{room(hot.margin, 'K')} {hot_side} its limit; lowest cell {number(low.worst, 'V')}"
        f"{_in(result, CUTOFF)} {at(result.case, low.time_s)}, {room(low.margin, 'V')} {low_side} "
        "cut-off"
    )


def _ends(result: BuiltResult) -> str:
    least = result.verdict.limit(RESERVE)
    lowest = min(day.charge_least for day in result.days)
    emptiest = 100.0 * lowest
    kept = f" ({least.level:.0f} % is the reserve)" if least.level else ""
    verb = "falls to" if result.verdict.finished else "stops at"
    close = least.level is not None and abs(emptiest - least.level) < 1.0
    return f"the emptiest group {verb} {emptiest:z.{1 if close else 0}f} % charge{kept}"


def _held_back(result: BuiltResult, time_s: float) -> str:
    """Return which thresholds shut the charge by then, what each saw, and its level."""
    case = result.built_case
    shut: dict[str, Switching | None] = {}
    for one in result.switchings:
        if one.time_s <= time_s + 1e-6:
            shut[one.owner] = None if one.closed else one
    levels, said = case.thresholds["stated"], []
    for k, owner in enumerate(case.owners):
        last = shut.get(owner)
        if last is None or not levels.opens[k] & (CHARGE_PATH | CHARGER):
            continue
        what, unit, zero = "charge current", "A", 0.0
        if levels.quantity[k] == HIGHEST_GROUP_V:
            what, unit = "the highest group", "V"
        if levels.quantity[k] in (HOTTEST_K, COLDEST_K):
            which = "hottest" if levels.quantity[k] == HOTTEST_K else "coldest"
            where = "sensor" if len(sensors_in(case.built)) else "cell"
            what, unit, zero = f"the temperature of the {which} {where}", "C", ZERO_C_K
        said.append(
            f"the {owner} is shut since {moment(result.case, last.time_s)}: {what} was "
            f"{last.value:.3g} {unit}, its level is {levels.trip[k] - zero:.3g} {unit}"
        )
    return f", as {' and '.join(said)}" if said else ""


def _faults(result: BuiltResult) -> list[str]:
    """Return what went wrong beside the limits, one clause each, the worst first."""
    said = []
    for board in result.drive_trips:
        when = "" if board.first_s is None else f" {at(result.case, board.first_s)}"
        verb = "trips" if board.answer == "will" else "may trip (inside its tolerance)"
        braking = " on braking" if board.braking else ""
        said.append(f"the {board.owner} {verb}{braking}{when}")
    if result.undelivered > UNDELIVERED:
        said.append(f"{100.0 * result.undelivered:.1f} % of the energy asked is not delivered")
    said += [
        f"charging never begins in the window {at(result.case, window.begin_s)}"
        f"{_held_back(result, window.begin_s)}"
        for window in result.never_charged
    ]
    return said


def _first(result: BuiltResult, first: Event) -> str:
    limit = NAMES.index(first.name)
    where = place(result, limit, result.where[result.verdict.events.index(first)])
    words = f" ({where})" if where else ""
    return f"{first.event}{words} {at(result.case, first.time_s)}"


def _others(result: BuiltResult, first: Event) -> str:
    """Return what else was passed, in order of time, each by how much at worst; "" for nothing."""
    told: dict[str, str] = {}
    for found in result.verdict.events:
        judged = result.verdict.limit(NAMES.index(found.name))
        if found.name == first.name or found.name in told:
            continue
        by = ""
        if judged.margin is not None and judged.seconds_beyond >= AN_INSTANT_S:
            by = f", by {room(judged.margin, judged.unit)} at worst"
        told[found.name] = f"{found.event} {at(result.case, found.time_s)}{by}"
    return f", then {', '.join(told.values())}" if told else ""


def _shut_first(result: BuiltResult) -> bool:
    """Return whether power is beyond reach for no other reason than a board that opened."""
    first = result.verdict.first
    return (
        first is not None
        and first.name == NAMES[BEYOND_REACH]
        and any(
            b.breaks and b.first_s is not None and b.first_s <= first.time_s
            for b in result.drive_trips
        )
    )


def answer(result: BuiltResult) -> str:
    """Return the verdict in one sentence, its margin and its place in it."""
    verdict, faults = result.verdict, _faults(result)
    tail = f"{_heat_and_voltage(result)}; {_ends(result)}{clause(result.one_out)}"
    tail += f"{days_words.ending(result.case)}."
    if result.passed:
        sure = result.bad_end.passed
        return f"Stays cool{'' if sure else ' if the guesses hold'}: {tail}"
    told = faults
    if keeps_changing(result.case) and not told and verdict.passed and result.audit.passed:
        return f"Cannot tell: {days_words.of_open(result.case)}; {tail}"
    if verdict.first is not None:
        told = [_first(result, verdict.first) + _others(result, verdict.first), *faults]
    if verdict.first is not None and _shut_first(result):
        told = [*faults, f"so no power is left {at(result.case, verdict.first.time_s)}"]
    if verdict.unanswered:
        return f"Cannot tell: {'; '.join(told)}, where the model knows nothing; {tail}"
    if not verdict.limit(HOT).passed:
        opening = "Gets too hot"
    elif not verdict.finished:
        opening = "Does not last the day"
    else:
        opening = "Stays cool, but"
    joined = "; ".join(told) or "the audit failed"
    colon = "" if opening.endswith("but") else ":"
    return f"{opening}{colon} {joined}; {tail}"


def first_line(result: BuiltResult) -> str:
    """Return the answer, behind a warning where the run can't be believed."""
    if result.audit.passed:
        return answer(result)
    return f"Do not trust this run: {'; '.join(result.audit.complaints)}. {answer(result)}"


def report(result: BuiltResult) -> list[str]:
    """Return everything that `simulate` prints about a pack as built, the verdict first."""
    case = result.case
    lines = [first_line(result), "", *table(result), ""]
    parts = (
        ("pack", told_pack), ("groups", told_groups), ("places", told_places),
        ("shares", told_shares), ("energy", _energy), ("sensors", told_sensors),
        ("board", told_boards), ("charging", _charging), ("days", _days),
    )  # fmt: skip
    for name, tell in parts:
        for words in tell(result):
            lines += hung(name, words, INDENT)
    if result.one_out is not None:
        lines += hung("pack out", told(case, result.one_out), INDENT)
    lines += hung("audit", _audit(result), INDENT)
    for note in (*case.notes, *result.built_case.notes, *fitted_words.notes(result)):
        lines += hung("note", note, INDENT)
    found = guesses(case)
    if found:
        named = ", ".join(
            g["what"]
            + (f" (+-{100.0 * g['uncertainty']:.0f} %)" if g["uncertainty"] is not None else "")
            for g in found
        )
        lines += hung("guesses", f"{case.profile.name}: {named}", INDENT)
    lines += hung("bad end", _bad_end(result), INDENT)
    lines += cold_end(case, result.bad_end)
    lines += full_end(case, result.bad_end)
    own = [words for words in case.assumptions if not words.startswith("all cells are identical")]
    lines += hung("assumed", "; ".join([*result.built_case.assumptions, *own]), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def _energy(result: BuiltResult) -> list[str]:
    run, built = result.run, result.built_case.built
    sums, count = run.state.sums, built.pack[PACK_COUNT]
    lost_Wh = float(count @ (sums[:, LEAD] + sums[:, LINK])) / SECONDS_PER_HOUR
    said = (
        f"{run.state.box_sums[DELIVERED] / SECONDS_PER_HOUR:.0f} Wh delivered, {lost_Wh:.1f} Wh "
        "lost in leads and busbars"
    )
    short_Wh = run.state.box_sums[SHORT] / SECONDS_PER_HOUR
    if short_Wh > 1e-3:
        said += f"; {max(short_Wh, 0.1):.1f} Wh asked and not delivered"
    return [said]


def _charging(result: BuiltResult) -> list[str]:
    said, charger = [], result.run.day.charger
    full_V = result.case.limits.full_V * result.case.scenario.pack.series
    reached = charger.voltage_V >= full_V * (1.0 - 1e-3)
    full = "full already" if reached else "already at the charger's voltage"
    for window in result.windows:
        when = at(result.case, window.begin_s)
        if window.flows_s is None:
            said.append(f"plugged in {when}: {'never begins' if window.never else full}")
            continue
        wait_s = window.flows_s - window.begin_s
        wait = f", after a wait of {span(wait_s)}" if wait_s >= 1.0 else ""
        done = (
            "not full by the end"
            if window.done_s is None
            else (f"full {at(result.case, window.done_s)}")
        )
        said.append(f"plugged in {when}{wait}: {window.energy_Wh:.0f} Wh, {done}")
    return said


def _days(result: BuiltResult) -> list[str]:
    return days_words.told(result.case, result.days, result.repeats_from)


def _audit(result: BuiltResult) -> str:
    audit = result.audit
    worst = max(audit.balances.values(), default=0.0)
    said = (
        f"{'passed' if audit.passed else 'FAILED'}: balances of every pack close to {worst:.0e} of "
        "what flowed"
    )
    if audit.spots:
        off_V = max(s.difference_V for s in audit.spots)
        off_K = max(s.difference_K for s in audit.spots)
        hours = "quarter hours" if len(audit.spots) > 1 else "quarter hour"
        said += (
            f"; a second integrator over the worst {hours} differs by {small(off_V * 1e3, 'mV')} "
            f"and {small(off_K, 'K')}"
        )
    said += (
        f"; halving the steps over {audit.halved} changes {small(audit.halving_V * 1e3, 'mV')} and "
        f"{small(audit.halving_K, 'K')}; {audit.steps} steps"
    )
    return "; ".join([said, *audit.not_done])


def _bad_end(result: BuiltResult) -> str:
    bad = result.bad_end.verdict
    hot, low = bad.limit(HOT), bad.limit(CUTOFF)
    outcome = "no limit is crossed"
    if bad.first is not None:
        outcome = f"{bad.first.event} {at(result.case, bad.first.time_s)}"
    outcome += cut_short(bad) + days_words.at_bad_end(result.bad_end.lasted)
    if "hotter" in result.bad_end.never_charges:
        outcome += "; charging never begins"
    for owner, time_s in result.bad_end.cut_offs:
        outcome += f"; the {owner} trips {at(result.case, time_s)}"
    if result.bad_end.undelivered > UNDELIVERED:
        outcome += f"; {100.0 * result.bad_end.undelivered:.1f} % of the energy is not delivered"
    if hot.worst is None or low.worst is None:
        return outcome
    return (
        f"{hotter_end(result.case, result.bad_end)}: {outcome}; hottest core "
        f"{number(hot.worst, 'K')}, lowest cell {number(low.worst, 'V')}"
    )
