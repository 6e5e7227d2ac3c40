"""The list of settings: sound in itself, and in step with those who read them."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.alerts import settings as alerts
from monitor.site import settings, values
from monitor.site.quantity import KINDS, QuantityError, parse
from monitor.site.settings import SETTINGS, Setting
from tests.site.sample import SOUND, loaded, warned


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: s.key)
def test_each_is_sound(setting: Setting) -> None:
    assert setting.kind in KINDS or setting.kind in values.READERS
    assert setting.reason
    assert (setting.kind == "choice") == bool(setting.choices)
    table, _, name = setting.key.partition(".")
    assert table
    assert name.replace("_", "").replace(".", "").isalnum()
    defaults = setting.default if setting.kind == "shares" else (setting.default,)
    for value in defaults:
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            assert setting.low is None or value >= setting.low
            assert setting.high is None or value <= setting.high


def test_keys_are_there_once() -> None:
    assert len(settings.BY_KEY) == len(SETTINGS)


def test_alerts_have_the_same_defaults_on_their_own() -> None:
    """The alerts are pure and keep their defaults beside them; a site file must not change them by saying nothing."""
    listed = {s.key.removeprefix("alerts."): s.default for s in settings.ALERTS}
    for key, default in alerts.DEFAULTS.items():
        assert listed[key] == pytest.approx(default), key


LISTS = {"texts", "days", "shares"}  # have a form of their own


@pytest.mark.parametrize(
    "setting", [s for s in SETTINGS if s.default is not None and s.kind not in LISTS], ids=lambda s: s.key
)
def test_a_default_written_down_is_read_back(setting: Setting) -> None:
    """What `bound` prints as the default can be put into the file, where it is one value."""
    written: object = values.bound(setting.default, setting.kind)
    if setting.kind in {"flag", "factor", "count", "money"}:
        written = setting.default
    elif setting.kind in KINDS:
        written = str(written).split(" (", 1)[0]
        assert values.setting(setting, written) == pytest.approx(setting.default, rel=1e-3)
        return
    assert values.setting(setting, written) == setting.default


ROOT = Path(__file__).resolve().parents[2] / "monitor"


def test_what_is_accepted_is_read_somewhere_or_said_not_to_be() -> None:
    """A setting that is taken and then ignored would be a lie."""
    sources = {p: p.read_text(encoding="utf-8") for p in ROOT.rglob("*.py") if p.parent.name != "site"}
    alert_sources = "".join(text for path, text in sources.items() if path.parent.name == "alerts")
    everything = "".join(sources.values())
    read = {
        key
        for key in settings.BY_KEY
        if f'"{key}"' in everything
        or (key.startswith("alerts.") and f'"{key.removeprefix("alerts.")}"' in alert_sources)
    }
    assert read & settings.NOT_YET == set(), "read by now: take them off NOT_YET in monitor/site/settings.py"
    assert set(settings.BY_KEY) - read - settings.NOT_YET == set(), "read nowhere: remove them, or list them in NOT_YET"


def test_validate_says_so() -> None:
    found = warned(SOUND + '[page]\nlanguage = "en"\n')
    assert "reads it yet" in found["page.language"].hint


@pytest.mark.parametrize(
    ("text", "per_kg"),
    [
        ("2.40 / kg", 2.40),
        ("1.10 per lb", 1.10 / 0.45359237),
        ("3.80 / gal", 3.80 / (4.24 * 0.45359237)),  # NFPA 58 table of properties: 4.24 lb a gallon at 60 °F
        ("1,20 / L", 1.20 / (4.24 * 0.45359237 / 3.785411784)),
    ],
)
def test_price(text: str, per_kg: float) -> None:
    assert values.price(text) == pytest.approx(per_kg)


@pytest.mark.parametrize("text", ["3.80", "$3.80 / gal", "3.80 / m", "1,234 / kg", 3.8, "-1 / kg"])
def test_price_refused(text: object) -> None:
    with pytest.raises(QuantityError):
        values.price(text)


def test_nested_tables_are_dotted_keys() -> None:
    found = loaded(SOUND + '[service]\nlog_level = "debug"\nhosts = ["tank.lan"]\n').site.settings
    assert found["service.log_level"] == "debug"
    assert found["service.hosts"] == ("tank.lan",)
    assert found["alerts.restarts"] == 5


def test_days_hours_and_addresses() -> None:
    text = '[fuel]\ndays = ["Saturday", "tue"]\nlift = "80 lb"\nuse = "1 lb/day"\n[service]\nlisten = "[::1]:80"\n'
    found = loaded(SOUND + text).site.settings
    assert found["fuel.days"] == (1, 5)
    assert found["fuel.lift"] == parse("80 lb", "mass")
    assert found["fuel.use"] == pytest.approx(0.45359237 / 86400)
    assert found["service.listen"] == "[::1]:80"
