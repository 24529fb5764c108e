"""The scenario's [odds] table: how far day and build may be off where no profile tells.

What is given is half the width of the range that holds the true value in 95 of 100 cases, as with
the uncertainties of a cell profile. 0 holds a thing as it is.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from sim.files.cell_schema import Strict

PercentOff = Annotated[float, Field(ge=0, le=200)]


class OddsTable(Strict):
    """[odds]; every default is assumed."""

    exposed_percent: PercentOff = 20.0
    joint_percent: PercentOff = 30.0  # joints and leads together
    wall_percent: PercentOff = 25.0  # conductances of the enclosure
    air_K: float = Field(default=2.0, ge=0, le=30)
    sun_percent: PercentOff = 20.0
    load_percent: PercentOff = 5.0
    wanted_percent: float = Field(default=95.0, gt=0, lt=100)  # what share of the draws is a yes
