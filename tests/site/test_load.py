"""A site file that is right, and what comes of it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from monitor import site
from monitor.model.errors import BadInput
from monitor.model.site import Broker, Gas
from monitor.site import catalogue, settings
from monitor.site.build import GROSS_OVER_NET, air_pressure_pa
from tests.site.sample import CYLINDER, RANGE, SITE, SOUND, SUPPLY, WEATHER, loaded

LB = 0.45359237
BTU_H = 1055.05585262 / 3600


def test_core_tables() -> None:
    found = loaded(SOUND).site
    assert (found.name, found.latitude, found.longitude) == ("Test yard (invented)", 45.0, -90.0)
    assert (found.timezone, found.units, found.elevation_m) == ("America/Chicago", "us", 0.0)
    cylinder = found.cylinder("A")
    assert cylinder.water_capacity_kg == pytest.approx(95.2 * LB)
    assert cylinder.tare_kg == pytest.approx(29 * LB)
    assert cylinder.outside_diameter_m == pytest.approx(0.3175)
    assert cylinder.full_kg == pytest.approx(0.42 * 95.2 * LB)
    assert (cylinder.wall_m, cylinder.shape, cylinder.valve_open, cylinder.gas) == (0.003, "vertical", True, Gas())
    assert cylinder.assumed == ("full",)
    appliance = found.appliances[0]
    assert appliance.input_w == pytest.approx(65000 * BTU_H)
    assert (appliance.hold_s, appliance.first_hour, appliance.last_hour) == (3600.0, 5, 23)
    assert found.supply.lowest_inlet_pa == pytest.approx(68947.57, abs=0.01)
    assert found.supply.regulator_w == pytest.approx(160000 * BTU_H)
    assert found.demand_w == appliance.input_w


def test_every_setting_has_its_default() -> None:
    found = loaded(SOUND).site.settings
    assert dict(found) == dict(settings.DEFAULTS)


def test_settings_are_read_in_si() -> None:
    text = SOUND + '[alerts]\nlow_fuel = ["25 %", 0.1]\nquiet_hours = "21-07"\nlead = "4 days"\nthermometer = "9 °F"\n'
    found = loaded(text).site.settings
    assert found["alerts.low_fuel"] == (0.25, 0.1)
    assert found["alerts.quiet_hours"] == (21, 7)
    assert found["alerts.lead"] == 4 * 86400
    assert found["alerts.thermometer"] == pytest.approx(5.0)


def test_the_catalogue_fills_what_is_not_stamped_and_says_so() -> None:
    text = SITE + SUPPLY + '[[cylinder]]\nname = "A"\nsize = "40 lb"\n' + RANGE + WEATHER
    found = loaded(text)
    cylinder = found.site.cylinder("A")
    assert cylinder.assumed == ("water_capacity", "tare", "outside_diameter", "full")
    assert cylinder.water_capacity_kg == pytest.approx(95.2 * LB)
    assert cylinder.tare_kg == pytest.approx(30 * LB)  # the heavier end of 28-30: fuel is never overstated
    by_field = {f.field: f for f in found.filled}
    assert by_field["tare"].key == "cylinder[1].tare"
    assert by_field["tare"].value == "30 lb (13.61 kg)"
    assert "28-30 lb (recalled" in by_field["tare"].why
    assert "heavier end" in by_field["tare"].why
    assert cylinder.marks == {"size": "40 lb"}


def test_a_water_capacity_alone_finds_its_size() -> None:
    text = SITE + SUPPLY + '[[cylinder]]\nname = "A"\nwater_capacity = "47.7 lb"\n' + RANGE + WEATHER
    found = loaded(text).site.cylinder("A")
    assert found.water_capacity_kg == pytest.approx(47.7 * LB)
    assert found.tare_kg == pytest.approx(19 * LB)
    assert found.assumed == ("tare", "outside_diameter", "full")


def test_an_uncommon_size_in_pounds_follows_the_filling_density() -> None:
    text = SITE + SUPPLY + CYLINDER.replace('water_capacity = "95.2 lb"', 'size = "35 lb"') + RANGE + WEATHER
    found = loaded(text).site.cylinder("A")
    assert found.water_capacity_kg == pytest.approx(35 / 0.42 * LB)
    assert found.full_kg == pytest.approx(35 * LB)


def test_a_water_capacity_in_litres_is_taken() -> None:
    text = SOUND.replace('"95.2 lb"', '"43.2 L"')
    assert loaded(text).site.cylinder("A").water_capacity_kg == pytest.approx(43.2 * 0.999016)


def test_water_density_at_60_fahrenheit_against_coolprop() -> None:
    properties = pytest.importorskip("CoolProp.CoolProp")
    kelvin = (60 - 32) / 1.8 + 273.15
    density = properties.PropsSI("D", "T", kelvin, "P", 101325.0, "Water")  # IAPWS-95
    assert pytest.approx(density, abs=0.01) == catalogue.WATER_KG_M3


def test_gross_over_net_against_heats_of_combustion() -> None:
    """`chemicals` (data of the CRC Handbook and others) for gaseous propane and the latent heat of water at 25 °C."""
    import chemicals

    products = 3 * chemicals.Hfg("124-38-9") + 4 * chemicals.Hfg("7732-18-5")
    net = chemicals.Hfg("74-98-6") - products
    gross = net + 4 * (chemicals.Hfg("7732-18-5") - chemicals.Hfl("7732-18-5"))
    assert pytest.approx(gross / net, rel=1e-3) == GROSS_OVER_NET


def test_a_net_input_becomes_gross() -> None:
    text = SOUND.replace('"65000 Btu/h"', '"10 kW"\ninput_basis = "net"')
    assert loaded(text).site.appliances[0].input_w == pytest.approx(10e3 * GROSS_OVER_NET)


@pytest.mark.parametrize(
    ("metres", "hectopascal"),
    # ISO 2533 / U.S. Standard Atmosphere 1976, tables; typed from memory.
    [(0, 1013.25), (500, 954.61), (1000, 898.75), (2000, 794.95), (3000, 701.09), (5000, 540.20)],
)
def test_air_pressure_by_the_standard_atmosphere(metres: float, hectopascal: float) -> None:
    assert air_pressure_pa(metres) == pytest.approx(hectopascal * 100, rel=2e-4)


def test_elevation_gives_the_air_pressure_unless_it_is_stated() -> None:
    high = SOUND.replace('"America/Chicago"\n', '"America/Chicago"\nelevation = "2000 m"\n')
    assert loaded(high).site.air_pressure_pa == pytest.approx(79495, rel=1e-3)
    stated = high.replace("[supply]", 'air_pressure = "800 hPa"\n[supply]')
    assert loaded(stated).site.air_pressure_pa == pytest.approx(80000)


def test_hours_past_midnight_and_all_day() -> None:
    night = loaded(SOUND.replace(RANGE, RANGE + 'when = "22-02"\n')).site.appliances[0]
    assert [h for h in range(24) if night.may_burn(h)] == [0, 1, 22, 23]
    day = loaded(SOUND.replace(RANGE, RANGE + 'when = "00-24"\n')).site.appliances[0]
    assert all(day.may_burn(h) for h in range(24))


def test_sensors_of_each_way_in() -> None:
    text = (
        SOUND
        + """
[broker]
password_file = "broker.password"
username = "u"
tls = true
[[sensor]]
name = "scale"
topic = "yard/+/weight"
cylinder = "A"
quantity = "gross_weight"
unit = "lb"
pointer = "/w"
noise = "0.5 lb"
allowance = "1 lb"
interval = "10 min"
qos = 1
table = [[0, 1], [100, 99.5]]
[[sensor]]
name = "thermometer"
address = "c0:ff:ee:00:00:02"
quantity = "air_temperature"
noise = "0.9 °F"
[[sensor]]
name = "pretend"
way = "simulated"
cylinder = "A"
quantity = "container pressure"
unit = "psig"
seed = 3
options = { anything = [1, 2] }
"""
    )
    found = loaded(text.replace("container pressure", "container_pressure"), Path("/etc/x/site.toml")).site
    scale, thermometer, pretend = found.sensors
    assert (scale.way, scale.address, scale.subject, scale.unit, scale.pointer) == (
        "mqtt",
        "yard/+/weight",
        "A",
        "lb",
        "/w",
    )
    assert scale.noise == pytest.approx(0.5 * LB)
    assert scale.interval_s == 600.0
    assert scale.options == {"qos": 1, "allowance_kg": pytest.approx(LB)}
    assert scale.table == ((0.0, 1.0), (100.0, 99.5))
    assert (thermometer.way, thermometer.address, thermometer.subject) == ("ble", "C0:FF:EE:00:00:02", "site")
    assert thermometer.noise == pytest.approx(0.5)
    assert (pretend.way, pretend.options) == ("simulated", {"seed": 3, "anything": [1, 2]})
    assert found.broker == Broker(username="u", password_file="/etc/x/broker.password", tls=True, port=8883)


def test_files_are_looked_for_beside_the_site_file() -> None:
    text = SOUND + '[[channel]]\nname = "p"\nurl_file = "p.url"\nhours = "07-22"\n[service]\ndatabase = "b.db"\n'
    found = loaded(text, Path("/etc/x/site.toml")).site
    assert found.channels[0].url_file == "/etc/x/p.url"
    assert found.channels[0].options == {"hours": (7, 22)}
    assert found.settings["service.database"] == "/etc/x/b.db"
    assert found.settings["service.password_file"] == ""
    assert loaded(text.replace('"b.db"', '"/var/b.db"')).site.settings["service.database"] == "/var/b.db"


def test_marks_and_mixture() -> None:
    dates = 'manufactured = 2019-04-01\nrequalified = "2031-05"\nrequalification = "external visual"\n'
    text = SOUND.replace(CYLINDER, CYLINDER + dates + 'gas = { propane = 0.9, n-butane = "10 %" }\n')
    found = loaded(text).site.cylinder("A")
    assert found.gas == Gas(propane=0.9, n_butane=0.1)
    assert found.marks == {
        "manufactured": "2019-04-01",
        "requalified": "2031-05",
        "requalification": "external visual",
    }


def test_find(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BOILOFF_SITE", raising=False)
    monkeypatch.setattr(site, "PLACES", ("site.toml", str(tmp_path / "etc.toml")))
    with pytest.raises(BadInput, match="boiloff init"):
        site.find()
    (tmp_path / "etc.toml").write_text("")
    assert site.find() == tmp_path / "etc.toml"
    (tmp_path / "site.toml").write_text("")
    assert site.find() == Path("site.toml")
    monkeypatch.setenv("BOILOFF_SITE", "~/other.toml")
    assert site.find() == Path("~/other.toml").expanduser()
    assert site.find(Path("named.toml")) == Path("named.toml")


def test_load_reads_a_file(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())  # as an editor on Windows saves it
    assert site.load(path) == loaded(SOUND, path).site


LIGHT = """
import sys
from pathlib import Path
from monitor import site
from monitor.site import units
site.load(Path(sys.argv[1]))
units.show(5.0, "mass", "us"), units.parse("5 kg", "mass")
heavy = {"pint", "numpy", "pandas", "rich", "scipy", "fastapi", "requests", "monitor.alerts"} & set(sys.modules)
print(sorted(heavy))
"""


def test_reading_a_site_loads_nothing_heavy() -> None:
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", LIGHT, str(root / "config" / "example.toml")],
        capture_output=True,
        text=True,
        check=True,
        cwd=root,
    )
    assert done.stdout.strip() == "[]"


TIMED = """
import sys, time
from pathlib import Path
start = time.perf_counter()
from monitor import site
site.load(Path(sys.argv[1]))
first = time.perf_counter() - start
start = time.perf_counter()
site.load(Path(sys.argv[1]))
print(first, time.perf_counter() - start)
"""


@pytest.mark.timing
def test_a_site_is_read_quickly() -> None:
    """Part of `boiloff status`, which has a second on two cores: 0.4 s with every import, 20 ms once warm."""
    root = Path(__file__).resolve().parents[2]
    runs = []
    for _ in range(5):
        done = subprocess.run(
            [sys.executable, "-c", TIMED, str(root / "config" / "example.toml")],
            capture_output=True,
            text=True,
            check=True,
            cwd=root,
        )
        runs.append(tuple(float(n) for n in done.stdout.split()))
    assert min(first for first, _ in runs) <= 0.4
    assert min(again for _, again in runs) <= 0.02
