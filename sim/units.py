"""Constants, and the few conversions between what people write and what is computed."""

from __future__ import annotations

ZERO_C_K = 273.15
STANDARD_GRAVITY_M_S2 = 9.80665  # CGPM 1901, exact
STEFAN_BOLTZMANN_W_M2K4 = 5.670374419e-8  # CODATA 2018
SECONDS_PER_HOUR = 3600.0
SECONDS_PER_DAY = 86400.0
MILLI = 1e-3
KM_H_TO_M_S = 1.0 / 3.6
MPH_TO_M_S = 0.44704  # international mile, exact


def clock_text(second_of_day: float, *, seconds: bool = False) -> str:
    """Return "15:42" (or "15:42:07"), with "+1d" behind it for each midnight passed."""
    whole = int(second_of_day if seconds else second_of_day // 60 * 60)
    days, rest = divmod(whole, int(SECONDS_PER_DAY))
    text = f"{rest // 3600:02d}:{rest % 3600 // 60:02d}"
    if seconds:
        text += f":{rest % 60:02d}"
    return text + (f" +{days}d" if days else "")
