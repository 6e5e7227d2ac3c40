"""What to ask the local authority, the insurer and a licensed fitter: short questions, never a verdict.

Where a figure is usual, it stands beside the question with its source and is marked as what it is: usual somewhere,
perhaps not here. Figures from NFPA 58 are from memory and differ between editions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.model.site import Site
from monitor.model.units_out import show

NFPA_58 = "NFPA 58, value from memory; editions and places differ"
PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `usual` is what often holds, `source` says where; `because` is what in this site raises it."""

    topic: str
    ask: str
    usual: str
    source: str
    because: str = ""


ALL: tuple[Question, ...] = (
    Question(
        "indoors",
        "May a cylinder stand indoors, in a garage, a cellar or an enclosed porch, even an empty one?",
        "no: in dwellings only very small cylinders are allowed inside, and gas heavier than air gathers low",
        NFPA_58,
    ),
    Question(
        "openings",
        "How far must cylinders stand from doors, windows, air intakes and crawl-space vents, how far from drains?",
        "for cylinders filled elsewhere: relief valve 3 ft from an opening below it, 5 ft from a source of "
        "ignition and from an air intake; 10 ft where cylinders are filled in place",
        NFPA_58,
    ),
    Question(
        "ignition",
        "What counts as a source of ignition here: meter, outlet, air conditioner, grill, parked car?",
        "each of these may count",
        PRACTICE,
    ),
    Question(
        "fixed appliances",
        "May fixed appliances be fed from portable cylinders, how many may be joined, and up to which size?",
        "often allowed outdoors on a firm level base, with a limit on the number or total weight",
        PRACTICE,
    ),
    Question(
        "who may connect",
        "Who may run the pipe, join the cylinders to it, and test it? Is a permit or an inspection needed?",
        "a licensed fitter, with a pressure test before first use",
        PRACTICE,
    ),
    Question(
        "conversion",
        "Is each appliance made or converted for LP-gas, and may only the maker's kit and a fitter convert it?",
        "orifices and the appliance's own regulator are changed; a natural-gas appliance on LP-gas over-burns",
        PRACTICE,
    ),
    Question(
        "transport",
        "How many cylinders, and how much gas, may ride in a car, and where in it?",
        "in closed passenger space few and small: 90 lb of gas in all, 45 lb in one cylinder, relief valve in the "
        "vapour space, upright or as marked, plugged, secured, aired",
        NFPA_58,
    ),
    Question(
        "refill",
        "Who fills cylinders of this size here, on which days, and do they fill by weight?",
        "filled to 42 % of the water capacity by weight for propane; refused when past requalification",
        "49 CFR 180.205 and 180.209; filling density NFPA 58",
    ),
    Question(
        "insurer",
        "Does the insurer of the house want to know, and does it set conditions?",
        "often it does",
        PRACTICE,
    ),
    Question(
        "alarms",
        "Are a gas detector low in the room and a carbon-monoxide alarm required, and where?",
        "both are cheap beside what they prevent; boiloff is neither",
        PRACTICE,
    ),
)


def questions(site: Site) -> tuple[Question, ...]:
    """Return what to ask about a site before gas is connected."""
    largest = max((c.water_capacity_kg for c in site.cylinders), default=0.0)
    many = f"{len(site.cylinders)} cylinder{'s' if len(site.cylinders) != 1 else ''}"
    because = {
        "fixed appliances": f"{many}, the largest of {show(largest, 'mass', site.units)} water capacity",
        "conversion": ", ".join(a.name for a in site.appliances),
    }
    return tuple(replace(q, because=because.get(q.topic, "")) for q in ALL)
