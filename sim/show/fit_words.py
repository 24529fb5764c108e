"""A fit in plain words: what was found, how well it meets the logs, what it doesn't tell."""

from __future__ import annotations

from sim.fit import model
from sim.fit.electrical import ElectricalFit
from sim.fit.question import Found, warnings
from sim.show import fit_heat_words
from sim.show.lines import hung, span
from sim.show.sentences import CAUTION, INDENT

IN_SUMMARY = ("entropic_at", "air_shift")  # many numbers; they stand in the summary file


def untold(found: Found) -> list[str]:
    """Return what these logs don't determine, in few words."""
    fit, out = found.electrical, []
    if not fit.trust.sustained:
        out.append("sustained response")
    slopes = [name for name in fit.trust.untold if name.startswith("temperature slope of")]
    if not fit.layout.free_energy or len(slopes) == fit.layout.elements:
        out.append("resistance over temperature")
    if found.heat is None:
        out.append("heat")
    elif not found.heat.fitted:
        out.append("heat (one rate, or a poor fit)")
    return out


def answer(found: Found) -> str:
    """Return the answer in one line: what was found, how well, what is not determined."""
    fit = found.electrical
    total, early = fit.trust.total, fit.trust.after_10_s
    rms = ", ".join(f"{look.rms_mV:.0f}" for look in fit.looks)
    missing = untold(found)
    rest = f"Not determined: {', '.join(missing)}."
    if not missing:
        assert found.heat is not None  # or it would be missing
        values = found.heat.values
        rest = f"Heat capacity {values.capacity_J_K:.0f} J/K. All parts are determined."
    return (
        f"Found {fit.capacity.charge_Ah:.2f} Ah and {early.mohm:.0f} mohm within 10 s, "
        f"{total.mohm:.0f} +- {total.sd_mohm:.0f} in all (half charge, 25 C); meets its own "
        f"{'log' if len(fit.looks) == 1 else 'logs'} to {rms} mV rms above 10 % charge. {rest}"
    )


def report(found: Found) -> list[str]:
    """Return everything that `fit` prints, the answer first."""
    fit = found.electrical
    lines = [answer(found), ""]
    for said in warnings(found):
        lines += hung("warning", said, INDENT)
    lines += [*table(fit), ""]
    for name, said in details(found):
        lines += hung(name, said, INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def table(fit: ElectricalFit) -> list[str]:
    """Return a line a log: rows, how it begins, and errors of its own fitted voltage."""
    wide = max(len(look.name) for look in fit.looks) + 2
    lines = [f"{'log':<{wide}}{'rows':>6}{'rms':>6}{'bias':>7}{'worst':>8} mV above 10 %   begins"]
    for look in fit.looks:
        start = look.start.removeprefix("begins ")
        lines.append(
            f"{look.name:<{wide}}{look.rows:>6}{look.rms_mV:>6.0f}{look.bias_mV:>+7.0f}"
            f"{look.worst_mV:>+8.0f} {'':<15} {start}"
        )
    return lines


def details(found: Found) -> list[tuple[str, str]]:
    """Return what stands behind the answer, a name and a sentence each."""
    fit = found.electrical
    trust, branch = fit.trust, fit.branch
    reach = trust.range
    taus = ", ".join(f"{tau_s:.3g}" for tau_s in model.taus_of(fit.layout, fit.x))
    slopes = ", ".join(f"{energy / 1e3:.0f}" for energy in model.energies_of(fit.layout, fit.x))
    free = "kJ/mol" if fit.layout.free_energy else "kJ/mol, assumed"
    total = trust.total
    times = total.sd_mohm / max(total.naive_sd_mohm, 1e-9)
    good = sum(start.as_good for start in fit.starts)
    said = [
        (
            "curve",
            f"{branch.log.name} at {branch.current_A:.3g} A ({branch.rate_words}), plus "
            "what the fitted resistance drops at that rate",
        ),
        (
            "capacity",
            f"{fit.capacity.charge_Ah:.3f} Ah +- {100 * fit.capacity.relative_sd:.1f} %: "
            f"{fit.capacity.how}",
        ),
        ("pairs", f"time constants {taus} s; slopes over temperature {slopes} {free}"),
        (
            "errors",
            f"total resistance +- {total.sd_mohm:.1f} mohm by drawing blocks of rows anew and by "
            f"what the priors leave; the usual formula says {total.naive_sd_mohm:.1f}, {times:.1f} "
            "times too little. Single resistances and time constants mean nothing alone",
        ),
        (
            "starts",
            f"{good} of {len(fit.starts)} fit equally well, and predict a load that no log holds "
            f"within {max(fit.apart_mV, 0.1):.1f} mV of each other",
        ),
        (
            "range",
            f"{reach.coldest_C:.0f} to {reach.warmest_C:.0f} C, {0.0 - reach.charge_A:.1f} to "
            f"{reach.discharge_A:.1f} A, {100 * reach.lowest_soc:.0f} to "
            f"{100 * reach.highest_soc:.0f} % charge, sustained for "
            f"{span(reach.longest_sustained_s)}; outside, and below 10 % charge (20 % near "
            "cut-off), nothing is claimed. Ageing is not in the model; two runs of one test differ "
            "by 10 mV",
        ),
    ]
    if trust.at_bound:
        said.append(("at a bound", ", ".join(trust.at_bound)))
    if trust.untold:
        said.append(("not told", f"{', '.join(trust.untold)}: the assumption stands"))
    if trust.correlations:
        tied = "; ".join(f"{a} and {b} ({r:+z.2f})" for a, b, r in trust.correlations[:3])
        said.append(("tied", tied))
    return said + _heat(found)


def _heat(found: Found) -> list[tuple[str, str]]:
    heat, like = found.heat, found.given.like_path.name
    if heat is None:
        return [("heat", f"not fitted ({found.no_heat}); taken over from {like}")]
    first, *rest = fit_heat_words.lines(heat)
    if not heat.fitted:
        first += f" The profile keeps that of {like}."
    shown = [text for text in rest if not text.startswith(IN_SUMMARY)]
    return [("heat", first), *(("", text) for text in shown)]
