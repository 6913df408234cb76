"""Report and verdicts in a real browser: they obey their own policy, print, and enlarge their curves."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from report.wagtail import wagtail
from support import absent, shared_data

from logger.judge.page import render_verdicts
from logger.judge.source import judge_path
from logger.report.render import render


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        absent("no chromium on PATH")
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(render(wagtail()), encoding="utf-8")
    return path


@pytest.fixture
def page(browser: Browser, report: Path) -> Iterator[Page]:
    opened = browser.new_page(viewport={"width": 1100, "height": 900})
    faults: list[str] = []
    opened.on("console", lambda message: faults.append(message.text))
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("request", lambda request: faults.append(request.url) if "file:" not in request.url else None)
    opened.goto(report.as_uri())
    yield opened
    assert faults == []
    opened.close()


@pytest.mark.parametrize(("paper", "pages"), [("A4", range(7, 11)), ("Letter", range(7, 11))])
def test_prints_on_few_pages(page: Page, paper: str, pages: range) -> None:
    printed = page.pdf(format=paper)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) in pages


def test_paper_does_not_cut_what_belongs_together(page: Page) -> None:
    page.emulate_media(media="print")
    for kind in ("figure", "table", "section.whole"):
        assert page.locator(kind).first.evaluate("e => getComputedStyle(e).breakInside") == "avoid"
    assert page.locator(".zoomhint").evaluate("e => getComputedStyle(e).display") == "none"


def test_no_white_is_left_below_a_section_s_last_part(page: Page) -> None:
    """A note in the margin makes a section no taller than the taller of the two."""
    below = page.evaluate(
        """() => [...document.querySelectorAll("section > .body")].map(body => {
            const parts = [...body.children].map(part => {
                const inner = document.createRange();
                inner.selectNodeContents(part);
                return Math.max(...[...inner.getClientRects()].map(r => r.bottom), 0);
            });
            return body.getBoundingClientRect().bottom - Math.max(...parts);
        })"""
    )
    assert len(below) > 6
    assert max(below) < 30


@pytest.mark.parametrize("width", [360, 800, 1400])
def test_no_screen_makes_the_whole_page_scroll_sideways(page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    over = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(over) <= 0


def test_dark_screens_get_light_ink(page: Page) -> None:
    page.emulate_media(color_scheme="dark")
    ink, paper = page.evaluate("(b => [b.color, b.backgroundColor])(getComputedStyle(document.body))")
    assert sum(map(int, re.findall(r"\d+", ink))) > 500 > sum(map(int, re.findall(r"\d+", paper)))


def test_dragging_looks_closer_at_all_pads_of_a_capture(page: Page) -> None:
    charts = page.locator(".settle").first.locator("svg.chart")
    pane = charts.first.locator(".pane")
    whole = pane.get_attribute("viewBox")
    other = page.locator(".settle").nth(1).locator("svg.chart .pane").first.get_attribute("viewBox")
    charts.first.scroll_into_view_if_needed()
    box = charts.first.locator("rect.span").last.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 5, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 + 3, steps=4)
    page.mouse.up()
    closer = [chart.locator(".pane").get_attribute("viewBox") for chart in charts.all()]
    left, _, width, _ = map(float, str(closer[0]).split())
    assert left > 0
    assert width < float(str(whole).split()[2]) / 2
    assert all(view != whole for view in closer)
    ticks = [float(text.replace("−", "-")) for text in charts.first.locator(".tx text").all_text_contents()]
    assert len(ticks) >= 2
    assert 0 <= min(ticks) < max(ticks) <= 7
    assert page.locator(".settle").nth(1).locator("svg.chart .pane").first.get_attribute("viewBox") == other
    charts.first.press("0")
    assert pane.get_attribute("viewBox") == whole


def test_keys_look_closer_and_move(page: Page) -> None:
    chart = page.locator("svg.chart").first
    pane = chart.locator(".pane")
    x, _, w, _ = map(float, str(pane.get_attribute("viewBox")).split())
    chart.press("+")
    x1, _, w1, _ = map(float, str(pane.get_attribute("viewBox")).split())
    assert w1 == pytest.approx(w / 2)
    chart.press("ArrowRight")
    x2 = float(str(pane.get_attribute("viewBox")).split()[0])
    assert x < x1 < x2
    chart.press("-")
    assert float(str(pane.get_attribute("viewBox")).split()[2]) == pytest.approx(w)


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The judge's page of one pad of the staircase."""
    folder = tmp_path_factory.mktemp("judge")
    rows = shared_data("hx711_staircase", "swing_run1_serial.csv").read_text().splitlines()
    recording, path = folder / "lc1.csv", folder / "judge.html"
    recording.write_text("\n".join(row for row in rows if row.startswith("t_s") or ",LC1," in row) + "\n")
    html = render_verdicts(judge_path(recording), version="0", written="")
    path.write_text(html, encoding="utf-8")
    return path


def test_the_judge_s_curves_enlarge_and_fit_and_residuals_stay_together(
    browser: Browser, verdicts: Path
) -> None:
    page = browser.new_page(viewport={"width": 1100, "height": 900})
    faults: list[str] = []
    page.on("console", lambda message: faults.append(message.text))
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: faults.append(request.url) if "file:" not in request.url else None)
    page.goto(verdicts.as_uri())
    fit, left = (
        page.locator(f'svg.chart[aria-label*="{words}"]') for words in ("with its fit", "what the fit leaves")
    )
    whole = fit.locator(".pane").get_attribute("viewBox")
    fit.scroll_into_view_if_needed()
    box = fit.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.4 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 0.42 * box["height"], steps=4)
    page.mouse.up()
    views = [str(chart.locator(".pane").get_attribute("viewBox")).split() for chart in (fit, left)]
    assert float(views[0][2]) < 0.5 * float(str(whole).split()[2])
    assert views[0][0] == views[1][0]  # the same stretch of time in both
    fit.dblclick()
    assert fit.locator(".pane").get_attribute("viewBox") == whole
    allan = page.locator('svg.chart[aria-label*="Allan"]')
    before = allan.locator(".tx text").all_text_contents()
    allan.press("+")
    assert allan.locator(".tx text").all_text_contents() != before
    for width in (390, 1100):
        page.set_viewport_size({"width": width, "height": 800})
        over = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(over) <= 0
    assert faults == []
    page.close()
