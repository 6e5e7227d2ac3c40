"""The record on the page: what is entered, is what the store holds; an undo is an entry too; what it cost."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.model.reading import Quantity
from monitor.store import Store
from tests.web.house import House

POUND_KG = 0.45359237


def _send(client: httpx.Client, path: str, **fields: str) -> httpx.Response:
    form = client.get("/record/fill").text
    token = re.search(r'name="token" value="([^"]+)"', form)
    assert token is not None
    return client.post(path, data={"token": token[1], **fields}, follow_redirects=True)


def test_a_fill_is_kept_with_its_price_and_the_level_follows(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(
            client,
            "/record/fill",
            cylinder="A",
            before="40 lb",
            after="60 lb",
            price="23.00",
            note="fast",
        )
        assert said.status_code == 200
        assert "Filled: A" in said.text
        assert "after gross 60.0\u00a0lb" in said.text or "after gross 60.0 lb" in said.text
    with Store.open(own.store, readonly=True) as store:
        (entry,) = store.entries()
        newest = [r for r in store.readings(subject="A", source="hand") if r.quantity is Quantity.GROSS_WEIGHT]
    assert (entry.kind, entry.subject) == ("fill", "A")
    assert entry.payload["after_gross_kg"] == pytest.approx(60 * POUND_KG)
    assert entry.payload["price"] == 23.0
    assert newest[-1].value == pytest.approx(60 * POUND_KG)
    with httpx.Client(base_url=own.url) as client:
        costs = client.get("/cost").text
        assert "23.00" in costs
        assert "1.15" in costs  # 23.00 for 20 lb: a pound


def test_an_exchange_brings_another_tare_that_the_next_fill_goes_by(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/exchange", cylinder="B", tare="17.4 lb", **{"water-capacity": "47.7 lb"},
                     weighs="32 lb", manufactured="2027-03")  # fmt: skip
        assert "Exchanged: B" in said.text
        assert _send(client, "/record/fill", cylinder="B", after="37 lb").status_code == 200
    with Store.open(own.store, readonly=True) as store:
        exchange, _ = store.entries()
        gross = [r.value for r in store.readings(subject="B", source="hand") if r.quantity is Quantity.GROSS_WEIGHT]
    assert exchange.payload["manufactured"] == "2027-03"
    assert gross == pytest.approx([32.0 * POUND_KG, 37.0 * POUND_KG])


def test_every_wrong_field_is_named_as_the_form_names_it(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/exchange", cylinder="B", tare="17", manufactured="2099-01", price="ten")
    assert said.status_code == 400
    found = re.findall(r'class="problem" role="alert">([^<]+)', said.text)
    assert [text.split(":")[0] for text in found] == [
        "Tare",
        "Water capacity",
        "Made",
        "Price of it all",
    ]
    with Store.open(own.store, readonly=True) as store:
        assert store.entries() == []


def test_a_leak_is_answered_with_what_to_do_and_taken_back_by_an_entry(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/leak-check", result="leak", method="soapy water")
        assert "Close the cylinder valves" in said.text
        number = re.search(r'name="id" value="(\d+)"', client.get("/record").text)
        assert number is not None
        gone = _send(client, "/record/undo", id=number[1])
        assert "Nothing has been entered yet" in gone.text
        again = _send(client, "/record/undo", id=number[1])
        assert again.status_code == 400
    with Store.open(own.store, readonly=True) as store:
        assert store.entries() == []
        assert len(store.events(include_undone=True)) == 2


def test_it_takes_the_forms_own_token(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        client.get("/record/leak-check")
        assert client.post("/record/leak-check", data={"result": "tight"}).status_code == 400
    with Store.open(own.store, readonly=True) as store:
        assert store.entries() == []


def test_nobody_says_tight_by_leaving_a_form_as_it_is(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/leak-check", result="", method="soapy water")
    assert said.status_code == 400
    assert "What was seen: nothing cannot be used. Expected: a value, such as tight or leak" in said.text


def test_a_fill_above_the_limit_is_told_and_its_reading_goes_with_an_undo(own: House) -> None:
    cylinder = own.site.cylinder("A")
    over_kg = 0.5
    gross_kg = cylinder.tare_kg + cylinder.full_kg + over_kg
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/fill", cylinder="A", after=f"{gross_kg:.3f} kg")
        assert "DANGER: filled above its limit by 1.1" in said.text
        number = re.search(r'name="id" value="(\d+)"', client.get("/record").text)
        assert number is not None
        with Store.open(own.store, readonly=True) as store:
            before = [r.value for r in store.readings(subject="A", source="hand")]
        _send(client, "/record/undo", id=number[1])
    assert before == pytest.approx([gross_kg], abs=1e-3)
    with Store.open(own.store, readonly=True) as store:
        assert [r.value for r in store.readings(subject="A", source="hand") if r.value is not None] == []


def test_a_fill_that_weighs_less_than_was_paid_for_is_told(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        said = _send(client, "/record/fill", cylinder="A", before="40 lb", after="55 lb", paid="20 lb")
    assert "5.0 lb less than was paid for" in said.text or "5.0 lb less than was paid for" in said.text


def test_after_an_exchange_every_page_goes_by_the_new_cylinder(own: House) -> None:
    """The same weight, with a tare 5 lb heavier, is 5 lb less gas: also for a reading entered later."""
    with httpx.Client(base_url=own.url) as client:
        old = own.site.cylinder("B")
        tare_lb = old.tare_kg / POUND_KG + 5.0
        water_lb = old.water_capacity_kg / POUND_KG
        gross_lb = tare_lb + 20.0
        stamps = {"tare": f"{tare_lb:.3f} lb", "water-capacity": f"{water_lb:.3f} lb"}
        kept = _send(client, "/record/exchange", cylinder="B", weighs=f"{gross_lb:.3f} lb", **stamps)
        assert kept.status_code == 200
        below_lb = old.tare_kg / POUND_KG + 1.0  # of the old cylinder a little gas, of the new one 4 lb below its tare
        refused = _send(client, "/enter", cylinder="B", how="weighs", amount=f"{below_lb:.2f} lb", at="")
        assert refused.status_code == 400


def test_a_planned_refill_is_kept_from_its_page_and_told_there(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        page = client.get("/trip").text
        at = re.search(r'name="at" value="([^"]+)"><button>I will go then', page)
        token = re.search(r'name="token" value="([^"]+)"', page)
        assert at is not None
        assert token is not None
        assert "You plan to go" not in page
        assert client.post("/record/planned-refill", data={"at": at[1]}).status_code == 400, "no token"
        kept = client.post("/record/planned-refill", data={"token": token[1], "at": at[1]}, follow_redirects=True)
        assert "Refill planned" in kept.text
        assert "You plan to go on" in client.get("/trip").text
        refused = _send(client, "/record/planned-refill", at="2031-01-01T10:00")
        assert refused.status_code == 400
        assert "a time to come within a year" in refused.text
        assert _send(client, "/record/planned-refill", at="").status_code == 400
        (entry,) = client.get("/v1/record").json()["entries"]
        assert (entry["kind"], entry["subject"], entry["in_force"]) == ("planned-refill", "site", True)
        with Store.open(own.store, readonly=True) as store:
            planned = store.entries()[0].time
        local = planned.astimezone(ZoneInfo(own.site.timezone))
        assert f"{local:%Y-%m-%dT%H:%M}" == at[1]
        _send(client, "/record/undo", id=str(entry["id"]))
        assert "You plan to go" not in client.get("/trip").text


def test_the_record_and_costs_over_the_api(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        _send(client, "/record/fill", cylinder="A", before="40 lb", after="60 lb", price="23.00")
        _send(client, "/record/undo", id="1")
        _send(client, "/record/fill", cylinder="A", before="40 lb", after="60 lb", price="25.00")
        (kept,) = client.get("/v1/record").json()["entries"]
        assert kept["payload"]["price"] == 25.0
        everything = client.get("/v1/record?undone=true").json()["entries"]
        assert [(e["undoes"], e["in_force"]) for e in everything] == [(None, True), (1, False), (None, False)]
        assert len(client.get("/v1/record?undone=true&limit=1").json()["entries"]) == 1
        costs = client.get("/v1/cost").json()
    assert costs["price"]["gas"]["kg"] == pytest.approx(25.0 / (20 * POUND_KG))
    assert sum(m["fuel"]["amount"] or 0.0 for m in costs["months"]) == 25.0


def test_an_unweighed_fill_is_full_only_where_that_is_ticked(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        assert 'name="full" value="1">' in client.get("/record/fill").text, "not ticked unless somebody does"
        assert "is not known" in _send(client, "/record/fill", cylinder="A", price="20.00").text
        with Store.open(own.store, readonly=True) as store:
            assert not [r for r in store.readings(subject="A", source="hand") if "not weighed" in r.note]
        assert "is not known" not in _send(client, "/record/fill", cylinder="A", full="1").text
    with Store.open(own.store, readonly=True) as store:
        (full,) = [r for r in store.readings(subject="A", source="hand") if "not weighed" in r.note]
    assert (full.quantity, full.value) == (Quantity.SHARE_OF_FULL, 1.0)
