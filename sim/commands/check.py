"""The command that shows how a scenario is understood."""

from __future__ import annotations

import json

from sim.commands.shell import AsJson, Quiet, Scenario, say


def check(
    scenario: Scenario,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Is this file right, before I wait for a run? Shows how everything was understood."""
    from sim.files.case import read_case
    from sim.show.check import understood
    from sim.show.summary import inputs

    case = read_case(scenario)
    if as_json:
        say(json.dumps(inputs(case), indent=2, allow_nan=False))
    else:
        lines = understood(case)
        say("\n".join(lines[:1] if quiet else lines))
