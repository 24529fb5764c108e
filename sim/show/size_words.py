"""A sizing in plain words: the pack, what decides, and what each requirement asks for."""

from __future__ import annotations

import json

from sim.ask.size import BESIDE, Sizing, in_stock
from sim.ask.size_day import SUSTAINED_S, flat_power_W
from sim.ask.size_layout import Asked, Layout
from sim.ask.size_rules import Speed, figure, range_against_speed
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
    return _named(layout, layout.parallel)


def _named(layout: Layout, parallel: int | None) -> str:
    packs = layout.content["pack"]["packs"]
    name = f"{layout.fit.series}s{parallel}p"
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
    """Return "heat decides (15 side by side: core above limit by 1.2 K)"."""
    one = _asked_by(layout)
    if one is None:
        return f"{layout.decides} decides"
    if one.parallel != layout.parallel:
        return f"{one.name} asks for most, {one.parallel} side by side ({one.why})"
    return f"{one.name} decides ({one.why})"


def answer(sizing: Sizing) -> str:
    """Return the whole answer in one line."""
    layout, here = sizing.choice, at_hand(sizing)
    if layout is None:
        told = "; ".join(
            f"{one.fit.series} in series: {', '.join(one.problems)}" for one in sizing.layouts
        )
        return f"No pack of this cell will do: {told}."
    said = f"{layout_name(layout)}: {figures(layout)}; {reason(layout)}"
    nearest = "No pack as asked; the nearest is " if here is None else f"{here}. The nearest is "
    if layout.problems:
        return f"{nearest}{said}; but {'; '.join(layout.problems)}."
    for run in (sizing.run, sizing.frost):
        if run is not None and not run.passed:
            return f"{nearest}{said}; but its day fails: {sentences.verdict(run)}"
    if here is not None:
        about = f"{figures(layout)}; {reason(layout)}"
        said = f"{here}: {about}" if sizing.enough else f"{here}. The least that will do is {said}"
    runs = [run for run in (sizing.run, sizing.frost) if run is not None]
    hangs = not all(run.bad_end.passed for run in runs)
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
    broken += [] if sizing.here is None else list(sizing.here.problems)
    if not broken and not sizing.enough and layout.parallel is not None:
        broken = [f"the day as a whole (needs {layout.parallel})"]
    name = _named(layout, count)
    return f"{name} will not do: {'; '.join(broken)}" if broken else f"{name} will do"


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
        way = f" over {day.distance_km:.4g} km ({figure(day.wh_per_km)} Wh/km)"
    held = "held for ten minutes" if day.hours * SECONDS_PER_HOUR > SUSTAINED_S else "on the mean"
    at_V, unit = day.current_at_V, "W" if day.current_at_V is None else "A"
    volts = "" if at_V is None else f" at {at_V:.1f} V"
    sizes = [value / (1.0 if at_V is None else at_V) for value in (day.continuous_W, day.peak_W)]
    return (
        f"{figure(day.energy_Wh)} Wh{way}{volts} in {span(day.hours * SECONDS_PER_HOUR)}; "
        f"{figure(sizes[0])} {unit} {held}, {figure(sizes[1])} {unit} at the peak"
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
    carries = f"{home.limiting} carr{'y' if home.limiting == 'cells' else 'ies'}"
    said = (
        f"with {100 * share:.0f} % of the day to go: {energy}; {current} (the {carries} "
        f"{home.ok_up_to_A:.1f} A)"
    )
    margins = sizing.choice.homes.get(sizing.choice.parallel or 0, {})
    if "hot" in margins:
        said += f"; hottest core {margins['hot']:.1f} K below its limit"
    if share < 1.0:
        said += (
            "; what the run says of one pack out asks for more: out from any hour on, the start "
            "among them, with all the rest of the day to go"
        )
    return said


def _sweep(sizing: Sizing) -> str:
    """Return what the confirming sweep found: from where on the day holds, and what is below."""
    swept, layout = sizing.confirmed, sizing.choice
    assert swept is not None and layout is not None and layout.parallel is not None
    rows = {row.parallel: row for row in swept.rows}
    beside = range(max(1, layout.parallel - BESIDE), layout.parallel + BESIDE + 1)
    base = swept.plan.base
    frost = base.content["ambient"] != layout.content["ambient"]
    said = f"{beside[0]} to {beside[-1]} side by side{' in frost' if frost else ''}: "
    fails = [n for n in beside if not rows[n].passes]
    if not fails:
        said += f"all pass the day as it is ({layout.decides} is asked for apart from it)"
    elif fails[-1] == beside[-1]:
        said += f"none is sure to pass; {fails[-1]}: {failure(base.case, rows[fails[-1]])}"
    else:
        said += f"from {fails[-1] + 1} on the day passes; {fails[-1]}: "
        said += failure(base.case, rows[fails[-1]])
    for n, why in (
        (sizing.table.pack.parallel, "at hand"),
        (in_stock(sizing.table, layout), "in stock"),
    ):
        if n is not None and n in rows and n not in (layout.parallel, *fails[-1:]):
            fares = "passes" if rows[n].passes else failure(base.case, rows[n])
            said += f"; {n}, which are {why}: {fares}"
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
    for question in sizing.questions:
        lines += hung("question", question, INDENT)
    lines += hung("need", _need(sizing), INDENT)
    lines += hung("window", _window(sizing), INDENT)
    surface = _surface(sizing)
    lines += hung("surface", surface, INDENT) if surface else []
    for layout in sizing.layouts:
        lines += ["", *table(layout)]
    lines.append("")
    chosen = sizing.choice
    if chosen is not None:
        lines += hung("sweep", _sweep(sizing), INDENT)
        for label, run in (("run", sizing.run), ("in frost", sizing.frost)):
            lines += hung(label, sentences.verdict(run), INDENT) if run is not None else []
        lines += hung("one out", _home(sizing), INDENT) if chosen.home is not None else []
        lines += _speeds(sizing)
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
    driven = table_.vehicle is not None and table_.leg is None and table_.load is None
    if driven and table_.need.stops == 0:
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
