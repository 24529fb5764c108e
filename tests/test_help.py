"""`--help` of every command has one example, and the example is one that the command takes."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
import typer
from small_day import answer

from sim import cli

ROOT = Path(__file__).resolve().parents[1]
COMMANDS = typer.main.get_command(cli.app).commands


def example_of(name: str) -> list[str]:
    """Return the words of the only example in a command's help, from its first line to a gap."""
    code, out, err = answer(name, "--help")
    assert (code, err) == (0, "")
    paragraphs = [" ".join(part.split()) for part in out.split("\n\n")]
    (said,) = [part for part in paragraphs if "Example:" in part]
    assert said.startswith(f"Example: stillair {name} ")
    return shlex.split(said.removeprefix("Example: "))


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_every_command_has_one_example_that_it_takes(name):
    words = example_of(name)

    # Parsed and not run: an option that is unknown or a missing argument raises here.
    COMMANDS[name].make_context(name, words[2:])
    for word in words:
        folder = ROOT / word.split("/")[0]
        if word.startswith(("scenarios/", "profiles/")) and folder.is_dir():  # beside a checkout
            assert (ROOT / word).is_file(), word
