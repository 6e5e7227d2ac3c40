"""Tries the alert rules on the past: the outlooks as they were made, judged with the settings of today or others."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from monitor.alerts import conditions, judge, kinds, when
from monitor.commands._print import console, print_json
from monitor.model.alert import AlertState, Notice
from monitor.model.errors import BadInput, Problem
from monitor.model.outlook import HourOutlook, Outlook, RunOut, Stretch
from monitor.model.reading import Level
from monitor.model.site import BASES, Site
from monitor.site import find, load
from monitor.site import settings as known_settings
from monitor.site.units import QuantityError
from monitor.site.values import setting as read_setting
from monitor.store import Store
from monitor.store import find as find_store
from monitor.store import place as whose

# What an outlook alone can tell; the health of sources at the time is not kept.
TRIED = ("cold-shortfall", "low-fuel", "run-out", "overfilled", "level-old", "forecast-stale")
STEP = timedelta(minutes=50)


def run(
    site: Path | None,
    store: Path | None,
    since: str,
    until: str,
    changes: Sequence[str],
    only: Sequence[str],
    *,
    as_json: bool,
) -> None:
    """Print what would have been told between two dates."""
    loaded = load(find(site))
    path = find_store(loaded, store)
    with Store.open(path, readonly=True) as opened:
        whose.warn(opened, loaded)
    tried = replace(loaded, settings={**loaded.settings, **_changes(changes)})
    _check_kinds(only)
    now = datetime.now(UTC)
    end = _date(until, "--until") if until else now
    start = _date(since, "--since") if since else end - timedelta(days=180)
    notices = list(replay(tried, outlooks(path, start, end), only or TRIED))
    if as_json:
        print_json(
            [{"at": n.at.isoformat(), "key": n.key, "what": n.what, "severity": n.severity, "urgency": n.urgency,
              "certainty": n.certainty, "headline": n.headline} for n in notices]
        )  # fmt: skip
        return
    out = console()
    for n in notices:
        out.print(
            f"{when.date(n.at, loaded.timezone)} {when.moment(n.at, loaded.timezone, n.at)}: {n.headline}", markup=False
        )
    count = Counter(n.what for n in notices)
    span = f"{when.date(start, loaded.timezone)} to {when.date(end, loaded.timezone)}"
    out.print(
        f"{span}: {count['raised']} raised, {count['updated']} updated, {count['ended']} ended. "
        f"Tried: {', '.join(only or TRIED)}; the rest needs the health of sources, of which no history is kept.",
        markup=False,
    )


def replay(site: Site, past: Iterator[Outlook], only: Sequence[str]) -> Iterator[Notice]:
    """Yield the notices that judging each outlook at its own time would have given."""
    states: dict[str, AlertState] = {}
    for outlook in past:
        found = conditions(outlook, outlook.levels, site, outlook.at, {})
        judgement = judge([c for c in found if c.kind in only], states, outlook.at, site)
        states.update({s.key: s for s in judgement.states})
        yield from judgement.notices


def outlooks(path: Path, start: datetime, end: datetime) -> Iterator[Outlook]:
    """Yield the outlooks as made, about one an hour, a day read at a time."""
    last: datetime | None = None
    with Store.open(path, readonly=True) as store:
        day = start
        while day < end:
            for payload in store.outlooks(since=day, until=min(day + timedelta(days=1), end)):
                at = datetime.fromisoformat(payload["at"])
                if last is None or at - last >= STEP:
                    last = at
                    yield rebuilt(payload)
            day += timedelta(days=1)


def _kelvin(celsius: float | None) -> float | None:
    return None if celsius is None else celsius + 273.15


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def rebuilt(payload: Mapping[str, Any]) -> Outlook:
    """Return the outlook that was kept as JSON."""
    run_out = payload.get("run_out")
    return Outlook(
        datetime.fromisoformat(payload["at"]),
        payload["site"],
        payload["basis"],
        payload["demand_w"],
        tuple(_hour(h) for h in payload["hours"]),
        tuple(_stretch(s) for s in payload["uncovered"]),
        RunOut(*(_moment(run_out[p]) for p in ("p10", "p50", "p90"))) if run_out else None,
        tuple(_level(level) for level in payload["levels"]),
        payload["forecast_source"],
        _moment(payload["forecast_issued"]),
        tuple(payload["notes"]),
    )


def _hour(h: Mapping[str, Any]) -> HourOutlook:
    return HourOutlook(
        datetime.fromisoformat(h["time"]), _kelvin(h["air_c"]), _kelvin(h["liquid_c"]), h["sustained_w"],
        h["headroom_w"], h["hold_s"], h["hold_ends"], h.get("level_needed") or dict.fromkeys(BASES), h["film_w_m2k"],
        h["may_burn"], h["uncovered"], h["probability_uncovered"], h.get("charge_kg", {}),
    )  # fmt: skip


def _stretch(s: Mapping[str, Any]) -> Stretch:
    return Stretch(
        datetime.fromisoformat(s["from"]), datetime.fromisoformat(s["to"]), datetime.fromisoformat(s["worst_time"]),
        s["worst_headroom_w"] or 0.0, s["worst_hold_s"] or 0.0, _kelvin(s["worst_air_c"]) or float("nan"),
        s["needed_hold_s"] or 0.0, s["probability"], s["why"],
    )  # fmt: skip


def _level(level: Mapping[str, Any]) -> Level:
    return Level(
        level["cylinder"], datetime.fromisoformat(level["time"]), level["left_kg"] or 0.0, level["sd_kg"] or 0.0,
        level["burn_kg_s"] or 0.0, level["burn_sd_kg_s"] or 0.0, _moment(level["reading_time"]), level["basis"],
        _moment(level.get("filled_unweighed")),
    )  # fmt: skip


def _changes(texts: Sequence[str]) -> dict[str, Any]:
    """Read "key=value" in the same words as the site file. Raises BadInput for what it would refuse."""
    found = {}
    for text in texts:
        key, _, value = text.partition("=")
        name = key.strip() if key.strip().startswith("alerts.") else f"alerts.{key.strip()}"
        spec = known_settings.BY_KEY.get(name)
        if spec is None or not value.strip():
            every = ", ".join(k.removeprefix("alerts.") for k in known_settings.BY_KEY if k.startswith("alerts."))
            raise BadInput(Problem("--set", text, "KEY=VALUE of [alerts]", f"Keys: {every}."))
        try:
            found[name] = read_setting(spec, _typed(spec.kind, value.strip()))
        except QuantityError as error:
            raise BadInput(Problem(f"--set {name}", value.strip(), "a value as in the site file", str(error))) from None
    return found


def _typed(kind: str, text: str) -> object:
    if kind in {"shares", "texts", "days"}:
        return [part.strip() for part in text.split(",")]
    if kind == "flag":
        return {"true": True, "false": False}.get(text.lower(), text)
    if kind in {"count", "factor", "money"} and re.fullmatch(r"-?\d+(\.\d+)?", text):
        return int(text) if kind == "count" and "." not in text else float(text)
    return text


def _check_kinds(only: Sequence[str]) -> None:
    for kind in only:
        if kind not in TRIED:
            hint = "" if kind in kinds.KINDS else "`boiloff alerts kinds` lists them."
            raise BadInput(Problem("--kind", kind, f"one of {', '.join(TRIED)}", hint))


def _date(text: str, option: str) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(Problem(option, text, "a date such as 2025-11-01, or an ISO 8601 time")) from None
    return time if time.tzinfo else time.replace(tzinfo=UTC)
