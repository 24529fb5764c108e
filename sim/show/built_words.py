"""The answer about a pack as built: one sentence with its margin and its place, then the rest."""

from __future__ import annotations

from sim.ask.built import BuiltResult
from sim.ask.built_boards import Switching
from sim.files.case import guesses
from sim.judge.verdict import Event
from sim.physics.board import CHARGE_PATH, CHARGER, COLDEST_K, HIGHEST_GROUP_V, HOTTEST_K
from sim.physics.built import AT_BUS, DELIVERED, LEAD, LINK, PACK_COUNT, SHORT
from sim.physics.limits import BEYOND_REACH, CUTOFF, HOT, NAMES, PACK_CURRENT, RESERVE
from sim.show.lines import at, hung, moment, number, room, small, span
from sim.show.one_out_words import clause, told
from sim.show.sentences import CAUTION, INDENT, table
from sim.units import SECONDS_PER_HOUR, ZERO_C_K


def place(result: BuiltResult, limit: int, index: int) -> str:
    """Return where the weakest part of a limit is, in words; "" where there is no place."""
    case = result.built_case
    packs = case.built.pack.shape[1]
    if index < 0 or limit == BEYOND_REACH:
        return ""
    if limit == PACK_CURRENT:
        return f"pack {index + 1}" if packs > 1 else "the pack"
    if case.built.fixed.shape[1] == packs:  # one cell stands for all of its pack
        return f"pack {index + 1}" if packs > 1 else ""
    if limit == RESERVE:
        first = int(case.built.group_at[0, index])
        own = f"group {case.places.group[first] + 1}"
        return f"{own} of pack {case.places.pack[first] + 1}" if packs > 1 else own
    return case.places.name(index, packs)


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
    emptiest = round(100.0 * lowest) + 0.0  # never "-0"
    kept = f" ({least.level:.0f} % is the reserve)" if least.level else ""
    verb = "falls to" if result.verdict.finished else "stops at"
    return f"the emptiest group {verb} {emptiest:.0f} % charge{kept}"


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
            what, unit, zero = f"the temperature of the {which} cell", "C", ZERO_C_K
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
        said.append(f"the {board.owner} {verb}{when}")
    if result.undelivered > 1e-3:
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
    tail = f"{_heat_and_voltage(result)}; {_ends(result)}{clause(result.one_out)}."
    if result.passed:
        sure = result.bad_end.passed
        return f"Stays cool{'' if sure else ' if the guesses hold'}: {tail}"
    told = ([_first(result, verdict.first)] if verdict.first is not None else []) + faults
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
    lines += hung("pack", _pack(result), INDENT)
    for words in _packs(result):
        lines += hung("shares", words, INDENT)
    lines += hung("energy", _energy(result), INDENT)
    for board in result.boards:
        lines += hung("board", _board(result, board), INDENT)
    for words in _charging(result):
        lines += hung("charging", words, INDENT)
    for words in _days(result):
        lines += hung("days", words, INDENT)
    if result.one_out is not None:
        lines += hung("pack out", told(case, result.one_out), INDENT)
    lines += hung("audit", _audit(result), INDENT)
    for note in (*case.notes, *result.built_case.notes):
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
    own = [words for words in case.assumptions if not words.startswith("all cells are identical")]
    lines += hung("assumed", "; ".join([*result.built_case.assumptions, *own]), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def _pack(result: BuiltResult) -> str:
    """Return the spread over cells: hottest against coldest, most against least worked."""
    from sim.integrate.built_look import LOWEST_V, PEAK_A, PEAK_CORE_K

    peaks, case = result.run.book.extremes, result.built_case
    peak_C = peaks[PEAK_CORE_K] - ZERO_C_K
    hottest, coolest = int(peak_C.argmax()), int(peak_C.argmin())
    packs = case.built.pack.shape[1]
    n = case.built.fixed.shape[1]
    if n == packs:
        return "every cell of a pack alike"
    hardest = peaks[PEAK_A].argmax()
    weakest = peaks[LOWEST_V].argmin()
    return (
        f"peaks from {peak_C[coolest]:.1f} C ({case.places.name(coolest, packs)}) to "
        f"{peak_C[hottest]:.1f} C ({case.places.name(hottest, packs)}); hardest worked "
        f"{case.places.name(int(hardest), packs)} with {peaks[PEAK_A, hardest]:.1f} A; weakest "
        f"{case.places.name(int(weakest), packs)} with {peaks[LOWEST_V, weakest]:.2f} V; charge of "
        f"the groups lies up to {100.0 * _imbalance(result):.1f} % apart"
    )


def _imbalance(result: BuiltResult) -> float:
    from sim.integrate.built_records import SOC_HIGH, SOC_LOW

    kept = result.kept
    return float((kept[:, SOC_HIGH] - kept[:, SOC_LOW]).max())


def _packs(result: BuiltResult) -> list[str]:
    """Return what each of several packs gave, and what flowed as they were joined."""
    from sim.integrate.built_records import COLUMNS

    built, run = result.built_case.built, result.run
    packs = built.pack.shape[1]
    if packs < 2:
        return []
    kept = result.kept
    said = []
    for p in range(packs):
        if built.pack[PACK_COUNT, p] == 0.0:
            said.append(f"pack {p + 1} is out")
            continue
        current_A = kept[:, COLUMNS + 3 * p]
        given_Wh = run.state.sums[p, AT_BUS] / SECONDS_PER_HOUR
        said.append(
            f"pack {p + 1}: {given_Wh:.0f} Wh, {current_A.min():.1f} to {current_A.max():.1f} A, "
            f"{current_A[0]:.1f} A at the first instant"
        )
    return said


def _energy(result: BuiltResult) -> str:
    run, built = result.run, result.built_case.built
    sums, count = run.state.sums, built.pack[PACK_COUNT]
    lost_Wh = float(count @ (sums[:, LEAD] + sums[:, LINK])) / SECONDS_PER_HOUR
    said = (
        f"{run.state.box_sums[DELIVERED] / SECONDS_PER_HOUR:.0f} Wh delivered, {lost_Wh:.1f} Wh "
        "lost in leads and busbars"
    )
    short_Wh = run.state.box_sums[SHORT] / SECONDS_PER_HOUR
    return f"{said}; {short_Wh:.1f} Wh asked and not delivered" if short_Wh > 1e-3 else said


def _board(result: BuiltResult, board: object) -> str:
    from sim.ask.built_boards import BoardAnswer

    assert isinstance(board, BoardAnswer)
    said = f"{board.owner}: {board.answer} trip"
    if board.first_s is not None:
        said += f", first {at(result.case, board.first_s)}"
    if board.breaks:
        said += f"; breaks the current {board.breaks} time{'s' if board.breaks > 1 else ''}"
    if board.trips > board.breaks:
        times = "once" if board.trips == 1 else f"{board.trips} times"
        said += f"; shut {times} in all" if board.breaks else f"; shut {times} while nothing flowed"
    return f"{said}; it chatters" if board.chatters else said


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
    if len(result.days) < 2:
        return []
    peaks = ", ".join(f"{day.hottest_core_C:.1f}" for day in result.days)
    begins = ", ".join(f"{100.0 * day.charge_begin:.0f}" for day in result.days)
    again = (
        f"day {result.repeats_from} and all later ones are alike"
        if result.repeats_from is not None
        else "they still change from day to day, so more days may be worse"
    )
    return [f"peaks {peaks} C; charge as each begins {begins} %; {again}"]


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
    bad = result.bad_end
    hot, low = bad.limit(HOT), bad.limit(CUTOFF)
    outcome = "no limit is crossed"
    if bad.first is not None:
        outcome = f"{bad.first.event} {at(result.case, bad.first.time_s)}"
    if hot.worst is None or low.worst is None:
        return outcome
    return (
        f"with all guesses at their hotter and emptier end at once: {outcome}; hottest core "
        f"{number(hot.worst, 'K')}, lowest cell {number(low.worst, 'V')}"
    )
