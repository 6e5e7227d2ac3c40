"""Every setting outside the core tables: its key, kind, default and the reason for it, in one list that parts extend.

A key not listed here is refused. `Site.settings` holds every key below, the default where the file says nothing, in SI
units: read `site.settings["alerts.low_fuel"]`. To add one, add a row; `boiloff validate` and the examples follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting. `kind` is a kind of quantity, or one of those in `values.READERS`; `default` is in SI units.

    `low` and `high` bound a number (SI units); `choices` lists the words of a choice.
    """

    key: str
    kind: str
    default: Any
    reason: str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()


MINUTE = 60.0
HOUR = 3600.0
DAY = 86400.0

# The defaults are those of `monitor.alerts.settings`, which stays pure and light; a test holds the two together.
ALERTS = (
    Setting("alerts.low_fuel", "shares", (0.20, 0.15), f"fuel left at which to warn, and again: {PRACTICE}", 0, 1),
    Setting(
        "alerts.deadband", "share", 0.05, "rise above the threshold that ends low-fuel: above a scale's noise", 0, 0.5
    ),
    Setting(
        "alerts.probability", "share", 0.20, "odds from which a shortfall is raised: a cold meal costs more", 0.01, 1
    ),
    Setting(
        "alerts.probability_clear", "share", 0.10, "odds below which it is ended: half, so that it stays put", 0, 1
    ),
    Setting(
        "alerts.lead", "time", 5 * DAY, "how far ahead a shortfall is told; beyond, odds are too wide", HOUR, 15 * DAY
    ),
    Setting(
        "alerts.ahead_of_storm", "time", DAY, "earlier notice where an outage is likely in the same storm", 0, 5 * DAY
    ),
    Setting("alerts.cold_delay", "time", HOUR, "how long a shortfall must stand in the outlook to be raised", 0, DAY),
    Setting(
        "alerts.probability_far", "share", 0.50, "the same from two days ahead on: odds get better by then", 0.01, 1
    ),
    Setting("alerts.cold_clear", "time", 12 * HOUR, "how long it must be gone: a forecast wavers", 0, 2 * DAY),
    Setting("alerts.on_delay", "time", 10 * MINUTE, "how long any other condition must hold to be raised", 0, DAY),
    Setting("alerts.off_delay", "time", HOUR, "how long any other condition must be gone to be ended", 0, 7 * DAY),
    Setting("alerts.update", "time", 12 * HOUR, "worse news is told at most this often", 0, 7 * DAY),
    Setting("alerts.repeat", "time", DAY, "the same shortfall is told again after this", 5 * MINUTE, 30 * DAY),
    Setting(
        "alerts.run_out_lead",
        "time",
        7 * DAY,
        "how long before the likely run-out to warn: a week's end lies in it",
        HOUR,
        90 * DAY,
    ),
    Setting(
        "alerts.silent", "factor", 3.0, "missed intervals after which a sensor is silent: radios miss some", 1, 1000
    ),
    Setting(
        "alerts.level_old",
        "time",
        14 * DAY,
        "age from which a level entered by hand is too old to rest on",
        HOUR,
        365 * DAY,
    ),
    Setting(
        "alerts.forecast_age",
        "time",
        12 * HOUR,
        "age from which a forecast is stale: services renew in 1-6 h",
        HOUR,
        7 * DAY,
    ),
    Setting("alerts.forecast_dead", "time", DAY, "age from which it is as good as none", HOUR, 14 * DAY),
    Setting(
        "alerts.thermometer",
        "temperature_difference",
        5.0,
        "forecast against thermometer: beyond a yard's bias",
        0.5,
        50,
    ),
    Setting("alerts.overfilled", "share", 1.03, "share of full that counts as overfilled: scales err by 2-3 %", 1, 1.5),
    Setting("alerts.battery", "share", 0.15, "battery of a sensor: cold lowers it further", 0, 1),
    Setting("alerts.leak_rate", "mass_rate", 0.01 / HOUR, "fall of fuel while nobody cooks: above drift", 0, 1),
    Setting(
        "alerts.requalification", "time", 60 * DAY, "notice before a cylinder can no longer be filled", DAY, 2000 * DAY
    ),
    Setting("alerts.leak_check", "time", 365.25 * DAY, f"time between leak checks: {PRACTICE}", DAY, 4000 * DAY),
    Setting("alerts.disk_free", "share", 0.05, "free share of the disk: time is left to act", 0, 1),
    Setting("alerts.clock", "time", 5 * MINUTE, "error of the clock: hours would be told wrongly", 1, DAY),
    Setting("alerts.restarts", "count", 5, "starts of the service in a day that count as often", 2, 1000),
    Setting("alerts.out_of_service", "texts", (), "kinds of alert that are switched off"),
    Setting("alerts.quiet_hours", "hours", (22, 6), "notices below Severe wait until these hours end"),
    Setting("alerts.quiet", "flag", True, "whether quiet hours are kept"),
    Setting("alerts.summary", "choice", "off", "a regular summary", choices=("off", "daily", "weekly")),
    Setting("alerts.summary_hour", "count", 18, "local hour of the summary: before the evening's cooking", 0, 23),
)

SERVICE = (
    Setting("service.database", "file", "", "the database; empty = the usual place of the user or the service"),
    Setting("service.listen", "address", "127.0.0.1:8087", "where the page is served: loopback unless told"),
    Setting("service.web", "flag", True, "whether the page is served"),
    Setting("service.hosts", "texts", (), "further names under which the page may be called; others are refused"),
    Setting("service.password_file", "file", "", "file with the page's password hash; needed beyond loopback"),
    Setting("service.proxy_user_header", "text", "", "header in which a reverse proxy names the user; empty = none"),
    Setting("service.trusted_proxies", "texts", ("127.0.0.1", "::1"), "addresses whose header is believed"),
    Setting("service.heartbeat_url", "url", "", "called after each good round, so that a watcher notices silence"),
    Setting("service.heartbeat_url_file", "file", "", "the same from a file, where the URL is a secret"),
    Setting("service.heartbeat_every", "time", 15 * MINUTE, "time between heartbeats", 30, DAY),
    Setting(
        "service.forecast_every",
        "time",
        HOUR,
        "time between pulls of the forecast; services renew hourly at best",
        15 * MINUTE,
        DAY,
    ),
    Setting(
        "service.outlook_every",
        "time",
        10 * MINUTE,
        "the outlook is remade at most this often: spares the SD card",
        10,
        DAY,
    ),
    Setting(
        "service.commit_every",
        "time",
        5 * MINUTE,
        "sensor readings are committed together: spares the SD card",
        0,
        HOUR,
    ),
    Setting(
        "service.retention",
        "time",
        3 * 365.25 * DAY,
        "age from which sensor readings are thinned; entries by hand never are",
        30 * DAY,
        1e10,
    ),
    Setting("service.thin_to", "time", HOUR, "one reading in this time is kept of the thinned", 60, 7 * DAY),
    Setting("service.backup_dir", "file", "", "where `boiloff backup` puts its copies; empty = beside the database"),
    Setting("service.backups", "count", 7, "copies kept", 1, 1000),
    Setting("service.log_level", "choice", "info", "what the log tells", choices=("debug", "info", "warning", "error")),
)

FORECAST = (
    Setting("forecast.decimals", "count", 2, "decimals of the coordinates that leave the house (2 = about 1 km)", 0, 4),
    Setting("forecast.contact", "text", "", "e-mail or web address that services may ask for in the User-Agent"),
    Setting("forecast.learn", "flag", True, "whether the yard's own bias is learnt from an outdoor sensor"),
    Setting(
        "forecast.warnings", "flag", True, "whether official cold warnings are shown (US National Weather Service)"
    ),
    Setting(
        "forecast.representativeness",
        "temperature_difference",
        1.0,
        "error of a yard against its grid cell until learnt",
        0,
        10,
    ),
    Setting("forecast.timeout", "time", 30.0, "total time a service gets for an answer", 1, 600),
)

FUEL = (
    Setting(
        "fuel.use",
        "mass_rate",
        None,
        "use until it is learnt; without it, from the appliances and a stated habit",
        0,
        1,
    ),
    Setting("fuel.reserve", "share", 0.10, "share of full kept for bad roads", 0, 1),
    Setting("fuel.risk", "share", 0.05, "odds of run-out or shortfall that a refill plan may leave", 0.001, 0.5),
    Setting("fuel.days", "days", (0, 1, 2, 3, 4, 5, 6), "weekdays on which a trip is possible (0 = Monday)"),
    Setting("fuel.station_hours", "hours", (8, 18), "hours in which the station fills"),
    Setting("fuel.trip", "time", 3 * HOUR, "how long a cylinder is away for filling", 600, 7 * DAY),
    Setting("fuel.all_away", "flag", False, "whether every cylinder may be away at once, between meals: saves trips"),
    Setting("fuel.at_once", "count", 2, "cylinders carried at once; local rules may allow fewer", 1, 50),
    Setting("fuel.lift", "mass", None, "heaviest cylinder that can be carried, filled", 1, 500),
    Setting("fuel.height_in_vehicle", "length", None, "height in the vehicle: cylinders travel upright", 0.1, 5),
)

COST = (
    Setting("cost.currency", "text", "", "sign or code of the money"),
    Setting("cost.fuel", "price", None, 'price such as "3.80 / gal", used where no fill has one', 0, 1e6),
    Setting("cost.trip", "money", None, "what a trip to the station costs, where none is entered with it", 0, 1e6),
    Setting("cost.distance", "length", None, "way to the station and back", 0, 1e6),
    Setting("cost.vehicle", "per_distance", None, 'what the vehicle costs, such as "0.30 / mi"', 0, 1),
    Setting("cost.yearly", "money", 0.0, "what the cylinders cost a year besides gas and trips: tests, hoses", 0, 1e6),
    Setting(
        "cost.burner_efficiency",
        "share",
        0.40,
        "share of the gas's heat that reaches the pot: US DOE test of gas cooking tops, about 40 % (from memory)",
        0.05,
        1,
    ),
)

TRAIN = (
    Setting(
        "train.first_stage", "pressure", 10 * 6894.757, f"outlet of the first-stage regulator: {PRACTICE}", 1e3, 1e6
    ),
    Setting("train.hose", "power", None, "rating of the hose, as marked on it or its fitting", 300, 1e7),
    Setting("train.excess_flow", "power", None, "load at which the excess-flow device closes", 300, 1e7),
    Setting("train.appliance_pressure", "pressure", None, "measured at the appliance, everything burning", 0, 1e5),
    Setting("train.lock_up", "pressure", None, "measured at the appliance, nothing burning", 0, 1e5),
    Setting("train.coldest", "temperature", None, "coldest air to be ready for; else -20 °F is taken", 200, 300),
)

WEB = (
    Setting("page.language", "choice", "en", "language of the page", choices=("en",)),
    Setting("page.session", "time", 30 * DAY, "how long a log-in lasts", 300, 400 * DAY),
)

RECORD = (
    Setting("record.scale_noise", "mass", 0.1, "one sd of a weighing: a household's scale (our judgement)", 0.001, 5),
    Setting(
        "record.requalify_every", "time", None,
        "time between requalifications where law differs; empty = 49 CFR 180.209: 12 years, then 5, 7 or 12",
        30 * DAY, 1e9,
    ),
    Setting("record.regulator_every", "time", None, "age at which to replace a regulator, as its maker says", DAY, 2e9),
    Setting("record.hose_every", "time", None, "age at which to replace a hose, as its maker says", DAY, 2e9),
)  # fmt: skip

SETTINGS: tuple[Setting, ...] = (*ALERTS, *SERVICE, *FORECAST, *FUEL, *COST, *RECORD, *TRAIN, *WEB)
# Keys with a place and a meaning that no part reads yet; `validate` says so when one is set. Whoever reads one takes it
# off the list (a test compares).
NOT_YET: frozenset[str] = frozenset(
    {
        "page.language",
    }
)
BY_KEY: Mapping[str, Setting] = {s.key: s for s in SETTINGS}
DEFAULTS: Mapping[str, Any] = {s.key: s.default for s in SETTINGS}
TABLES: tuple[str, ...] = tuple(dict.fromkeys(s.key.split(".", 1)[0] for s in SETTINGS))

# Keys that only one way in, weather source or channel needs. They may stand in the table itself or in its `options`
# table; in the latter, keys that are not known here pass unread. No default: an option left out is absent.
SENSOR_OPTIONS: Mapping[str, tuple[Setting, ...]] = {
    "mqtt": (
        Setting("qos", "count", None, "quality of service asked of the broker", 0, 2),
        Setting("format", "choice", None, "how the payload is written", choices=("number", "json", "senml")),
        Setting("senml_name", "text", None, "name of the SenML record (RFC 8428)"),
    ),
    "ble": (
        Setting("key_file", "file", None, "file with the key of an encrypted device"),
        Setting("format", "any", None, "how the value is laid out"),
        Setting("layout", "any", None, "declared layout of an advertisement"),
        Setting("service", "text", None, "service UUID"),
        Setting("characteristic", "text", None, "characteristic UUID"),
        Setting("company", "any", None, "company id of an advertisement"),
        Setting("object", "any", None, "which of several objects of one kind"),
        Setting("connect", "flag", None, "whether to connect instead of listening"),
        Setting("every", "time", None, "time between connections", 10, 30 * DAY),
    ),
    "simulated": (
        Setting("seed", "count", None, "the same seed gives the same readings"),
        Setting("drop_outs", "share", None, "share of readings that are lost", 0, 1),
        Setting("spikes", "share", None, "share of readings that are far off", 0, 1),
        Setting("drift", "factor", None, "drift a day, in SI units of the quantity"),
        Setting("step", "factor", None, "least difference shown, in the sensor's own unit", 0),
    ),
}
WEATHER_KINDS: tuple[str, ...] = ("open-meteo", "nws", "met-norway", "file", "command")
WEATHER_OPTIONS: tuple[Setting, ...] = (
    Setting("command", "any", None, "the command and its arguments, a text or a list"),
    Setting("models", "text", None, "weather models, as the service names them"),
    Setting("ensemble", "flag", None, "whether members are asked for"),
    Setting("api_key_file", "file", None, "file with a key for the service"),
    Setting("timeout", "time", None, "total time for an answer", 1, 600),
)
URGENCIES: tuple[str, ...] = ("Immediate", "Expected", "Future", "Past")
CHANNEL_OPTIONS: tuple[Setting, ...] = (
    Setting("hours", "hours", None, "hours in which the channel is used"),
    Setting("quiet_hours", "hours", None, "quiet hours of this channel in place of the site's"),
    Setting("urgencies", "choices", None, "urgencies that it carries; all if left out", choices=URGENCIES),
    Setting("kinds", "texts", None, "kinds of alert that it carries; all if left out"),
    Setting("fallback", "flag", None, "takes over where another channel fails"),
)
SEVERITIES: tuple[str, ...] = ("Extreme", "Severe", "Moderate", "Minor")
