"""A comparison in words: how far off, over which part, and whether the parameters explain it."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim import __version__
from sim.ask.compare import ABOVE_SOC, LEAST_ROWS, Comparison
from sim.ask.compare_built import HOTTEST, MEAN
from sim.files.case import guesses
from sim.show import compare_range_words as range_words
from sim.show.compare_table import beside
from sim.show.lines import hung, span
from sim.show.sentences import CAUTION

INDENT = 11
PART = f"above {100.0 * ABOVE_SOC:.0f} % charge"


def answer(found: Comparison) -> str:
    """Return the first line: how far off, over what, and against what is allowed."""
    figures = found.judged
    parts = []
    if figures.voltage_rms_mV is not None:
        each = "" if found.plant.pack.series == 1 else " a cell"
        parts.append(
            f"{figures.voltage_rms_mV:.1f} mV{each} rms (bias {figures.voltage_bias_mV:+z.1f}, "
            f"worst {figures.voltage_worst_mV:+z.0f})"
        )
    if figures.temperature_rms_K is not None:
        parts.append(
            f"{figures.temperature_rms_K:.2f} K rms "
            f"(peak {figures.temperature_peak_error_K:+z.2f}, "
            f"end {figures.temperature_end_error_K:+z.2f})"
        )
    where = f" {PART}" if figures is found.above else " over the whole record"
    return f"Off by {' and '.join(parts)}{where}: {_verdict(found)}.{range_words.answer(found)}"


def _verdict(found: Comparison) -> str:
    """Return what lies within the parameters' stated uncertainty, and what beyond it."""
    forms = {"voltage": ".1f} mV", "temperature": ".2f} K"}
    told: dict[bool, list[str]] = {True: [], False: []}
    for what, form in forms.items():
        inside = found.within(what)
        if inside is not None:
            told[inside].append(f"{what} ({('{:' + form).format(found.allowed(what))})")
    said = []
    if told[False]:
        said.append(f"more than the parameters' stated uncertainty in {' and '.join(told[False])}")
    if told[True]:
        its = "it" if said else "the parameters' stated uncertainty"
        said.append(f"within {its} in {' and '.join(told[True])}")
    return ", ".join(said)


def report(found: Comparison) -> list[str]:
    """Return everything that `compare` prints, the answer first."""
    log = found.seen.log
    lines = [answer(found), "", *table(found), ""]
    lines += range_words.table(found)
    end_s = float(found.seen.edges_s[-1])
    record = f"{log.table.path}, {len(found.seen.time_s)} rows over {span(end_s)}"
    lines += hung("log", record, INDENT)
    lines += hung("start", "; ".join(found.start), INDENT)
    for said in found.assumed:
        lines += hung("assumed", said, INDENT)
    for said in found.missing:
        lines += hung("not compared", f"- {said}", INDENT + 4)
    if found.lag:
        lines += hung("lag", found.lag, INDENT)
    if found.mean_cell is not None:
        lines += hung("mean cell", _mean_cell(found.mean_cell), INDENT)
    lines += hung("uncertain", _groups(found), INDENT)
    lines += range_words.report(found)
    for note in log.table.notes:
        lines += hung("note", note.text, INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def _mean_cell(off: dict[str, float]) -> str:
    """Return how far the mean cell of a pack as built is off what was measured."""
    return (
        f"beside it {MEAN}: off by {off['temperature_rms_K']:.2f} K rms "
        f"(bias {off['temperature_bias_K']:+z.2f}, peak {off['temperature_peak_error_K']:+z.2f})"
    )


def table(found: Comparison) -> list[str]:
    """Return a row a figure, both parts beside each other, predicted less measured."""
    return beside("predicted less measured", {"whole record": found.whole, PART: found.above})


def _groups(found: Comparison) -> str:
    """Return how far each group's stated uncertainty moves the prediction, the largest first."""
    spread = found.uncertain
    order = sorted(spread.moved, key=lambda g: -(spread.voltage_mV[g] + 20.0 * spread.by_K[g]))
    named = [
        f"{group} (+-{100.0 * spread.moved[group]:.3g} %) {spread.voltage_mV[group]:.1f} mV, "
        f"{spread.by_K[group]:.2f} K"
        for group in order
    ]
    return f"rms by which each group's stated uncertainty moves the prediction: {'; '.join(named)}"


def content(found: Comparison) -> dict[str, Any]:
    """Return the summary as plain values: what summary.json and `--json` hold."""
    case, seen, spread = found.case, found.seen, found.uncertain
    return {
        "stillair": __version__,
        "command": "compare",
        "title": case.scenario.title,
        "scenario": case.path.name,
        "digest": case.digest,
        "log": str(seen.log.table.path),
        "verdict": {
            "passed": found.passed,
            "sentence": answer(found),
            "judged": "above_10_percent" if found.judged is found.above else "whole_record",
            "voltage_within_uncertainty": found.within("voltage"),
            "temperature_within_uncertainty": found.within("temperature"),
        },
        "whole_record": vars(found.whole),
        "above_10_percent": vars(found.above),
        "mean_cell": None if found.mean_cell is None else {"is": MEAN, **found.mean_cell},
        "fitted_range": range_words.content(found),
        "uncertainty": {
            "voltage_rms_mV": _known(found, "voltage"),
            "temperature_rms_K": _known(found, "temperature"),
            "groups": {
                group: {
                    "moved": share,
                    "voltage_rms_mV": spread.voltage_mV[group],
                    "temperature_rms_K": spread.by_K[group],
                }
                for group, share in spread.moved.items()
            },
        },
        "compared": {
            **seen.names,
            "voltage_is": f"of the whole over {found.plant.pack.series} in series",
            "temperature_is": "the surface of a cell" if found.mean_cell is None else HOTTEST,
            "rows_are": "means until the next row" if seen.means else "samples",
        },
        "start": {
            "charge_percent": 100.0 * float(found.predicted.soc[0]),
            "words": list(found.start),
        },
        "end_charge_percent": _end_percent(found),
        "assumptions": list(found.assumed),
        "not_compared": list(found.missing),
        "lag": found.lag,
        "notes": [note.text for note in seen.log.table.notes],
        "guesses": guesses(case),
        "caution": CAUTION,
    }


def _known(found: Comparison, what: str) -> float | None:
    return None if np.count_nonzero(found.compared(what)) < LEAST_ROWS else found.allowed(what)


def _end_percent(found: Comparison) -> float:
    soc = found.predicted.soc
    return 100.0 * float(soc[np.isfinite(soc)][-1])
