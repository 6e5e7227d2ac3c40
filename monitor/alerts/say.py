"""What every text about one alert needs: the site, the time, and facts in the household's units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from monitor.alerts import when
from monitor.model.alert import Condition, Fact
from monitor.model.site import Site
from monitor.model.units_out import Kind, duration, show


def percent(share: float | None) -> str:
    """Return a share as "35 %"; a dash where it is not known."""
    return "–" if share is None else f"{share * 100.0:.0f} %"


@dataclass(frozen=True, slots=True)
class Say:
    """A condition with the means to put its facts into words."""

    site: Site
    now: datetime
    c: Condition

    @property
    def facts(self) -> Mapping[str, Fact]:
        """Facts of the condition (SI numbers, ISO times)."""
        return self.c.facts

    def number(self, fact: str) -> float | None:
        """Return a fact that is a number, else None."""
        value = self.facts.get(fact)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def show(self, fact: str, kind: Kind) -> str:
        """Return a fact in the household's units; a dash where it is not known."""
        return show(self.number(fact), kind, self.site.units)

    def long(self, fact: str) -> str:
        """Return a fact in seconds as people say it."""
        return duration(self.number(fact))

    def text(self, fact: str) -> str:
        """Return a fact that is text, else ""."""
        value = self.facts.get(fact)
        return value if isinstance(value, str) else ""

    def at(self, fact: str) -> str:
        """Return a time in the site's zone, e.g. "Thu 02:00"; a dash where it is not known."""
        time = when.parse(self.facts.get(fact))
        return "–" if time is None else when.moment(time, self.site.timezone, self.now)

    def day(self, fact: str) -> str:
        """Return the day of a time in the site's zone."""
        time = when.parse(self.facts.get(fact))
        return "–" if time is None else when.day(time, self.site.timezone, self.now)

    def date(self, fact: str) -> str:
        """Return the date of a time in the site's zone."""
        time = when.parse(self.facts.get(fact))
        return "–" if time is None else when.date(time, self.site.timezone)

    def span(self, start: str, end: str) -> str:
        """Return two times in the site's zone, e.g. "Thu 02:00-08:00"."""
        a, b = when.parse(self.facts.get(start)), when.parse(self.facts.get(end))
        return "–" if a is None or b is None else when.span(a, b, self.site.timezone, self.now)

    def percent(self, fact: str) -> str:
        """Return a share as "35 %"."""
        return percent(self.number(fact))

    def minutes(self, fact: str) -> str:
        """Return seconds as whole minutes without the unit."""
        value = self.number(fact)
        return "–" if value is None else f"{value / 60:.0f}"

    def cylinders(self, prefix: str) -> dict[str, Fact]:
        """Return the facts `prefix.NAME` of the site's cylinders by name, in the site's order."""
        names = [c.name for c in self.site.cylinders]
        return {n: self.facts[f"{prefix}.{n}"] for n in names if f"{prefix}.{n}" in self.facts}
