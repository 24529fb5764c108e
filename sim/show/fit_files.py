"""What `fit` leaves: a proposed profile, and beside it a summary and pictures of what is left.

Nothing is ever replaced: a file of one of the names makes the command refuse.
"""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from sim import __version__
from sim.errors import OutputError
from sim.fit import model
from sim.fit.driven import KNOTS_SOC
from sim.fit.electrical import ElectricalFit
from sim.fit.question import Found, warnings
from sim.show.fit_words import answer, untold
from sim.show.sentences import CAUTION

PER_LINE = 10
HEAD = (
    "# Proposed by `stillair fit`; look at it beside its pictures before you trust it.",
    "# {answer}",
)


def names_of(out: Path, suffix: str = "png") -> dict[str, Path]:
    """Return the files that go with a proposed profile `out`; pictures end in `suffix`."""
    stem = out.with_suffix("")
    return {
        "profile": out,
        "summary": stem.with_name(f"{stem.name}-fit.json"),
        "voltage": stem.with_name(f"{stem.name}-voltage.{suffix}"),
        "heat": stem.with_name(f"{stem.name}-heat.{suffix}"),
    }


def check_free(out: Path, suffix: str = "png") -> None:
    """Raise OutputError where one of the files is already there, or the folder can't be written."""
    if out.suffix != ".toml":
        raise OutputError(f"{out} is no name for a profile; give --out with the ending .toml")
    for path in names_of(out, suffix).values():
        if path.exists() or path.is_symlink():
            raise OutputError(
                f"{path} is already there, and a fit never overwrites; give another --out or move "
                "it away"
            )
    folder = out.absolute().parent
    if not folder.is_dir():
        raise OutputError(f"{folder} is no folder; make it first, or give another --out")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(f"{out} can't be written: no permission in {folder}")


def toml_of(content: dict[str, Any], head: tuple[str, ...] = ()) -> str:
    """Return a profile's content as TOML text."""
    lines = [*head, ""] if head else []
    lines += [_entry(key, value) for key, value in content.items() if not _is_table(value)]
    for key, value in content.items():
        if key == "sources":
            lines += ["", "[sources]"]
            lines += [f"{group} = {_inline(source)}" for group, source in value.items()]
        elif isinstance(value, dict):
            lines += ["", f"[{key}]", *(_entry(k, v) for k, v in value.items())]
        elif _is_table(value):
            for each in value:
                lines += ["", f"[[{key}]]", *(_entry(k, v) for k, v in each.items())]
    return "\n".join(lines) + "\n"


def _is_table(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], dict)
    )


def _scalar(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):  # a JSON string is a TOML one too
        return json.dumps(value, ensure_ascii=False)
    return repr(value)


def _entry(key: str, value: object) -> str:
    if not isinstance(value, list):
        return f"{key} = {_scalar(value)}"
    if value and isinstance(value[0], list):
        rows = [f"  [{', '.join(f'{_scalar(each):>7}' for each in row)}]," for row in value]
        return "\n".join([f"{key} = [", *rows, "]"])
    if len(value) <= PER_LINE + 5:
        return f"{key} = [{', '.join(map(_scalar, value))}]"
    parts = [value[i : i + PER_LINE] for i in range(0, len(value), PER_LINE)]
    rows = [f"  {', '.join(f'{_scalar(each):>7}' for each in part)}," for part in parts]
    return "\n".join([f"{key} = [", *rows, "]"])


def _inline(source: dict[str, Any]) -> str:
    kept = {k: v for k, v in source.items() if not (k == "guess" and v is False)}
    return "{ " + ", ".join(f"{k} = {_scalar(v)}" for k, v in kept.items()) + " }"


def summary_of(found: Found) -> dict[str, Any]:
    """Return the summary: what was found, how sure, how well it meets each log, all doubts."""
    fit, trust = found.electrical, found.electrical.trust
    branch, reach = fit.branch, trust.range
    whole = {
        "stillair": __version__,
        "command": "fit",
        "sentence": answer(found),
        "not_determined": untold(found),
        "warnings": warnings(found),
        "capacity": {
            "capacity_Ah": fit.capacity.charge_Ah,
            "relative_sd": fit.capacity.relative_sd,
            "how": fit.capacity.how,
        },
        "open_circuit": {
            "log": branch.log.name,
            "lines": [int(branch.log.lines[branch.first]), int(branch.log.lines[branch.last])],
            "current_A": branch.current_A,
            "temperature_C": branch.temperature_C,
            "counted_Ah": branch.counted_Ah,
            "counted_back_Ah": branch.back_Ah,
            "current_offset_A": branch.offset_A,
        },
        "total_resistance": _sum(trust.total),
        "resistance_within_10_s": _sum(trust.after_10_s),
        "knots_soc": [float(s) for s in KNOTS_SOC],
        "total_relative_sd": [float(sd) for sd in trust.total_relative_sd],
        "unknowns": _unknowns(fit),
        "units": "resistance in ohm and time constants in s, their sd relative; slopes in J/mol",
        "correlations": [list(each) for each in trust.correlations],
        "at_bound": list(trust.at_bound),
        "not_identifiable": list(trust.untold),
        "starts": [vars(start) for start in fit.starts],
        "starts_apart_mV": fit.apart_mV,
        "range": {**vars(reach)},
        "logs": _logs(fit),
        "heat": _heat(found),
        "notes": list(fit.notes),
        "caution": CAUTION,
    }
    return {key: _plain(value) for key, value in whole.items()}


def _unknowns(fit: ElectricalFit) -> list[dict[str, Any]]:
    layout, trust = fit.layout, fit.trust
    return [
        {
            "what": layout.name(i),
            "value": _value(fit.x, i, layout),
            "sd": float(trust.sd[i]) * _unit(i, layout),
            "naive_sd": float(trust.naive_sd[i]) * _unit(i, layout),
            "free": bool(layout.free[i]),
        }
        for i in range(layout.size)
    ]


def _logs(fit: ElectricalFit) -> list[dict[str, Any]]:
    return [
        {
            "name": look.name,
            "lines": [int(log.lines[0]), int(log.lines[-1])],
            "rows": look.rows,
            "start": look.start,
            "rms_above_10_percent_mV": look.rms_mV,
            "bias_mV": look.bias_mV,
            "worst_mV": look.worst_mV,
            "rms_mV": look.rms_all_mV,
        }
        for look, log in zip(fit.looks, fit.logs, strict=True)
    ]


def _sum(found: Any) -> dict[str, float]:
    return {"mohm": found.mohm, "sd_mohm": found.sd_mohm, "naive_sd_mohm": found.naive_sd_mohm}


def _value(x: np.ndarray, i: int, layout: model.Layout) -> float:
    return float(np.exp(x[i])) if i < layout.energy(0) else float(x[i]) * model.ENERGY_UNIT


def _unit(i: int, layout: model.Layout) -> float:
    return 1.0 if i < layout.energy(0) else model.ENERGY_UNIT


def _heat(found: Found) -> dict[str, Any]:
    heat = found.heat
    if heat is None:
        return {"fitted": False, "why_not": [found.no_heat]}
    return {
        "fitted": heat.fitted,
        "why_not": list(heat.refusals),
        "warnings": list(heat.warnings),
        "notes": list(heat.notes),
        "parameters": [vars(each) for each in heat.parameters],
        "correlations": heat.correlations.tolist(),
        "collapse_spread_mV": 1e3 * heat.collapse.spread_V,
        "collapse_fan_mohm": heat.collapse.fan_mohm,
        "collapse_holds": heat.collapse.holds,
        "logs": [
            {"name": r.name, "lines": list(r.lines), "rms_K": r.rms_K, "peak_K": r.peak_K}
            for r in heat.residuals
        ],
    }


def write_fit(found: Found, out: Path, *, plots: bool, suffix: str = "png") -> dict[str, Any]:
    """Write profile, summary and pictures, all or none, and return the summary.

    Raises OutputError where one of them is there or can't be written.
    """
    check_free(out, suffix)
    content, names = summary_of(found), names_of(out, suffix)
    head = tuple(line.format(answer=answer(found)) for line in HEAD)
    try:
        with tempfile.TemporaryDirectory(prefix=f".{out.name}.", dir=out.parent) as beside:
            fresh = {key: Path(beside) / path.name for key, path in names.items()}
            text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
            fresh["summary"].write_text(text + "\n", "utf-8", errors="backslashreplace")
            fresh["profile"].write_text(toml_of(found.content, head), "utf-8")
            if plots:
                _draw(found, fresh)
            _place(fresh, names)
    except OSError as problem:
        raise OutputError(f"{out} can't be written: {problem.strerror or problem}") from None
    return content


def _draw(found: Found, fresh: dict[str, Path]) -> None:
    from sim.show.fit_heat_plots import picture as heat_picture
    from sim.show.fit_plots import voltage_picture

    voltage_picture(found, fresh["voltage"])
    if found.heat is not None:
        heat_picture(found.heat, fresh["heat"])


def _plain(value: Any) -> Any:
    """Return what JSON can hold: numbers of numpy as Python's own, what is no number as null."""
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _place(fresh: dict[str, Path], names: dict[str, Path]) -> None:
    """Put the files in place; the profile last. A name taken meanwhile undoes them all."""
    done: list[Path] = []
    try:
        for key in ("summary", "voltage", "heat", "profile"):
            if fresh[key].exists():
                os.link(fresh[key], names[key])  # fails, and does not replace, where it is there
                done.append(names[key])
    except OSError:
        for path in done:
            path.unlink(missing_ok=True)
        raise
