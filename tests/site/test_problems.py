"""Every kind of mistake: the key, the line, what was expected, the hint; all of them in one round."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.site.sample import CYLINDER, RANGE, SITE, SOUND, SUPPLY, WEATHER, only, problems

GOLDEN = Path(__file__).resolve().parent / "golden"
MANY = (GOLDEN / "many.toml").read_text(encoding="utf-8")


def test_every_problem_at_once_in_the_order_of_the_file() -> None:
    found = problems(MANY)
    assert "\n".join(str(p) for p in found) + "\n" == (GOLDEN / "many.txt").read_text(encoding="utf-8")


def test_no_secret_is_ever_shown() -> None:
    assert "hunter2" not in "\n".join(str(p) for p in problems(MANY))


PHONE = WEATHER + '[[channel]]\nname = "p"\nurl_file = "u"\n'
# What is replaced in a sound file, by what; then the key and a part of the message.
ONE: list[tuple[str, str, str, str]] = [
    # tables
    ("[site]", "[[site]]", "site", "in single brackets"),
    ("[[cylinder]]", "[cylinder]", "cylinder", "write [[cylinder]], in double brackets"),
    ("[[appliance]]", "[appliance]", "appliance", "write [[appliance]]"),
    (SITE, "", "site", "the place and the time zone"),
    (CYLINDER, "", "cylinder", "one [[cylinder]] for each"),
    (RANGE, "", "appliance", "one [[appliance]] for each"),
    (SUPPLY, 'supply = "all"\n', "site.supply", "keys of [site]"),
    # site
    ('name = "Test yard (invented)"\n', "", "site.name", "the key name"),
    ('"Test yard (invented)"', '""', "site.name", "1 to 40"),
    ('"Test yard (invented)"', '"a/b"', "site.name", "have a meaning"),
    ("latitude = 45.0\n", "", "site.latitude", "degrees north"),
    ("45.0", "nan", "site.latitude", "from -90 to 90"),
    ("45.0", "true", "site.latitude", "from -90 to 90"),
    ("latitude", "lat", "site.lat", 'did you mean "latitude"'),
    ("-90.0", "-190.0", "site.longitude", "west is negative"),
    ('"America/Chicago"', '"Chicago"', "site.timezone", 'did you mean "America/Chicago"?'),
    ('"America/Chicago"', '"../etc/passwd"', "site.timezone", "IANA"),
    ('"America/Chicago"', '"America"', "site.timezone", "IANA"),
    ('"America/Chicago"\n', '"America/Chicago"\nunits = "imperial"\n', "site.units", '"us", "metric"'),
    ('"America/Chicago"\n', '"America/Chicago"\nelevation = "9000 m"\n', "site.elevation", "from -1,476 ft"),
    # supply
    ("[supply]\n", '[supply]\nfeed = "togehter"\n', "supply.feed", 'did you mean "together"'),
    ("[supply]\n", '[supply]\nfeed = "changeover"\n', "supply.feed", 'side = "reserve"'),
    ("[supply]\n", '[supply]\nchangeover = "15 psi"\n', "supply.changeover", 'feed = "changeover"'),
    ("[supply]\n", "[supply]\nshelter = 30\n", "supply.shelter", '"30 %"'),
    ("[supply]\n", '[supply]\nshelter = "130 %"\n', "supply.shelter", "from 0 % to 100 %"),
    ("[supply]\n", '[supply]\nbasis = "wether"\n', "supply.basis", 'did you mean "weather"'),
    ("[supply]\n", '[supply]\ncheck_valves = "yes"\n', "supply.check_valves", "true or false"),
    ('"160000 Btu/h"', '"160000"', "supply.regulator", 'write "160000 Btu/h", in quotes'),
    # cylinder
    ('name = "A"', "name = 1", "cylinder[1].name", 'in quotes: "1"'),
    ('name = "A"', 'name = "site"', "cylinder[1].name", "is taken"),
    ('water_capacity = "95.2 lb"\n', "", "cylinder[1].water_capacity", 'size = "40 lb"'),
    ('water_capacity = "95.2 lb"', 'size = "13 kg"', "cylinder[1].size", "sizes known: 5 lb"),
    ('water_capacity = "95.2 lb"', 'size = "forty"', "cylinder[1].size", "begin with the number"),
    ('"95.2 lb"', '"95.2 in"', "cylinder[1].water_capacity", "behind WC"),
    ('"95.2 lb"', '"95.2"', "cylinder[1].water_capacity", "the stamped WC"),
    ('"29 lb"', '"29 in"', "cylinder[1].tare", "unit of length"),
    ('"29 lb"', '"129 lb"', "cylinder[1].tare", "20-60 % of the water capacity"),
    ('"29 lb"', '"2.9 lb"', "cylinder[1].tare", "20-60 % of the water capacity"),
    ('"95.2 lb"', '"95.2 kg"', "cylinder[1].tare", "and at their units"),
    ('"29 lb"', '"-29 lb"', "cylinder[1].tare", "below zero"),
    ('"12.5 in"', '"12.5 ft"', "cylinder[1].outside_diameter", "out of range"),
    ('"12.5 in"', '"25 in"', "cylinder[1].outside_diameter", "two heads alone"),
    ('"12.5 in"', '"5 in"', "cylinder[1].outside_diameter", "the shell would be"),
    ('"12.5 in"\n', '"12.5 in"\nfull = "80 lb"\n', "cylinder[1].full", "more than the shell holds"),
    ('"12.5 in"\n', '"12.5 in"\nvalve = true\n', "cylinder[1].valve", '"open" or "closed"'),
    ('"12.5 in"\n', '"12.5 in"\nshape = "round"\n', "cylinder[1].shape", '"vertical", "horizontal"'),
    ('"12.5 in"\n', '"12.5 in"\ngas = "methane"\n', "cylinder[1].gas", '"propane"'),
    ('"12.5 in"\n', '"12.5 in"\ngas = { propane = 0.5 }\n', "cylinder[1].gas", "must add to 1"),
    ('"12.5 in"\n', '"12.5 in"\ngas = { propan = 1 }\n', "cylinder[1].gas", 'did you mean "propane"'),
    ('"12.5 in"\n', '"12.5 in"\nmanufactured = "04-19"\n', "cylinder[1].manufactured", '"2019-04"'),
    ('"12.5 in"\n', '"12.5 in"\nmanufactured = "2019-13"\n', "cylinder[1].manufactured", "no calendar"),
    ('"12.5 in"\n', '"12.5 in"\nmanufactured = "1019-12"\n', "cylinder[1].manufactured", "cannot be meant"),
    ('"12.5 in"\n', '"12.5 in"\nwc = "95.2 lb"\n', "cylinder[1].wc", 'did you mean "water_capacity"'),
    # appliance
    ('input = "65000 Btu/h"\n', "", "appliance[1].input", "the plate of the appliance"),
    ('"65000 Btu/h"', '"0 Btu/h"', "appliance[1].input", "out of range"),
    ('"65000 Btu/h"', '"65000 °F"', "appliance[1].input", "heat rate"),
    (RANGE, RANGE + 'hold = "25 h"\n', "appliance[1].hold", "from 1 s to 1 day"),
    (RANGE, RANGE + 'when = "05-25"\n', "appliance[1].when", "no day has"),
    (RANGE, RANGE + 'when = "05-05"\n', "appliance[1].when", "continuous = true"),
    (RANGE, RANGE + 'when = "05:30-22"\n', "appliance[1].when", "whole hours"),
    (RANGE, RANGE + 'when = "06-09, 17-21"\n', "appliance[1].when", "one stretch"),
    (RANGE, RANGE + "when = 5\n", "appliance[1].when", "24-hour clock"),
    (RANGE, RANGE + "continuous = 1\n", "appliance[1].continuous", "true or false"),
    (RANGE, RANGE + RANGE, "appliance[2].name", "appliance[1] has it already"),
    # weather
    ('"open-meteo"', '"openmeteo"', "weather[1].kind", 'did you mean "open-meteo"'),
    ('"open-meteo"', '"file"', "weather[1].path", "the file that holds"),
    ('"open-meteo"', '"command"', "weather[1].command", "such as command"),
    (WEATHER, WEATHER + 'base_url = "example.org"\n', "weather[1].base_url", '"https://example.org"'),
    (WEATHER, WEATHER + 'bse_url = "https://example.org"\n', "weather[1].bse_url", 'did you mean "base_url"'),
    # channel, broker, settings
    (WEATHER, WEATHER + '[[channel]]\nname = "p"\n', "channel[1].url", "either url or url_file"),
    (WEATHER, WEATHER + '[[channel]]\nname = "p"\nurl = "p"\n', "channel[1].url", "apprise"),
    (WEATHER, WEATHER + '[[channel]]\nname = "log"\nurl = "json://localhost"\n', "channel[1].name", "is taken"),
    (WEATHER, PHONE + 'severities = ["bad"]\n', "channel[1].severities[1]", "Extreme"),
    (WEATHER, PHONE + 'severities = "Severe"\n', "channel[1].severities", "a list"),
    (WEATHER, PHONE + 'hours = "7"\n', "channel[1].hours", "24-hour"),
    (WEATHER, PHONE + 'kinds = "all"\n', "channel[1].kinds", "a list"),
    (WEATHER, PHONE + 'urgencies = ["Imediate"]\n', "channel[1].urgencies", 'did you mean "Immediate"'),
    (WEATHER, PHONE + 'options = { quiet_hours = "9" }\n', "channel[1].options.quiet_hours", "24-hour"),
    (WEATHER, WEATHER + 'timeout = "1 h"\n', "weather[1].timeout", "from 1 s to 10 min"),
    (WEATHER, WEATHER + "ensemble = 1\n", "weather[1].ensemble", "true or false"),
    (WEATHER, WEATHER + "[broker]\nport = 70000\n", "broker.port", "from 1 to 65535"),
    (WEATHER, WEATHER + '[broker]\npassword_file = "p"\n', "broker.username", "a user for the password"),
    (WEATHER, WEATHER + '[broker]\nclient_cert_file = "c"\n', "broker.client_key_file", "together"),
    (WEATHER, WEATHER + "[alerts]\nlow_fuel = []\n", "alerts.low_fuel", "shares such as"),
    (WEATHER, WEATHER + '[alerts]\nlow_fuel = ["15 %", "20 %"]\n', "alerts.low_fuel", "the higher one first"),
    (WEATHER, WEATHER + '[alerts]\nlow_fuel = ["120 %"]\n', "alerts.low_fuel", "from 0 % to 100 %"),
    (WEATHER, WEATHER + "[alerts]\nquiet = 1\n", "alerts.quiet", "true or false"),
    (WEATHER, WEATHER + "[alerts]\nrestarts = 2.5\n", "alerts.restarts", "whole number"),
    (WEATHER, WEATHER + '[alerts]\nsummary = "dayly"\n', "alerts.summary", 'did you mean "daily"'),
    (WEATHER, WEATHER + '[alerts]\nretention = "3 years"\n', "alerts.retention", "under [service]"),
    (WEATHER, WEATHER + '[service]\nlisten = "8087"\n', "service.listen", "127.0.0.1:8087"),
    (WEATHER, WEATHER + '[fuel]\ndays = ["Someday"]\n', "fuel.days", '["Tue", "Sat"]'),
    (WEATHER, WEATHER + '[cost]\nfuel = "3.80"\n', "cost.fuel", '"3.80 / gal"'),
    (WEATHER, WEATHER + "[[alerts]]\nquiet = true\n", "alerts", "single brackets"),
    (WEATHER, WEATHER + "[alarms]\nquiet = true\n", "alarms", 'did you mean "alerts"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "says"), ONE, ids=lambda v: str(v)[-28:])
def test_one_mistake_is_one_problem(old: str, new: str, key: str, says: str) -> None:
    assert old in SOUND
    found = only(SOUND.replace(old, new, 1))
    assert found.key == key
    assert says in f"{found.expected}. {found.hint}"


SENSOR = (
    SOUND + '[broker]\n[[sensor]]\nname = "s"\ntopic = "a"\ncylinder = "A"\nquantity = "gross_weight"\nunit = "lb"\n'
)

SENSORS: list[tuple[str, str, str, str]] = [
    ("[broker]\n", "", "broker", "name the broker"),
    ('topic = "a"\n', "", "sensor[1].way", "or a topic"),
    ('topic = "a"', 'topic = ""', "sensor[1].topic", "1 to 65,535"),
    ('topic = "a"', 'topic = "a+/b"', "sensor[1].topic", "between slashes"),
    ('topic = "a"', 'topic = "a "', "sensor[1].topic", "without a space"),
    ('topic = "a"', 'address = "12:34"', "sensor[1].address", "boiloff listen"),
    ('topic = "a"', 'way = "mqtt"', "sensor[1].topic", "the key topic"),
    ('topic = "a"', 'topic = "a"\nway = "ble"\naddress = "C0:FF:EE:00:00:01"', "sensor[1].topic", "mqtt"),
    ('cylinder = "A"\nq', "q", "sensor[1].cylinder", "that of one cylinder"),
    ('cylinder = "A"\nq', 'subject = "site"\nq', "sensor[1].subject", "that of one cylinder"),
    ('cylinder = "A"\nq', 'cylinder = "B"\nq', "sensor[1].cylinder", "cylinders: A"),
    ('cylinder = "A"\nq', 'cylinder = "A"\nsubject = "site"\nq', "sensor[1].subject", "either"),
    ('"gross_weight"\nunit = "lb"', '"air_temperature"\nunit = "°F"', "sensor[1].cylinder", "whole site"),
    ('unit = "lb"', 'unit = "psi"', "sensor[1].unit", "no area"),
    ('"gross_weight"\nunit = "lb"', '"valve"\nunit = "lb"', "sensor[1].unit", "leave it out"),
    ('unit = "lb"', 'noise = "1 psi"', "sensor[1].noise", "weight such as"),
    ('unit = "lb"', 'noise = "0 lb"', "sensor[1].noise", "above 0"),
    ('unit = "lb"', "scale = 0", "sensor[1].scale", "1 leaves the number"),
    ('unit = "lb"', "scale = inf", "sensor[1].scale", "a number"),
    ('unit = "lb"', 'offset = "1 lb"', "sensor[1].offset", "without quotes"),
    ('unit = "lb"', 'pointer = "weight"', "sensor[1].pointer", '"/weight"'),
    ('unit = "lb"', 'pointer = "$.a.weight"', "sensor[1].pointer", '"/a/weight"'),
    ('unit = "lb"', "table = [[1, 2]]", "sensor[1].table", "two or more"),
    ('unit = "lb"', "table = [[2, 2], [1, 1]]", "sensor[1].table", "sort it"),
    ('unit = "lb"', "table = [1, 2]", "sensor[1].table", "pairs"),
    ('unit = "lb"', 'interval = "5"', "sensor[1].interval", "5 min"),
    ('unit = "lb"', "intreval = 5", "sensor[1].intreval", 'did you mean "interval"'),
    ('unit = "lb"', "qos = 3", "sensor[1].qos", "from 0 to 2"),
    ('unit = "lb"', 'format = "xml"', "sensor[1].format", "number, json, senml"),
    ('unit = "lb"', "seed = 3", "sensor[1].seed", "keys of [[sensor]]"),
    ('unit = "lb"', "options = 5", "sensor[1].options", "a table [sensor.options]"),
]


@pytest.mark.parametrize(("old", "new", "key", "says"), SENSORS, ids=lambda v: str(v)[-28:])
def test_one_mistake_in_a_sensor(old: str, new: str, key: str, says: str) -> None:
    assert problems(SENSOR) == []
    assert old in SENSOR
    found = only(SENSOR.replace(old, new, 1))
    assert found.key == key
    assert says in f"{found.expected}. {found.hint}"


def test_a_changeover_below_the_lowest_inlet() -> None:
    text = SOUND.replace("[supply]\n", '[supply]\nfeed = "changeover"\nchangeover = "5 psi"\n')
    text = text.replace(CYLINDER, CYLINDER + CYLINDER.replace('"A"', '"B"\nside = "reserve"'))
    found = only(text)
    assert (found.key, found.value) == ("supply.changeover", '"5 psi"')
    assert "before the reserve side" in found.hint


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: None, "boiloff init"),
        (lambda p: p.mkdir(), "site.toml/site.toml"),
        (lambda p: p.write_bytes(SOUND.encode("utf-16")), "UTF-8"),
        (lambda p: p.write_bytes(SOUND.replace("Test", "T\u00e9st").encode("latin-1")), "UTF-8"),
        (lambda p: p.write_bytes(b"#" * 1_000_001), "at most"),
        (lambda p: p.write_bytes(b""), "at least one [[cylinder]]"),
    ],
    ids=["missing", "folder", "utf-16", "latin-1", "huge", "empty"],
)
def test_a_file_that_cannot_be_read(tmp_path: Path, make: object, says: str) -> None:
    from monitor import site
    from monitor.model.errors import BadInput

    path = tmp_path / "site.toml"
    make(path)  # type: ignore[operator]
    with pytest.raises(BadInput) as caught:
        site.load(path)
    assert says in str(caught.value)
    assert caught.value.exit_code == 2


def test_the_line_of_a_byte_that_is_no_utf8(tmp_path: Path) -> None:
    from monitor import site
    from monitor.model.errors import BadInput

    path = tmp_path / "site.toml"
    path.write_bytes(b"[site]\nname = 'a'\n# 29 \xb0C\n")
    with pytest.raises(BadInput, match="line 3"):
        site.load(path)
