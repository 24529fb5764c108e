"""One page that answers "is that safe?": complete in itself, for a screen and for paper."""

from __future__ import annotations

import base64
import hashlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim import __version__
from sim.ask.built import BuiltResult
from sim.ask.report import Report
from sim.errors import OutputError
from sim.show import days_words
from sim.show import report_words as words
from sim.show.built_summary import built_summary
from sim.show.check import subjects
from sim.show.report_day import NARROW, WIDE, day_chart, expected, told
from sim.show.report_pack import FURTHEST, margins, pack_map
from sim.show.report_sections import Section
from sim.show.summary import summary

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATE = "report.html"
SIGNED = '<meta name="generator" content="stillair'  # every report of ours begins with it
SIGNED_WITHIN = 1000  # bytes
OPEN_FOR_PRINT = (
    'addEventListener("beforeprint",function(){document.querySelectorAll("details").forEach('
    "function(d){d.open=true})})"
)
LEFT_OUT = ("note", "guess", "assumed")  # have sections of their own


def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("sim", "show/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def content_of(report: Report, sections: Mapping[str, Section]) -> dict[str, Any]:
    """Return the summary of a report: that of its run, and the answers of what else was asked."""
    run = report.run
    whole = built_summary(run) if isinstance(run, BuiltResult) else summary(run)
    asked = {name: {"passed": one.passed, "sentence": one.answer} for name, one in sections.items()}
    return {**whole, "command": "report", "with": asked}


def page(report: Report, sections: Mapping[str, Section]) -> str:
    """Return the whole page."""
    run, content = report.run, content_of(report, sections)
    case, built = run.case, isinstance(run, BuiltResult)
    script = hashlib.sha256(OPEN_FOR_PRINT.encode()).digest()
    rows = margins(run, words.places(run))
    badge, badge_class = words.badge(run, content)
    happened = words.events(run)
    maps = []
    if isinstance(run, BuiltResult):
        maps = [("wide", pack_map(run, WIDE - 80.0)), ("narrow", pack_map(run, NARROW - 20.0))]
    inputs = [(name or "how it is read", text) for name, text in subjects(case)
              if name not in LEFT_OUT and text]  # fmt: skip
    return _environment().get_template(TEMPLATE).render(
        version=__version__,
        script=OPEN_FOR_PRINT,
        script_hash=base64.b64encode(script).decode(),
        title=case.scenario.title,
        scenario=case.path.name,
        digest=case.digest,
        badge=badge,
        badge_class=badge_class,
        answer=words.first_line(run),
        cautions=words.CAUTIONS,
        margins=rows,
        furthest=FURTHEST,
        widths=[("wide", WIDE), ("narrow", NARROW)],
        charts=[("wide", day_chart(run, WIDE)), ("narrow", day_chart(run, NARROW))],
        day_told=told(run),
        events=happened[: words.MOST_EVENTS],
        more_events=len(happened) - words.MOST_EVENTS,
        placed=built,
        maps=[one for one in maps if one[1] is not None],
        one_out=content["one_pack_out"],
        boards=content.get("boards", []),
        charging=content.get("charging", []),
        days=content["days"],
        days_told=days_words.told(case, run.days, run.repeats_from),
        sections=dict(sections),
        inputs=inputs,
        values=words.values(content["inputs"]),
        guesses=words.guess_rows(report),
        bad_end=words.bad_end(content),
        assumptions=content["assumptions"],
        notes=content["notes"],
        audit=words.audit_rows(content),
        hottest=words.hottest_place(run),
        expected=expected(run),
        stop_at=words.stop_at(run),
        boxed=case.scenario.enclosure is not None,
    )  # fmt: skip


def check_free(path: Path) -> None:
    """Raise OutputError where `path` is something else than a report of ours, or no file at all."""
    try:
        if path.is_dir():
            raise OutputError(f"{path} is a folder; give --out a file, such as report.html")
        if path.exists() and SIGNED.encode() not in path.read_bytes()[:SIGNED_WITHIN]:
            raise OutputError(
                f"{path} is there already and no report of Stillair's, and would be replaced; give "
                "another --out"
            )
        nearest = next(place for place in path.absolute().parents if place.exists())
        if not nearest.is_dir():
            raise OutputError(f"{path} can't be written: {nearest} is a file")
        if not os.access(nearest, os.W_OK | os.X_OK):
            raise OutputError(f"{path} can't be written: no permission in {nearest}")
    except OSError as problem:
        raise _unwritable(path, problem) from None


def write_page(text: str, path: Path) -> None:
    """Write the page beside and rename it to `path`, whole or not at all; raises OutputError."""
    check_free(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{path.name}.", dir=path.parent) as beside:
            fresh = Path(beside) / path.name
            # A path that is no UTF-8 comes in as lone surrogates, which a page can't hold.
            fresh.write_text(text, "utf-8", errors="backslashreplace")
            fresh.replace(path)
    except OSError as problem:
        raise _unwritable(path, problem) from None


def _unwritable(path: Path, problem: OSError) -> OutputError:
    return OutputError(f"{path} can't be written: {problem.strerror or problem}")
