"""A result of a pack as built as one tree of plain values, with the keys of `simulate` and more."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim import __version__
from sim.ask.built import BuiltResult
from sim.ask.built_places import Bracket
from sim.ask.lasting import keeps_changing
from sim.files.case import guesses
from sim.integrate.built_look import (
    HIGHEST_V,
    LEAST_A,
    LOWEST_CORE_K,
    LOWEST_V,
    PEAK_A,
    PEAK_CORE_K,
)
from sim.integrate.built_records import (
    COLUMNS,
    GROUP_HIGH_V,
    GROUP_LOW_V,
    SOC_HIGH,
    SOC_LOW,
    TIME,
)
from sim.judge.built import group_charge, stranded
from sim.physics.built import (
    ASKED,
    AT_BUS,
    CAPACITY_AS,
    CHARGED,
    DELIVERED,
    FIRST_CELL,
    PACK_COUNT,
    SCALE,
    SHORT,
    SOC,
    sensors_in,
)
from sim.show import days_words, fitted_words
from sim.show.built_pack_words import group_name, group_of
from sim.show.built_words import answer, place
from sim.show.one_out_words import as_values
from sim.show.sentences import CAUTION
from sim.show.summary import bad_end, event, inputs, limit
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text


def built_summary(result: BuiltResult) -> dict[str, Any]:
    """Return the whole summary of a run of a pack as built."""
    case, verdict, clock_s = result.case, result.verdict, result.case.start_clock_s
    return {
        "stillair": __version__,
        "command": "simulate",
        "title": case.scenario.title,
        "scenario": case.path.name,
        "digest": case.digest,
        "verdict": {
            "passed": result.passed,
            "sentence": answer(result),
            "can_answer": result.audit.passed
            and not verdict.unanswered
            and not (verdict.passed and keeps_changing(case)),
            "finished": verdict.finished,
            "first": None if verdict.first is None else event(verdict.first, clock_s),
        },
        "limits": [
            {**limit(judged, clock_s), "where": place(result, n, result.placed.worst_at[n]) or None}
            for n, judged in enumerate(verdict.limits)
        ],
        "pack_as_built": _as_built(result),
        "boards": _boards(result),
        "charging": [_window(result, n) for n in range(len(result.windows))],
        "days": [vars(day) for day in result.days],
        "repeats_from_day": result.repeats_from,
        "until_it_repeats": days_words.as_values(result.case.lasted),
        "one_pack_out": as_values(case, result.one_out),
        "bad_end": bad_end(case, result.bad_end),
        "energy": _energy(result),
        "end": {
            "time_s": result.run.end_s,
            "clock": clock_text(clock_s + result.run.end_s),
            "share_of_day": result.run.end_s / float(result.run.legs.end_s[-1]),
        },
        "audit": _audit(result),
        "guesses": guesses(case),
        "assumptions": [*result.built_case.assumptions, *case.assumptions[1:]],
        "notes": [*case.notes, *result.built_case.notes, *fitted_words.notes(result)],
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def _boards(result: BuiltResult) -> list[dict[str, Any]]:
    return [
        {
            "threshold": b.owner,
            "answer": f"{b.answer} trip",
            "first_s": b.first_s,
            "trips": b.trips,
            "breaks_current": b.breaks,
            "chatters": b.chatters,
            "stops_drive": b.drive,
            "breaks_braking": b.braking,
        }
        for b in result.boards
    ]


def _audit(result: BuiltResult) -> dict[str, Any]:
    audit = result.audit
    return {
        "passed": audit.passed,
        "complaints": list(audit.complaints),
        "steps": audit.steps,
        "balances": {name: float(residual) for name, residual in audit.balances.items()},
        "halving_the_step": {
            "over": audit.halved,
            "difference_V": audit.halving_V,
            "difference_K": audit.halving_K,
        },
        "second_integrator": audit.second_integrator,
        "spot_checks": [
            {
                "around": s.why,
                "start_s": s.start_s,
                "end_s": s.end_s,
                "difference_V": s.difference_V,
                "difference_K": s.difference_K,
            }
            for s in audit.spots
        ],
        "largest_difference_V": max((s.difference_V for s in audit.spots), default=None),
        "largest_difference_K": max((s.difference_K for s in audit.spots), default=None),
        "not_done": list(audit.not_done),
    }


def _as_built(result: BuiltResult) -> dict[str, Any]:
    case, peaks = result.built_case, result.run.book.extremes
    packs = case.built.pack.shape[1]
    ends = group_charge(result.run)
    emptiest = int(np.argmin(ends))
    first = int(case.built.group_at[FIRST_CELL, emptiest])
    strands = stranded(result.run)
    first_empty = max(strands, key=lambda one: one.most_As, default=None)
    apart = result.kept[:, SOC_HIGH] - result.kept[:, SOC_LOW]
    apart_V = result.kept[:, GROUP_HIGH_V] - result.kept[:, GROUP_LOW_V]

    def named(cell: int) -> str:
        return case.places.name(int(cell), packs)

    return {
        "cells_one_by_one": int(case.built.fixed.shape[1]),
        "hottest_cell": named(peaks[PEAK_CORE_K].argmax()),
        "hottest_core_C": float(peaks[PEAK_CORE_K].max()) - ZERO_C_K,
        "coolest_peak_C": float(peaks[PEAK_CORE_K].min()) - ZERO_C_K,
        "hardest_worked_cell": named(peaks[PEAK_A].argmax()),
        "greatest_cell_current_A": float(peaks[PEAK_A].max()),
        "weakest_cell": named(peaks[LOWEST_V].argmin()),
        "lowest_cell_V": float(peaks[LOWEST_V].min()),
        "highest_cell_V": float(peaks[HIGHEST_V].max()),
        "emptiest_group_at_the_end": int(case.places.group[first]) + 1,
        "charge_of_emptiest_group": float(ends.min()),
        "charge_of_fullest_group": float(ends.max()),
        "weakest_group": group_name(case, group_of(case, int(peaks[LOWEST_V].argmin()))),
        "empties_first": None if first_empty is None else group_name(case, first_empty.group),
        "stranded_Ah": 0.0 if first_empty is None else first_empty.most_As / SECONDS_PER_HOUR,
        "imbalance": {
            "charge_at_the_start": float(apart[0]),
            "charge_at_most": float(apart.max()),
            "charge_at_most_s": float(result.kept[int(apart.argmax()), TIME]),
            "charge_at_the_end": float(apart[-1]),
            "voltage_at_most_V": float(apart_V.max()),
            "voltage_at_most_s": float(result.kept[int(apart_V.argmax()), TIME]),
        },
        "sensors": [
            {
                "pack": int(case.places.pack[cell]) + 1,
                "group": int(case.places.group[cell]) + 1,
                "cell": int(case.places.place[cell]) + 1,
                "peak_core_C": float(peaks[PEAK_CORE_K, cell]) - ZERO_C_K,
                "lowest_core_C": float(peaks[LOWEST_CORE_K, cell]) - ZERO_C_K,
            }
            for cell in sensors_in(case.built).tolist()
        ],
        "packs": _packs(result),
        "three_places": _three_places(result.bracket),
        "undelivered_share": result.undelivered,
    }


def _packs(result: BuiltResult) -> list[dict[str, Any]]:
    built, kept = result.built_case.built, result.kept
    found = []
    for p in range(built.pack.shape[1]):
        current_A = kept[:, COLUMNS + 3 * p]
        found.append(
            {
                "pack": p + 1,
                "out": bool(built.pack[PACK_COUNT, p] == 0.0),
                "net_Wh": float(result.run.state.sums[p, AT_BUS]) / SECONDS_PER_HOUR,
                "first_instant_A": float(current_A[0]),
                "greatest_A": float(current_A.max()),
                "least_A": float(current_A.min()),
            }
        )
    return found


def _three_places(found: Bracket | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "hottest_C": found.hottest_C,
        "coolest_C": found.coolest_C,
        "over_hottest_cell_K": found.above_K,
        "under_coolest_cell_K": found.below_K,
        "brackets": found.brackets,
        "cells_differ_by_place_only": found.only_places,
    }


def _window(result: BuiltResult, n: int) -> dict[str, Any]:
    window, clock_s = result.windows[n], result.case.start_clock_s
    return {
        "plugged_in": clock_text(clock_s + window.begin_s),
        "wait_s": None if window.flows_s is None else window.flows_s - window.begin_s,
        "full": None if window.done_s is None else clock_text(clock_s + window.done_s),
        "energy_Wh": window.energy_Wh,
        "never": window.never,
    }


def _energy(result: BuiltResult) -> dict[str, float]:
    sums = result.run.state.box_sums
    return {
        "asked_Wh": float(sums[ASKED]) / SECONDS_PER_HOUR,
        "delivered_Wh": float(sums[DELIVERED]) / SECONDS_PER_HOUR,
        "undelivered_Wh": float(sums[SHORT]) / SECONDS_PER_HOUR,
        "charged_Wh": float(sums[CHARGED]) / SECONDS_PER_HOUR,
    }


def cell_rows(result: BuiltResult) -> dict[str, Any]:
    """Return one column a name, one entry a cell of the record, for `cells.csv`."""
    case, peaks = result.built_case, result.run.book.extremes
    places = case.places
    return {
        "pack": places.pack + 1,
        "group": places.group + 1,
        "place": places.place + 1,
        "kind": list(places.kind),
        "capacity_Ah": np.round(case.built.fixed[CAPACITY_AS] / SECONDS_PER_HOUR, 5),
        "resistance_factor": np.round(case.built.fixed[SCALE], 5),
        "peak_core_C": np.round(peaks[PEAK_CORE_K] - ZERO_C_K, 3),
        "lowest_core_C": np.round(peaks[LOWEST_CORE_K] - ZERO_C_K, 3),
        "peak_current_A": np.round(peaks[PEAK_A], 4),
        "least_current_A": np.round(peaks[LEAST_A], 4),
        "lowest_V": np.round(peaks[LOWEST_V], 5),
        "highest_V": np.round(peaks[HIGHEST_V], 5),
        "end_soc": np.round(result.run.state.cells[SOC], 6),
    }
