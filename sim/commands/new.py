"""The command that lays a scenario to start from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import Quiet, say


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where to; made if need be.")],
    quiet: Quiet = False,
) -> None:
    """Give me a file to start from: a commented scenario with its profiles.

    Example: stillair new my-cart
    """
    from sim.show.starter import lay

    scenario, *others = lay(folder)
    if quiet:
        say(str(scenario))
        return
    say(
        f"{scenario} is laid, with {' and '.join(path.name for path in others)} beside it; nothing "
        "was overwritten.\n"
        f"Run it as it is: stillair simulate {scenario}\n"
        "Then change one thing at a time; each line says what it means."
    )
