"""What `boiloff train` is asked, works out and prints."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands import _conditions
from monitor.model.errors import BadInput, Problem
from monitor.model.site import Appliance, Site
from monitor.physics.supply_train import Finding, check
from monitor.site import units

if TYPE_CHECKING:
    from rich.console import Console

COLDEST_K = (-20.0 + 459.67) / 1.8  # where nobody says better: most of the lower 48 states see no colder night
HOLD_S = 3600.0
FORM = 'NAME=INPUT such as "Heater=12000 Btu/h", with ",continuous" for one that may burn without end'
WORDS = {"good": "as usual", "look": "TAKE A LOOK", "unknown": "not checked"}
CLOSING = (
    "No finding is a verdict. Gas work is for a licensed fitter, and the local code comes before anything written here."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """A site with what was added to it, the cold looked at, and what was found."""

    site: Site
    coldest_k: float
    stated: bool
    share: float
    findings: tuple[Finding, ...]


def asked(path: Path | None, add: tuple[str, ...], coldest: str | None, charge: str) -> Asked:
    """Read the site and the options and check. Raises BadInput with everything that is wrong at once."""
    from monitor import site as site_file

    site = site_file.load(site_file.find(path))
    problems: list[Problem] = []
    more = [a for text in add if (a := added(text, site, problems)) is not None]
    cold = None if coldest is None else _conditions.quantity("--coldest", coldest, "temperature", problems)
    if cold is not None and not 190.0 <= cold <= 310.0:
        problems.append(Problem("--coldest", f'"{coldest}"', "outside air, from -83 to 37 °C"))
    share = _conditions.quantity("--charge", charge, "share", problems)
    if share is not None and not 0.0 < share <= 1.0:
        problems.append(Problem("--charge", f'"{charge}"', 'a share of full above 0 and up to 100 %, such as "50 %"'))
    if problems or share is None:
        raise BadInput(problems)
    site = replace(site, appliances=(*site.appliances, *more))
    stated = cold if cold is not None else site.settings.get("train.coldest")
    at = COLDEST_K if stated is None else float(stated)
    return Asked(site, at, stated is not None, share, check(site, at, share))


def added(text: str, site: Site, problems: list[Problem]) -> Appliance | None:
    """Return the appliance in `text`; None with a problem where it cannot be read."""
    name, sign, rest = (part.strip() for part in text.partition("="))
    power, _, word = (part.strip() for part in rest.partition(","))
    if not sign or not name or not power or word not in {"", "continuous"}:
        problems.append(Problem("--add", f'"{text}"', FORM))
        return None
    if name in {a.name for a in site.appliances}:
        problems.append(
            Problem("--add", f'"{text}"', "a name that no appliance has yet", f"{name} is in the site file")
        )
        return None
    watts = _conditions.quantity(f"--add {name}", power, "power", problems)
    if watts is None:
        return None
    if not 50.0 <= watts <= 1e6:
        problems.append(Problem(f"--add {name}", f'"{power}"', "an input of a household appliance, 170 Btu/h or more"))
        return None
    return Appliance(name, watts, HOLD_S, continuous=word == "continuous")


def as_json(found: Asked) -> dict[str, Any]:
    """Everything in SI units."""
    return {
        "site": found.site.name,
        "demand_w": found.site.demand_w,
        "coldest_k": found.coldest_k,
        "share_of_full": found.share,
        "findings": [asdict(finding) for finding in found.findings],
    }


def say(to: Console, found: Asked) -> None:
    """Findings that ask for a look first, then what was not checked, then what is as usual."""
    from rich.markup import escape
    from rich.padding import Padding

    u = found.site.units
    cold = units.show(found.coldest_k, "temperature", u)
    hint = "" if found.stated else " (nothing was stated: --coldest, or coldest under [train])"
    to.print(f"[bold]{found.site.name}[/bold]: {units.show(found.site.demand_w, 'power', u)} with everything on")
    to.print(f"Looked at for air down to {cold}{hint}.", markup=False)
    for state in ("look", "unknown", "good"):
        for finding in (f for f in found.findings if f.state == state):
            name = f" {finding.name}" if finding.name else ""
            to.print(f"\n[bold]{WORDS[state]}[/bold]: {finding.part}{name}", markup=True)
            to.print(Padding(escape(f"{finding.fact}."), (0, 0, 0, 2)))
            if finding.consequence:
                to.print(Padding(f"What follows: {finding.consequence}.", (0, 0, 0, 2)))
            if finding.ask:
                to.print(Padding(f"Ask: {finding.ask}", (0, 0, 0, 2)))
            to.print(Padding(f"Source: {finding.source}.", (0, 0, 0, 2)))
    to.print(f"\n{CLOSING}")
