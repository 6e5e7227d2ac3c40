"""Official warnings: which count, how updates of one hazard become one, and when it is over."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.model.warning import OfficialWarning
from monitor.weather import WeatherError, fetch_warnings
from tests.weather.servers.base import Reply, html
from tests.weather.servers.nws import Nws, alert, problem
from tests.weather.support import NOW, context, site, source

EARLIER = NOW - timedelta(hours=9)
COLD = "/O.{action}.KMPX.EC.W.{number:04d}.260106T0000Z-260107T1800Z/"


@pytest.fixture
def server() -> Iterator[Nws]:
    with Nws(NOW) as running:
        yield running


def ask(server: Nws) -> tuple[OfficialWarning, ...]:
    return fetch_warnings(source("nws", server.url), site(), context())


def cold(action: str = "NEW", number: int = 3, sent: datetime = EARLIER, **changed: Any) -> dict[str, Any]:
    return alert("Extreme Cold Warning", COLD.format(action=action, number=number), sent, **changed)


def test_one_warning(server: Nws) -> None:
    server.alerts = [cold()]
    (warning,) = ask(server)
    assert server.asked[0].query == {"point": "44.12,-93.65"}
    assert warning.key == "KMPX.EC.W.0003.2026"
    assert (warning.kind, warning.event, warning.severity, warning.certainty) == (
        "cold", "Extreme Cold Warning", "Severe", "Likely",
    )  # fmt: skip
    assert warning.ends == EARLIER + timedelta(hours=24)
    assert warning.credit


def test_updates_of_one_hazard_are_one_warning(server: Nws) -> None:
    """Each update has a new id and the same VTEC event; the newest counts, in whatever order they come."""
    later = NOW - timedelta(hours=1)
    server.alerts = [
        cold("CON", sent=later, severity="Extreme"),
        cold("NEW"),
        cold("EXT", sent=NOW - timedelta(hours=5)),
    ]
    (warning,) = ask(server)
    assert warning.severity == "Extreme"
    assert warning.sent == later


def test_two_hazards_in_one_message(server: Nws) -> None:
    both = [COLD.format(action="NEW", number=3), "/O.NEW.KMPX.EC.A.0001.260107T1800Z-260108T1800Z/"]
    server.alerts = [cold(parameters={"VTEC": both})]
    assert {w.key for w in ask(server)} == {"KMPX.EC.W.0003.2026", "KMPX.EC.A.0001.2026"}


@pytest.mark.parametrize("action", ["CAN", "EXP", "UPG"])
def test_a_hazard_called_off_is_gone(server: Nws, action: str) -> None:
    server.alerts = [cold(), cold(action, sent=NOW)]
    assert ask(server) == ()


def test_a_message_of_type_cancel(server: Nws) -> None:
    server.alerts = [cold(), cold("CON", sent=NOW, messageType="Cancel")]
    assert ask(server) == ()


def test_the_end_of_the_hazard_and_not_of_the_message(server: Nws) -> None:
    past = (NOW - timedelta(hours=1)).isoformat()
    server.alerts = [cold(expires=past)]
    assert len(ask(server)) == 1
    server.alerts = [cold(ends=past)]
    assert ask(server) == ()
    server.alerts = [cold(ends=None, expires=past)]
    assert ask(server) == ()
    server.alerts = [cold(ends=None)] if EARLIER + timedelta(hours=8) > NOW else [cold(ends=None, expires=None)]
    assert len(ask(server)) == 1


def test_an_event_keeps_its_year_past_new_year(server: Nws) -> None:
    old = datetime(2025, 12, 31, 20, tzinfo=UTC)
    new = cold(sent=old, ends=(NOW + timedelta(hours=9)).isoformat())
    update = cold("CON", references=[{"identifier": "urn:x", "sent": old.isoformat()}])
    server.alerts = [new, update]
    assert [w.key for w in ask(server)] == ["KMPX.EC.W.0003.2025"]


@pytest.mark.parametrize(
    ("event", "kind"),
    [
        ("Extreme Cold Watch", "cold"), ("EXTREME COLD WARNING", "cold"), ("Cold Weather Advisory", "cold"),
        ("Freeze Watch", "cold"), ("Wind Chill Advisory", "cold"), ("Blizzard Warning", "storm"),
        ("Winter Storm Watch", "storm"), ("Ice Storm Warning", "storm"),
    ],
)  # fmt: skip
def test_events_that_count(server: Nws, event: str, kind: str) -> None:
    server.alerts = [alert(event, None, EARLIER, eventCode={})]
    assert [w.kind for w in ask(server)] == [kind]


def test_a_renamed_event_is_known_by_its_code(server: Nws) -> None:
    server.alerts = [alert("Bitter Cold Warning", COLD.format(action="NEW", number=9), EARLIER)]
    assert len(ask(server)) == 1


@pytest.mark.parametrize("event", ["Flood Warning", "Heat Advisory", "Small Craft Advisory"])
def test_events_that_do_not(server: Nws, event: str) -> None:
    server.alerts = [alert(event, "/O.NEW.KMPX.FL.W.0003.260106T0000Z-260107T1800Z/", EARLIER, eventCode={})]
    assert ask(server) == ()


@pytest.mark.parametrize("status", ["Exercise", "Test", "System", "Draft"])
def test_exercises_are_no_warnings(server: Nws, status: str) -> None:
    server.alerts = [cold(status=status)]
    assert ask(server) == ()


def test_without_vtec_the_references_hold_it_together(server: Nws) -> None:
    first = alert("Cold Weather Advisory", None, EARLIER)
    second = alert("Cold Weather Advisory", None, NOW, references=[{"sent": EARLIER.isoformat()}])
    server.alerts = [first, second]
    assert [w.sent for w in ask(server)] == [NOW]


def test_several_pages(server: Nws) -> None:
    server.alerts = [cold(number=n) for n in range(1, 6)]
    server.pages = 3
    assert len(ask(server)) == 5
    assert len(server.asked) == 3


def test_odd_features_are_passed_over(server: Nws) -> None:
    odd: Any = [None, {}, {"properties": None}, {"properties": {"status": "Actual", "sent": "soon"}}, 3]
    server.alerts = [*odd, cold(severity="Unknown", urgency=None, parameters={"VTEC": ["/rubbish/"]}, headline=None)]
    (warning,) = ask(server)
    assert (warning.severity, warning.urgency) == ("Moderate", "Expected")


def test_none_in_force_and_none_elsewhere(server: Nws) -> None:
    assert ask(server) == ()
    assert fetch_warnings(source("open-meteo", server.url), site(), context()) == ()


@pytest.mark.parametrize(
    "reply", [html(200), problem(400, "InvalidParameter", "Bad"), Reply(200, b""), Reply(200, b"{}")]
)
def test_failures(server: Nws, reply: Reply) -> None:
    server.trap(reply)
    with pytest.raises(WeatherError):
        ask(server)
