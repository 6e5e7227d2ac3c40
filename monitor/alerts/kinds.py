"""Every kind of alert, rationalized as ANSI/ISA-18.2 asks: cause, consequence, response, time to respond, delays."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.alerts.settings import DAY, HOUR


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind. Delays and the repeat interval in seconds; a setting's key in place of a number is looked up.

    `latching`: stays until a person has acknowledged it. `bypass`: no delay, quiet hour, shelf or gathering holds it.
    `stays`: nobody shelves it or takes it out of service, nor does the site file.
    `insists`: its reminders are as urgent as its first word. `at_once`: who has acknowledged hears of material news.
    `material` lists (fact, step): the fact must have risen (or fallen, for a negative step) by as much to be news.
    `off_shelf` lists (fact, times): risen so many times over, it comes off the shelf. So does any
    kind by a step of severity.
    """

    name: str
    title: str
    cause: str
    consequence: str
    todo: str
    time_to_act: str
    on_delay: float | str = 0.0
    off_delay: float | str = 0.0
    repeat: float | str = 7 * DAY
    latching: bool = False
    bypass: bool = False
    stays: bool = False
    material: tuple[tuple[str, float], ...] = ()
    insists: bool = False
    at_once: bool = False
    off_shelf: tuple[tuple[str, float], ...] = ()


KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        Kind(
            "gas-detected", "Gas detected",
            "a gas sensor in the house or at the cylinders reports gas",
            "fire or explosion",
            "get everyone out, and call from outside",
            "now", latching=True, bypass=True, stays=True, repeat=HOUR,
        ),
        Kind(
            "cold-shortfall", "Burners short in the cold",
            "the air will be too cold for the wetted walls of the cylinders as they are filled",
            "flames shrink or go out while a meal is on the stove, a heater stops",
            "open another cylinder, fill before that day, or burn less at once",
            "until the stretch begins",
            on_delay="cold_delay", off_delay="cold_clear", repeat="repeat",
            material=(("nights", 2.0), ("short_share", 0.25), ("hold_missing", 0.25)),
        ),
        Kind(
            "low-fuel", "Fuel low",
            "cylinders were used and not yet filled",
            "the fuel ends, and a part-filled cylinder gives less vapour in the cold",
            "have a cylinder filled or exchanged",
            "days", on_delay="on_delay", off_delay="off_delay",
        ),
        Kind(
            "run-out", "Fuel ends before the next refill",
            "use is higher, or the refill later, than planned",
            "no gas until the refill",
            "move the refill forward, or use less",
            "days", on_delay=3 * HOUR, off_delay="off_delay", material=(("sooner_s", 2 * DAY),),
        ),
        Kind(
            "overfilled", "Cylinder above its filling limit",
            "the filling plant put in too much",
            "no room left for the liquid to expand: in the sun the relief valve may vent gas",
            "keep it outdoors in the shade, away from flames, and have the supplier bleed it",
            "today", on_delay="on_delay", off_delay=3 * HOUR, latching=True, repeat=DAY,
        ),
        Kind(
            "unexpected-draw", "Fuel falls while nobody cooks",
            "a burner or pilot left on, a heater's thermostat, a leak, or a sensor that drifts",
            "fuel lost; a leak is a hazard",
            "smell at the cylinders; look at every burner; close the valve if in doubt and call a licensed fitter",
            "now", on_delay=2 * HOUR, off_delay=6 * HOUR, latching=True, repeat=DAY,
            material=(("rate_kg_s", 0.02 / HOUR),), at_once=True, off_shelf=(("rate_kg_s", 2.0),),
        ),
        Kind(
            "sensor-silent", "Sensor silent",
            "battery, radio, power, or a broker or adapter that is down",
            "boiloff does not see this any more",
            "look at the sender; type in a reading meanwhile",
            "a day", off_delay=0.0,
        ),
        Kind(
            "level-old", "Level not read for long",
            "nobody has read this cylinder, or never did",
            "fuel and capacity are guesses that get worse each day",
            "weigh or read the cylinder and type it in",
            "days", off_delay=0.0, repeat=14 * DAY,
        ),
        Kind(
            "sensor-implausible", "Sensor implausible",
            "a wrong unit, a lifted scale, a wrong tare, or a sender that fails",
            "its readings are set aside",
            "look at the sender and at its description in the site file",
            "days", on_delay=3 * HOUR, off_delay=6 * HOUR,
        ),
        Kind(
            "sensor-stuck", "Sensor stuck",
            "the sender repeats one number while gas is used",
            "the level shown may be too high",
            "read the cylinder another way and compare",
            "days", on_delay=6 * HOUR, off_delay=HOUR,
        ),
        Kind(
            "battery-low", "Sensor battery low",
            "the sender's battery runs down",
            "the sensor will go silent, first on a cold night",
            "change the battery",
            "weeks", on_delay=6 * HOUR, off_delay=6 * HOUR, repeat=14 * DAY,
        ),
        Kind(
            "forecast-stale", "Forecast stale",
            "no new forecast came in: the service, the internet or the settings",
            "the coming cold is not seen; nothing here means all is well",
            "check the internet; look at the weather yourself until it is back",
            "a day", off_delay=0.0, repeat=3 * DAY,
        ),
        Kind(
            "sources-failing", "Every forecast source fails",
            "the internet is down, or every service refuses",
            "the last forecast ages; soon the coming cold is not seen",
            "check the internet and what each source says",
            "a day", on_delay=3 * HOUR, off_delay=0.0, repeat=3 * DAY,
        ),
        Kind(
            "broker-down", "Message broker unreachable",
            "the broker stopped, or its address or password changed",
            "no MQTT sensor is heard",
            "start the broker, check its address and password",
            "a day", on_delay=1800.0, off_delay=0.0,
        ),
        Kind(
            "air-disagrees", "Thermometer and forecast disagree",
            "the thermometer hangs in the sun or indoors, or the forecast misses this yard",
            "the outlook may be too good or too bad",
            "look where the thermometer hangs; believe the colder one meanwhile",
            "days", on_delay=6 * HOUR, off_delay=6 * HOUR,
        ),
        Kind(
            "requalification", "Cylinder due for requalification",
            "the date stamped on the cylinder comes near or has passed",
            "it may not be filled after that date",
            "have it requalified, or exchange it",
            "weeks", repeat=30 * DAY,
        ),
        Kind(
            "leak-check", "Leak check due",
            "the last one is long ago",
            "a joint that weeps goes unseen",
            "brush soapy water on every joint, or have a licensed fitter do it",
            "weeks", repeat=30 * DAY,
        ),
        Kind(
            "leak-found", "Leak not known to be mended",
            "a check found a leak, and none since says that it is tight",
            "gas gathers where it is low: fire or explosion",
            "close every cylinder valve, leave it closed, and have a licensed fitter mend and test it",
            "now", off_delay=0.0, repeat=DAY, insists=True, stays=True,
        ),
        Kind(
            "delivery-failing", "Notices do not get through",
            "a password changed, the service is down, or the network is",
            "warnings on this way are not seen",
            "mend the channel and press its test",
            "a day", on_delay=0.0, off_delay=0.0, repeat=3 * DAY,
        ),
        Kind(
            "disk-filling", "Disk nearly full",
            "other files, or years of readings",
            "readings can no longer be kept",
            "free some space",
            "days", on_delay=600.0, off_delay=600.0,
        ),
        Kind(
            "clock-wrong", "Clock jumped",
            "no time server, or a flat clock battery",
            "hours of readings and forecasts do not fit together",
            "check that the machine gets its time from the network",
            "a day", off_delay=HOUR,
        ),
        Kind(
            "part-failing", "Part of the service fails",
            "a Bluetooth adapter that is gone, a store that cannot be written, a bad site file",
            "what that part does is not done; the rest goes on",
            "look at what it says, and at the service's log",
            "a day", on_delay="on_delay", off_delay=0.0,
        ),
        Kind(
            "restarting", "Service keeps restarting",
            "power, memory, a failing card, or a fault of the program",
            "gaps in watching",
            "look at the service's log; check power and card",
            "a day", off_delay=6 * HOUR,
        ),
        Kind(
            "unclean-end", "Service had ended without notice",
            "power cut or crash",
            "nothing was watched meanwhile",
            "nothing if you pulled the plug; else look at the power supply",
            "days", off_delay=HOUR,
        ),
    )
}  # fmt: skip

OTHER = Kind("other", "Alert", "not known", "not known", "look at it", "not known")


def of(name: str) -> Kind:
    """Return the kind called `name`, or a plain one where a later version's store names a kind not known here."""
    return KINDS.get(name, OTHER)


# What comes before everything else that a page or a command says. None of these is ever put away.
GAS = ("gas-detected", "leak-found")
