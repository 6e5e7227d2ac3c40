"""Official warnings kept and told."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from monitor.weather import bulletin
from monitor.weather.nws_warnings import gather
from tests.weather.servers.nws import alert
from tests.weather.support import NOW

SENT = NOW - timedelta(hours=3)
FEATURES = [
    alert("Winter Storm Watch", "/O.NEW.KMPX.WS.A.0002.260106T0000Z-260107T1800Z/", SENT, severity="Moderate"),
    alert("Extreme Cold Warning", "/O.NEW.KMPX.EC.W.0003.260106T0000Z-260107T1800Z/", SENT, severity="Extreme"),
]
WARNINGS = gather(FEATURES, NOW)


def test_kept_and_read_again() -> None:
    assert len(WARNINGS) == 2
    assert bulletin.load(bulletin.dump(WARNINGS), NOW) == WARNINGS
    assert bulletin.load(bulletin.dump(WARNINGS), NOW + timedelta(days=2)) == ()


@pytest.mark.parametrize("text", [None, "", "null", "{", '[{"key": 1}]', "[3]", '{"a": 1}'])
def test_nothing_readable_is_none(text: str | None) -> None:
    assert bulletin.load(text, NOW) == ()


def test_the_gravest_first_and_each_event_once() -> None:
    twice = [*WARNINGS, replace(WARNINGS[1], key="other")]
    line = bulletin.words(twice, "America/Chicago")
    assert line.startswith("Extreme Cold Warning until Tue 06 Jan 05:20 (NWS Invented); Winter Storm Watch")
    assert line.count("Extreme") == 1
    assert bulletin.words([], "America/Chicago") == ""
