"""The command line: which commands there are, and how every error ends."""

from __future__ import annotations

import _thread
import gc
import io
import signal
import sys
from threading import Timer
from types import FrameType
from typing import Annotated, Any

import typer

from sim import __version__
from sim.commands.check import check
from sim.commands.compare import compare
from sim.commands.fit import fit
from sim.commands.headroom import headroom
from sim.commands.new import new
from sim.commands.odds import odds
from sim.commands.report import report
from sim.commands.shell import INTERRUPTED, NO, UNUSABLE, YES, forget_output
from sim.commands.simulate import simulate
from sim.commands.size import size
from sim.commands.sweep import sweep
from sim.commands.wiring import wiring
from sim.errors import InputError, StillairError
from sim.physics import compiling

# typer gives its base of wrong options and missing arguments no public name.
UsageError: Any = typer.BadParameter.__base__

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Is passive cooling enough for this battery pack, by how much, and what gives first? "
    "Exit codes: 0 yes, 1 a limit is crossed, 2 the input can't be used, 130 interrupted.",
)
for command in (
    simulate, check, fit, compare, sweep, headroom, wiring, size, odds, report, new,
):  # fmt: skip
    app.command()(command)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stillair {__version__}")
        raise typer.Exit(YES)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Options of the command itself."""


def _complain(problem: StillairError) -> None:
    """Print one line a complaint, whatever stands in the names and values that it quotes."""
    said = problem.complaints if isinstance(problem, InputError) else [str(problem)]
    for line in said:
        whole = "".join(c if c.isprintable() else repr(c)[1:-1] for c in line)
        typer.echo(whole, err=True)


def _hint_at_minus(problem: Any) -> None:
    """Say how a negative number is given, where one was taken for an option."""
    if str(getattr(problem, "option_name", ""))[1:2].isdigit():
        typer.echo(
            "A negative number has to be the value of an option: --ambient -10 or --ambient=-10.",
            err=True,
        )


def _say_compiling() -> None:
    # From the line's begin, where a progress bar may stand.
    words = "compiling, once for this version: some 15 s on a quiet machine"
    typer.echo(f"\r{words:<79}", err=True)


def _interrupted(number: int, frame: FrameType | None) -> None:
    """Interrupt what runs, but not what builds machine code: as soon as that is done.

    LLVM calls back into Python; what is raised there is lost, and what it was building broken.
    """
    while frame is not None:
        if str(frame.f_globals.get("__name__")).startswith("llvmlite"):
            Timer(0.02, _thread.interrupt_main).start()
            return
        frame = frame.f_back
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; every error ends in one sentence and its exit code."""
    # Else a run of 86,400 rows is gone through for garbage 1,400 times: 8 % of it.
    gc.set_threshold(50_000)
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupted)
    if sys.stderr.isatty():
        compiling.TOLD.append(_say_compiling)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a title may hold what this terminal can't show
            stream.reconfigure(errors="backslashreplace")
    try:
        code = app(standalone_mode=False)
    except StillairError as problem:
        _complain(problem)
        code = UNUSABLE
    except UsageError as problem:
        problem.show()
        _hint_at_minus(problem)
        code = UNUSABLE
    except ArithmeticError as problem:
        typer.echo(f"No answer: {problem}", err=True)
        code = NO
    except OSError as problem:  # such as no room for the compiled code
        typer.echo(f"No answer, the system refused: {problem}", err=True)
        forget_output()
        code = UNUSABLE
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    if code == INTERRUPTED:  # typer itself turns most interrupts into their code
        typer.echo("Interrupted; nothing was written.", err=True)
    sys.exit(code)


if __name__ == "__main__":
    main()
