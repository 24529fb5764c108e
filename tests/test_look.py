"""The look of all pictures: words can be read on their ground, and stand where their lines end.

Contrast is WCAG 2.2, 1.4.3 (from memory); luminance is reckoned here apart from the code's own.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from small_day import answer
from test_report import AA, luminance
from test_report_formats import asked_of

from sim.show import look_plots as look
from sim.show.sweep_plots import KINDS

SHOW = Path(__file__).resolve().parents[1] / "sim/show"
WORDS = (look.INK, look.SOFT, look.WARM, look.COOL, look.LEAF, look.PLUM)


def contrast(one: str, other: str) -> float:
    """Return the contrast of two colours "#rrggbb"."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("colour", WORDS)
def test_words_in_every_hue_can_be_read_on_white(colour):
    assert contrast(colour, "#ffffff") >= AA


@pytest.mark.parametrize("name", KINDS)
def test_words_can_be_read_on_the_colour_of_what_gives_first(name):
    _, ground = KINDS[name]
    words = {"white": "#ffffff"}.get(look.words_on(ground), look.words_on(ground))

    assert contrast(words, ground) >= AA


@pytest.mark.parametrize("command", ["simulate", "compare", "size", "odds"])
def test_no_words_of_a_picture_are_fainter_than_can_be_read(command, tmp_path):
    with rc_context({"svg.fonttype": "none"}):  # words stay words, with their colour beside them
        code, _, err = answer(*asked_of(command, tmp_path, {}), "--format", "svg")
    assert code in (0, 1), err
    (drawn,) = (tmp_path / "out").glob("*.svg")
    colours = [
        re.search(r"fill: (#\w{6})", tag) for tag in re.findall(r"<text [^>]*>", drawn.read_text())
    ]

    assert len(colours) > 20
    assert all(contrast(c[1] if c else "#000000", "#ffffff") >= AA for c in colours)


def test_no_picture_has_a_legend_and_every_one_draws_text_as_written():
    for path in SHOW.glob("*plots.py"):
        text = path.read_text()
        assert ".legend(" not in text, path.name
        pictures = re.findall(
            r"(?:^(@\w+)\n)?^def (\w*(?:picture|overview|pack_map))\(", text, re.M
        )
        assert all(mark == "@as_written" for mark, _ in pictures), path.name


@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6),
    st.floats(0.02, 0.12),
)
def test_names_at_the_ends_keep_apart_and_keep_the_order_of_their_lines(values, apart):
    figure = Figure()
    FigureCanvasAgg(figure)
    ax = figure.subplots()
    ax.set_ylim(0.0, 1.0)

    look.ends(ax, [(value, f"line {k}", look.INK) for k, value in enumerate(values)], apart)

    places = np.array([text.xy[1] for text in ax.texts])
    named = [int(text.get_text().split()[1]) for text in ax.texts]
    assert np.all(np.diff(places) >= 0.98 * apart)
    assert [values[k] for k in named] == sorted(values)


def test_a_line_that_ends_in_a_gap_is_named_where_it_was_last_seen():
    assert look.last([1.0, 2.0, np.nan]) == 2.0
    assert np.isnan(look.last([np.nan]))
