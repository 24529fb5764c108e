"""Clock times as a scenario's keys give them."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator

from sim.files.toml import shown


def seconds_of_clock(text: str) -> float:
    """Return the second of the day of "06:30" or "06:30:15"; raise ValueError otherwise."""
    found = re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", text.strip())
    if found:
        hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
        if hour < 24 and minute < 60 and second < 60:
            return 3600.0 * hour + 60.0 * minute + second
    raise ValueError(f'is {shown(text)}; accepted: a clock time such as "06:30" or "06:30:15"')


def _clock(text: str) -> str:
    seconds_of_clock(text)
    return text


Clock = Annotated[str, AfterValidator(_clock)]
