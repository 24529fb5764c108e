"""A result as one tree of plain values: what `summary.json` and `--json` hold.

The keys are a promise; the README documents them. Numbers carry their unit in the key or beside
them; None (null) where a limit never applied.
"""

from __future__ import annotations

import math
from typing import Any

from sim import __version__
from sim.ask.bad_end import BadEnd
from sim.ask.lasting import keeps_changing
from sim.ask.simulate import Result
from sim.files.case import Case, guesses
from sim.judge.series import count, totals
from sim.judge.verdict import Event, Judged
from sim.physics.limits import CUTOFF, HOT
from sim.show import days_words, fitted_words
from sim.show.one_out_words import as_values
from sim.show.sentences import CAUTION, answer
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text


def summary(result: Result) -> dict[str, Any]:
    """Return the whole summary of a run."""
    case = result.case
    clock_s = case.start_clock_s
    verdict = result.verdict
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
        "limits": [limit(judged, clock_s) for judged in verdict.limits],
        "bad_end": bad_end(case, result.bad_end),
        "one_pack_out": as_values(case, result.one_out),
        "days": [vars(day) for day in result.days],
        "repeats_from_day": result.repeats_from,
        "until_it_repeats": days_words.as_values(result.case.lasted),
        "energy": energy(result),
        "end": _end(result),
        "peak": _peak(result),
        "vehicle": None if case.load_file.road is None else dict(case.load_file.road._asdict()),
        "audit": _audit(result),
        "guesses": guesses(case),
        "assumptions": list(case.assumptions),
        "notes": [*case.notes, *fitted_words.notes(result)],
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def limit(judged: Judged, clock_s: float) -> dict[str, Any]:
    """Return one limit's row."""
    return {
        "limit": judged.name,
        "about": judged.about,
        "unit": judged.unit,
        "level": _finite(judged.level),
        "worst": _finite(judged.worst),
        "margin": _finite(judged.margin),
        "time_s": judged.time_s,
        "clock": None if judged.time_s is None else clock_text(clock_s + judged.time_s),
        "seconds_beyond": judged.seconds_beyond,
        "times_beyond": judged.spells,
        "passed": judged.passed,
    }


def event(e: Event, clock_s: float) -> dict[str, Any]:
    """Return one event with the columns of events.csv."""
    return {
        "time_s": e.time_s,
        "clock": clock_text(clock_s + e.time_s, seconds=True),
        "event": e.event,
        "where": e.where,
        "value": e.value,
        "limit": e.limit,
        "until_s": e.until_s,
    }


def energy(result: Result) -> dict[str, float]:
    """Return energy and charge of all packs; discharge and charge apart are not told here."""
    plant, sums = result.case.plant, totals(result.trace)
    all_Wh = count(plant) / SECONDS_PER_HOUR
    packs_Ah = plant.pack.parallel * plant.pack.packs / SECONDS_PER_HOUR
    return {
        "delivered_Wh": sums["delivered_J"] * all_Wh,
        "undelivered_Wh": sums["short_J"] * all_Wh,
        "chemical_Wh": sums["chemical_J"] * all_Wh,
        "charge_Ah": sums["charge_As"] * packs_Ah,
        "heat_ohmic_Wh": sums["ohmic_J"] * all_Wh,
        "heat_polarisation_Wh": sums["pair_J"] * all_Wh,
        "heat_reversible_Wh": sums["reversible_J"] * all_Wh,
        "heat_joints_Wh": sums["joint_J"] * all_Wh,
        "heat_leads_Wh": sums["lead_J"] * all_Wh,
        "to_air_Wh": sums["to_air_J"] * all_Wh,
        "stored_in_pairs_Wh": sums["pair_stored_J"] * all_Wh,
    }


def bad_end(case: Case, bad: BadEnd) -> dict[str, Any]:
    """Return what becomes of the day at the bad ends of every guess."""
    clock_s = case.start_clock_s
    first = bad.verdict.first
    hot, low = bad.verdict.limit(HOT), bad.verdict.limit(CUTOFF)
    return {
        "passed": bad.passed,
        "finished": bad.verdict.finished,
        "first": None if first is None else event(first, clock_s),
        "core_C": hot.worst,
        "core_margin_K": hot.margin,
        "cell_V": low.worst,
        "cell_margin_V": low.margin,
        "end_percent": 100.0 * bad.end_soc,
        "moved": bad.moved,
        "cold": None if bad.cold is None else limit(bad.cold, clock_s),
        "never_charges": list(bad.never_charges),
        "full": None if bad.full is None else limit(bad.full, clock_s),
        "cut_offs": {owner: clock_text(clock_s + time_s) for owner, time_s in bad.cut_offs},
        "undelivered_share": bad.undelivered,
        "until_it_repeats": days_words.as_values(bad.lasted),
    }


def _end(result: Result) -> dict[str, Any]:
    seen, trace, case = result.series, result.trace, result.case
    return {
        "time_s": trace.end_s,
        "clock": clock_text(case.start_clock_s + trace.end_s),
        "share_of_day": trace.end_s / float(case.legs.end_s[-1]),
        "state_of_charge_percent": 100.0 * float(seen.soc[-1]),
        "core_C": float(seen.core_C[-1]),
        "box_C": float(seen.box_C[-1]),
    }


def _peak(result: Result) -> dict[str, Any]:
    seen, case = result.series, result.case
    hottest = int(seen.core_C.argmax())
    above_surface_K = float(seen.core_C[hottest] - seen.surface_C[hottest])
    mean = case.profile.heat.core_is == "mean"
    return {
        "core_C": result.verdict.limit(HOT).worst,
        "surface_C": float(seen.surface_C.max()),
        "box_C": float(seen.box_C.max()),
        "ambient_C": float(seen.ambient_C.max()),
        "lowest_ambient_C": float(seen.ambient_C.min()),
        # The axis of an evenly heated cylinder is as far above the mean as the mean above the
        # surface: 1/(4 pi k L) against 1/(8 pi k L).
        "axis_above_core_K": above_surface_K if mean else 0.0,
        "cell_current_A": float(seen.cell_current_A.max()),
        "pack_current_A": float(seen.pack_current_A.max()),
        "power_W": float(seen.power_W.max()),
    }


def _audit(result: Result) -> dict[str, Any]:
    audit = result.audit
    return {
        "passed": audit.passed,
        "complaints": list(audit.complaints),
        "integrator": audit.integrator,
        "steps": audit.steps,
        "halving_the_step": None if audit.halving is None else vars(audit.halving),
        "second_integrator": audit.second_integrator,
        "balances": audit.balances,
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
    }


def inputs(case: Case) -> dict[str, Any]:
    """Return all inputs as understood, units in their names."""
    plant, load = case.plant, case.load
    return {
        "scenario": case.scenario.model_dump(exclude_none=True),
        "cell": case.profile.model_dump(by_alias=True, exclude_none=True),
        "load": {
            "profile": case.scenario.load.profile or case.scenario.load.route,
            "column": case.load_file.column,
            "quantity": case.load_file.quantity,
            "read_as": case.load_file.rule,
            "rows": case.load_file.rows,
            "legs": len(case.legs.start_s),
            "start_clock": clock_text(case.start_clock_s, seconds=True),
            "duration_s": float(load.edge_s[-1]),
            "greatest": float(load.value.max()),
            "least": float(load.value.min()),
            "unit": "W" if load.kind else "A",
        },
        "pack": {
            "cells": count(plant),
            "mass_kg": count(plant) * case.profile.size.mass_g / 1000.0,
            "capacity_Ah": plant.cell.capacity_As
            / SECONDS_PER_HOUR
            * plant.pack.parallel
            * plant.pack.packs,
        },
        "start": {
            "charge_percent": 100.0 * float(case.start[0]),
            "cell_C": float(case.start[1]) - ZERO_C_K,
        },
    }
