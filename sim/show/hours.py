"""Where the ticks of a time axis stand: at whole hours or days that people count in."""

from __future__ import annotations

import math

STEPS_H = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 168.0, 336.0, 720.0, 2160.0)


def hours_between(low_h: float, high_h: float, most: int = 9) -> list[float]:
    """Return at most `most` ticks from `low_h` to `high_h`, all multiples of one step [h]."""
    step = next((s for s in STEPS_H if (high_h - low_h) / s <= most - 1), STEPS_H[-1])
    first = math.ceil(low_h / step - 1e-9)
    return [n * step for n in range(first, math.floor(high_h / step + 1e-9) + 1)]
