"""What a heat fit writes into a cell profile, and what it can only advise: cooling is no cell's."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim.errors import InputError
from sim.fit.heat_data import KNOTS, STILL
from sim.fit.heat_model import SURFACE_SHARE
from sim.fit.heat_result import HeatFit
from sim.units import MILLI

# The linearised standard errors are too narrow by this; of the study's intervals.
SD_FACTOR = 1.7
MOST_UNCERTAINTY = 10.0  # the profile's own bound


def into_profile(
    content: dict[str, Any], fit: HeatFit, *, contact_in_resistance: bool = False
) -> dict[str, Any]:
    """Return a profile's content with [heat], entropic_mV_K and their sources from a fit.

    `content` is a profile as TOML is read; it is not changed. Entropy is spread over its soc by
    straight lines. With `contact_in_resistance` the contact is taken out of [resistance], for
    tables of a voltage fit that knew nothing of it. Raises InputError where that leaves nothing.
    """
    values, curve = fit.values, dict(content["open_circuit"])
    soc = np.asarray(curve["soc"], dtype=float)
    entropic_mV_K = np.interp(soc, KNOTS, values.entropic_V_K / MILLI)
    curve["entropic_mV_K"] = [round(float(each), 4) for each in entropic_mV_K]
    written = {
        **content,
        "open_circuit": curve,
        "heat": {
            "core_J_K": round(values.capacity_J_K * (1.0 - SURFACE_SHARE), 2),
            "surface_J_K": round(values.capacity_J_K * SURFACE_SHARE, 2),
            "core_to_surface_K_W": round(values.across_K_W, 3),
            "core_is": "mean",
        },
        "sources": {**content.get("sources", {}), **_sources(fit)},
    }
    if contact_in_resistance and values.contact_ohm > 0.0:
        written["resistance"] = _without_contact(content["resistance"], values.contact_ohm / MILLI)
    return written


def advice(fit: HeatFit) -> list[str]:
    """Return what a scenario of the same bench would say, and what not to carry into a pack."""
    values = fit.values
    if fit.options.cooling == STILL:
        cooling = fit.parameter("cooling_factor")
        said = [
            f"the bench cooled {cooling.value:.2f} +- {cooling.sd:.2f} times as well as a bare "
            "cell in still air; for a scenario of this bench say [cooling] exposed_fraction = "
            f"{min(cooling.value, 1.0):.2f}; in a pack neighbours take away part of it"
        ]
    else:
        cooling = fit.parameter("cooling_W_K")
        said = [
            f"the chamber took {cooling.value:.3f} +- {cooling.sd:.3f} W/K from the cell; for a "
            f"scenario of this bench say [cooling] conductance_W_K = {cooling.value:.3f}; moved "
            "air is not in a pack, so don't carry it there"
        ]
    if values.contact_ohm > 0.0:
        contact = fit.parameter("contact_mohm")
        said.append(
            f"{contact.value:.1f} +- {contact.sd:.1f} mohm lie outside the cell on this bench; for "
            f"a scenario of it say [pack] lead_mohm = {contact.value:.1f}; a pack has its own "
            "joints"
        )
    return said


def _sources(fit: HeatFit) -> dict[str, dict[str, Any]]:
    """Return the sources of heat and entropy: which logs, which lines, how sure."""
    logs = ", ".join(f"{r.name} lines {r.lines[0]} to {r.lines[1]}" for r in fit.residuals)
    capacity = fit.parameter("heat_capacity_J_K")
    heat = f"fitted from {logs}"
    if capacity.doubt:
        heat += "; the level of the heat capacity rests on mass x 1.0 J/gK"
    knots = [each for each in fit.parameters if each.name.startswith("entropic")]
    size = float(np.sqrt(np.mean([each.value**2 for each in knots])))
    sd = float(np.mean([each.sd for each in knots]))
    entropic = f"fitted from {logs}; good to {sd:.2f} mV/K"
    if not fit.fitted:
        heat, entropic = (
            f"{words}; may not be called fitted: {fit.refusals[0]}" for words in (heat, entropic)
        )
    guess = {} if fit.fitted else {"guess": True}
    return {
        "heat": {"from": heat, "uncertainty": _relative(capacity.sd, capacity.value), **guess},
        "entropic": {"from": entropic, "uncertainty": _relative(sd, size), **guess},
    }


def _relative(sd: float, size: float) -> float:
    """Return a relative uncertainty as a profile states it."""
    relative = SD_FACTOR * sd / size if size > 0.0 else MOST_UNCERTAINTY
    return round(min(relative, MOST_UNCERTAINTY), 3)


def _without_contact(resistance: dict[str, Any], contact_mohm: float) -> dict[str, Any]:
    """Return [resistance] with the contact taken off every value."""
    lowered = dict(resistance)
    for name in ("discharge_mohm", "charge_mohm"):
        if resistance.get(name) is None:
            continue
        own = np.asarray(resistance[name], dtype=float) - contact_mohm
        if own.min() <= 0.0:
            raise InputError(
                f"{name} holds {own.min() + contact_mohm:.1f} mohm, and {contact_mohm:.1f} of them "
                "would lie outside the cell; accepted: a contact below the least resistance"
            )
        lowered[name] = np.round(own, 3).tolist()
    return lowered
