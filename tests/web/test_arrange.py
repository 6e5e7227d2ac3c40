"""Choosing on the page: arrangements compared as the command compares them, the supply train, the first-start sheet."""

from __future__ import annotations

import asyncio
import re
import tomllib
from pathlib import Path

import httpx
import pytest

from monitor.commands import _arrange
from monitor.commands._arrange_ask import of_size
from monitor.outlook.arrange import Limits, Question, arrange, candidates
from monitor.physics.supply_train import check
from monitor.site import build, catalogue, fit_out
from monitor.store import Store
from monitor.web.arrange import kinds
from tests.support.stalls import running
from tests.web import house
from tests.web.house import House

WISH = {"asked": "1", "coldest": "-5 °F", "use": "0.4 kg/day", "carry": "60 lb", "most": "4", "no_delivery": "1",
        "mind": "short-nights"}  # fmt: skip
COLD_K = (-5.0 + 459.67) / 1.8
QUERY: dict[str, str | float | bool] = {"coldest_c": COLD_K - 273.15, "use_kg_d": 0.4, "carry_kg": 60 * 0.45359237,
                                        "most": 4, "delivery": False}  # fmt: skip


def _token(client: httpx.Client, path: str) -> str:
    found = re.search(r'name="token" value="([^"]+)"', client.get(path).text)
    assert found is not None
    return found[1]


def test_the_figures_are_those_of_the_engine(home: House) -> None:
    """The same household through the engine without the page's short cut: the same arrangements, the same figures."""
    limits = Limits(carry_kg=60 * 0.45359237, most=4, delivery=False)
    question = Question(home.site, 0.4, coldest_k=COLD_K, limits=limits)
    want = _arrange.as_json(arrange(question, candidates(kinds(), 4)))
    got = httpx.get(home.url + "/v1/arrange", params=QUERY, timeout=60).json()
    assert [a["name"] for a in got["arrangements"]] == [a["name"] for a in want["arrangements"]]
    for a, b in zip(got["arrangements"], want["arrangements"], strict=True):
        assert a["hold_s"]["weather"] == pytest.approx(b["hold_s"]["weather"])
        assert a["carried_c"]["floor"] == pytest.approx(b["carried_c"]["floor"])
    assert {a["name"] for a in got["out"]} == {a["name"] for a in want["out"]}
    assert all(a["why_out"] for a in got["out"])


def test_the_page_shows_them_with_their_maps_and_why_the_rest_fell_out(home: House) -> None:
    with httpx.Client(base_url=home.url, timeout=60) as client:
        text = client.get("/arrange", params=WISH).text
        told = client.get("/v1/arrange", params=QUERY).json()
    first = told["arrangements"][0]
    rows = re.findall(r'<th scope="row">(\d+)\. ([^<]+)<', text)
    assert len(rows) >= 3
    assert all(told["arrangements"][int(k) - 1]["name"] == name for k, name in rows)
    holds = " / ".join(_arrange.duration(first["hold_s"]["weather"][k]) for k in ("100", "50", "20"))
    assert f">{holds}<" in text
    assert text.count('<svg class="map"') == min(3, len(rows))
    assert "1 × 500 gal" in text.split("Why the rest fell out")[1]


def test_tanks_do_not_crowd_out_the_cylinders(home: House) -> None:
    """Where a supplier comes, tanks carry most; what is carried to the station is shown and drawn all the same."""
    question = {k: v for k, v in WISH.items() if k != "no_delivery"}
    text = httpx.get(home.url + "/arrange", params=question, timeout=60).text
    names = re.findall(r'<th scope="row">\d+\. ([^<]+)<', text)
    drawn = re.findall(r"<figcaption>\d+\. ([^<]+)<", text)
    for of in (names, drawn):
        assert any("gal" in name for name in of)
        assert any(" lb" in name and "420" not in name for name in of)


def test_a_site_file_of_a_choice_is_one_that_loads(home: House) -> None:
    with httpx.Client(base_url=home.url, timeout=60) as client:
        answer = client.get("/arrange/site", params={**WISH, "choose": "1"})
        name = client.get("/v1/arrange", params=QUERY).json()["arrangements"][0]
        missing = client.get("/arrange/site", params={**WISH, "choose": "9999"})
    assert answer.headers["content-type"].startswith("application/toml")
    made = build.from_text(answer.text, Path("site.toml")).site
    assert len(made.cylinders) == name["count"]
    assert [a.input_w for a in made.appliances] == pytest.approx([a.input_w for a in home.site.appliances], rel=1e-3)
    assert tomllib.loads(answer.text)["site"]["name"] == home.site.name
    assert missing.status_code == 400


def test_all_that_is_wrong_is_told_by_the_fields_names_and_kept(home: House) -> None:
    answer = httpx.get(home.url + "/arrange", params={**WISH, "coldest": "cold", "use": "", "carry": "9 mi"})
    assert answer.status_code == 400
    found = re.findall(r'class="problem" role="alert">([^:]+):', answer.text)
    assert found == ["Coldest night", "Use a day in winter", "Most you can lift"]
    assert 'value="cold"' in answer.text
    assert httpx.get(home.url + "/v1/arrange").status_code == 422


def test_too_cold_for_every_one_is_said(home: House) -> None:
    answer = httpx.get(home.url + "/arrange", params={**WISH, "coldest": "-80 °F", "most": "1"}, timeout=60)
    assert answer.status_code == 200
    assert "None carries it." in answer.text


def test_the_service_answers_others_while_it_is_at_work(home: House) -> None:
    """Worked out in a thread: meanwhile a light answer comes in far less than the comparison takes."""

    async def both() -> tuple[float, float]:
        async with httpx.AsyncClient(base_url=home.url, timeout=60) as client:
            begun = clock.s
            heavy = asyncio.create_task(client.get("/v1/arrange", params={**QUERY, "use_kg_d": 0.55, "delivery": True}))
            await asyncio.sleep(0.1)
            light = clock.s
            assert (await client.get("/healthz")).status_code < 500
            light = clock.s - light
            assert not heavy.done()
            assert (await heavy).status_code == 200
            return light, clock.s - begun

    with running() as clock:
        light, heavy = asyncio.run(both())
    assert light < heavy / 2


def test_findings_come_with_source_and_question_the_worst_first(home: House) -> None:
    text = httpx.get(home.url + "/train", params={"coldest": "-5 °F"}, timeout=30).text
    told = httpx.get(home.url + "/v1/train", params={"coldest_c": COLD_K - 273.15}, timeout=30).json()
    want = check(home.site, COLD_K)
    assert sorted(f["fact"] for f in told["findings"]) == sorted(f.fact for f in want)
    order = [("look", "unknown", "good").index(f["state"]) for f in told["findings"]]
    assert order == sorted(order)
    assert text.count("Source: ") == len(want)
    assert text.count("Ask the fitter:") == sum(bool(f.ask) for f in want)


def test_one_appliance_more_overloads_the_regulator(home: House) -> None:
    assert home.site.supply.regulator_w is not None
    more_w = home.site.supply.regulator_w
    before = httpx.get(home.url + "/v1/train", timeout=30).json()
    after = httpx.get(home.url + "/v1/train", params={"added_w": more_w}, timeout=30).json()
    state = [next(f["state"] for f in a["findings"] if f["part"] == "regulator") for a in (before, after)]
    assert state == ["good", "look"]
    assert after["demand_w"] == pytest.approx(home.site.demand_w + more_w)
    page = httpx.get(home.url + "/train", params={"name": "Boiler", "input": f"{more_w:.0f} W"}, timeout=30)
    assert "with Boiler" in page.text
    assert httpx.get(home.url + "/train", params={"name": "Range", "input": "1 kW"}).status_code == 400
    assert httpx.get(home.url + "/train", params={"name": "Boiler"}).status_code == 400


def test_a_sheet_goes_into_the_record_with_its_leak_check(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        token = _token(client, "/first-start")
        steps = {f"step{fit_out.NAMES.index(name)}": "1" for name in ("air", "leak check")}
        said = client.post("/first-start", data={"token": token, **steps, "note": "by the fitter"},
                           follow_redirects=True)  # fmt: skip
        assert "Kept in the record." in said.text
        assert "The leak check counts as tight" in said.text
        assert client.get("/v1/first-start").json()["last"]["steps"] == ["air", "leak check"]
        assert "First start" in client.get("/record").text
    with Store.open(own.store, readonly=True) as store:
        kept = {e.kind: e.payload for e in store.entries()}
    assert kept["first-start"] == {"steps": ["air", "leak check"], "note": "by the fitter"}
    assert kept["leak-check"]["result"] == "tight"


def test_a_sheet_without_the_leak_check_says_nothing_of_tight(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        token = _token(client, "/first-start")
        nothing = client.post("/first-start", data={"token": token})
        assert nothing.status_code == 400
        assert client.post("/first-start", data={"step0": "1"}).status_code == 400  # without the form's own token
        late = client.post("/first-start", data={"token": token, "step0": "1", "at": "2099-01-01T00:00"})
        assert late.status_code == 400
        assert re.search(r'name="step0" value="1" checked', late.text)
        said = client.post("/first-start", data={"token": token, "step0": "1"}, follow_redirects=True)
        assert "Not done yet: look" in said.text
        assert "counts as tight" not in said.text
    with Store.open(own.store, readonly=True) as store:
        assert [e.kind for e in store.entries()] == ["first-start"]


def test_questions_things_to_get_and_tags_are_on_the_sheet(home: House) -> None:
    text = httpx.get(home.url + "/first-start").text
    told = httpx.get(home.url + "/v1/first-start").json()
    assert len(told["questions"]) >= 5
    assert [t["cylinder"] for t in told["marks"]] == [c.name for c in home.site.cylinders]
    assert text.count('data-label="Ask"') == len(told["questions"])
    assert text.count('data-label="Count"') == len(told["items"])


def test_small_cylinders_are_not_offered_and_common_ones_are() -> None:
    names = {k.name for k in kinds()}
    assert {"20 lb", "40 lb", "100 lb", "250 gal"} <= names
    assert "5 lb" not in names
    sizes = {s.name: of_size(s) for s in catalogue.SIZES if s.tare}
    assert all(sizes[n] == next(k for k in kinds() if k.name == n) for n in ("20 lb", "40 lb"))


def test_without_a_store_it_still_compares(tmp_path: Path) -> None:
    """Before there is anything to monitor there is a choice."""
    path = tmp_path / "store.db"
    with Store.open(path):
        pass
    with house.served(path, house.site()) as made, httpx.Client(base_url=made.url, timeout=60) as client:
        for page in ("/arrange", "/train", "/first-start"):
            assert client.get(page).status_code == 200, page
        assert client.get("/v1/first-start").json()["last"] is None


def test_a_tick_does_not_end_a_leak_that_was_found(own: House) -> None:
    with httpx.Client(base_url=own.url) as client:
        token = _token(client, "/record/leak-check")
        client.post("/record/leak-check", data={"token": token, "result": "leak"})
        step = f"step{fit_out.NAMES.index('leak check')}"
        said = client.post("/first-start", data={"token": token, step: "1"})
        assert said.status_code == 400
        assert "is open" in said.text
        assert client.post("/first-start", data={"token": token, "step0": "1"}).status_code == 303
    with Store.open(own.store, readonly=True) as store:
        assert [e.payload.get("result") for e in store.entries(["leak-check"])] == ["leak"]
