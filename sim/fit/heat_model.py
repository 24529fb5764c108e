"""The heat model as unknowns with priors: what a set of them makes of a run, and how far off it is.

Heat in the core is I (U - V) - I^2 Rx - I T dU/dT (Bernardi, Pawlikowski and Newman, J.
Electrochem. Soc. 132 (1985) 5, without mixing), with Rx a resistance that the voltage was measured
over but that lies outside the cell. With U = U_ref + (T - T_ref) dU/dT the temperature drops out:
U - T dU/dT = U_ref - T_ref dU/dT, the enthalpy voltage.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.fit.heat_data import FIT, KNOTS, STILL, HeatOptions, OcvTable, Run
from sim.fit.heat_march import two_nodes
from sim.physics.film import Film, tabled
from sim.units import MILLI, ZERO_C_K

Floats = NDArray[np.float64]

# Priors: centre, and one standard deviation. The first three are of the logarithm.
SPECIFIC_J_gK, CAPACITY_SD = 1.0, 0.10  # common band 0.83 to 1.13 J/gK
RADIAL_W_mK, ACROSS_SD = 0.3, 0.5  # published: 0.2 to 3.2
STILL_SD = 0.25
STIRRED_W_m2K, STIRRED_SD = 25.0, 0.7  # chambers with a fan: 20 to 45 and beyond
ENTROPIC_SD_mV_K, CURVATURE_SD_mV_K, ENTROPIC_MOST_mV_K = 0.2, 0.15, 1.2
CONTACT_UNIT_ohm, CONTACT_MOST_ohm = 0.010, 0.100  # no prior, only bounds: 0 to 100 mohm
CHARGE_SD = 0.01  # of the cell's charge: 1 % moves the steep end by tenths of a volt
SURFACE_SHARE = 0.10  # of the heat capacity: can and sleeve
MOST_SDS = 4.0  # bounds of whatever has a prior and no other bound

# Places in the vector; entropy's knots come next, then the shifts of the runs' air.
CAPACITY, ACROSS, COOLING, CONTACT, CHARGE, ENTROPIC = range(6)
SHIFTS = ENTROPIC + len(KNOTS)


@dataclass(frozen=True)
class HeatValues:
    """One set of thermal parameters of a cell on a bench.

    `cooling` is a factor on the bare cell's own still-air law, or a conductance [W/K] in stirred
    air; `entropic_V_K` stands on `KNOTS`. `charge_factor` multiplies the charge of the
    open-circuit table: an error of it is all in the steep last percent, and must not be taken for
    something else.
    """

    capacity_J_K: float
    across_K_W: float
    cooling: float
    contact_ohm: float
    charge_factor: float
    entropic_V_K: Floats


def film_of(options: HeatOptions) -> Film:
    """Return the film whose conductance `HeatValues.cooling` multiplies: 1 W/K in stirred air."""
    size = options.size
    diameter_m, height_m = size.diameter_mm * MILLI, size.height_mm * MILLI
    film = Film(
        area_m2=np.pi * diameter_m * height_m,
        diameter_m=diameter_m,
        height_m=height_m,
        standing=options.standing,
        emissivity=options.emissivity,
        fixed_W_K=-1.0 if options.cooling == STILL else 1.0,
    )
    return tabled(film)


def heat_W(run: Run, values: HeatValues, ocv: OcvTable, drop_V: Floats) -> Floats:
    """Return the heat made in the core over each stretch (n - 1,) [W]."""
    reference_K = ocv.reference_C + ZERO_C_K
    off_V = drop_V - reference_K * (run.hats @ values.entropic_V_K)
    off_V = off_V + (values.charge_factor - 1.0) * run.charge_V
    current_A = run.current_A
    return np.ascontiguousarray(current_A * (off_V - current_A * values.contact_ohm))


def temperatures_K(
    run: Run,
    values: HeatValues,
    film: Film,
    ocv: OcvTable,
    *,
    air_shift_K: float = 0.0,
    drop_V: Floats | None = None,
) -> tuple[Floats, Floats]:
    """Return core and surface (n,); `drop_V` (n - 1,) replaces the measured one."""
    core_K, surface_K = np.empty(len(run.time_s)), np.empty(len(run.time_s))
    two_nodes(
        run.time_s,
        heat_W(run, values, ocv, run.drop_V if drop_V is None else drop_V),
        run.air_K + air_shift_K,
        run.first_K,
        values.capacity_J_K * (1.0 - SURFACE_SHARE),
        values.capacity_J_K * SURFACE_SHARE,
        1.0 / values.across_K_W,
        film,
        values.cooling,
        core_K,
        surface_K,
    )
    return core_K, surface_K


@dataclass(frozen=True)
class Unknowns:
    """The vector that is fitted, in units of each prior's standard deviation.

    Capacity, core to surface and cooling by their logarithm; contact in `CONTACT_UNIT_ohm`;
    charge; entropy at `KNOTS`; a shift of the air for each run.
    """

    options: HeatOptions
    runs: tuple[Run, ...]
    contact_is_free: bool
    film: Film
    ocv: OcvTable

    @property
    def size(self) -> int:
        """Return the length of the vector."""
        return SHIFTS + len(self.runs)

    @property
    def centre(self) -> tuple[float, float, float]:
        """Return the priors' centres: capacity [J/K], core to surface [K/W], cooling."""
        size = self.options.size
        # Mean of a uniformly heated cylinder to its side: 1/(8 pi k L).
        across_K_W = 1.0 / (8.0 * np.pi * RADIAL_W_mK * size.height_mm * MILLI)
        side_m2 = np.pi * size.diameter_mm * size.height_mm * MILLI**2
        cooling = 1.0 if self.options.cooling == STILL else STIRRED_W_m2K * side_m2
        return SPECIFIC_J_gK * size.mass_g, across_K_W, cooling

    @property
    def spread(self) -> tuple[float, float, float]:
        """Return the priors' standard deviations of the same three logarithms."""
        cooling_sd = STILL_SD if self.options.cooling == STILL else STIRRED_SD
        return CAPACITY_SD, ACROSS_SD, cooling_sd

    @property
    def names(self) -> tuple[str, ...]:
        """Return a name with its unit for each unknown."""
        cooling = "cooling_factor" if self.options.cooling == STILL else "cooling_W_K"
        knots = [f"entropic_at_{100.0 * knot:.0f}_percent_mV_K" for knot in KNOTS]
        shifts = [f"air_shift_of_{run.log.name}_K" for run in self.runs]
        return (
            "heat_capacity_J_K",
            "core_to_surface_K_W",
            cooling,
            "contact_mohm",
            "charge_factor",
            *knots,
            *shifts,
        )

    @property
    def free(self) -> NDArray[np.bool_]:
        """Return which of the vector's places are fitted."""
        free = np.ones(self.size, dtype=bool)
        free[CONTACT] = self.contact_is_free
        return free

    def bounds(self) -> tuple[Floats, Floats]:
        """Return the least and the greatest of each unknown."""
        low, high = np.full(self.size, -MOST_SDS), np.full(self.size, MOST_SDS)
        low[CONTACT], high[CONTACT] = 0.0, CONTACT_MOST_ohm / CONTACT_UNIT_ohm
        most = ENTROPIC_MOST_mV_K / ENTROPIC_SD_mV_K
        low[ENTROPIC:SHIFTS], high[ENTROPIC:SHIFTS] = -most, most
        return low, high

    def values(self, x: Floats) -> HeatValues:
        """Return the parameters that a vector stands for."""
        scaled = [
            c * np.exp(s * v) for c, s, v in zip(self.centre, self.spread, x[:3], strict=True)
        ]
        return HeatValues(
            capacity_J_K=float(scaled[CAPACITY]),
            across_K_W=float(scaled[ACROSS]),
            cooling=float(scaled[COOLING]),
            contact_ohm=float(x[CONTACT]) * CONTACT_UNIT_ohm,
            charge_factor=1.0 + CHARGE_SD * float(x[CHARGE]),
            entropic_V_K=x[ENTROPIC:SHIFTS] * ENTROPIC_SD_mV_K * MILLI,
        )

    def shift_K(self, x: Floats, i: int) -> float:
        """Return the shift of the air of run `i`."""
        return float(x[SHIFTS + i]) * self.runs[i].air_sd_K

    def shown(self, x: Floats) -> Floats:
        """Return the vector in the units of `names`."""
        values = self.values(x)
        shifts = [self.shift_K(x, i) for i in range(len(self.runs))]
        return np.array(
            [
                values.capacity_J_K,
                values.across_K_W,
                values.cooling,
                values.contact_ohm / MILLI,
                values.charge_factor,
                *(values.entropic_V_K / MILLI),
                *shifts,
            ]
        )

    def slopes(self, x: Floats) -> Floats:
        """Return how each value of `shown` moves with its unknown."""
        shown = self.shown(x)
        shifts = [run.air_sd_K for run in self.runs]
        knots = np.full(len(KNOTS), ENTROPIC_SD_mV_K)
        alone = CONTACT_UNIT_ohm / MILLI, CHARGE_SD
        return np.array([*(shown[:3] * self.spread), *alone, *knots, *shifts], dtype=float)

    def surface_K(self, x: Floats, i: int) -> Floats:
        """Return the surface of run `i` (n,)."""
        shift_K = self.shift_K(x, i)
        run, values = self.runs[i], self.values(x)
        return temperatures_K(run, values, self.film, self.ocv, air_shift_K=shift_K)[1]

    def misfit(self, x: Floats, i: int) -> Floats:
        """Return the weighted residuals of run `i` (bins,), 0 where nothing was measured."""
        return self.weighed(i, self.surface_K(x, i) - self.runs[i].surface_K)

    def weighed(self, i: int, off_K: Floats) -> Floats:
        """Return the bins' means (bins,) of a difference (n,) of run `i`, over their errors."""
        run = self.runs[i]
        total = np.add.reduceat(run.weight, run.bins)
        sums_K = np.add.reduceat(run.weight * np.nan_to_num(off_K), run.bins)
        root = np.sqrt(np.where(total > 0.0, total, 1.0))
        return np.asarray(sums_K / root / run.sd_K)

    def prior(self, x: Floats) -> Floats:
        """Return the residuals of the priors: all unknowns but contact, and entropy's bends."""
        knots = x[ENTROPIC:SHIFTS]
        at = (KNOTS[1:-1] - KNOTS[:-2]) / (KNOTS[2:] - KNOTS[:-2])
        bends = knots[1:-1] - knots[:-2] * (1.0 - at) - knots[2:] * at
        bends *= ENTROPIC_SD_mV_K / CURVATURE_SD_mV_K
        return np.concatenate([x[:CONTACT], x[[CHARGE]], knots, bends, x[SHIFTS:]])

    def residuals(self, x: Floats) -> Floats:
        """Return all residuals: the runs' one after another, then the priors'."""
        return np.concatenate([*(self.misfit(x, i) for i in range(len(self.runs))), self.prior(x)])


def contact_can_be_free(runs: tuple[Run, ...], options: HeatOptions, least_factor: float) -> bool:
    """Return whether contact is asked for and two rates lie `least_factor` apart or more."""
    rates_A = warm_rates_A(runs)
    return options.contact == FIT and len(rates_A) > 1 and rates_A[-1] >= least_factor * rates_A[0]


LEAST_RISE_K = 1.0  # a run that warms the cell by less tells of its air, not of its heat


def warm_rates_A(runs: tuple[Run, ...]) -> list[float]:
    """Return the rates of the runs that warm the cell enough to tell of heat, rising."""
    return sorted(run.rate_A for run in runs if run.rise_K >= LEAST_RISE_K)
