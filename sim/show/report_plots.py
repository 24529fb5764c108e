"""The pictures of other commands, put inside a page."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from markupsafe import Markup, escape

# All that matplotlib's SVG is made of and a page needs; its style sheet would restyle the page,
# its metadata names hosts.
KEPT = {"svg", "g", "path", "defs", "use", "clipPath", "rect", "image", "linearGradient", "stop"}
DROPPED = {"metadata", "style", "title"}


def inline(draw: Callable[[Any, Path], None], found: Any, name: str, told: str) -> Markup:
    """Return what `draw` draws of `found` as one `<svg>` for a page, with `told` as its words.

    Ids begin with `name`, so that two pictures on a page keep apart.
    """
    import matplotlib

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "picture.svg"
        with matplotlib.rc_context({"svg.hashsalt": "stillair", "svg.fonttype": "path"}):
            draw(found, path)
        root = ElementTree.parse(path).getroot()
    _plain(root, f"{name}-")
    size = {"viewBox": root.get("viewBox", ""), "class": "drawn"}
    root.attrib.clear()
    root.attrib.update(size)
    body = ElementTree.tostring(root, encoding="unicode").partition(">")[2]
    opening = Markup('<svg class="drawn" viewBox="{}" role="img" aria-label="{}" {}>').format(
        size["viewBox"], told, Markup('stroke-linejoin="round" stroke-linecap="butt"')
    )
    return opening + Markup(body)  # built of the elements above alone; text came out as paths


def _plain(element: ElementTree.Element, prefix: str) -> None:
    """Take namespaces, metadata and style sheets away, and put `prefix` before every id."""
    element.tag = element.tag.rpartition("}")[2]
    for key in list(element.attrib):
        value = element.attrib.pop(key)
        key = key.rpartition("}")[2]
        if key == "id":
            value = prefix + value
        elif key == "href" and value.startswith("#"):
            value = f"#{prefix}{value[1:]}"
        value = value.replace("url(#", f"url(#{prefix}")
        element.attrib[key] = value
    for child in list(element):
        name = str(child.tag).rpartition("}")[2]
        if name in DROPPED or not isinstance(child.tag, str):
            element.remove(child)
            continue
        if name not in KEPT:
            raise ValueError(f"a picture holds <{escape(name)}>, which no page takes")
        _plain(child, prefix)
