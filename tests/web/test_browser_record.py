"""The record in Debian's Chromium on a phone, without script: a fill is entered and taken back."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from monitor.model.reading import Quantity
from monitor.store import Store
from tests.web.house import House
from tests.web.test_browser import Opened, browser

__all__ = ["browser"]
POUND_KG = 0.45359237


def test_a_fill_is_entered_and_taken_back_on_a_phone_without_script(browser: Browser, own: House) -> None:
    def kept() -> list[float]:
        with Store.open(own.store, readonly=True) as store:
            found = store.readings(subject="A", source="hand", quantity=Quantity.GROSS_WEIGHT)
        return [r.value for r in found if r.value is not None]

    with Opened(browser, own, viewport={"width": 390, "height": 844}, java_script_enabled=False) as page:
        page.goto("/record")
        page.get_by_role("link", name="A cylinder was filled").click()
        page.get_by_label("Cylinder", exact=True).select_option("A")
        page.get_by_label("Weight after").fill("60 lb")
        page.get_by_label("Gas paid for").fill("20 lb")
        # a tick is touched by the label around it
        touched = "main button, main select, main label.tick, main input:not([type=hidden]):not([type=checkbox])"
        for control in page.locator(touched).all():
            box = control.bounding_box()
            assert box is not None
            assert box["height"] >= 44
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 390
        page.get_by_role("button", name="Keep this").click()
        expect(page.get_by_role("status")).to_have_text("Kept.")
        expect(page.locator("main")).to_contain_text("Filled: A")
        assert kept() == pytest.approx([60 * POUND_KG])
        page.get_by_role("button", name="Take back: Filled A").click()
        expect(page.get_by_role("status")).to_have_text("Taken back.")
        expect(page.locator("main")).to_contain_text("Nothing has been entered yet")
        assert kept() == []
