"""Words for our own eyes and hands: what is silent, old, wrong or failing, and the dates in the record."""

from __future__ import annotations

from monitor.alerts import cautions, kinds
from monitor.alerts.say import Say
from monitor.alerts.words_supply import Texts
from monitor.model.units_out import show

BLIND = "While this lasts, nothing said about the supply means that all is well."
PLAIN = (cautions.LOCAL, cautions.DETECTOR)


def _todo(say: Say) -> list[str]:
    kind = kinds.of(say.c.kind)
    return [f"{kind.todo[0].upper()}{kind.todo[1:]}.", f"Time to act: {kind.time_to_act}."]


def _cause(say: Say) -> str:
    kind = kinds.of(say.c.kind)
    return f"It may be: {kind.cause}. What follows: {kind.consequence}."


def _error(say: Say) -> list[str]:
    return [f"Last error: {say.text('error')}."] if say.text("error") else []


def _silent(say: Say) -> str:
    what = f"{say.c.subject} ({say.text('quantity').replace('_', ' ')} of {say.text('subject')})"
    if say.number("silent_s") is None:
        return f"{what} was never heard"
    return f"{what} silent for {say.long('silent_s')}"


def _silent_detail(say: Say) -> list[str]:
    heard = f"Last heard {say.at('heard')}. " if say.text("heard") else ""
    every = f"{heard}It should speak every {say.long('interval_s')}."
    held = "Held back meanwhile: what rests on this sensor alone (low fuel, unexpected draw, its own faults)."
    return [every, *_error(say), _cause(say), held, BLIND]


def _forecast(say: Say) -> str:
    if say.number("age_s") is None:
        return "No forecast: the coming cold cannot be judged"
    blind = "; the coming cold is not seen" if say.c.severity == "Severe" else ""
    return f"Forecast is {say.long('age_s')} old{blind}"


def _forecast_detail(say: Say) -> list[str]:
    issued = f"Newest: {say.text('source')}, issued {say.at('issued')}. " if say.text("issued") else ""
    return [f"{issued}It should be renewed every hour.", *_error(say), _cause(say), BLIND]


def _sources_detail(say: Say) -> list[str]:
    errors = [f"{k.removeprefix('error.')}: {v}." for k, v in say.facts.items() if k.startswith("error.") and v]
    return [f"All since {say.at('since')}.", *errors, _cause(say), BLIND]


def _due(say: Say) -> str:
    left = say.number("left_s") or 0.0
    return f"due {say.date('due')}" if left > 0 else f"was due {say.date('due')}"


def _plain(say: Say) -> list[str]:
    return [*_error(say), _cause(say)]


LEAK_TODO = (
    "Close every cylinder valve and leave it closed; no flame, no switch nearby.",
    "Have a licensed fitter mend and test it, then enter the tight check: `boiloff record leak-check`.",
)

EYES: dict[str, Texts] = {
    "sensor-silent": Texts(_silent, _silent_detail, _todo, lambda _: "It is heard again", PLAIN),
    "level-old": Texts(
        lambda s: f"Level of {s.c.subject} not read for {s.long('age_s')}"
        if s.number("age_s") is not None
        else f"Level of {s.c.subject} was never read",
        lambda s: [
            *([f"Estimated now: {s.show('left_kg', 'mass')}, ± {s.show('sd_kg', 'mass')} ({s.text('basis')})."]
              if s.number("left_kg") is not None else []),
            _cause(s), BLIND,
        ],
        _todo, lambda _: "It was read", PLAIN,
    ),
    "sensor-implausible": Texts(
        lambda s: f"{s.c.subject}: {s.number('count') or 0:.0f} readings set aside in a day",
        lambda s: [*([f"The last one because: {s.text('why')}."] if s.text("why") else []), _cause(s)],
        _todo, lambda _: "Its readings can be used again", PLAIN,
    ),
    "sensor-stuck": Texts(
        lambda s: f"{s.c.subject} repeats one number since {s.at('since')} while gas is used",
        lambda s: [_cause(s), BLIND], _todo, lambda _: "It moves again", PLAIN,
    ),
    "battery-low": Texts(
        lambda s: f"Battery of {s.c.subject} at {s.percent('battery')}",
        _plain, _todo, lambda _: "", PLAIN,
    ),
    "forecast-stale": Texts(_forecast, _forecast_detail, _todo, lambda _: "A new forecast is in", PLAIN),
    "sources-failing": Texts(
        lambda s: f"Every forecast source fails since {s.at('since')}",
        _sources_detail, _todo, lambda _: "A forecast source answers again", PLAIN,
    ),
    "broker-down": Texts(
        lambda s: f"Broker unreachable since {s.at('since')}: no MQTT sensor is heard",
        lambda s: [*_plain(s), BLIND], _todo, lambda _: "It is connected again", PLAIN,
    ),
    "air-disagrees": Texts(
        lambda s: f"Thermometer {show(abs(s.number('gap_k') or 0), 'difference', s.site.units)} "
        f"{'colder' if (s.number('gap_k') or 0) < 0 else 'warmer'} than the forecast",
        _plain, _todo, lambda _: "They agree again", PLAIN,
    ),
    "requalification": Texts(
        lambda s: f"{s.c.subject}: requalification {_due(s)}",
        _plain, _todo, lambda _: "", PLAIN,
    ),
    "leak-check": Texts(
        lambda s: f"Leak check {_due(s)}; last one {s.date('last')}",
        lambda s: [_cause(s)], _todo, lambda _: "It is in the record", cautions.SUPPLY,
    ),
    "leak-found": Texts(
        lambda s: f"Leak found {s.date('leak')}, not known to be mended: leave the valves closed",
        lambda _: ["In the record a check found a leak, and none since says that the joints are tight."],
        lambda _: list(LEAK_TODO),
        lambda _: "No leak is open in the record: a tight check was entered, or the entry was taken back",
        cautions.SUPPLY,
    ),
    "delivery-failing": Texts(
        lambda s: f"Notices by {s.c.subject} do not get through since {s.at('since')}",
        _plain,
        lambda s: [f"Mend {s.c.subject} in the site file, then try it: boiloff alerts test --channel {s.c.subject}"],
        lambda _: "It delivers again", PLAIN,
    ),
    "disk-filling": Texts(
        lambda s: f"Disk nearly full: {100 * (s.number('free') or 0):.1f} % free", _plain, _todo,
        lambda _: "", PLAIN,
    ),
    "clock-wrong": Texts(
        lambda s: f"The machine's clock jumped by {s.long('step_s')}", _plain, _todo, lambda _: "It runs true", PLAIN
    ),
    "part-failing": Texts(
        lambda s: f"{s.c.subject} does not work since {s.at('since')}",
        lambda s: [*_plain(s), BLIND], _todo, lambda _: "It works again", PLAIN,
    ),
    "restarting": Texts(
        lambda s: f"The service started {s.number('count') or 0:.0f} times in a day", _plain, _todo, lambda _: "", PLAIN
    ),
    "unclean-end": Texts(
        lambda s: f"boiloff is back: {s.c.reason}", _plain, _todo, lambda _: "", PLAIN
    ),
}  # fmt: skip
