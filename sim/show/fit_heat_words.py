"""A heat fit in words: what was found, how sure, and why not to believe it."""

from __future__ import annotations

from sim.fit.heat import HeatFit
from sim.fit.heat_profile import advice

ALIKE = 0.95  # parameters that move together by this much are named


def answer(fit: HeatFit) -> str:
    """Return the one sentence that comes first."""
    values = fit.values
    found = f"{values.capacity_J_K:.1f} J/K, {values.across_K_W:.1f} K/W from core to surface" + (
        f", {1e3 * values.contact_ohm:.1f} mohm outside the cell" if values.contact_ohm else ""
    )
    if fit.fitted:
        return f"Heat fitted: {found}; meets its logs within {_worst_rms_K(fit):.2f} K rms."
    return f"Heat is NOT fitted ({fit.refusals[0]}). Taken for now: {found}."


def _worst_rms_K(fit: HeatFit) -> float:
    return max(each.rms_K for each in fit.residuals)


def lines(fit: HeatFit) -> list[str]:
    """Return the whole account, one line each."""
    said = [answer(fit)]
    said += [f"refused: {words}" for words in fit.refusals[1:]]
    said += [f"warning: {words}" for words in fit.warnings]
    for each in fit.residuals:
        said.append(
            f"{each.name}: {each.rate_A:.2f} A, fitted to {each.rms_K:.2f} K rms, "
            f"{each.peak_K:.2f} at most, lines {each.lines[0]} to {each.lines[1]}"
        )
    curve = fit.collapse
    if curve.holds is not None:
        word = "fall on one curve" if curve.holds else "do NOT fall on one curve"
        said.append(
            f"reversible heats of the rates {word}: {1e3 * curve.spread_V:.1f} mV rms apart, "
            f"accepted {1e3 * curve.allowed_V:.0f}; {curve.fan_mohm:+z.1f} mohm as the rate rises"
        )
    for found in fit.parameters:
        bound = " (at its bound)" if found.at_bound else ""
        doubt = f"; {found.doubt}" if found.doubt else ""
        said.append(f"{found.name} = {found.value:.4g} +- {found.sd:.2g}{bound}{doubt}")
    said += _together(fit)
    return [*said, *advice(fit), *fit.notes]


def _together(fit: HeatFit) -> list[str]:
    """Return which pairs of parameters the logs tell only together."""
    names = [each.name for each in fit.parameters]
    return [
        f"{names[i]} and {names[j]} move together (correlation {fit.correlations[i, j]:+z.2f})"
        for i in range(len(names))
        for j in range(i)
        if abs(fit.correlations[i, j]) > ALIKE
    ]
