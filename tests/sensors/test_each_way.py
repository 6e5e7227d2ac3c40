"""Every quantity in every form through the real broker, from simulated senders whose truth is known; and odd times."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.model.reading import Quantity
from monitor.model.site import SensorSpec
from monitor.sensors.simulated import Household, Sender, from_si, true_value
from tests.sensors.scene import site, spec
from tests.sensors.test_decode import EACH
from tests.sensors.test_mqtt import listening, up
from tests.support.broker import Mosquitto, close, send, wait_for

SENML_UNITS = {
    "gross_weight": "kg", "propane_left": "kg", "share_of_full": "/", "gauge_percent": "/100", "liquid_height": "mm",
    "height_from_top": "m", "echo_time": "ms", "liquid_volume": "l", "container_pressure": "hPa",
    "air_temperature": "Cel", "wall_temperature": "K", "battery": "%EL", "signal": "dBm",
}  # fmt: skip
OURS = {"/": "", "/100": "%", "%EL": "%", "Cel": "°C", "l": "L"}


def forms() -> list[SensorSpec]:
    """Each quantity as a plain number, as JSON and (where SenML has a unit for it) as SenML."""
    found = []
    for quantity, unit, _sent, _si in EACH:
        own: dict[str, Any] = {"unit": unit, "subject": "A"}
        found.append(spec(quantity, f"{quantity}-number", **own))
        pointers = {"pointer": "/d/0/v", "time_pointer": "/at", "unit_pointer": "/u" if unit else ""}
        found.append(spec(quantity, f"{quantity}-json", **own, **pointers))
        if quantity in SENML_UNITS:
            found.append(spec(quantity, f"{quantity}-senml", subject="A", options={"senml_name": f"a:{quantity}"}))
    return found


def payload_of(one: SensorSpec, value: float, at: datetime) -> bytes:
    if one.name.endswith("-number"):
        return Sender(one, site(), HOUSE).written(value, at)
    if one.name.endswith("-senml"):
        unit = SENML_UNITS[one.quantity]
        own = from_si(value, spec(one.quantity, unit=OURS.get(unit, unit)))
        return json.dumps([{"bn": "a:", "bt": at.timestamp()}, {"n": one.quantity, "u": unit, "v": own}]).encode()
    document = {"d": [{"v": from_si(value, one)}], "at": at.isoformat(), "u": one.unit}
    return json.dumps(document).encode()


NOW = datetime.now(UTC)
HOUSE = Household(NOW, {"A": 9.0, "B": 9.0}, {"A": 1.0, "B": 1.0}, lambda _: 268.0)


def test_every_quantity_in_every_form(broker: Mosquitto) -> None:
    sensors = forms()
    at = datetime.now(UTC) - timedelta(minutes=2)
    with listening(broker, *sensors) as (source, caught):
        up(source)
        client = broker.client()
        for one in sensors:
            content = "application/senml+json" if one.name.endswith("-senml") else ""
            send(client, one.address, payload_of(one, true_value(one, site(), HOUSE, at), at), content=content)
        close(client)
        wait_for(lambda: len(caught.readings) + len(caught.aside) == len(sensors))
    assert not caught.aside
    assert {r.quantity for r in caught.readings} == set(Quantity)
    for reading in caught.readings:
        one = next(s for s in sensors if s.name == reading.source)
        truth = true_value(one, site(), HOUSE, at)
        assert reading.value == pytest.approx(truth, rel=1e-6, abs=1e-6), one.name
        if not one.name.endswith("-number"):
            assert abs(reading.time - at) < timedelta(milliseconds=1)


def test_doubles_late_ones_and_clocks_that_are_wrong(broker: Mosquitto) -> None:
    one = spec(pointer="/v", time_pointer="/t")
    now = datetime.now(UTC)
    with listening(broker, one) as (source, caught):
        up(source)
        client = broker.client()
        for days, minutes, value in (
            (0, 10, 20.0), (0, 5, 21.0), (0, 10, 20.0), (0, 7, 20.5), (365, 0, 22.0), (-365, 0, 23.0),
            (20_000, 0, 24.0), (0, 1, 19.5),
        ):  # fmt: skip
            at = now - timedelta(days=days, minutes=minutes)
            send(client, "t/s", json.dumps({"v": value, "t": at.isoformat()}))
        close(client)
        wait_for(lambda: caught.values()[-1:] == [19.5])
        wait_for(lambda: source.in_hand == 0)
    assert caught.values() == [20.0, 21.0, 20.5, 19.5]
    assert ["days ago" in a.reason or "future" in a.reason for a in caught.aside] == [True, True, True]
