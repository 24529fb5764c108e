"""The figures of a comparison as rows, one part of the log beside another."""

from __future__ import annotations

from sim.ask.compare import Figures
from sim.show.lines import span

WORDS, COLUMN = 24, 26
ROWS = (
    ("voltage_rms_mV", "voltage, rms", "mV", ".1f"),
    ("voltage_bias_mV", "voltage, bias", "mV", "+z.1f"),
    ("voltage_worst_mV", "voltage, worst", "mV", "+z.1f"),
    ("temperature_rms_K", "temperature, rms", "K", ".2f"),
    ("temperature_bias_K", "temperature, bias", "K", "+z.2f"),
    ("temperature_worst_K", "temperature, worst", "K", "+z.2f"),
    ("temperature_peak_error_K", "temperature, peak", "K", "+z.2f"),
    ("temperature_end_error_K", "temperature, end", "K", "+z.2f"),
    ("charge_error_percent", "charge out", "%", "+z.2f"),
    ("energy_error_percent", "energy out", "%", "+z.2f"),
)


def beside(title: str, parts: dict[str, Figures]) -> list[str]:
    """Return a row a figure that any of `parts` has, a column a part, and the rows counted."""
    lines = [f"{title:<{WORDS}}" + "".join(f"{head:>{COLUMN}}" for head in parts)]
    for key, words, unit, form in ROWS:
        shown = [_shown(part, key, unit, form) for part in parts.values()]
        if any(shown):
            lines.append(
                f"{words:<{WORDS}}" + "".join(f"{text or '-':>{COLUMN}}" for text in shown)
            )
    counts = "".join(f"{part.rows:>{COLUMN}}" for part in parts.values())
    return [*lines, f"{'rows':<{WORDS}}{counts}"]


def _shown(figures: Figures, key: str, unit: str, form: str) -> str:
    value = getattr(figures, key)
    if value is None:
        return ""
    when = getattr(figures, key[: key.rindex("_")] + "_s", None)
    return f"{value:{form}} {unit}" + ("" if when is None else f" ({span(when)})")
