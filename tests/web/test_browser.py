"""The page in Debian's Chromium: each task at phone and desk width, light and dark, without script, by keyboard alone,
at 200 % text; axe-core (from npm, at test time) finds no violation of WCAG 2.2 A and AA.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from monitor.store import Store
from tests.web.house import House

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]  # fmt: skip
WISH = "/suppose?asked=1&more=1&open=A&open=B&heater=12+kW&cold=-25+%C2%B0C"
expect.set_options(timeout=60_000)  # ms; a machine at work on other tests may take its time
CHOICE = "/arrange?asked=1&coldest=-5+%C2%B0F&use=0.4+kg%2Fday&carry=60+lb&most=4&mind=short-nights"
PAGES = (
    "/", "/trip", "/outlook", "/map", "/enter", "/alerts", "/past", "/suppose", "/inputs", "/flame", "/valve",
    "/explain", "/site", "/readings", "/forecasts", "/login", "/record", "/record/fill", "/record/exchange",
    "/record/leak-check", "/record/marks", "/record/purchase", "/cost", WISH, "/arrange", CHOICE, "/train",
    "/first-start",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as made:
        yield made.chromium.launch(executable_path=CHROMIUM, args=FLAGS)


class Opened:
    """A browser window that notes what the browser complains about."""

    def __init__(self, browser: Browser, home: House, forgive: str = "nothing", **how: Any) -> None:
        self.forgive = forgive
        self.context = browser.new_context(base_url=home.url, **how)
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(60_000)
        self.said: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    def __enter__(self) -> Page:
        return self.page

    def __exit__(self, kind: object, *_: object) -> None:
        self.context.close()
        if kind is None:
            assert [text for text in self.said if self.forgive not in text] == []


def _sideways(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (1440, "dark")])
def test_no_page_scrolls_sideways_or_complains(browser: Browser, home: House, width: int, scheme: Any) -> None:
    with Opened(browser, home, viewport={"width": width, "height": 844}, color_scheme=scheme) as page:
        for path in PAGES:
            page.goto(path)
            assert _sideways(page) <= 0, path
            assert page.locator("h1").count() == 1, path


@pytest.mark.parametrize("size", [(390, 844), (1280, 900)])
def test_the_answers_are_on_the_first_screen_without_script(
    browser: Browser, home: House, size: tuple[int, int]
) -> None:
    """A look before bed in a cold snap: tonight and the nights after, what to do by when, how sure, how old."""
    view = {"width": size[0], "height": size[1]}
    with Opened(browser, home, viewport=view, java_script_enabled=False) as page:
        page.goto("/")
        answer = page.locator(".answer")
        expect(answer.get_by_role("heading")).to_contain_text(re.compile(r"^Covered tonight\. Short \w{3} \d\d:00"))
        for part in ("hold", "Odds of it", "Fuel:", "left", "Every input is fresh: A, B read 5 h ago, forecast issued"):
            expect(answer).to_contain_text(part)
        expect(answer.locator(".next")).to_contain_text(re.compile(r"Next, before \w{3} \d\d:00: Plan with fewer"))
        flame = page.get_by_role("link", name="Flame dropping now?")
        for seen in (answer, flame):
            box = seen.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < size[1]
        night = page.locator("table.nights tbody tr.short").first
        for label in ("Coldest", "Headroom", "Shortest hold", "Odds"):
            assert label in str(night.locator(f"td[data-label^='{label}']").get_attribute("data-label"))
        flame.click()
        expect(page.locator(".caution").first).to_contain_text("smell gas")


@pytest.mark.parametrize("script", [True, False])
def test_entering_a_reading_with_one_hand(browser: Browser, home: House, script: bool) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}, java_script_enabled=script) as page:
        page.goto("/")
        page.get_by_role("link", name="Enter a reading").click()
        page.get_by_label("Cylinder").select_option("B")
        page.get_by_label("Amount with its unit").fill("47.25 lb" if script else "47.5 lb")
        page.get_by_role("button", name="Keep this reading").click()
        expect(page.get_by_role("status")).to_contain_text("Kept: B")
        for control in page.locator("main button, main select, main input:not([type=hidden])").all():
            box = control.bounding_box()
            assert box is not None
            assert box["height"] >= 44
    with Store.open(home.store, readonly=True) as store:
        pounds = {round((r.value or 0) / 0.45359237, 3) for r in store.readings(subject="B", source="manual")}
        everything = {round((r.value or 0) / 0.45359237, 3) for r in store.readings(subject="B")}
    assert (47.25 if script else 47.5) in pounds | everything


def test_a_wrong_amount_is_told_and_the_form_keeps_what_was_typed(browser: Browser, home: House) -> None:
    # Chromium notes the answer's status in its console
    with Opened(browser, home, "status of 400", viewport={"width": 390, "height": 844}) as page:
        page.goto("/enter")
        page.get_by_label("Amount with its unit").fill("fifty")
        with page.expect_response("**/enter") as answer:
            page.get_by_role("button", name="Keep this reading").click()
        assert answer.value.status == 400
        expect(page.get_by_role("alert")).to_contain_text('Amount: "fifty" cannot be used')
        assert "--" not in page.get_by_role("alert").inner_text()  # the field's own name, not an option's
        expect(page.get_by_label("Amount with its unit")).to_have_value("fifty")


def test_acknowledging_and_shelving_by_keyboard_alone(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 1440, "height": 900}) as page:
        page.goto("/")
        page.keyboard.press("Tab")
        expect(page.locator(":focus")).to_have_text("To the content")
        page.keyboard.press("Enter")
        _go(page, "more, acknowledge or shelve")
        _tab_to(page, "Acknowledge")
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        _go(page, "Acknowledge")
        expect(page.locator("main")).to_contain_text("acknowledged")
        _go(page, "Shelve")
        _go(page, "Take it off the shelf")
        expect(page.get_by_role("button", name="Take it off the shelf")).to_have_count(0)


def test_an_alert_is_taken_out_of_service_and_put_back(browser: Browser, own: House) -> None:
    with Opened(browser, own, viewport={"width": 390, "height": 844}, java_script_enabled=False) as page:
        page.goto("/alerts")
        section = page.locator("section").last
        key = str(section.get_attribute("id"))
        section.get_by_text("Take this alert out of service").click()
        section.get_by_label("Why").fill("tried on purpose")
        section.get_by_role("button", name="Take out of service").click()
        expect(page.get_by_role("heading", name="Out of service")).to_be_visible()
        expect(page.locator("main")).to_contain_text("taken out of service by the page: tried on purpose")
        assert page.locator(f"section[id='{key}']").count() == 0
        page.get_by_role("button", name="into service").click()
        expect(page.get_by_role("heading", name="Out of service")).to_have_count(0)


def _go(page: Page, text: str) -> None:
    """Press Enter on the control that says `text`, and wait for the page that comes."""
    _tab_to(page, text)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def _tab_to(page: Page, text: str) -> None:
    for _ in range(80):
        if page.evaluate("document.activeElement.textContent.trim()") == text:
            return
        page.keyboard.press("Tab")
    pytest.fail(f"no way by Tab to {text!r}")


def test_a_valve_is_noted_beside_its_cautions(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}) as page:
        page.goto("/valve")
        expect(page.locator(".caution")).to_contain_text("slowly")
        page.get_by_role("button", name="B is shut").click()
        expect(page.get_by_role("status")).to_contain_text("B is closed")
        page.goto("/")
        expect(page.locator("figcaption", has_text="B").first).to_be_visible()
        expect(page.locator("figure", has_text="valve shut")).to_have_count(1)
        page.goto("/valve")
        page.get_by_role("button", name="B is open").click()


def test_what_if_another_cylinder_in_greater_cold(browser: Browser, home: House) -> None:
    """Planning a trip to the station: would a third, full cylinder carry it?"""
    with Opened(browser, home, viewport={"width": 390, "height": 844}, java_script_enabled=False) as page:
        page.goto("/suppose")
        page.get_by_label("More cylinders").select_option("3")
        page.get_by_label("Each cylinder filled to").fill("100 %")
        page.get_by_role("button", name="Reckon").click()
        row = page.locator("tr", has_text="Carried without end at").locator("td")
        now, then = (int(re.sub(r"[^0-9]", "", row.nth(k).inner_text().split("Btu")[0])) for k in (0, 1))
        assert then > 1.5 * now
        page.goto("/suppose?asked=1&open=A")
        expect(page.get_by_role("checkbox", name="B")).not_to_be_checked()
        expect(page.locator(".answer")).to_contain_text("short")


def test_the_chart_reads_out_under_finger_and_arrow_keys(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}, has_touch=True) as page:
        for path in ("/outlook", "/past"):
            with page.expect_response("**/shown*"):
                page.goto(path)
            chart = page.locator("svg.chart:visible")
            before = page.locator("#readout").inner_text()
            box = chart.bounding_box()
            assert box is not None
            x, y = box["x"] + box["width"] * 0.8, box["y"] + box["height"] * 0.3
            touched = _changed(page, partial(page.touchscreen.tap, x, y), before)
            chart.focus()
            _changed(page, lambda: page.keyboard.press("ArrowLeft"), touched)


def _changed(page: Page, act: Callable[[], None], before: str) -> str:
    """Do it until the readout says something else: the page may still be at work on what it fetched."""
    for _ in range(300):
        act()
        text = page.locator("#readout").inner_text()
        if text != before:
            return text
        page.wait_for_timeout(100)
    pytest.fail(f"nothing changed on {page.url}")


@pytest.mark.parametrize("width", [390, 1440])
def test_at_200_percent_text_nothing_is_lost(browser: Browser, home: House, width: int) -> None:
    with Opened(browser, home, viewport={"width": width, "height": 844}, bypass_csp=True) as page:
        for path in PAGES:
            page.goto(path)
            page.add_style_tag(content="html { font-size: 200% !important }")
            assert _sideways(page) <= 0, path
        page.goto("/enter")
        page.add_style_tag(content="html { font-size: 200% !important }")
        page.get_by_label("Amount with its unit").fill("48 lb")
        page.get_by_role("button", name="Keep this reading").click()
        expect(page.get_by_role("status")).to_contain_text("Kept")


def test_a_wrong_sensor_is_found(browser: Browser, home: House) -> None:
    """From the answer's third sentence to the sensor that is silent, in two steps."""
    with Opened(browser, home, viewport={"width": 390, "height": 844}) as page:
        page.goto("/")
        page.get_by_role("link", name="Inputs").first.click()
        expect(page.locator("main")).to_contain_text("scale under A")
        page.get_by_role("link", name="set aside").click()
        expect(page.get_by_role("heading", name="Set aside")).to_be_visible()


def test_a_channel_is_tried_and_the_answer_shown(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}) as page:
        page.goto("/inputs")
        page.get_by_role("button", name="Send a test by mail").click()
        expect(page.get_by_role("status")).to_contain_text("mail: not delivered")


def test_it_can_be_put_on_a_phones_home_screen(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 390, "height": 844}) as page:
        page.goto("/")
        client = page.context.new_cdp_session(page)
        found = client.send("Page.getAppManifest")
        assert found["errors"] == []
        assert '"standalone"' in found["data"]
        assert client.send("Page.getInstallabilityErrors")["installabilityErrors"] in ([], _IN_TEST_WINDOW)


_IN_TEST_WINDOW = [{"errorId": "in-incognito", "errorArguments": []}]


def test_printed_it_leaves_out_forms_and_links_of_the_menu(browser: Browser, home: House) -> None:
    with Opened(browser, home, viewport={"width": 800, "height": 1000}) as page:
        page.goto("/")
        page.emulate_media(media="print")
        expect(page.locator("nav.sheets")).to_be_hidden()
        expect(page.locator(".answer")).to_be_visible()
        assert len(page.pdf()) > 5_000


AXE = Path(__file__).parents[2] / ".npm" / "node_modules" / "axe-core" / "axe.min.js"


@pytest.fixture(scope="session")
def axe() -> str:
    """Source of axe-core, which `tests/run` installs from npm."""
    if not AXE.exists():
        pytest.fail("axe-core is not there: npm install --prefix .npm --no-save --ignore-scripts axe-core@4.10.3")
    return AXE.read_text()


TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.mark.parametrize(
    ("width", "scheme", "only"),
    [(390, "dark", TAGS), (1440, "light", {"type": "rule", "values": ["color-contrast", "target-size"]})],
)
def test_axe_finds_no_violation(browser: Browser, home: House, axe: str, width: int, scheme: Any, only: Any) -> None:
    with Opened(browser, home, viewport={"width": width, "height": 844}, color_scheme=scheme, bypass_csp=True) as page:
        for path in PAGES:
            page.goto(path)
            page.evaluate(axe)
            found = page.evaluate("only => axe.run({runOnly: only, resultTypes: ['violations']})", only)
            told = [f"{v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes'][:3]]}" for v in found["violations"]]
            assert told == [], path
            assert len(found["passes"]) >= (10 if only is TAGS else 1), path
