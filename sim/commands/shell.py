"""What all commands share: exit codes, options, and how an answer is printed."""

from __future__ import annotations

import enum
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from sim.errors import OutputError

YES, NO, UNUSABLE, INTERRUPTED = 0, 1, 2, 130


class Format(enum.Enum):
    """How a picture is drawn."""

    png = "png"
    svg = "svg"
    pdf = "pdf"


Scenario = Annotated[Path, typer.Argument(metavar="SCENARIO", help="A scenario file (TOML).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the summary as JSON, not words.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print the answer only, one line.")]
Plots = Annotated[bool, typer.Option("--plots/--no-plots", help="Draw the picture.")]
Picture = Annotated[Format, typer.Option("--format", help="Of the picture.")]
Jobs = Annotated[
    int | None, typer.Option(metavar="N", min=1, help="Threads. [default: one a core]")
]


def say(text: str) -> None:
    """Print an answer; a reader who has gone (`| head -1`) changes nothing about it."""
    try:
        typer.echo(text)
    except OSError as problem:
        forget_output()
        if not isinstance(problem, BrokenPipeError):
            raise OutputError(f"the answer can't be printed: {problem.strerror}") from None


def forget_output() -> None:
    """Let what is left in the buffer go nowhere, or it would fail once more when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
