"""What a report tells beside its day, if asked: a function a section, named as it is asked for.

One more section is one more function here, with `@section`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from sim.errors import InputError
from sim.files.case import Case
from sim.show.lines import number, signed
from sim.show.report_plots import inline

MOST_COUNTS = 24  # packs of the sweep in a report


@dataclass(frozen=True)
class Asked:
    """What a section is made from."""

    content: dict[str, Any]
    path: Path
    case: Case
    executor: Executor


@dataclass(frozen=True)
class Section:
    """One more section of the page: its answer, a table, and a picture with its words."""

    title: str
    caption: str  # of the table
    answer: str
    passed: bool
    headers: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    notes: list[str]
    picture: Markup | None


SECTIONS: dict[str, Callable[[Asked], Section]] = {}


def section(make: Callable[[Asked], Section]) -> Callable[[Asked], Section]:
    """Let a report be asked for what `make` makes, by its name."""
    SECTIONS[make.__name__] = make
    return make


def wanted(names: str | None) -> tuple[str, ...]:
    """Return the sections that `--with a,b` names, each once; raise InputError for others."""
    given = [name.strip() for name in (names or "").split(",") if name.strip()]
    for name in given:
        if name not in SECTIONS:
            known = ", ".join(sorted(SECTIONS))
            raise InputError(f"--with {name}: a report has no such section; accepted: {known}")
    return tuple(dict.fromkeys(given))


def made(
    names: Sequence[str], asked: Asked, done: Callable[[int], None] | None = None
) -> dict[str, Section]:
    """Return the sections of `names`; `done` is told how many are finished."""
    found = {}
    for at, name in enumerate(names, 1):
        found[name] = SECTIONS[name](asked)
        if done:
            done(at)
    return found


def counts(parallel: int) -> str:
    """Return the parallel counts to sweep about one: "8:24:1", from half of it to half as many."""
    low, high = max(1, (parallel + 1) // 2), parallel + (parallel + 1) // 2
    step = 1 + (high - low) // MOST_COUNTS
    return f"{parallel - (parallel - low) // step * step}:{high}:{step}"


@section
def sweep(asked: Asked) -> Section:
    """Tell which smaller and larger packs pass the same day."""
    from sim.ask.axes import parallel_axis
    from sim.ask.sweep import plan_of
    from sim.ask.sweep import sweep as ask
    from sim.show.sweep_plots import picture
    from sim.show.sweep_words import answer, as_built, charge_of, first_event

    axis = parallel_axis(counts(asked.case.scenario.pack.parallel))
    found = ask(plan_of(asked.content, asked.path, [axis]), asked.executor)
    rows = [
        (
            str(row.parallel),
            "yes" if row.passes else "no",
            first_event(row) if row.first_limit else "",
            "" if row.hottest_core_C is None else number(row.hottest_core_C, "K"),
            "" if row.lowest_cell_V is None else number(row.lowest_cell_V, "V"),
            "" if row.end_soc is None else number(charge_of(row), "%"),
            f"{row.mass_kg:.1f} kg",
        )
        for row in found.rows
    ]
    told = f"Hottest core, lowest cell and charge left over the parallel count. {answer(found)}"
    return Section(
        "Smaller and larger packs",
        "The same day with other counts in parallel",
        answer(found),
        found.passed,
        ("in parallel", "passes", "gives first", "hottest core", "lowest cell", "charge left",
         "cells weigh"),
        rows,
        as_built(found),
        inline(picture, found, "sweep", told),
    )  # fmt: skip


@section
def headroom(asked: Asked) -> Section:
    """Tell how far load, air, repeats and current can go."""
    from sim.ask.headroom import headroom as ask
    from sim.show.headroom_plots import picture
    from sim.show.headroom_words import (
        DOWNWARDS,
        KNOBS,
        answer,
        as_built,
        currents,
        shown,
        stopped_by,
    )

    found = ask(asked.content, asked.path, asked.executor)
    every = (
        found.load_scale, found.ambient_shift_K, found.colder_K, found.repeats,
        found.until_reserve_A, found.whole_day_A, *found.more.values(),
    )  # fmt: skip
    knobs = [knob for knob in every if knob.name not in DOWNWARDS or knob.passes_today]
    rows = [
        (
            KNOBS[knob.name][0],
            "-" if knob.today is None else shown(knob, knob.today),
            "none" if knob.greatest is None else shown(knob, knob.greatest),
            stopped_by(knob),
        )
        for knob in knobs
    ]
    told = (
        f"Hottest core and charge at the end as load, air and current are turned. {answer(found)}"
    )
    return Section(
        "How far it can go",
        "Each knob turned by itself until a limit gives",
        answer(found),
        found.run.passed,
        ("knob", "today", "holds to", "stopped by"),
        rows,
        [f"Currents are {currents(found)}", *as_built(found)],
        inline(picture, found, "headroom", told),
    )


@section
def wiring(asked: Asked) -> Section:
    """Tell whether cable, busbar, links and fuse suit the day and a short circuit."""
    from sim.ask.wires import HOLDS
    from sim.ask.wiring import wiring as ask
    from sim.show.wiring_plots import picture
    from sim.show.wiring_words import degrees, sentence, verdict

    found = ask(asked.case)
    rows = [
        (
            c.table.name,
            number(c.peak_A, "A"),
            degrees(c.hottest_C),
            "-" if c.limit_C is None else f"{c.limit_C:.0f} C",
            "-" if c.margin_K is None else signed(c.margin_K, "K"),
            c.answer,
        )
        for c in found.conductors
    ]
    own = [f"{check.answer}: {sentence(found, check)}." for check in found.checks
           if check.answer != HOLDS]  # fmt: skip
    told = f"Current, temperatures, and how much of each limit is used up. {verdict(found)}"
    return Section(
        "Cable, links and fuse",
        "Conductors at their warmest",
        verdict(found),
        found.passed,
        ("conductor", "peak", "hottest", "limit", "margin", "answer"),
        rows,
        [*own, *found.notes, "A fuse guards the wire, not the cell."],
        inline(picture, found, "wiring", told),
    )


@section
def odds(asked: Asked) -> Section:
    """Tell how likely the day holds when all that is unsure varies at once, and what to measure."""
    from sim.ask.odds import DRAWS, SEED
    from sim.ask.odds import odds as ask
    from sim.ask.odds_factors import CELLS, MEASURE
    from sim.judge.verdict import ABOUT
    from sim.show.odds_plots import picture
    from sim.show.odds_words import HELD, LEAST_INDEX, SPREAD, answer, off, unsure

    found = ask(asked.case, DRAWS, SEED, asked.executor)
    factors = {factor.name: factor for factor in found.factors}
    moving = sorted(found.indices.get(found.decides, ()), key=lambda index: -index.total)
    rows = [
        (
            factors[index.name].about,
            off(factors[index.name]),
            f"{100.0 * index.total:.0f} % ({100.0 * index.total_low:.0f} to "
            f"{100.0 * index.total_high:.0f})",
            MEASURE[index.name].replace("`", ""),
        )
        for index in moving
        if index.total >= LEAST_INDEX
    ]
    about = ABOUT[found.decides][0]
    told = f"How margins spread over {found.draws} drawn days, and what moves them. {answer(found)}"
    cells = any(factor.kind == CELLS for factor in found.factors)
    return Section(
        "How likely it holds",
        f"What moves '{about}' most: its share of the spread, with the range that is 95 % sure",
        answer(found),
        found.passed,
        ("what", "unsure by", "moves", "how to know it better"),
        rows,
        [
            f"Drawn at once: {unsure(found)}.",
            *([f"Spread of cells: {SPREAD}."] if cells else []),
            f"Not drawn: {HELD}.",
        ],
        inline(picture, found, "odds", told),
    )
