"""The report: complete in itself, text stays text, and its numbers are the run's.

What a page must be is taken from the HTML standard and WCAG 2.2 (both from memory); a real browser
looks at it in test_report_browser.py.
"""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from pathlib import Path

import pytest
import small_day
from hypothesis import given
from hypothesis import strategies as st
from report_page import BUILT, HOSTILE, LEADS, PLAIN, Page, reported
from small_day import answer, names_in, write_day

from sim.ask.report import report
from sim.files.case import read_case
from sim.show.report import content_of
from sim.show.report_pack import used_up
from sim.show.report_sections import MOST_COUNTS, SECTIONS, counts
from sim.show.report_words import bad_end, badge

SIM = Path(__file__).resolve().parents[1] / "sim"
AA = 4.5  # WCAG 2.2, 1.4.3: contrast of text of ordinary size


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Return the page of identical cells with every section that can be asked for."""
    asked = {**PLAIN, "conductor": [LEADS]}
    code, out = reported(
        tmp_path_factory.mktemp("plain"),
        asked,
        "--with",
        "sweep,headroom,wiring,odds",
        "--jobs",
        "1",
    )
    assert code in (0, 1)
    return Page(out.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Return the page of a pack as built that gets too hot."""
    code, out = reported(tmp_path_factory.mktemp("built"), BUILT)
    assert code == 1
    return Page(out.read_text(encoding="utf-8"))


@pytest.fixture(params=["plain", "built"])
def page(request):
    return request.getfixturevalue(request.param)


def test_the_page_is_whole(page):
    assert page.declaration.lower() == "doctype html"
    assert page.torn == []
    assert page.open == []
    assert page.all("html")[0]["lang"] == "en"
    assert page.raw.count("<html") == page.raw.count("</html>") == 1


def test_nothing_in_it_asks_a_network(page):
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            if name in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
                assert value.startswith("#") or value == "data:,", (tag, name, value)
            assert "http:" not in value, (tag, name)
            assert "https:" not in value, (tag, name)
    style = page.text("style") + "".join(a.get("style", "") for _, a in page.elements)
    assert "@import" not in style
    assert all(url.startswith("#") for url in re.findall(r"url\(['\"]?([^'\")]*)", style))


def test_the_pages_own_policy_forbids_all_but_its_own_script(page):
    (policy,) = [
        m["content"] for m in page.all("meta")
        if m.get("http-equiv") == "Content-Security-Policy"
    ]  # fmt: skip
    digest = base64.b64encode(hashlib.sha256(page.text("script").encode()).digest()).decode()

    assert "default-src 'none'" in policy
    assert f"script-src 'sha256-{digest}'" in policy


def test_hostile_titles_and_column_names_stay_text(page):
    assert len(page.all("script")) == 1
    assert "hostile" not in page.text("script")
    assert not [name for _, a in page.elements for name in a if name.startswith("on")]
    assert page.all("img", "b", "i", "iframe", "object", "form") == []
    assert page.text("h1") == HOSTILE
    assert page.text("title").startswith(HOSTILE)
    assert "<b onclick=window.hostile=1>power_W" in page.text()
    assert "49" not in page.text("h1")  # {{ 7*7 }} is not reckoned out


def test_ids_are_unique_and_every_reference_has_its_id(page):
    ids = [a["id"] for _, a in page.elements if "id" in a]
    wanted = [a["href"][1:] for _, a in page.elements if a.get("href", "").startswith("#")]
    wanted += [a["aria-labelledby"] for _, a in page.elements if "aria-labelledby" in a]
    wanted += [
        name for _, a in page.elements for value in a.values()
        for name in re.findall(r"url\(#([^)]*)\)", value)
    ]  # fmt: skip

    assert len(ids) == len(set(ids))
    assert set(wanted) <= set(ids)


def test_headings_come_in_order_and_every_section_has_one(page):
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]

    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_every_picture_has_words(page):
    pictures = [a for a in page.all("svg") if a.get("aria-hidden") != "true"]

    assert len(pictures) >= 4
    assert all(a["role"] == "img" and len(a["aria-label"]) > 30 for a in pictures)


def test_every_table_has_a_caption_and_every_cell_a_head(page):
    tables = len(page.all("table"))

    assert tables >= 5
    assert len(page.all("caption")) == tables
    assert all(a.get("scope") in ("col", "row") for a in page.all("th"))
    assert all(a.get("tabindex") == "0" for a in page.all("div") if "scroll" in a.get("class", ""))


def test_what_scrolls_has_a_name_of_its_own(page):
    names = [a["aria-label"] for _, a in page.elements if a.get("role") == "region"]

    assert len(names) == len(set(names))


SECTION_IDS = ["cautions", "margins", "day", "first", "inputs", "guesses", "audit", "measure",
               "values"]  # fmt: skip


def test_the_answer_comes_first_and_all_sections_are_there(plain, built):
    for page, more in (
        (plain, {"one-out", "with-sweep", "with-headroom", "with-wiring", "with-odds"}),
        (built, {"map"}),
    ):
        order = [a["id"] for tag, a in page.elements if tag in ("section", "h2") and "id" in a]
        assert order[0] == "answer"
        assert [name for name in order if name in SECTION_IDS] == SECTION_IDS
        assert set(order) - {"answer", *SECTION_IDS} == more


def test_the_page_tells_what_simulate_tells(tmp_path):
    path = write_day(tmp_path, {"pack.packs": 2})
    _, said, _ = answer("simulate", path, "--json", "--out", tmp_path / "run", "--no-plots")
    summary = json.loads(said)
    code, quiet, _ = answer("report", path, "--quiet", "--out", tmp_path / "r.html")
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    text = page.text()

    assert code == (0 if summary["verdict"]["passed"] else 1)
    assert quiet.strip() == summary["verdict"]["sentence"]
    assert summary["verdict"]["sentence"] in text
    assert summary["digest"] in text
    for sentence in summary["assumptions"]:
        assert sentence in text
    hot = next(limit for limit in summary["limits"] if limit["limit"] == "hot")
    assert f"{hot['worst']:.1f} C" in text
    assert f"+{hot['margin']:.1f} K" in text
    for guess in summary["guesses"]:
        assert guess["from"] in text


def test_json_says_what_the_page_says(tmp_path):
    path = write_day(tmp_path)
    code, said, err = answer(
        "report", path, "--json", "--with", "headroom", "--out", tmp_path / "r"
    )
    content = json.loads(said)

    assert (code, err) == (0, "")
    assert content["command"] == "report"
    assert content["with"]["headroom"]["passed"] is True
    assert content["with"]["headroom"]["sentence"] in Page((tmp_path / "r").read_text()).text()


def test_less_capacity_leaves_less_charge_by_the_closed_form(tmp_path):
    """At constant current the charge left is 1 - I t / Q; a guess of Q that is u too great makes it
    1 - I t / (Q (1 - u)). Nothing else of the day may hang on how that was reckoned."""
    current_A, hours = 4.0, 2.0
    content = write_day(tmp_path)
    (tmp_path / "load.csv").write_text("time_s,current_A\n0,4.0\n3600,4.0\n7200,0\n")
    case = read_case(content)
    found = report(case)
    (moved,) = [one for one in found.moves if one.group == "capacity"]
    drawn_Ah = current_A / case.plant.pack.parallel * hours
    full_Ah, unsure = case.profile.capacity_Ah, small_day.CELL["sources"]["capacity"]["uncertainty"]

    assert moved.share == unsure
    assert found.plain.end_soc == pytest.approx(1.0 - drawn_Ah / full_Ah, abs=1e-9)
    assert moved.outcome.end_soc == pytest.approx(
        1.0 - drawn_Ah / (full_Ah * (1.0 - unsure)), abs=1e-9
    )


def test_a_guess_alone_moves_less_than_all_of_them_together(tmp_path):
    case = read_case(write_day(tmp_path, {"enclosure": dict(PLAIN["enclosure"])}))
    found = report(case)
    together = found.run.bad_end.verdict.limit(3).worst

    assert found.plain.hottest_core_C == pytest.approx(found.run.verdict.limit(3).worst, abs=1e-9)
    assert together is not None
    assert all(one.outcome.hottest_core_C <= together + 1e-6 for one in found.moves)


def test_a_limit_is_used_up_whole_at_the_limit_and_not_at_all_at_the_other_end(tmp_path):
    case = read_case(write_day(tmp_path, {"limits.reserve_percent": 20}))
    run = report(case).run
    low, hot, kept = (run.verdict.limit(n) for n in (0, 3, 2))
    full_V, coldest_C = case.profile.limits.full_V, case.profile.limits.discharge_core_min_C

    assert used_up(case.limits, low) == pytest.approx((full_V - low.worst) / (full_V - low.level))
    assert used_up(case.limits, hot) == pytest.approx(
        (hot.worst - coldest_C) / (hot.level - coldest_C)
    )
    assert used_up(case.limits, kept) == pytest.approx((100.0 - kept.worst) / 80.0)


@given(st.integers(1, 10_000))
def test_the_sweep_of_a_report_holds_todays_count_and_is_no_long_one(parallel):
    first, last, step = map(int, counts(parallel).split(":"))
    tried = range(first, last + 1, step)

    assert parallel in tried
    assert first >= 1
    assert len(tried) <= MOST_COUNTS + 1
    assert last > parallel


def luminance(colour: str) -> float:
    """Return the relative luminance of "#rrggbb" (WCAG 2.2, definitions)."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_every_colour_of_text_has_contrast_enough_by_light_and_dark():
    style = (SIM / "show/templates/report.css").read_text()
    themes = [dict(re.findall(r"--(\w+): (#\w{6})", block)) for block in style.split("@media")[:2]]

    assert luminance("#ffffff") == pytest.approx(1.0)
    for theme in themes:
        for text in ("ink", "soft", "warm", "cool", "leaf", "plum", "yes", "if", "no"):
            for ground in ("paper", "card"):
                light, dark = sorted((luminance(theme[text]), luminance(theme[ground])))[::-1]
                assert (light + 0.05) / (dark + 0.05) >= AA, (text, ground, theme)


def test_the_first_line_of_a_log_that_the_page_shows_is_understood(plain, tmp_path):
    header = next(t for tag, t in plain.texts if tag == "code" and t.startswith("time_s,"))
    log = tmp_path / "log.csv"
    log.write_text(header + "\n" + "".join(f"{s},1.0,16.0,25.0,20.0\n" for s in range(30)))
    code, _, err = answer("check", log)

    assert (code, err) == (0, "")


def test_a_section_that_there_is_not_is_refused_by_one_sentence(tmp_path):
    path = write_day(tmp_path)
    code, out, err = answer("report", path, "--with", "sweep,luck", "--out", tmp_path / "r.html")

    assert (code, out) == (2, "")
    known = ", ".join(sorted(SECTIONS))
    assert err == f"--with luck: a report has no such section; accepted: {known}\n"
    assert "r.html" not in names_in(tmp_path)


def test_a_section_that_does_not_fit_the_scenario_is_refused_before_anything_is_written(tmp_path):
    path = write_day(tmp_path)  # has neither [[conductor]] nor [fuse]
    code, out, err = answer("report", path, "--with", "wiring", "--out", tmp_path / "r.html")

    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "conductor" in err
    assert "r.html" not in names_in(tmp_path)


def test_another_file_is_not_replaced_but_an_older_report_is(tmp_path):
    path, page = write_day(tmp_path), tmp_path / "page.html"
    page.write_text("<p>a letter</p>")
    code, _, err = answer("report", path, "--out", page)
    assert code == 2
    assert "no report of Stillair's" in err
    assert page.read_text() == "<p>a letter</p>"

    page.unlink()
    assert answer("report", path, "--out", page)[0] == 0
    first = page.read_bytes()
    assert answer("report", path, "--out", page)[0] == 0
    assert page.read_bytes() == first  # the same inputs, the same page
    assert names_in(tmp_path) == ["cell.toml", "day.toml", "load.csv", "page.html"]


def test_a_folder_is_no_place_for_a_page(tmp_path):
    code, _, err = answer("report", write_day(tmp_path), "--out", tmp_path)

    assert code == 2
    assert "is a folder" in err


def test_a_page_is_made_by_the_report_files_alone():
    for path in SIM.rglob("*.py"):
        if re.search(r"^\s*(from|import) (jinja2|markupsafe)", path.read_text(), re.M):
            assert re.fullmatch(r"report(_\w+)?\.py", path.name), path


@pytest.mark.parametrize(
    ("margin_K", "passed", "said"),
    [
        (-1.5, False, "At their colder end a limit of cold is crossed"),
        (4.0, True, "At their colder end no limit of cold is crossed"),
        (40.0, True, None),  # far from frost, nothing is said of it
    ],
)
def test_frost_is_told_of_at_its_own_end_where_it_comes_near(tmp_path, margin_K, passed, said):
    content = content_of(report(read_case(write_day(tmp_path))), {})
    content["bad_end"]["cold"] = {
        "about": "coldest core on discharge",
        "worst": -20.0 + margin_K,
        "margin": margin_K,
        "passed": passed,
    }
    told = bad_end(content)

    assert ("colder end" in told) == (said is not None)
    if said is not None:
        assert f"{said}: coldest core on discharge {-20.0 + margin_K:.1f} C" in told


def test_the_badge_hangs_on_the_guesses_where_their_bad_end_does_not_pass(tmp_path):
    run = report(read_case(write_day(tmp_path))).run

    assert badge(run, {"bad_end": {"passed": True}}) == ("Yes", "yes")
    assert badge(run, {"bad_end": {"passed": False}}) == ("Yes, if the guesses hold", "if")
