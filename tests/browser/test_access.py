"""For everyone: names for all controls, contrast, a phone's width, drawings that need no colour, paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.browsers import opened
from tests.helpers.source import source

CONTROLS = {
    "button",
    "radio",
    "slider",
    "combobox",
    "textbox",
    "checkbox",
    "link",
    "dialog",
    "region",
    "group",
    "img",
    "table",
}


def each_state(page: Page) -> Iterator[str]:
    """Bring the page into one of its states after the other."""
    for summary in page.locator("summary").all():
        summary.click()
    yield "open"
    page.get_by_role("radio", name="Without names").check()
    yield "judge"
    page.get_by_role("radio", name="Rank", exact=True).check()
    yield "rank"
    page.get_by_role("radio", name="First or second?").check()
    yield "tell"
    page.get_by_role("button", name="Begin").click()
    yield "trial"
    page.keyboard.press("?")
    yield "keys"


def test_every_control_has_a_name(browser: Browser, listening_page: Path) -> None:
    """In the accessibility tree nothing that can be used is without a name, in any state of the page."""
    with opened(browser, listening_page) as seen:
        tree = seen.context.new_cdp_session(seen.page)
        for state in each_state(seen.page):
            nodes = [
                (node["role"]["value"], node.get("name", {}).get("value", "").strip())
                for node in tree.send("Accessibility.getFullAXTree")["nodes"]
                if not node["ignored"] and node.get("role", {}).get("value") in CONTROLS
            ]
            assert len(nodes) > (2 if state == "keys" else 20), state
            assert [role for role, name in nodes if not name] == [], state
            ids = seen.page.evaluate("[...document.querySelectorAll('[id]')].map(({ id }) => id)")
            assert len(ids) == len(set(ids)), state
            for pointing in ("aria-labelledby", "aria-describedby", "for"):
                targets = seen.page.evaluate(
                    """(pointing) => [...document.querySelectorAll(`[${pointing}]`)]
                      .filter((one) => one.getClientRects().length).map((one) => one.getAttribute(pointing))""",
                    pointing,
                )
                assert set(targets) <= set(ids), state


def test_changes_are_spoken(browser: Browser, listening_page: Path) -> None:
    """A screen reader is told which version is heard."""
    with opened(browser, listening_page) as seen:
        status = seen.page.locator("p.hidden[role=status]")
        seen.page.keyboard.press("3")
        assert status.text_content() == "3, Open, more room"
        seen.page.get_by_label("Without names").check()
        seen.page.keyboard.press("2")
        assert status.text_content() == "B"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_fits_a_phone(browser: Browser, listening_page: Path, scheme: str) -> None:
    """At 360 pixels nothing sticks out sideways, and what is touched is at least 24 pixels high (WCAG 2.5.8)."""
    with opened(browser, listening_page, viewport={"width": 360, "height": 740}, color_scheme=scheme) as seen:
        for state in each_state(seen.page):
            assert seen.page.evaluate("document.documentElement.scrollWidth") == 360, state
            small = seen.page.evaluate(
                """() => [...document.querySelectorAll("button, select, label, summary, input[type=text]")]
                  .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 24)
                  .map((one) => one.outerHTML.slice(0, 80))"""
            )
            assert small == [], state


def _luminance(colour: str) -> float:
    parts = [float(part) / 255.0 for part in re.findall(r"[\d.]+", colour)[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@source("W3C, WCAG 2.2, success criterion 1.4.3, contrast ratio 4.5 for text", kind="standard")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast(browser: Browser, listening_page: Path, scheme: str) -> None:
    """All text stands out from its paper by 4.5 to 1."""
    with opened(browser, listening_page, color_scheme=scheme) as seen:
        colours = seen.page.evaluate(
            """() => [...new Set([...document.querySelectorAll("main *")]
              .filter((one) => one.getClientRects().length)
              .map((one) => getComputedStyle(one)[one instanceof SVGTextElement ? "fill" : "color"]))]"""
        )
        paper = _luminance(seen.page.evaluate("getComputedStyle(document.documentElement).backgroundColor"))
        for colour in colours:
            ink = _luminance(colour)
            assert (max(ink, paper) + 0.05) / (min(ink, paper) + 0.05) >= 4.5, colour


def test_lines_tell_apart_without_colour(browser: Browser, listening_page: Path) -> None:
    """Every version has dashes of its own, the same in the list, and its number at the end of its line."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        plot = page.locator(".plot").first
        dashes = plot.locator(".curve").evaluate_all(
            "(all) => all.map((one) => one.getAttribute('stroke-dasharray'))"
        )
        listed = page.locator(".sample line").evaluate_all(
            "(all) => all.map((one) => one.getAttribute('stroke-dasharray'))"
        )
        assert len(set(dashes)) == 4
        assert sorted(dashes) == sorted(listed)
        assert sorted(plot.locator("text.end").all_text_contents()) == ["1", "2", "3", "4"]


def test_difference_is_against_the_one_chosen(browser: Browser, listening_page: Path) -> None:
    """Switched to the difference, the one chosen is a straight line at nothing; others keep what lies between."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.get_by_label("Spectrum shown").select_option("1")
        page.keyboard.press("2")
        path = page.locator(".plot").first.locator(".chosen .curve").get_attribute("d") or ""
        heights = {point.split(" ")[1] for point in re.split("[ML]", path)[1:]}
        zero = page.locator(".plot").first.locator(".axis").get_attribute("y1")
        assert heights == {zero}


def test_figures_are_those_given(browser: Browser, listening_page: Path) -> None:
    """Loudness, gain, range, peak, limiter and mono loss stand in the table as they were handed over."""
    with opened(browser, listening_page) as seen:
        content = seen.page.evaluate("JSON.parse(document.getElementById('content').textContent)")
        version = content["takes"][0]["excerpts"][0]["versions"][1]
        row = seen.page.locator(".figures tbody tr").nth(1).locator("td").all_text_contents()
        keys = (
            "loudness_before_lufs",
            "gain_db",
            "loudness_range_lu",
            "true_peak_dbtp",
            "limiter_max_reduction_db",
            "mono_loss_lu",
        )
        assert [float(text.replace("\u2212", "-")) for text in row] == pytest.approx(
            [version[key] for key in keys], abs=0.05
        )


def test_print_has_paper_in_mind(browser: Browser, listening_page: Path) -> None:
    """Printed, controls are gone and pictures and figures stay, dark ink on white."""
    with opened(browser, listening_page, color_scheme="dark") as seen:
        page = seen.page
        page.emulate_media(media="print", color_scheme="dark")
        assert not page.locator(".transport").is_visible()
        assert not page.locator("nav").is_visible()
        assert page.locator(".plot").first.is_visible()
        assert page.locator(".figures").is_visible()
        assert (
            page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            == "rgb(255, 255, 255)"
        )
        assert page.locator("input:visible, button:visible, .head:visible, .here:visible").count() == 0
        assert page.locator(".excerpts label:visible").count() == 1
        assert not page.get_by_role("heading", name="Your votes").is_visible()


def test_votes_are_printed_where_there_are_some(browser: Browser, listening_page: Path) -> None:
    """What was judged is on paper, with letters and names; what only the screen can do is not."""
    with opened(browser, listening_page) as seen:
        page = seen.page
        page.get_by_label("Without names").check()
        page.get_by_label("Rating of A").fill("40")
        page.get_by_role("button", name="Keep this judgement").click()
        page.get_by_role("button", name="End and show names").click()
        page.emulate_media(media="print")
        assert page.get_by_role("heading", name="Your votes").is_visible()
        assert page.get_by_role("heading", name="Which letter was which").is_visible()
        assert page.locator("input:visible, button:visible").count() == 0


def test_drawings_follow_the_window(browser: Browser, listening_page: Path) -> None:
    """A narrow window gets a narrow drawing with type of the same size."""
    with opened(browser, listening_page) as seen:
        plot = seen.page.locator(".plot").first
        wide = plot.get_attribute("viewBox")
        seen.page.set_viewport_size({"width": 400, "height": 800})
        seen.page.wait_for_function(
            "(wide) => document.querySelector('.plot').getAttribute('viewBox') !== wide", arg=wide
        )
        width = float((plot.get_attribute("viewBox") or "").split()[2])
        assert width == pytest.approx(plot.evaluate("(one) => one.getBoundingClientRect().width"), abs=1.0)
