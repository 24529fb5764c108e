"""The words and tables of a report that no other answer has."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from sim.ask.built import BuiltResult
from sim.ask.built_run import UNDELIVERED
from sim.ask.lasting import keeps_changing
from sim.ask.report import Moved, Outcome, Report
from sim.ask.simulate import Result
from sim.files.case import Case, guesses
from sim.files.cell_schema import CORE_TO_SURFACE
from sim.files.unsure import BETWEEN, GAP, between_off
from sim.integrate.built_look import PEAK_CORE_K
from sim.physics.limits import CUTOFF, HOT, NAMES
from sim.show import built_words, sentences
from sim.show.lines import moment, number, signed, small, span
from sim.show.report_day import above_surface_K

# The safety box; design.md, section 6.
CAUTIONS = (
    "Lithium-ion packs can burn, and a burning pack can hardly be put out.",
    "This model knows only what it was told: no abuse, no ageing, no moisture, no vibration, no "
    "faults of making.",
    "Measure real cell temperatures under load before you trust it.",
    "Fit a fuse and a protection board to every pack.",
    "Charge under supervision, and never below 0 C.",
    "Local electrical and vehicle codes and licensed practice come first.",
)
MOST_EVENTS = 12
UNITS = (
    "W_m2K", "m_s2", "kg_m3", "J_kgK", "mV_K", "W_mK", "J_K", "K_W", "W_K", "km_h", "mohm", "ohm",
    "percent", "AWG", "mm2", "m2", "mm", "Ah", "kg", "min", "Pa", "Hz", "V", "A", "W", "J", "K",
    "C", "s", "h", "m", "g", "F",
)  # fmt: skip
SHOWN_UNIT = {"percent": "%", "W_m2K": "W/(m2 K)", "J_kgK": "J/(kg K)", "W_mK": "W/(m K)"}
LONGEST_LIST = 12
NAMED = {
    "film": "cooling by the air",
    CORE_TO_SURFACE: "core to surface",
    BETWEEN: "air between the cells",
    GAP: "air in the gaps",
}
NEAR_FROST_K = 10.0  # with more room than this at the colder end, frost is not told of
NOT_TURNED = {
    "size": "the area that air reaches, the mass",
    "limits": "the levels themselves, not the day",
}


@dataclass(frozen=True)
class Event:
    """One crossing of a limit, or one switching of a board."""

    when: str
    what: str
    where: str
    level: str
    lasted: str


def first_line(run: Result | BuiltResult) -> str:
    """Return the answer, behind a warning where the run can't be believed."""
    if isinstance(run, BuiltResult):
        return built_words.first_line(run)
    return sentences.verdict(run)


def badge(run: Result | BuiltResult, content: dict[str, Any]) -> tuple[str, str]:
    """Return the answer in a word or some, and its class: yes, if, no."""
    if not run.audit.passed:
        return "Not to be trusted", "no"
    if run.verdict.unanswered or (run.verdict.passed and keeps_changing(run.case)):
        return "Cannot tell", "no"
    if not run.passed:
        return "No", "no"
    sure = content["bad_end"]["passed"]
    return ("Yes", "yes") if sure else ("Yes, if the guesses hold", "if")


def places(run: Result | BuiltResult) -> dict[str, str]:
    """Return for each limit where its weakest part is; nothing where all cells are alike."""
    if not isinstance(run, BuiltResult):
        return {}
    found = {
        name: built_words.place(run, n, run.placed.worst_at[n]) for n, name in enumerate(NAMES)
    }
    return {name: words for name, words in found.items() if words}


def events(run: Result | BuiltResult) -> list[Event]:
    """Return every stretch beyond a limit in order of time."""
    found = []
    for k, e in enumerate(run.verdict.events):
        where = ""
        if isinstance(run, BuiltResult):
            where = built_words.place(run, NAMES.index(e.name), run.where[k])
        lasted = "to the end" if e.until_s is None else span(e.until_s - e.time_s)
        level = number(e.limit, e.unit)
        found.append(Event(moment(run.case, e.time_s), e.event, where, level, lasted))
    return found


def _change(now: float | None, then: float | None, unit: str, decimals: int) -> str:
    if now is None or then is None:
        return "-"
    told = f"{then - now:+z.{decimals}f}"
    return f"{told} {unit}" if float(told) else "none"


def _becomes(plain: Outcome, moved: Moved) -> str:
    verdict = moved.outcome.verdict
    if verdict.first is None:
        return "no limit is crossed"
    new = [e.event for e in verdict.events if e.name not in {b.name for b in plain.verdict.events}]
    return f"now {new[0]}" if new else "the same limits are crossed"


def guess_rows(report: Report) -> list[tuple[str, ...]]:
    """Return a row a guess: what, from where, how unsure, and what it moves of the day."""
    case, plain = report.run.case, report.plain
    told = {g["what"]: g for g in guesses(case)}
    rows: list[tuple[str, ...]] = []
    for one in report.moves:
        source = _source(case, one.group, told.pop(one.group, None))
        out = one.outcome
        rows.append(
            (
                NAMED.get(one.group) or one.group.replace("_", " "),
                source,
                f"+-{100.0 * one.share:.0f} %",
                _change(plain.hottest_core_C, out.hottest_core_C, "K", 1),
                _change(plain.lowest_cell_V, out.lowest_cell_V, "V", 3),
                _change(100.0 * plain.end_soc, 100.0 * out.end_soc, "%", 1),
                _becomes(plain, one),
            )
        )
    for what, g in told.items():
        unsure = "-" if g["uncertainty"] is None else f"+-{100.0 * g['uncertainty']:.0f} %"
        moves = NOT_TURNED.get(what, "not turned here")
        rows.append((what.replace("_", " "), str(g["from"]), unsure, "-", "-", "-", moves))
    return rows


def _source(case: Case, group: str, guess: dict[str, Any] | None) -> str:
    """Return where a group of parameters comes from, in its profile's words where it has some."""
    if group == "film":
        if case.scenario.cooling.conductance_W_K is not None:
            return "measured, as the scenario says"
        return "correlations of still air scatter by a fifth: common practice, no source"
    if group == BETWEEN and case.scenario.layout is not None:
        return between_off(case.scenario.layout)[1]
    if group == GAP:
        return "a lower estimate of still air; a draught, sleeves and cells askew are assumed"
    if guess is not None:
        return str(guess["from"])
    own = case.profile.sources.get(group)
    if own is not None:
        return own.origin
    heat = case.profile.sources.get("heat")
    return f"as heat: {heat.origin}" if group == CORE_TO_SURFACE and heat else "no source given"


def bad_end(content: dict[str, Any]) -> str:
    """Return what becomes of the day with all guesses at their bad end at once, frost at its own.

    Frost is told of where its end comes near a limit.
    """
    cold = content["bad_end"].get("cold")
    never = content["bad_end"].get("never_charges", [])
    said = _hot_end(content)
    if never:
        said += f" Charging never begins at their {' or '.join(never)} end."
    full = content["bad_end"].get("full")
    if full is not None and not full["passed"]:
        said += (
            " At their fuller end cells are charged beyond their full voltage "
            f"({signed(full['margin'], 'V')} of room)."
        )
    if cold is None or cold["margin"] is None or cold["margin"] > NEAR_FROST_K:
        return said
    outcome = "no limit of cold is crossed" if cold["passed"] else "a limit of cold is crossed"
    return (
        f"{said} At their colder end {outcome}: {cold['about']} "
        f"{number(cold['worst'], 'K')} ({signed(cold['margin'], 'K')} of room)."
    )


def _hot_end(content: dict[str, Any]) -> str:
    bad = content["bad_end"]
    first = bad["first"]
    outcome = "no limit is crossed" if first is None else f"{first['event']} at {first['clock']}"
    if not bad["finished"]:
        outcome += ", and the run stops: nothing is known of its rest"
    for owner, clock in bad["cut_offs"].items():
        outcome += f"; the {owner} trips at {clock}"
    if bad["undelivered_share"] > UNDELIVERED:
        outcome += f"; {100.0 * bad['undelivered_share']:.1f} % of the energy is not delivered"
    if bad["core_C"] is None or bad["cell_V"] is None:
        return f"With all guesses at their hotter and emptier end at once, {outcome}."
    return (
        f"With all guesses at their hotter and emptier end at once, {outcome}; the hottest core is "
        f"then {number(bad['core_C'], 'K')} ({signed(bad['core_margin_K'], 'K')} of room), the "
        f"lowest cell {number(bad['cell_V'], 'V')} ({signed(bad['cell_margin_V'], 'V')})."
    )


def audit_rows(content: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what was checked of the run, and how it came out."""
    audit = content["audit"]
    rows = [("verdict", "passed" if audit["passed"] else "FAILED")]
    rows += [("complaint", text) for text in audit["complaints"]]
    rows += [
        (f"balance of {name.replace('_', ' ')}", f"closes to {value:.0e} of what flowed")
        for name, value in audit["balances"].items()
        if value is not None
    ]
    half = audit["halving_the_step"]
    if half is not None:
        over = half.get("over", "the whole run")
        rows.append((f"halving the steps over {over}", _differs(half)))
    for spot in audit.get("spot_checks", []):
        rows.append((f"second integrator around the {spot['around']}", _differs(spot)))
    if audit.get("integrator"):
        rows.append(("integrator", audit["integrator"]))
        rows.append(("second integrator", audit["second_integrator"]))
    return [*rows, ("steps", str(audit["steps"]))]


def _differs(found: dict[str, Any]) -> str:
    volts, kelvins = found["difference_V"], found["difference_K"]
    return f"differs by {small(volts * 1e3, 'mV')} and {small(kelvins, 'K')}"


def values(tree: Any, name: str = "") -> list[tuple[str, str, str]]:
    """Return every value below `tree` as (key, value, unit), keys dotted."""
    if isinstance(tree, dict):
        return [row for key, below in tree.items() for row in values(below, _joined(name, key))]
    if isinstance(tree, list) and tree and isinstance(tree[0], dict):
        return [row for n, one in enumerate(tree, 1) for row in values(one, f"{name} {n}")]
    return [(name, _text(tree), unit_of(name))] if tree is not None and tree != [] else []


def _joined(name: str, key: str) -> str:
    return f"{name}.{key}" if name else key


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if not isinstance(value, list):
        return str(value)
    if isinstance(value[0], list):
        flat = [number for row in value for number in row]
        if all(isinstance(one, int | float) for one in flat):
            size = f"{len(value)} x {len(value[0])}"
            return f"{size} values, {min(flat):g} to {max(flat):g}"
    if len(value) > LONGEST_LIST:
        return f"{len(value)} values, {_text(value[0])} to {_text(value[-1])}"
    return ", ".join(_text(one) for one in value)


def unit_of(key: str) -> str:
    """Return the unit that a key carries in its name, "" for none."""
    last = re.sub(r" \d+$", "", key.rpartition(".")[2])
    for unit in UNITS:
        if last.endswith(f"_{unit}"):
            return SHOWN_UNIT.get(unit, unit.replace("_", "/", 1))
    return ""


def hottest_place(run: Result | BuiltResult) -> str:
    """Return which cell is to be measured as the hottest."""
    if not isinstance(run, BuiltResult):
        return (
            "a cell in the middle of the pack (this model has all cells alike; the middle is the "
            "likeliest to be hottest)"
        )
    peak = run.run.book.extremes[PEAK_CORE_K]
    name = run.built_case.places.name(int(peak.argmax()), run.built_case.built.pack.shape[1])
    return f"{name}, the hottest of this run" + (
        "" if run.case.scenario.layout else " (no [layout] was given, so add one in the middle)"
    )


def stop_at(run: Result | BuiltResult) -> str:
    """Return at which readings a first ride is to be stopped."""
    hot, low = run.verdict.limit(HOT), run.verdict.limit(CUTOFF)
    told = []
    if hot.level is not None:
        above_K = above_surface_K(run)
        surface_C = hot.level - above_K
        told.append(
            f"when any surface reads {surface_C:.0f} C: the core limit is {hot.level:.0f} C, and "
            f"on this day the core is up to {above_K:.1f} K warmer than its surface"
        )
    if low.level is not None:
        told.append(f"when any group reads {low.level:.2f} V under load")
    return "; or ".join(told)
