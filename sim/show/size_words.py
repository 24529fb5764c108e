"""A sizing in plain words: the pack, what decides, and what each requirement asks for."""

from __future__ import annotations

import json

from sim.ask.simulate import Result
from sim.ask.size import Sizing
from sim.ask.size_day import flat_power_W
from sim.ask.size_layout import Asked, Layout
from sim.ask.size_rules import Speed, range_against_speed
from sim.files.case import guesses
from sim.files.size_schema import SURFACES
from sim.show import sentences
from sim.show.lines import hung, span
from sim.show.sentences import CAUTION
from sim.show.sweep_words import failure
from sim.units import SECONDS_PER_HOUR

INDENT = 11
SHARES_OF_SPEED = (0.5, 0.75, 1.0, 1.25)
NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def layout_name(layout: Layout) -> str:
    """Return "14s16p in one pack", "16s60p in each of two packs"."""
    packs = layout.content["pack"]["packs"]
    name = f"{layout.fit.series}s{layout.parallel}p"
    if packs == 1:
        return f"{name} in one pack"
    return f"{name} in each of {NUMBERS[packs] if packs < len(NUMBERS) else packs} packs"


def figures(layout: Layout) -> str:
    """Return "224 cells, 10.5 kg, cost 672, 50.4 V and 2580 Wh nominal"."""
    what = layout.what
    assert what is not None and layout.mass_kg is not None
    cost = "" if layout.cost is None else f", cost {layout.cost:.2f}".removesuffix(".00")
    return (
        f"{what.cells} cells, {layout.mass_kg:.1f} kg{cost}, {what.voltage_V:.1f} V and "
        f"{what.energy_Wh:.0f} Wh nominal"
    )


def _asked_by(layout: Layout) -> Asked | None:
    return next((one for one in layout.asked if one.name == layout.decides), None)


def reason(layout: Layout) -> str:
    """Return "heat decides: 15 side by side: core above limit by 1.2 K"."""
    one = _asked_by(layout)
    return f"{layout.decides} decides" if one is None else f"{one.name} decides ({one.why})"


def answer(sizing: Sizing) -> str:
    """Return the whole answer in one line."""
    layout = sizing.choice
    if layout is None:
        told = "; ".join(
            f"{one.fit.series} in series: {', '.join(one.problems)}" for one in sizing.layouts
        )
        return f"No pack of this cell will do: {told}."
    said = f"{layout_name(layout)}: {figures(layout)}; {reason(layout)}"
    if layout.problems:
        return f"No pack as asked; the nearest is {said}; but {'; '.join(layout.problems)}."
    for run in (sizing.run, sizing.frost):
        if run is not None and not run.passed:
            failed = sentences.verdict(run)
            return f"No pack as asked; the nearest is {said}; but its day fails: {failed}"
    runs = [run for run in (sizing.run, sizing.frost) if run is not None]
    hangs = not all(run.bad_end.verdict.passed for run in runs)
    return f"{said}{', if the guesses hold' if hangs else ''}."


def at_hand(sizing: Sizing) -> str | None:
    """Return how a parallel count fares that is there already; None where none is."""
    count, layout = sizing.table.pack.parallel, sizing.choice or sizing.layouts[-1]
    if count is None:
        return None
    broken = [
        f"{one.name} (needs {'more than any' if one.parallel is None else one.parallel})"
        for one in layout.asked
        if one.parallel is None or one.parallel > count
    ]
    broken += list(layout.problems)
    name = f"{layout.fit.series}s{count}p"
    if not broken:
        return f"{name} will do"
    return f"{name} will not do: {', '.join(broken)}"


def table(layout: Layout) -> list[str]:
    """Return the lines of the table: each requirement, what it asks for, and why."""
    lines = [f"{layout.fit.series} in series{'':<12}{'side by side':>13}{'by hand':>9}  why"]
    for one in layout.asked:
        count = "none" if one.parallel is None else str(one.parallel)
        hand = "" if one.by_hand is None else str(one.by_hand)
        mark = " <" if one.name == layout.decides else ""
        lines += hung(f"{one.name:<24}{count + mark:>11}{hand:>11}", "  " + one.why, 48)
    return lines


def speeds(sizing: Sizing) -> list[Speed]:
    """Return range and time against speed with the usable energy, where power is known for it."""
    layout, table_ = sizing.choice, sizing.table
    if layout is None or layout.what is None:
        return []
    usable_Wh = layout.what.energy_Wh * (1.0 - table_.need.reserve_percent / 100.0)
    if table_.curve is not None:
        return range_against_speed(usable_Wh, table_.curve.speed_km_h, table_.curve.power_W)
    vehicle, speed = sizing.case.scenario.vehicle, table_.speed_km_h
    if vehicle is None or speed is None:
        return []
    values = [share * speed for share in SHARES_OF_SPEED]
    return range_against_speed(usable_Wh, values, [flat_power_W(vehicle, v) for v in values])


def _speeds(sizing: Sizing) -> list[str]:
    rows = speeds(sizing)
    if not rows:
        return []
    said = "; ".join(
        f"{row.speed_km_h:.3g} km/h takes {row.power_W:.0f} W: {row.range_km:.3g} km in "
        f"{span(row.hours * SECONDS_PER_HOUR)}"
        for row in rows
    )
    way = "as measured" if sizing.table.curve is not None else "at an even speed on the flat"
    return hung("speeds", f"{said} ({way}, usable energy at nominal voltage)", INDENT)


def _need(sizing: Sizing) -> str:
    day = sizing.day
    way = ""
    if day.distance_km is not None and day.wh_per_km is not None:
        way = f" over {day.distance_km:.4g} km ({day.wh_per_km:.3g} Wh/km)"
    return (
        f"{day.energy_Wh:.0f} Wh{way} in {span(day.hours * SECONDS_PER_HOUR)}; "
        f"{day.continuous_W:.0f} W held for ten minutes, {day.peak_W:.0f} W at the peak"
    )


def _window(sizing: Sizing) -> str:
    good = [str(fit.series) for fit in sizing.fits if fit.why_not is None]
    bad = [f"{fit.series} not ({fit.why_not})" for fit in sizing.fits if fit.why_not is not None]
    near = [*bad[-2:]] if len(bad) > 2 else bad
    return f"{', '.join(good)} in series fit{'; ' if near else ''}{'; '.join(near)}"


def _home(sizing: Sizing) -> str:
    assert sizing.choice is not None and sizing.choice.home is not None
    home, share = sizing.choice.home, sizing.table.need.home_share
    energy = (
        f"energy {home.energy_margin_Wh:.0f} Wh to spare"
        if home.energy_ok
        else f"energy {-home.energy_margin_Wh:.0f} Wh short"
    )
    current = (
        f"current {home.current_margin_A:.1f} A to spare"
        if home.current_ok
        else f"current {-home.current_margin_A:.1f} A too much"
    )
    return (
        f"with {100 * share:.0f} % of the day to go: {energy}; {current} (the {home.limiting} "
        f"carries {home.ok_up_to_A:.1f} A)"
    )


def _fares(sizing: Sizing, run: Result) -> str:
    """Return a run's verdict, and where it was swept what becomes of one cell less side by side."""
    chosen, swept = sizing.choice, sizing.confirmed
    assert chosen is not None and swept is not None
    said = sentences.verdict(run)
    below = next((r for r in swept.rows if r.parallel == (chosen.parallel or 1) - 1), None)
    same_day = swept.plan.base.content["ambient"] == run.case.scenario.ambient.model_dump(
        exclude_unset=True
    )
    if same_day and below is not None and not below.passes:
        said += f" {below.parallel} side by side: {failure(run.case, below)}."
    return said


def _surface(sizing: Sizing) -> str | None:
    vehicle = sizing.table.vehicle
    if vehicle is None or vehicle.surface is None:
        return None
    low, high = SURFACES[vehicle.surface]
    among = f", the upper end of {low:g} to {high:g}" if low < high else ""
    return f"rolling coefficient {high:g} for {vehicle.surface}{among} (handbook table)"


def report(sizing: Sizing) -> list[str]:
    """Return everything that `size` prints, the answer first."""
    lines = [answer(sizing), ""]
    here = at_hand(sizing)
    lines += hung("at hand", here + ".", INDENT) if here else []
    lines += hung("need", _need(sizing), INDENT)
    lines += hung("window", _window(sizing), INDENT)
    surface = _surface(sizing)
    lines += hung("surface", surface, INDENT) if surface else []
    for layout in sizing.layouts:
        lines += ["", *table(layout)]
    lines.append("")
    chosen = sizing.choice
    if chosen is not None:
        for label, run in (("run", sizing.run), ("in frost", sizing.frost)):
            lines += hung(label, _fares(sizing, run), INDENT) if run is not None else []
        lines += hung("one out", _home(sizing), INDENT) if chosen.home is not None else []
        lines += _speeds(sizing)
    for question in sizing.questions:
        lines += hung("question", question, INDENT)
    for note in sizing.case.notes:
        lines += hung("note", note, INDENT)
    found = guesses(sizing.case)
    if found:
        lines += hung("guesses", ", ".join(g["what"] for g in found), INDENT)
    lines += hung("assumed", "; ".join(assumed(sizing)), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def assumed(sizing: Sizing) -> list[str]:
    """Return what a first sizing takes for granted, one plain sentence each."""
    table_, said = sizing.table, list(sizing.case.assumptions)
    said.append(
        f"joints of {table_.pack.joint_mohm:g} mohm a cell and leads of {table_.pack.lead_mohm:g} "
        "mohm a pack"
    )
    if table_.vehicle is not None and table_.need.stops == 0 and table_.leg is None:
        said.append("the vehicle starts once and never stops on the way ([need] stops)")
    if table_.vehicle is not None:
        rest = table_.vehicle.model_dump(include={"drag_area_m2", "drivetrain_efficiency"})
        given = table_.vehicle.model_fields_set
        said += [f"{name} {value:g}" for name, value in rest.items() if name not in given]
    said.append(
        f"continuous current times {table_.need.current_headroom:g} (common practice, no source)"
    )
    if table_.pack.packs > 1 and "home_share" not in table_.need.model_fields_set:
        said.append("out and back: a pack that drops out does so at half way ([need] home_share)")
    return said


def as_text(content: object) -> str:
    """Return a summary as JSON text."""
    return json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
