"""The picture of a voltage fit: the curve, the resistances, and what is left of each log."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.fit.electrical import LOW_SOC, Look
from sim.fit.log import Floats, Log
from sim.fit.model import energies_of, ohm_of
from sim.fit.question import Found
from sim.show.fit_words import answer
from sim.show.look_plots import COOL, FAINT, INK, LEAF, PLUM, WARM, as_written, ends, last, plain
from sim.units import SECONDS_PER_HOUR

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LONGEST_TITLE = 122
MOST_LOGS = 6  # panels; more logs are in the summary
HUES = (INK, WARM, COOL, LEAF, PLUM)


@as_written
def voltage_picture(found: Found, path: Path) -> None:
    """Draw the open-circuit curve, the resistances, and what is left of each log over charge."""
    fit = found.electrical
    shown = list(zip(fit.looks, fit.logs, strict=True))[:MOST_LOGS]
    figure = _figure(2.6 + 1.35 * len(shown))
    grid = figure.add_gridspec(1 + len(shown), 2, height_ratios=[2.0, *[1.0] * len(shown)])
    curve, tables = figure.add_subplot(grid[0, 0]), figure.add_subplot(grid[0, 1])
    _curve(found, curve)
    _tables(found, tables)
    for row, (look, log) in enumerate(shown, 1):
        over_soc, over_time = figure.add_subplot(grid[row, 0]), figure.add_subplot(grid[row, 1])
        _left(look, log, over_soc, over_time)
        if row == len(shown):
            over_soc.set_xlabel("charge, %", fontsize=9, color=INK)
            over_time.set_xlabel("hours from the start of the log", fontsize=9, color=INK)
    title = textwrap.wrap(answer(found), LONGEST_TITLE)
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _figure(height: float) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.4, height), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def _curve(found: Found, ax: Axes) -> None:
    fit = found.electrical
    curve = found.content["open_circuit"]
    plain(ax)
    soc = 100.0 * np.array(curve["soc"])
    branch = fit.branch
    ax.plot(soc, curve["voltage_V"], color=INK, linewidth=1.3)
    named = [(last(curve["voltage_V"]), "open circuit", INK)]
    own = 100.0 * (fit.left + (1.0 - fit.left) * branch.soc)
    ax.plot(own, branch.voltage_V, color=WARM, linestyle=(0, (4, 1.5)), linewidth=0.9)
    at_full_V = float(np.asarray(branch.voltage_V)[np.argmax(own)])
    named.append((at_full_V, f"at {branch.current_A:.3g} A", WARM))
    if branch.back_V is not None:
        ax.plot(soc, branch.back_V, color=COOL, linestyle=(0, (1, 1)), linewidth=1.1)
        named.append((last(branch.back_V), "charged back", COOL))
    ends(ax, named)
    ax.set_ylabel("cell voltage, V", fontsize=9, color=INK)
    ax.set_xlabel("charge, %", fontsize=9, color=INK)


def _tables(found: Found, ax: Axes) -> None:
    """Draw the elements stacked, at 25 C, with the standard error of their sum."""
    fit = found.electrical
    plain(ax)
    soc = 100.0 * np.array(found.content["resistance"]["soc"])
    mohm = 1e3 * ohm_of(fit.layout, fit.x)
    below = np.zeros(len(soc))
    named = []
    energies = energies_of(fit.layout, fit.x) / 1e3
    for k, each in enumerate(mohm):
        name = "at once" if k == 0 else f"{np.exp(fit.x[fit.layout.tau(k - 1)]):.3g} s"
        hue = HUES[k % len(HUES)]
        ax.fill_between(soc, below, below + each, color=hue, alpha=0.30, linewidth=0)
        middle_mohm = float((below + 0.5 * each)[np.argmax(soc)])
        named.append((middle_mohm, f"{name}, {energies[k]:.0f} kJ/mol", hue))
        below = below + each
    sd = below * fit.trust.total_relative_sd
    ax.errorbar(soc, below, sd, color=INK, linewidth=1.0, capsize=2)
    ax.set_ylim(0.0, 1.45 * float(np.max(below[soc >= 5.0])))
    ends(ax, named)
    ax.set_ylabel("resistance at 25 C, mohm", fontsize=9, color=INK)
    ax.set_xlabel("charge, %", fontsize=9, color=INK)


def _left(look: Look, log: Log, over_soc: Axes, over_time: Axes) -> None:
    off_mV = 1e3 * (look.predicted_V - log.voltage_V)
    low = look.soc <= LOW_SOC
    reach = _reach(off_mV[~low])
    for ax, x in ((over_soc, 100.0 * look.soc), (over_time, log.time_s / SECONDS_PER_HOUR)):
        plain(ax)
        ax.axhline(0.0, color=FAINT, linewidth=0.8)
        ax.plot(x[low], off_mV[low], ".", color=FAINT, markersize=1.6)
        ax.plot(x[~low], off_mV[~low], ".", color=INK, markersize=1.6)
        ax.set_ylim(-reach, reach)
    over_soc.set_xlim(102.0, -2.0)
    over_soc.set_ylabel("fitted less\nmeasured, mV", fontsize=8, color=INK)
    beyond = np.count_nonzero(np.abs(off_mV[~low]) > reach)
    more = f"; {beyond} rows beyond the panel" if beyond else ""
    over_time.set_title(
        f"{look.name}: {look.rms_mV:.0f} mV rms above 10 %{more}", fontsize=8.5, color=INK,
        loc="right",
    )  # fmt: skip


def _reach(off_mV: Floats) -> float:
    known = np.abs(off_mV[np.isfinite(off_mV)])
    return max(5.0, 1.3 * float(np.quantile(known, 0.99))) if len(known) else 5.0
