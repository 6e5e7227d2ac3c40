"""What `boiloff verify` reads and how it prints it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.model.errors import BadInput, Problem
from monitor.model.site import Site, Units
from monitor.outlook import verify
from monitor.weather import odds_record, yard

if TYPE_CHECKING:
    from rich.console import Console

LEAST_HOURS = 24  # fewer judged hours say nothing about odds


@dataclass(frozen=True)
class Found:
    """Scores of each source, and how the odds of a shortfall turned out (None = too few hours)."""

    sources: tuple[yard.Verified, ...]
    odds: verify.Brier | None
    bins: tuple[verify.Bin, ...]
    hours: int
    uncovered: int


def answer(site_path: Path | None, store_path: Path | None, days: int, only: list[str]) -> tuple[Site, Found]:
    """Score what the store holds. Raises BadInput or SourceFailed."""
    from monitor import site as site_file
    from monitor import store as database
    from monitor.store import place

    site = site_file.load(site_file.find(site_path))
    path = database.find(site, store_path)
    if not path.exists():
        raise database.missing(path)
    kinds = list(dict.fromkeys(w.kind for w in site.weather)) or ["file"]
    wrong = [s for s in only if s not in kinds]
    if wrong:
        raise BadInput(Problem("--source", f'"{wrong[0]}"', "one of " + ", ".join(kinds)))
    now = datetime.now(UTC)
    since = now - timedelta(days=days)
    with database.Store.open(path, readonly=True) as store:
        place.warn(store, site)
        return site, found(store, site, only or kinds, since, now)


def found(store: odds_record.Facts, site: Site, kinds: list[str], since: datetime, now: datetime) -> Found:
    """Score every source of `kinds` and the odds of a shortfall from `since` to `now`."""
    sources = tuple(yard.verified(store, site, kind, since, now) for kind in kinds)
    odds, came, _ = odds_record.record(store, site, since, now)
    enough = odds.size >= LEAST_HOURS
    return Found(
        sources=sources,
        odds=verify.brier(odds, came) if enough else None,
        bins=verify.reliability(odds, came) if enough else (),
        hours=int(odds.size),
        uncovered=int(came.sum()),
    )


def plain(found: Found) -> dict[str, Any]:
    """Return it as JSON values."""
    return {
        "sources": [
            {
                "source": v.source,
                "since": v.since.isoformat(),
                "forecasts": v.forecasts,
                "learnt": {"nights": v.learnt.nights, "method": v.learnt.method, "dawn_bias_k": v.learnt.dawn_bias_k},
                "thermometer_trouble": v.trouble or None,
                "by_lead_day": [asdict(s) for s in v.scores],
            }
            for v in found.sources
        ],
        "shortfall_odds": {
            "hours": found.hours,
            "uncovered_hours": found.uncovered,
            "brier": None if found.odds is None else asdict(found.odds),
            "reliability": [asdict(b) for b in found.bins],
        },
    }


def print_found(to: Console, site: Site, found: Found, days: int) -> None:
    """A table for each source, what was learnt, and the odds."""
    to.print(
        f"[bold]{site.name}[/bold]: the night's minimum, forecast against the outdoor thermometer, last {days} days"
    )
    for v in found.sources:
        to.print()
        if not v.scores:
            to.print(f"[bold]{v.source}[/bold]: nothing to score: {_why_not(v)}")
            continue
        to.print(f"[bold]{v.source}[/bold]: {v.forecasts} forecasts, one a day")
        _print_scores(to, v.scores, site.units)
        words = v.learnt.words(site.units)
        if site.settings.get("forecast.learn") is False:
            words = "site learning is switched off"
        to.print(words or "nothing was learnt yet: it takes forecasts and an outdoor thermometer")
        if v.trouble:
            to.print(f"the thermometer was left out at times: {v.trouble}")
    to.print()
    _print_odds(to, found)


def _why_not(v: yard.Verified) -> str:
    if v.forecasts:
        return "no outdoor thermometer measured through a night that was forecast"
    return "no forecast of it, or no reading of air_temperature of the site, is kept"


def _print_scores(to: Console, scores: tuple[verify.Scores, ...], units: Units) -> None:
    from rich.table import Table

    factor, unit = (1.8, "°F") if units == "us" else (1.0, "°C")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in ("day", "nights", "bias", "mean error", "CRPS", "in 10-90 %", "source: bias", "mean error", "CRPS"):
        table.add_column(name, justify="right")
    for s in scores:
        values = [s.bias_k, s.mae_k, s.crps_k, s.raw_bias_k, s.raw_mae_k, s.raw_crps_k]
        shown = [f"{factor * v:+.1f}" if i in {0, 3} else f"{factor * v:.2f}" for i, v in enumerate(values)]
        row = [str(s.lead) if s.lead else "all", str(s.n), *shown[:3], f"{100 * s.covered:.0f} %", *shown[3:]]
        table.add_row(*row)
    to.print(table)
    to.print(f"in {unit}; day 1 is the first 24 h; right odds have 80 % of nights in their 10-90 % band", style="dim")


def _print_odds(to: Console, found: Found) -> None:
    if found.odds is None:
        to.print(f"Odds of a shortfall: {found.hours} hours can be judged so far, too few to score.")
        return
    skill = "no skill can be told" if found.odds.skill is None else f"Brier skill {found.odds.skill:+.2f}"
    to.print(
        f"Odds of a shortfall, {found.hours} hours of which {found.uncovered} were uncovered: "
        f"Brier score {found.odds.score:.4f}, {skill} against always saying the mean"
    )
    for b in found.bins:
        mark = "" if b.consistent else "  not what chance allows"
        to.print(f"  said {100 * b.odds:3.0f} %, came {100 * b.came:3.0f} % of {b.n} hours{mark}")
