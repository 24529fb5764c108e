"""Reports for tests, and a reader of pages that knows nothing of how they were made."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from small_day import answer, load_csv, write_day

# A title that would be a page's own if it were not kept as text; right-to-left letters among it.
HOSTILE = (
    "<script>window.hostile=1</script> \"'> <img src=x onerror=window.hostile=1> &amp; {{ 7*7 }} "
    "\u05e2\u05d2\u05dc\u05d4 \u202e</title></style>-->"
)
COLUMN = '<b onclick=window.hostile=1>power_W "x"'
BOX = {"wall_area_m2": 1.0, "wall_conductance_W_m2K": 3.0, "heat_capacity_J_K": 900.0}
LEADS = {
    "name": "<i>leads</i>",
    "material": "copper",
    "area_mm2": 10,
    "length_mm": 500,
    "insulation_max_C": 90,
}
PLAIN = {"title": HOSTILE, "pack.packs": 2, "enclosure": BOX, "limits.reserve_percent": 15}
BUILT = {
    "title": HOSTILE,
    "layout": {"rows": 4, "columns": 5},
    "spread": {"resistance_percent": 5.0, "seed": 1},
    "limits.core_max_C": 30.0,
}
VOID = {"meta", "link", "br", "img", "input", "hr"}


class Page(HTMLParser):
    """What stands in a page: elements with their attributes, and text by element."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.raw = text
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.texts: list[tuple[str, str]] = []
        self.open: list[str] = []
        self.torn: list[str] = []
        self.declaration = ""
        self.feed(text)
        self.close()

    def handle_decl(self, decl: str) -> None:
        self.declaration = decl

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.torn.append(tag)

    def handle_data(self, data: str) -> None:
        self.texts.append((self.open[-1] if self.open else "", data))

    def all(self, *tags: str) -> list[dict[str, str]]:
        """Return the attributes of every element of these names."""
        return [attributes for tag, attributes in self.elements if tag in tags]

    def text(self, *tags: str) -> str:
        """Return the text inside elements of these names, of all but script and style without."""
        return "".join(
            data
            for tag, data in self.texts
            if (tag in tags if tags else tag not in ("script", "style"))
        )


def write_scenario(folder: Path, changes: dict[str, Any]) -> Path:
    """Write the small day, changed, its load under a hostile column name."""
    path = write_day(folder, {"load.column": COLUMN, "load.unit": "W", **changes})
    rows = load_csv().splitlines()[1:]
    header = 'time_s,"' + COLUMN.replace('"', '""') + '"'
    (folder / "load.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def reported(folder: Path, changes: dict[str, Any], *words: str) -> tuple[int, Path]:
    """Write a report of the small day, changed; return exit code and the page's path."""
    path = write_scenario(folder, changes)
    out = folder / "page.html"
    code, _, err = answer("report", path, "--out", out, *words)
    assert code in (0, 1), err
    return code, out
