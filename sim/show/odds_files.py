"""What `odds` leaves: draws.csv, summary.json and a picture."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from sim import __version__
from sim.ask.odds import Odds
from sim.ask.odds_factors import MEASURE, Factor
from sim.ask.odds_share import CONFIDENCE, Index, Share
from sim.files.case import guesses
from sim.physics.limits import NAMES, UNITS
from sim.show.folder import written_whole
from sim.show.odds_words import QUANTILES, answer, gives_first, name_of
from sim.show.sentences import CAUTION
from sim.show.summary import inputs, summary
from sim.show.sweep_words import event_of

VALUES_ARE = (
    "factors on what the case has; air in K; of the spread, log of a factor or points / 100"
)


def write_draws(found: Odds, path: Path) -> None:
    """Write draws.csv: a row a draw, with every factor's value and every margin that applied."""
    limits = [n for n in range(len(NAMES)) if found.applies(n)]
    names = [factor.name for factor in found.factors]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        margins = [
            f"margin_{NAMES[n]}_{'percent' if UNITS[n] == '%' else UNITS[n]}" for n in limits
        ]
        writer.writerow(["draw", *names, "passes", "first_limit", "end_soc", *margins])
        for n in range(found.draws):
            first = int(found.seen.first[n])
            writer.writerow([
                n + 1,
                *(f"{v:z.6g}" for v in found.values[n]),
                "true" if found.seen.passes[n] else "false",
                name_of(first) or "",
                f"{found.seen.end_soc[n]:z.6g}",
                *(f"{v:z.6g}" if math.isfinite(v) else "" for v in found.seen.margins[n, limits]),
            ])  # fmt: skip


def _share(share: Share) -> dict[str, float]:
    return {
        "percent": 100.0 * share.value,
        "low_percent": 100.0 * share.low,
        "high_percent": 100.0 * share.high,
        "count": share.count,
        "draws": share.draws,
    }


def _limit(found: Odds, limit: int) -> dict[str, Any]:
    margins = found.seen.margins[:, limit]
    margins = margins[np.isfinite(margins)]
    return {
        "limit": NAMES[limit],
        "event": event_of(NAMES[limit]),
        "unit": UNITS[limit],
        "holds": _share(found.holds(limit)),
        "applies_in": len(margins),
        "margin_quantiles": {
            f"{100 * q:g}_percent": float(np.quantile(margins, q)) for q in QUANTILES
        },
    }


def _factor(factor: Factor) -> dict[str, Any]:
    return {
        "what": factor.name,
        "kind": factor.kind,
        "shape": factor.shape,
        "off": factor.off,
        "unit": "K" if factor.unit == "K" else "relative",
        "worst_of": factor.many if factor.many > 1 else None,
        "from": factor.source,
        "measure_by": MEASURE[factor.name],
    }


def _index(index: Index) -> dict[str, Any]:
    return {
        "what": index.name,
        "first": index.first,
        "first_interval": [index.first_low, index.first_high],
        "total": index.total,
        "total_interval": [index.total_low, index.total_high],
    }


def summary_of(found: Odds) -> dict[str, Any]:
    """Return the summary: shares, margins, what moves them, and how it was checked."""
    case, whole, best = found.case, summary(found.nominal), found.measure_first
    close = found.close_call
    return {
        "stillair": __version__,
        "command": "odds",
        "title": case.scenario.title,
        "scenario": case.path.name,
        "digest": case.digest,
        "verdict": {
            "passed": found.passed,
            "sentence": answer(found),
            "wanted_percent": case.scenario.odds.wanted_percent,
        },
        "draws": found.draws,
        "seed": found.seed,
        "confidence_percent": 100.0 * CONFIDENCE,
        "share": _share(found.share),
        "stays_cool": _share(found.cool),
        "share_by_draws": [_share(share) for share in found.by_draws],
        "limits": [_limit(found, n) for n in found.shown],
        "first_limit": {NAMES[n]: count for n, count in gives_first(found)},
        "decides": NAMES[found.decides],
        "measure_first": None if best is None else best.name,
        "factors": [_factor(factor) for factor in found.factors],
        "values_are": VALUES_ARE,
        "indices": {NAMES[n]: [_index(index) for index in of] for n, of in found.indices.items()},
        "index_runs": found.index_runs,
        "index_rows": found.index_rows,
        "unbelievable": {
            "draws": found.seen.unbelievable,
            "stopped": found.draws - int(found.seen.finished.sum()),
            "index_runs": found.index_unbelievable,
            "why": [{"draw": at + 1, "complaint": why} for at, why in found.seen.complaints[:20]],
        },
        "today": whole["verdict"],
        "bad_end": whole["bad_end"],
        "audit": whole["audit"],
        "close_call": None
        if close is None
        else {"draw": close[0] + 1, "audit": summary(close[1])["audit"]},
        "guesses": guesses(case),
        "assumptions": list(case.assumptions),
        "notes": list(case.notes),
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def write_odds(found: Odds, folder: Path, *, plots: bool, suffix: str = "png") -> dict[str, Any]:
    """Write the whole result into `folder`, or leave it as it was, and return the summary.

    The picture's `suffix` is its format. Raises OutputError.
    """
    content = summary_of(found)
    with written_whole(folder) as fresh:
        write_draws(found, fresh / "draws.csv")
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.odds_plots import picture

            picture(found, fresh / f"odds.{suffix}")
    return content
