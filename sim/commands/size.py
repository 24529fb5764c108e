"""The command that sizes a pack from what a maker knows at the start."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sim.commands.shell import NO, YES, AsJson, Format, Jobs, Picture, Plots, Quiet, say
from sim.errors import InputError

if TYPE_CHECKING:
    from sim.files.size_schema import SizeTable

OPTIONS = "the options"  # stands for a file where there is none
# Where each option's value belongs.
KEYS = {
    "distance": "need.distance_km",
    "speed": "need.speed_km_h",
    "hours": "need.hours",
    "power": "need.power_W",
    "peak": "need.peak_W",
    "current": "need.current_A",
    "peak_current": "need.peak_A",
    "climb": "need.climb_m",
    "stops": "need.stops",
    "reserve": "need.reserve_percent",
    "home": "need.home_share",
    "mass": "vehicle.mass_kg",
    "surface": "vehicle.surface",
    "charger": "window.charger_V",
    "series": "pack.series",
    "parallel": "pack.parallel",
    "packs": "pack.packs",
    "board": "pack.board_max_A",
    "lead": "pack.lead_max_A",
    "fuse": "pack.fuse_A",
    "cold": "cold_C",
    "stock": "stock.cells",
    "price": "stock.price",
    "mass_limit": "stock.mass_max_kg",
}
# What --ask asks for, in this order; an empty answer leaves it out.
ASKED: tuple[tuple[str, str], ...] = (
    ("cell", "Cell profile (a TOML file)"),
    ("distance", "How far, in km (empty if hours tell)"),
    ("speed", "How fast, in km/h"),
    ("hours", "How many hours"),
    ("power", "Mean power in W (empty if mass and surface shall tell)"),
    ("current", "Mean current in A instead (likewise)"),
    ("peak", "Peak power in W (empty for none)"),
    ("peak_current", "Peak current in A (empty for none)"),
    ("mass", "Mass of the laden vehicle in kg"),
    ("surface", "Surface: concrete, asphalt, gravel, cobbles, soil, sand"),
    ("stops", "Stops on the way (empty for none)"),
    ("controller", "Motor controller, lowest and highest volts, such as 42:60"),
    ("charger", "Charger's end voltage in V (empty if none yet)"),
    ("packs", "Number of packs (empty for 1)"),
    ("reserve", "Reserve in percent (empty for 15)"),
    ("ambient", "Air on the hottest day in C"),
    ("cold", "Air on the coldest day in C (empty if it stays warm)"),
)
# Which answers make a question idle: power says what mass would, two of three say the third.
SAID_BY: dict[str, tuple[tuple[str, ...], ...]] = {
    "speed": (("hours", "power"), ("hours", "current"), ("hours", "distance")),
    "hours": (("distance", "speed"),),
    "current": (("power",), ("mass",)),
    "mass": (("power",), ("current",)),
    "surface": (("power",), ("current",)),
    "stops": (("power",), ("current",)),
}


BELONGS_TO = {"peak": "power", "peak_current": "current"}


def _option(metavar: str, text: str) -> Any:
    return typer.Option(metavar=metavar, help=text)


def size(
    requirements: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="Requirements (TOML), or options only.")
    ] = None,
    cell: Annotated[Path | None, _option("FILE", "Cell profile.")] = None,
    distance: Annotated[float | None, _option("KM", "How far.")] = None,
    speed: Annotated[float | None, _option("KM_H", "How fast.")] = None,
    hours: Annotated[float | None, _option("H", "How long.")] = None,
    power: Annotated[float | None, _option("W", "Mean power from the pack.")] = None,
    peak: Annotated[float | None, _option("W", "Peak power, 10 s at a time.")] = None,
    current: Annotated[float | None, _option("A", "Mean current, instead of a power.")] = None,
    peak_current: Annotated[float | None, _option("A", "Peak current, 10 s at a time.")] = None,
    mass: Annotated[float | None, _option("KG", "Mass of the laden vehicle.")] = None,
    surface: Annotated[str | None, _option("WORD", "What it rolls on, such as gravel.")] = None,
    climb: Annotated[float | None, _option("M", "Climb of the day, at 5 %.")] = None,
    stops: Annotated[int | None, _option("N", "Stops on the way.")] = None,
    controller: Annotated[str | None, _option("LOW:HIGH", "Motor controller's volts.")] = None,
    charger: Annotated[float | None, _option("V", "Charger's end voltage.")] = None,
    series: Annotated[int | None, _option("N", "Cells in series, if settled.")] = None,
    parallel: Annotated[int | None, _option("N", "Cells side by side at hand.")] = None,
    packs: Annotated[int | None, _option("N", "Number of packs.")] = None,
    reserve: Annotated[float | None, _option("PERCENT", "Charge to be left. [15]")] = None,
    home: Annotated[float | None, _option("SHARE", "Of the day, on one pack less. [0.5]")] = None,
    ambient: Annotated[float | None, _option("C", "Air on the hottest day.")] = None,
    cold: Annotated[float | None, _option("C", "Air on the coldest day.")] = None,
    board: Annotated[float | None, _option("A", "Protection board, each pack.")] = None,
    lead: Annotated[float | None, _option("A", "Lead, each pack.")] = None,
    fuse: Annotated[float | None, _option("A", "Fuse, each pack.")] = None,
    stock: Annotated[int | None, _option("CELLS", "Cells at hand.")] = None,
    price: Annotated[float | None, _option("PRICE", "Of one cell.")] = None,
    mass_limit: Annotated[float | None, _option("KG", "What the cells may weigh.")] = None,
    ask: Annotated[bool, typer.Option("--ask", help="Ask for what is missing.")] = False,
    write: Annotated[Path | None, _option("FILE", "Write a scenario to simulate.")] = None,
    out: Annotated[Path | None, _option("DIR", "Leave summary and sweep there.")] = None,
    jobs: Jobs = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """What pack do I need: cells in series, cells side by side, and which requirement decides?

    Example: stillair size --cell profiles/cells/nmc-18650-energy.toml --distance 30 --speed 12
    --power 650 --peak 2500 --controller 42:60 --ambient 38 --cold=-10
    """
    given = {name: value for name, value in locals().items() if value is not None}
    if ask:
        given = {**_answers(given), **given}
    table, path = _requirements(given)
    _work(table, path, given)


def _work(table: SizeTable, path: Path, given: dict[str, Any]) -> None:
    """Size, write and print."""
    from concurrent.futures import ThreadPoolExecutor

    from sim.ask.size import MOST_SERIES
    from sim.ask.size import size as ask_size
    from sim.show import size_words as words
    from sim.show.folder import check_replaceable
    from sim.show.progress import count_bar
    from sim.show.size_files import check_new, summary_of, write_scenario, write_size

    write, out = given.get("write"), given.get("out")
    if write is not None:
        check_new(write)
    if out is not None:
        check_replaceable(out)
    bar = count_bar(MOST_SERIES, "sizing")
    with bar as progress, ThreadPoolExecutor(given.get("jobs") or os.cpu_count()) as threads:
        found = ask_size(table, path, threads, progress)
    if out is not None:
        write_size(found, out, plots=given["plots"], suffix=given["picture"].value)
    written = [f"written to {out}"] if out is not None else []
    if write is not None and found.choice is not None:
        write_scenario(found, write)
        written.append(f"scenario written to {write}; go on with: stillair simulate {write}")
    if given["as_json"]:
        say(words.as_text(summary_of(found)))
    elif given["quiet"]:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), *written]))
    raise typer.Exit(YES if found.passed else NO)


def _requirements(given: dict[str, Any]) -> tuple[SizeTable, Path]:
    """Return the checked requirements of a file, options put over it, and where paths start."""
    from sim.files.case import merged
    from sim.files.size_schema import SizeTable
    from sim.files.toml import checked, read_toml

    file = given.get("requirements")
    content = {} if file is None else read_toml(file)
    over: dict[str, Any] = {}
    for name, key in KEYS.items():
        if name in given:
            *tables, last = key.split(".")
            here = over
            for table in tables:
                here = here.setdefault(table, {})
            here[last] = given[name]
    if "controller" in given:
        low, high = _volts(given["controller"])
        window = over.setdefault("window", {})
        window["controller_min_V"], window["controller_max_V"] = low, high
    if "cell" in given:
        start = Path.cwd() if file is None else file.absolute().parent
        over["cell"] = {"profile": os.path.relpath(given["cell"], start)}
    if "ambient" in given:
        content = {key: value for key, value in content.items() if key != "ambient"}
        over["ambient"] = {"constant_C": given["ambient"]}
    if file is None and "cell" not in over:
        raise InputError(
            "--cell is missing; give a cell profile (stillair new DIR lays one), or a file of "
            "requirements, or --ask"
        )
    path = Path(OPTIONS) if file is None else file
    return checked(SizeTable, merged(content, over), str(path)), path


def _volts(text: str) -> tuple[float, float]:
    low, _, high = text.partition(":")
    try:
        return float(low), float(high)
    except ValueError:
        raise InputError(
            f"--controller {text} can't be understood; accepted: LOW:HIGH, such as 42:60"
        ) from None


def _answers(given: dict[str, Any]) -> dict[str, Any]:
    """Ask on the terminal for what was not given; what is answered by Enter alone is left out."""
    if not sys.stdin.isatty():
        raise InputError("--ask needs a terminal to ask on; give options or a file instead")
    there = {**_in_file(given.get("requirements")), **given}
    found: dict[str, Any] = {}
    for name, question in ASKED:
        known = {**found, **there}
        if name in known or any(all(k in known for k in keys) for keys in SAID_BY.get(name, ())):
            continue
        if name in BELONGS_TO and BELONGS_TO[name] not in known:
            continue
        while name not in found:
            text = typer.prompt(question, default="", show_default=False, err=True).strip()
            if not text:
                break
            try:
                found[name] = _understood(name, text)
            except (ValueError, InputError) as problem:
                typer.echo(str(problem), err=True)
    return found


def _in_file(file: Path | None) -> dict[str, Any]:
    """Return by the names of options what a file of requirements says already."""
    from sim.files.toml import read_toml

    content = {} if file is None else read_toml(file)
    keys = {**KEYS, "controller": "window.controller_min_V", "cell": "cell", "ambient": "ambient"}
    found: dict[str, Any] = {}
    for name, key in keys.items():
        here: Any = content
        for part in key.split("."):
            here = here.get(part) if isinstance(here, dict) else None
        if here is not None:
            found[name] = here
    return found


def _understood(name: str, text: str) -> Any:
    """Return an answer as its option would be; raise ValueError or InputError with the reason."""
    from sim.files.size_schema import SURFACES

    if name == "cell":
        if not Path(text).is_file():
            raise ValueError(f"{text} is not there; stillair new DIR lays a generic cell.toml")
        return Path(text)
    if name == "surface" and text not in SURFACES:
        raise ValueError(f"{text} is not among {', '.join(SURFACES)}")
    if name == "controller":
        _volts(text)
    if name in ("surface", "controller"):
        return text
    whole = name in ("packs", "stops")
    try:
        return int(text) if whole else float(text)
    except ValueError:
        raise ValueError(f"{text} is not a {'whole ' if whole else ''}number") from None
