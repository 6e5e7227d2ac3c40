"""Our outlook as a Homie 5 device, seen by a controller of the test's own through a real broker."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.model.alert import AlertState, Judgement, Notice
from monitor.model.health import SourceHealth
from monitor.model.outlook import HourOutlook, Outlook, RunOut, Stretch
from monitor.model.reading import Level
from monitor.model.site import Appliance, Cylinder, Site
from monitor.notify import homie_form
from monitor.notify.homie import HomiePublisher
from monitor.service.clock import RealClock
from tests.support.broker import Mosquitto, close, wait_for

CYLINDER = Cylinder("A", 43.18, 13.15, 0.3175, 18.14)
SITE = Site(
    "Test (invented)", 45.0, -100.0, "America/Denver", (CYLINDER, replace(CYLINDER, name="Bär b")),
    (Appliance("Range", 19_000.0, 3600.0),),
)  # fmt: skip
ID = re.compile(r"[a-z0-9-]+")
UNITS = frozenset(
    "°C|°F|°|L|gal|V|W|kW|kWh|A|Hz|rpm|%|m|m³|ft|m/s|kn|Pa|psi|ppm|s|min|h|lx|K|#|kg|lb".split("|")  # noqa: SIM905
)


def outlook(left_kg: float = 9.07, *, uncovered: bool = True) -> Outlook:
    now = datetime.now(UTC)
    start = now.replace(minute=0, second=0, microsecond=0)
    hours = tuple(
        HourOutlook(
            start + timedelta(hours=k), 268.15 - k, 269.0, {"chart": 9e3, "floor": 8e3, "weather": 7500.4}, -500.0 * k,
            3000.0, "pressure", {"chart": 0.5, "floor": 0.6, "weather": 0.7}, 12.0, True, uncovered and k > 3,
        )
        for k in range(12)
    )  # fmt: skip
    short = Stretch(
        start + timedelta(hours=4), start + timedelta(hours=12), start, -5500.0, 1.0, 257.0, 3600.0, None, "hold"
    )
    levels = (
        Level("A", now, left_kg, 0.31, 1e-6, 1e-7, now - timedelta(hours=1), "weighed 1 h ago"),
        Level("Bär b", now, 0.0, 5.0, 0.0, 0.0, None, "no reading"),
    )
    return Outlook(
        now, SITE.name, "weather", 19_000.0, hours, (short,) if uncovered else (),
        RunOut(None, now + timedelta(days=9), None), levels,
    )  # fmt: skip


class Controller:
    """Keeps what is retained and what has come under homie/5."""

    def __init__(self, broker: Mosquitto) -> None:
        self.topics: dict[str, bytes] = {}
        self.history: list[tuple[str, bytes, bool, int]] = []
        self._lock = threading.Lock()
        self.client = broker.client()
        self.client.on_message = self._note
        self.client.subscribe("homie/5/#", 2)

    def _note(self, _client: Any, _data: Any, message: Any) -> None:
        with self._lock:
            self.history.append((message.topic, message.payload, message.retain, message.qos))
            if message.payload:
                self.topics[message.topic] = message.payload
            else:
                self.topics.pop(message.topic, None)

    def text(self, key: str) -> str:
        return self.topics.get(f"homie/5/boiloff-test/{key}", b"").decode()


@pytest.fixture
def controller(broker: Mosquitto) -> Iterator[Controller]:
    found = Controller(broker)
    yield found
    close(found.client)


@contextmanager
def publishing(broker: Mosquitto, **more: Any) -> Iterator[tuple[HomiePublisher, list[SourceHealth]]]:
    health: list[SourceHealth] = []
    site = replace(SITE, broker=broker.described())
    publisher = HomiePublisher(site, health.append, RealClock(), reconnect_s=(0.2, 0.2), **more)
    publisher.start()
    try:
        yield publisher, health
    finally:
        publisher.stop()


def legal(datatype: str, form: str, payload: str) -> bool:
    """Whether a payload is of its datatype, as the convention says."""
    if datatype == "boolean":
        return payload in {"true", "false"}
    if datatype == "datetime":
        return datetime.fromisoformat(payload).tzinfo is not None
    assert datatype == "float", datatype
    if not re.fullmatch(r"-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?", payload):
        return False
    low, _, high = form.partition(":") if form else ("", "", "")
    return (not low or float(payload) >= float(low)) and (not high or float(payload) <= float(high))


def test_a_controller_finds_the_device_and_every_value_is_legal(broker: Mosquitto, controller: Controller) -> None:
    with publishing(broker) as (publisher, health):
        publisher.show(outlook(), {"cold-shortfall/site": "Cylinders fall short tonight"})
        wait_for(lambda: controller.text("$state") == "ready")
        wait_for(lambda: controller.text("cylinder-a/left"))
        wait_for(lambda: controller.text("$alert/cold-shortfall-site"))
        wait_for(lambda: health and health[-1].working)
        description = json.loads(controller.text("$description"))
        seen = dict(controller.topics)
    assert description["homie"] == "5.0"
    assert isinstance(description["version"], int)
    count = 0
    for node, parts in description["nodes"].items():
        assert ID.fullmatch(node)
        for name, declared in parts["properties"].items():
            assert ID.fullmatch(name)
            assert declared["datatype"] in {
                "integer",
                "float",
                "boolean",
                "string",
                "enum",
                "color",
                "datetime",
                "duration",
                "json",
            }
            assert declared.get("unit", "W") in UNITS
            payload = seen.get(f"homie/5/boiloff-test/{node}/{name}", b"").decode()
            if payload:
                assert legal(declared["datatype"], declared.get("format", ""), payload), (node, name, payload)
                count += 1
    assert count == 13
    said = {k.removeprefix("homie/5/boiloff-test/"): v.decode() for k, v in seen.items()}
    assert said["outlook/covered"] == "false"
    assert said["outlook/capacity-now"] == "7500"
    assert said["cylinder-a/share"] == "50.0"
    assert "cylinder-bar-b/left" not in said  # never read: no value
    assert "outlook/run-out-early" not in said
    assert said["$alert/cold-shortfall-site"] == "Cylinders fall short tonight"
    states = [p for t, p, *_ in controller.history if t.endswith("$state")]
    assert states[:2] == [b"init", b"ready"]


def test_only_changes_are_sent_and_an_alert_that_ends_is_taken_away(broker: Mosquitto, controller: Controller) -> None:
    with publishing(broker) as (publisher, _):
        first = outlook()
        publisher.show(first, {"low-fuel/A": "A is low"})
        wait_for(lambda: controller.text("$state") == "ready" and controller.text("$alert/low-fuel-a"))
        count = len(controller.history)
        publisher.show(first, {"low-fuel/A": "A is low"})
        publisher.show(replace(first, levels=(replace(first.levels[0], left_kg=4.0),)), {})
        wait_for(lambda: controller.text("cylinder-a/left") == "4.00" and not controller.text("$alert/low-fuel-a"))
        assert len(controller.history) == count + 3  # left, share, and the alert's end
        publisher.stop()
        wait_for(lambda: controller.text("$state") == "disconnected")
    assert all(qos == 2 for *_, qos in controller.history)


def test_a_round_of_judging_raises_and_ends_alerts(broker: Mosquitto, controller: Controller) -> None:
    now = datetime.now(UTC)
    standing = AlertState("low-fuel/A", "low-fuel", "A", "unacknowledged", now)
    notice = Notice("1", "low-fuel/A", "o", now, "raised", "Moderate", "Future", "Likely", "A is low", "…")
    with publishing(broker) as (publisher, _):
        wait_for(lambda: controller.text("$state") == "ready")
        publisher.judged(outlook(), Judgement((standing,), (), (notice,)))
        wait_for(lambda: controller.text("$alert/low-fuel-a") == "A is low")
        publisher.judged(outlook(), Judgement((), (), ()))
        publisher.judged(outlook(), Judgement((replace(standing, state="acknowledged"),), (), ()))
        publisher.judged(outlook(3.0), Judgement((), (), ()))
        wait_for(lambda: controller.text("cylinder-a/left") == "3.00")
        assert controller.text("$alert/low-fuel-a") == "A is low"
        publisher.judged(outlook(), Judgement((replace(standing, state="returned"),), (), ()))
        wait_for(lambda: not controller.text("$alert/low-fuel-a"))


def test_the_last_will_says_that_we_were_lost(broker: Mosquitto, controller: Controller) -> None:
    with publishing(broker, will_delay_s=0) as (publisher, _):
        wait_for(lambda: controller.text("$state") == "ready")
        client = publisher._client
        assert client is not None
        client.loop_stop()
        client._sock_close()  # as if the machine had gone
        wait_for(lambda: controller.text("$state") == "lost")


def test_everything_is_said_again_when_the_broker_comes_back(stopped_broker: Mosquitto) -> None:
    broker = stopped_broker
    with publishing(broker) as (publisher, health):
        publisher.show(outlook())
        wait_for(lambda: health and "no connection" in health[-1].error)
        broker.start()
        controller = Controller(broker)
        wait_for(lambda: controller.text("cylinder-a/left") == "9.07")
        wait_for(lambda: health[-1].working)
        close(controller.client)


def test_what_cannot_be_judged_is_not_called_covered() -> None:
    now = datetime.now(UTC)
    fine = outlook(uncovered=False)
    assert homie_form.values(fine, SITE, now)["outlook/covered"] == "true"
    gap = replace(fine, hours=(*fine.hours[:-1], replace(fine.hours[-1], uncovered=None)))
    assert homie_form.values(gap, SITE, now)["outlook/covered"] == ""
    assert homie_form.values(replace(fine, hours=()), SITE, now)["outlook/covered"] == ""


def test_ids_numbers_and_versions() -> None:
    assert homie_form.slug("Bär b!") == "bar-b"
    assert homie_form.slug("日本") == "x"
    same = replace(
        SITE, cylinders=(replace(CYLINDER, name="a"), replace(CYLINDER, name="A"), replace(CYLINDER, name="Ä"))
    )
    assert list(homie_form.cylinder_ids(same).values()) == ["cylinder-a", "cylinder-a-2", "cylinder-a-3"]
    assert [homie_form.number(v) for v in (None, float("nan"), float("inf"), -0.01, 2.25)] == ["", "", "", "0.0", "2.2"]
    assert homie_form.description(SITE)["version"] == homie_form.description(SITE)["version"]
    assert homie_form.description(SITE)["version"] != homie_form.description(same)["version"]
