"""The menu in Debian's Chromium: one row on a phone, large enough for a thumb, and whole without script."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Browser, Locator, expect

from monitor.web.view import DAILY, SHEETS
from tests.web.house import House
from tests.web.test_browser import PAGES, TAGS, Opened, _sideways, axe, browser

__all__ = ["axe", "browser"]
TOUCH = 44  # CSS pixels, as WCAG 2.2 has it for the enhanced target size (2.5.5)


def _boxes(of: Locator) -> list[dict[str, float]]:
    found = [dict(box) for one in of.all() if (box := one.bounding_box()) is not None]
    return [{k: float(v) for k, v in box.items()} for box in found]  # type: ignore[arg-type]


@pytest.mark.parametrize("width", [360, 390, 430])
def test_the_menu_is_one_row_on_a_phone_and_large_enough_to_touch(browser: Browser, home: House, width: int) -> None:
    with Opened(browser, home, viewport={"width": width, "height": 844}, java_script_enabled=False) as page:
        for path in PAGES:
            page.goto(path)
            row = _boxes(page.locator("nav.sheets > a:visible, nav.sheets summary"))
            assert len(row) == DAILY + 1, path
            assert len({box["y"] for box in row}) == 1, path
            assert min(box["height"] for box in row) >= TOUCH, path
            assert min(box["width"] for box in row) >= TOUCH, path
            assert min(box["x"] for box in row) >= 0, path
            assert max(box["x"] + box["width"] for box in row) <= width, path
            for box in _boxes(page.locator(".links a, .buttons a")):  # lists of ways on, not links within a sentence
                assert min(box["height"], box["width"]) >= TOUCH, path


def test_what_is_folded_away_opens_by_key_without_script_and_leads_there(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}, java_script_enabled=False) as page:
        page.goto("/")
        more = page.locator("nav.sheets summary")
        expect(page.locator("nav.sheets").get_by_role("link", name="Inputs")).to_have_count(0)
        more.focus()
        page.keyboard.press("Enter")
        links = page.locator("nav.sheets details a:visible")
        expect(links).to_have_count(len(SHEETS) - DAILY)
        for box in _boxes(links):
            assert box["height"] >= TOUCH
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390
        page.keyboard.press("Tab")
        expect(page.locator(":focus")).to_have_text(SHEETS[DAILY][1])
        page.keyboard.press("Enter")
        page.wait_for_url("**" + SHEETS[DAILY][0])
        expect(page.locator("nav.sheets details a[aria-current=page]")).to_have_text(SHEETS[DAILY][1])


def test_the_open_menu_makes_no_page_scroll_sideways(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}) as page:
        for path in PAGES:
            page.goto(path)
            page.locator("nav.sheets summary").click()
            assert _sideways(page) <= 0, path


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_violation_in_the_open_menu(browser: Browser, home: House, axe: str, scheme: Any) -> None:
    size = {"width": 390, "height": 844}
    with Opened(browser, home, viewport=size, color_scheme=scheme, bypass_csp=True) as page:
        page.goto("/")
        page.locator("nav.sheets summary").click()
        page.evaluate(axe)
        found = page.evaluate("only => axe.run({runOnly: only, resultTypes: ['violations']})", TAGS)
        assert [f"{v['id']}: {v['help']}" for v in found["violations"]] == []
        assert len(found["passes"]) >= 10


def test_on_a_desk_every_page_is_in_the_row(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 1280, "height": 900}) as page:
        page.goto("/")
        found = page.get_by_role("navigation").get_by_role("link")
        expect(found).to_have_count(len(SHEETS))
        assert len({box["y"] for box in _boxes(found)}) == 1
        expect(page.locator("nav.sheets summary")).to_be_hidden()
