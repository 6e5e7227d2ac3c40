"""What `boiloff year` gathers of one year, and the sheet it makes of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.commands import _cost
from monitor.commands._sheet import Section, Table
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site, Units
from monitor.model.units_out import show
from monitor.outlook import cost
from monitor.outlook.cost import Price, Span
from monitor.service.due import Due, reminders

if TYPE_CHECKING:
    from monitor.model.entry import Entry
    from monitor.outlook.verify import Scores
    from monitor.store import Store

NIGHT_FROM, NIGHT_TO = 18, 10  # local clock, as the outlook counts nights
SLOT = timedelta(minutes=15)
CHECKS = {"leak-check": "leak check", "regulator": "regulator replaced", "hose": "hose replaced"}
AHEAD = timedelta(days=365)  # what falls due within a year of the sheet is on it
MANY = 100_000


@dataclass(frozen=True)
class Cold:
    """The lowest air temperature read outside in a night of the year."""

    at: datetime
    air_k: float


@dataclass(frozen=True)
class Year:
    """One year; `whole` is False while it still runs."""

    site: Site
    year: int
    made: datetime
    whole: bool
    months: tuple[Span, ...]
    sums: Span | None
    money: _cost.Money
    price: Price  # by the fills of this year alone
    coldest: Cold | None
    alerts: tuple[tuple[str, int], ...]
    verified: tuple[tuple[str, Scores], ...]
    done: tuple[tuple[datetime, str], ...]
    due: tuple[Due, ...]


def answer(year: int | None, site_path: Path | None, store_path: Path | None, now: datetime | None = None) -> Year:
    """Gather a year (None = the one that runs). Raises BadInput or SourceFailed."""
    from monitor import store as database
    from monitor.store import place

    now = now or datetime.now(UTC)
    site, path = _cost.load(site_path, store_path)
    this = now.astimezone(ZoneInfo(site.timezone)).year
    chosen = this if year is None else year
    if not 1970 <= chosen <= this:
        raise BadInput(Problem("YEAR", str(chosen), f"a year up to {this}, such as {this - 1}"))
    with database.Store.open(path, readonly=True) as store:
        place.warn(store, site)
        return gather(site, store, chosen, now)


def gather(site: Site, store: Store, year: int, now: datetime) -> Year:
    """Return all that the sheet of a year says, from a store."""
    zone = ZoneInfo(site.timezone)
    start, end = (datetime(y, 1, 1, tzinfo=zone).astimezone(UTC) for y in (year, year + 1))
    until = min(end, now)
    money = _cost.money(site, store, now)
    mine = [e for e in money.entries if start <= e.time < end]
    return Year(
        site, year, now, end <= now,
        months=tuple(s for s in money.months if s.label.startswith(f"{year}-")),
        sums=next((s for s in money.years if s.label == str(year)), None),
        money=money,
        price=cost.price(mine, zone, money.rates),
        coldest=_coldest(store, start, until, zone),
        alerts=_alerts(store, start, end),
        verified=_verified(site, store, start, until),
        done=tuple((e.time, _said(e)) for e in mine if e.kind in CHECKS),
        due=_due(site, money.entries, now),
    )  # fmt: skip


def _coldest(store: Store, start: datetime, until: datetime, zone: ZoneInfo) -> Cold | None:
    from monitor.model.reading import Quantity

    found = store.readings(since=start, until=until, subject="site", quantity=Quantity.AIR_TEMPERATURE, every=SLOT)
    night = [
        (r.value, r.time)
        for r in found
        if r.value is not None and not NIGHT_TO <= r.time.astimezone(zone).hour < NIGHT_FROM
    ]
    return Cold(min(night)[1], min(night)[0]) if night else None


def _alerts(store: Store, start: datetime, end: datetime) -> tuple[tuple[str, int], ...]:
    """How often each kind was raised: an occurrence counts once, however often it was told."""
    from monitor.alerts.kinds import KINDS

    raised = {
        (t.key, t.occurrence)
        for t in store.transitions(limit=MANY)
        if t.after == "unacknowledged" and start <= t.at < end
    }
    counted = Counter(key.split("/", 1)[0] for key, _ in raised)
    return tuple((KINDS[kind].title if kind in KINDS else kind, n) for kind, n in counted.most_common())


def _verified(site: Site, store: Store, start: datetime, until: datetime) -> tuple[tuple[str, Scores], ...]:
    """The score of each source's forecasts one day ahead, where an outdoor thermometer could judge them."""
    from monitor.weather import yard

    if until <= start:
        return ()
    found = []
    for kind in dict.fromkeys(w.kind for w in site.weather):
        scores = yard.verified(store, site, kind, start, until).scores
        found += [(kind, s) for s in scores if s.lead == 1]
    return tuple(found)


def _said(entry: Entry) -> str:
    text = CHECKS[entry.kind]
    result = entry.payload.get("result")
    how = entry.payload.get("method")
    return text + (f": {result}" if result else "") + (f" ({how})" if how else "")


def _due(site: Site, entries: Sequence[Entry], now: datetime) -> tuple[Due, ...]:
    """What falls due within a year of the sheet, by the one list of reminders."""
    return tuple(d for d in reminders(site, entries, now) if d.by is None or d.by <= now + AHEAD)


# -- out --------------------------------------------------------------------------------------------------------------


def plain(found: Year) -> dict[str, Any]:
    """Return it as JSON values: kg, K, the site's money; null = not known."""
    return {
        "site": found.site.name, "year": found.year, "made": found.made.isoformat(), "whole": found.whole,
        "currency": found.money.rates.currency or None, "used": found.money.used_basis,
        "months": [_cost.span_json(s) for s in found.months],
        "sums": None if found.sums is None else _cost.span_json(found.sums),
        "price": _cost.price_json(found.price),
        "coldest_night": None if found.coldest is None else
        {"time": found.coldest.at.isoformat(), "air_k": found.coldest.air_k},
        "alerts": [{"kind": kind, "raised": n} for kind, n in found.alerts],
        "forecast": [
            {"source": kind, "nights": s.n, "bias_k": s.bias_k, "mean_error_k": s.mae_k,
             "in_80_percent_band": s.covered}
            for kind, s in found.verified
        ],
        "done": [{"time": at.isoformat(), "what": what} for at, what in found.done],
        "due": [{"what": d.what, "by": None if d.by is None else d.by.isoformat()} for d in found.due],
    }  # fmt: skip


def title(found: Year) -> str:
    """Return the heading of the sheet."""
    return f"{found.site.name}: gas in {found.year}"


def sections(found: Year) -> list[Section]:
    """Return the sheet: fuel and money by month, then the cold, alerts and forecasts, then checks."""
    zone, u = ZoneInfo(found.site.timezone), found.site.units
    made = f"Made {found.made.astimezone(zone):%d %B %Y}" + ("." if found.whole else "; the year still runs.")
    return [
        Section("Fuel by month", (*_fuel_notes(found), made), _months(found, u)),
        Section("Cost", tuple(_cost_lines(found))),
        Section("The cold", tuple(_cold_lines(found, zone, u))),
        Section("Alerts", tuple(_alert_lines(found))),
        Section(
            "Checks done", tuple(f"{at.astimezone(zone):%d %b}: {what}." for at, what in found.done) or (NO_CHECK,)
        ),
        Section("Due", tuple(_due_lines(found, zone))),
    ]


NO_CHECK = "None is in the record."
CAUTION = (
    "An overdue check or a cylinder past its date: do not have it filled, and ask a licensed supplier. "
    "This sheet is no proof of safety; local codes and licensed practice come first."
)


def _months(found: Year, u: Units) -> Table | None:
    if not found.months:
        return None
    rows = [
        (
            s.label,
            _cost.used(s, u),
            _cost.taken_in(s, u),
            str(s.fills or "-"),
            str(s.trips.count or "-"),
            _cost.total(s),
        )
        for s in (*found.months, *((found.sums,) if found.sums else ()))
    ]
    return Table(("month", "used", "taken in", "fills", "trips", "paid"), tuple(rows))


def _fuel_notes(found: Year) -> list[str]:
    if not found.months:
        return ["Nothing is known of this year: no fill is in the record, and no level tells the use."]
    notes = [f"{_cost.capital(found.money.used_basis)}."]
    if any(s.used_kg is not None and s.used_days < s.days for s in found.months):
        notes.append("(n d): only so many days of that month have a known use.")
    if any(s.missing or s.fills_unweighed or s.fuel.amount is None for s in found.months):
        notes.append("+?: some of it is not known and not in the sum; ?: none of it is known.")
    return notes


def _cost_lines(found: Year) -> list[str]:
    s, currency = found.sums, found.money.rates.currency
    lines = []
    if s is not None:
        parts = [
            f"{name} {_cost.amount(part.amount, currency)}"
            for name, part in (("gas", s.fuel), ("trips", s.trips), ("other", s.things))
            if part.count
        ]
        if parts:
            lines.append(f"Paid: {', '.join(parts)}.")
        lines += [f"{_cost.capital(text)}: not in the sum." for text in s.missing]
    return lines + _cost.price_lines(found.price, found.site.units, currency)


def _cold_lines(found: Year, zone: ZoneInfo, u: Units) -> list[str]:
    if found.coldest is None:
        lines = ["Coldest night: not known, for no outdoor thermometer was read."]
    else:
        at = found.coldest.at.astimezone(zone)
        lines = [f"Coldest night: {show(found.coldest.air_k, 'temperature', u)} read at {at:%H:%M on %d %B}."]
    for kind, s in found.verified:
        bias, error = (show(v, "difference", u) for v in (s.bias_k, s.mae_k))
        lines.append(f"Forecast of the night's minimum a day ahead ({kind}, {s.n} nights): bias {bias}, error {error}.")
    if not found.verified:
        lines.append("The forecasts could not be judged.")
    return lines


def _alert_lines(found: Year) -> list[str]:
    return [f"{kind}: raised {'once' if n == 1 else f'{n} times'}." for kind, n in found.alerts] or ["None was raised."]


def _due_lines(found: Year, zone: ZoneInfo) -> list[str]:
    if not found.due:
        return [f"Nothing that is known of falls due within {AHEAD.days} days."]
    lines = []
    for d in found.due:
        what = _cost.capital(d.what)
        if d.by is None:
            lines.append(f"{what}: no date is known; enter it in the record.")
        else:
            over = ": OVERDUE since" if d.by < found.made else " by"
            when = f"{d.by:%B %Y}" if d.month else f"{d.by.astimezone(zone):%d %B %Y}"
            lines.append(f"{what}{over} {when}.")
    return [*lines, CAUTION]
