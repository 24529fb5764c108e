"""Metal that carries current: its resistance, its heat to still air, and how warm it gets.

A conductor is lumped across and along: one temperature, heat by its own resistance, which rises
with temperature, away by natural convection of a lying cylinder and by radiation. Flat strip counts
as a round bar of the same outline. Nothing leaves by the ends but where a caller says so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import compiled, compiled_apart
from sim.physics.film import air_properties, lying_nusselt, radiation_W_m2K
from sim.units import STANDARD_GRAVITY_M_S2, ZERO_C_K

AT_20_K = ZERO_C_K + 20.0
LORENZ_V2_K2 = 2.44e-8  # Wiedemann and Franz; Sommerfeld's value, (pi k / e)^2 / 3
# The cubics for air are fitted up to 160 C; a film hotter than that is told as being so hot.
HOTTEST_FILM_K = ZERO_C_K + 160.0
HOTTEST_TOLD_K = ZERO_C_K + 300.0  # beyond it only "above 300 C" is said
NO_STEADY_K = 2500.0  # every metal here has melted long before
# Error of a step's first-order estimate; what is kept is of second order and far nearer.
STEP_TOLERANCE_K = 0.02
LEAST_STEP_S = 1e-7


class Metal(NamedTuple):
    """What a metal is at 20 C. `uncertainty` is of its resistivity, relative."""

    resistivity_ohm_m: float
    per_K: float  # by which resistance rises, of its value at 20 C
    heat_J_m3K: float
    melts_C: float
    uncertainty: float
    source: str


IEC = "IEC 60287-1-1 and IEC 60949"
METALS = {
    "copper": Metal(1.7241e-8, 0.00393, 3.45e6, 1084.0, 0.005, IEC),
    # Tinned strands of IEC 60228 class 5 may have 2.9 % more than plain ones (2.5 mm2, 8.21/7.98).
    "tinned copper": Metal(
        1.7241e-8 * 8.21 / 7.98, 0.00393, 3.45e6, 1084.0, 0.01, f"{IEC}, tinning as in IEC 60228"
    ),
    # Heat: 8908 kg/m3 x 444 J/kgK, handbook values from memory.
    "nickel": Metal(
        6.99e-8, 0.006, 3.96e6, 1455.0, 0.05, "handbook table, copies differ by 2 to 7 %"
    ),
    "nickel-plated steel": Metal(
        1.38e-7, 0.0045, 3.8e6, 1450.0, 0.2, f"{IEC} for steel; plating and kind of steel not known"
    ),
    # 63 % copper. Heat: 8440 kg/m3 x 377 J/kgK, from memory.
    "brass": Metal(7.1e-8, 0.0015, 3.2e6, 900.0, 0.1, "engineering table, brass of 63 % copper"),
    "aluminium": Metal(2.8264e-8, 0.00403, 2.5e6, 660.0, 0.01, IEC),
}


class Wire(NamedTuple):
    """A conductor as its temperature sees it: per metre, or as one piece where it has no length.

    `fixed_W_mK` >= 0 replaces still air. `ends_W_mK` leads to its ends, 0 for none.
    """

    ohm_m: float  # at 20 C
    per_K: float
    heat_J_mK: float  # of the metal alone: insulation takes up some too, so short times read hot
    outer_m: float  # diameter of what the air touches
    exposed: float  # share of that outline
    across_mK_W: float  # through the insulation
    emissivity: float
    draught: float  # by which natural convection is scaled: 1, or less at the bad end
    fixed_W_mK: float
    ends_W_mK: float


def gauge_m(awg: float) -> float:
    """Return the diameter [m] of American wire gauge `awg`; 0 is 1/0, -1 is 2/0, -3 is 4/0.

    0.005 inch x 92^((36 - n)/39), ASTM B258.
    """
    return 0.127e-3 * 92.0 ** ((36.0 - awg) / 39.0)


def circle_m2(diameter_m: float) -> float:
    """Return the area of a circle [m2]."""
    return math.pi * diameter_m * diameter_m / 4.0


def inferred_zero_C(metal: Metal) -> float:
    """Return by how much below 0 C the straight line of resistance reaches nothing: 1/alpha - 20.

    The beta of IEC 60949: 234.5 for copper, 228 for aluminium.
    """
    return 1.0 / metal.per_K - 20.0


def adiabatic_k(metal: Metal, start_C: float, end_C: float) -> float:
    """Return k [A s^0.5 / m2] of I^2 t = k^2 S^2 between two temperatures, no heat lost.

    sqrt(Qc (B + 20) / rho20 ln((Tf + B)/(Ti + B))): IEC 60364-5-54 annex A and IEC 60949.
    """
    zero_C = inferred_zero_C(metal)
    gain = math.log((end_C + zero_C) / (start_C + zero_C)) if end_C > start_C else 0.0
    return math.sqrt(metal.heat_J_m3K * (zero_C + 20.0) / metal.resistivity_ohm_m * gain)


def adiabatic_end_C(metal: Metal, start_C: float, square_A2s_m4: float) -> float:
    """Return the temperature [C] that I^2 t / S^2 leads to from `start_C`, no heat lost."""
    zero_C = inferred_zero_C(metal)
    full = metal.heat_J_m3K * (zero_C + 20.0) / metal.resistivity_ohm_m
    exponent = square_A2s_m4 / full
    if exponent > 50.0:
        return math.inf
    return (start_C + zero_C) * math.exp(exponent) - zero_C


def through_insulation_mK_W(inner_m: float, outer_m: float, resistivity_Km_W: float) -> float:
    """Return the thermal resistance of a round sleeve, per metre: rho ln(D/d) / 2 pi."""
    return resistivity_Km_W * math.log(outer_m / inner_m) / (2.0 * math.pi)


def ends_W_mK(metal: Metal, area_m2: float, length_m: float) -> float:
    """Return the conductance to both ends that gives the middle's rise, per metre: 8 k A / L^2.

    Of an evenly heated bar with its ends held, the middle rises by q L^2 / (8 k A). Conductivity
    by Wiedemann and Franz, k = L0 T / rho, within 15 % of handbooks for the metals here.
    """
    conductivity_W_mK = LORENZ_V2_K2 * AT_20_K / metal.resistivity_ohm_m
    return 8.0 * conductivity_W_mK * area_m2 / (length_m * length_m)


@compiled
def ohm_m(wire, conductor_K):
    """Return the resistance per metre at a temperature: R20 (1 + alpha (T - 20 C))."""
    return wire.ohm_m * (1.0 + wire.per_K * (conductor_K - AT_20_K))


@compiled
def still_air_W_mK(wire, surface_K, air_K):
    """Return the conductance per metre from the surface to air and walls at `air_K`.

    Churchill and Chu's lying cylinder and radiation, as for cells.
    """
    film_K = min(0.5 * (surface_K + air_K), HOTTEST_FILM_K)
    viscosity_m2_s, conductivity_W_mK, prandtl = air_properties(film_K)
    buoyancy = STANDARD_GRAVITY_M_S2 / film_K * abs(surface_K - air_K)
    rayleigh = prandtl * buoyancy * wire.outer_m**3 / viscosity_m2_s**2
    film_W_m2K = lying_nusselt(rayleigh, prandtl) * conductivity_W_mK / wire.outer_m
    total_W_m2K = wire.draught * film_W_m2K + radiation_W_m2K(wire.emissivity, surface_K, air_K)
    return math.pi * wire.outer_m * wire.exposed * total_W_m2K


@compiled
def loss_W_mK(wire, conductor_K, air_K):
    """Return the conductance per metre from metal to air, through insulation and still air."""
    if wire.fixed_W_mK >= 0.0:
        return wire.fixed_W_mK
    surface_K = conductor_K
    conductance = still_air_W_mK(wire, surface_K, air_K)
    if wire.across_mK_W > 0.0:
        for _ in range(4):  # the sleeve is a small part of the whole, so this closes fast
            across = 1.0 / (1.0 + conductance * wire.across_mK_W)
            surface_K = air_K + (conductor_K - air_K) * across
            conductance = still_air_W_mK(wire, surface_K, air_K)
        conductance = conductance / (1.0 + conductance * wire.across_mK_W)
    return conductance


@compiled_apart
def steady_K(wire, current_A, air_K, ends_K):
    """Return the temperature at which a lasting current's heat is lost; infinite for none.

    What is lost grows faster than what a rising resistance adds, so there is one at the most.
    """
    low_K, high_K = min(air_K, ends_K), NO_STEADY_K
    for _ in range(60):
        middle_K = 0.5 * (low_K + high_K)
        made = current_A * current_A * ohm_m(wire, middle_K)
        lost = loss_W_mK(wire, middle_K, air_K) * (middle_K - air_K)
        if made > lost + wire.ends_W_mK * (middle_K - ends_K):
            low_K = middle_K
        else:
            high_K = middle_K
    if high_K > NO_STEADY_K - 1.0:
        return math.inf
    return high_K


@compiled_apart
def lasting_current_A(wire, conductor_K, air_K, ends_K):
    """Return the current that keeps a conductor at a temperature for good; 0 below the air's."""
    lost = loss_W_mK(wire, conductor_K, air_K) * (conductor_K - air_K)
    lost += wire.ends_W_mK * (conductor_K - ends_K)
    return math.sqrt(max(lost, 0.0) / ohm_m(wire, conductor_K))


@compiled
def gain_W_m(wire, conductor_K, conductance_W_mK, square_A2, air_K, ends_K):
    """Return what heats a metre at an instant: what the current makes less what is lost."""
    made = square_A2 * ohm_m(wire, conductor_K)
    lost = conductance_W_mK * (conductor_K - air_K)
    return made - lost - wire.ends_W_mK * (conductor_K - ends_K)


@compiled
def stepped_K(wire, conductor_K, guess_K, before, after, step_s):
    """Return the temperature after a step, exact where the conductance at `guess_K` holds.

    C dT/dt = I^2 R20 (1 + alpha (T - 20 C)) - G (T - Ta) - E (T - Te), an exponential.
    `before` and `after` are (I^2, Ta, Te) at either end, straight lines between.
    """
    conductance = loss_W_mK(wire, guess_K, 0.5 * (before[1] + after[1]))
    hot_W_mK = 0.5 * (before[0] + after[0]) * wire.ohm_m * wire.per_K
    first = gain_W_m(wire, conductor_K, conductance, before[0], before[1], before[2])
    last = gain_W_m(wire, conductor_K, conductance, after[0], after[1], after[2])
    x = (conductance + wire.ends_W_mK - hot_W_mK) / wire.heat_J_mK * step_s
    whole, ramp = 1.0, 0.5
    if abs(x) > 1e-4:
        whole = -math.expm1(-x) / x
        ramp = (1.0 - whole) / x
    return conductor_K + (whole * first + ramp * (last - first)) / wire.heat_J_mK * step_s


@compiled
def seen_at(begin_A, end_A, begin_K, after_K, ends_begin_K, ends_end_K, i, fraction):
    """Return current [A], air and ends [K] at a share of stretch `i`."""
    return (
        begin_A[i] + (end_A[i] - begin_A[i]) * fraction,
        begin_K[i] + (after_K[i] - begin_K[i]) * fraction,
        ends_begin_K[i] + (ends_end_K[i] - ends_begin_K[i]) * fraction,
    )


@compiled_apart
def march_K(wire, start_K, edge_s, begin_A, end_A, begin_K, after_K, ends_begin_K, ends_end_K, out):
    """Fill `out` (n + 1,) with the temperature at each edge; return hottest [K], when, and heat.

    Currents, air and ends are straight lines over each stretch (n,); heat is in J per metre.
    Steps are as long as a rough estimate allows, with the means of a step, and are kept with its
    straight lines and the conductance of its middle.
    """
    conductor_K, hottest_K, hottest_s, heat_J_m = start_K, start_K, edge_s[0], 0.0
    out[0] = start_K
    step_s = 1.0
    for n in range(begin_A.shape[0]):
        length_s, past_s = edge_s[n + 1] - edge_s[n], 0.0
        while past_s < length_s:
            step_s = min(step_s, length_s - past_s)
            f, g = past_s / length_s, min((past_s + step_s) / length_s, 1.0)
            a, air_a, ends_a = seen_at(
                begin_A, end_A, begin_K, after_K, ends_begin_K, ends_end_K, n, f
            )
            b, air_b, ends_b = seen_at(
                begin_A, end_A, begin_K, after_K, ends_begin_K, ends_end_K, n, g
            )
            mean_A2 = (a * a + a * b + b * b) / 3.0
            bow_A2 = (b - a) ** 2 / 6.0  # by which the square's straight line lies too high
            before = (a * a - bow_A2, air_a, ends_a)
            after = (b * b - bow_A2, air_b, ends_b)
            mean = (mean_A2, 0.5 * (air_a + air_b), 0.5 * (ends_a + ends_b))
            rough_K = stepped_K(wire, conductor_K, conductor_K, mean, mean, step_s)
            half_K = 0.5 * (conductor_K + rough_K)
            fine_K = stepped_K(wire, conductor_K, half_K, before, after, step_s)
            off = abs(fine_K - rough_K) / STEP_TOLERANCE_K
            if not off <= 1.0 and step_s > LEAST_STEP_S:  # so written that a NaN is no success
                step_s = step_s * (0.8 / math.sqrt(off) if off < 16.0 else 0.2)
                continue
            heat_J_m += mean_A2 * ohm_m(wire, 0.5 * (conductor_K + fine_K)) * step_s
            conductor_K = fine_K
            past_s = length_s if g >= 1.0 else past_s + step_s
            if conductor_K > hottest_K:
                hottest_K, hottest_s = conductor_K, edge_s[n] + past_s
            if conductor_K > NO_STEADY_K:  # molten: the metal is no conductor any more
                out[n + 1 :] = NO_STEADY_K
                return NO_STEADY_K, hottest_s, heat_J_m
            step_s = step_s * min(5.0, 0.8 / math.sqrt(max(off, 1e-3)))
        out[n + 1] = conductor_K
    return hottest_K, hottest_s, heat_J_m


class Warmth(NamedTuple):
    """What became of a conductor over a run; `heat_J_m` per metre or of the piece."""

    hottest_K: float
    time_s: float
    heat_J_m: float
    conductor_K: NDArray[np.float64]  # at each edge


def warmth(
    wire: Wire,
    edge_s: NDArray[np.float64],
    current_A: tuple[NDArray[np.float64], NDArray[np.float64]],
    air_K: tuple[NDArray[np.float64], NDArray[np.float64]],
    ends_K: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> Warmth:
    """Return how warm `wire` gets, begun as warm as the air; pairs are of begins and ends."""
    out = np.empty(len(edge_s))
    hottest_K, time_s, heat_J_m = march_K(
        wire, float(air_K[0][0]), edge_s, *current_A, *air_K, *ends_K, out
    )
    return Warmth(float(hottest_K), float(time_s), float(heat_J_m), out)
