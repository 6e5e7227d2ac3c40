"""Choosing the arrangement: which cylinders, how many, together or with changeover. Pure; candidates are passed in.

`arrange` answers at once; `survey` gives one arrangement after another, so that a caller can show progress and stop,
and `ranked` puts what there is in order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

import numpy as np

from monitor.model.site import BASES, Site
from monitor.outlook.arrange_carry import Carry, carry
from monitor.outlook.arrange_model import (
    Arrangement,
    Candidate,
    Container,
    Finding,
    Limits,
    Past,
    Prices,
    Question,
    Result,
    Short,
    named,
)  # fmt: skip
from monitor.outlook.arrange_rank import against_cold, against_limits, candidates, costs, nearness, order_key, refills
from monitor.outlook.arrange_winters import Kind, Series, Winters, gather, rest_table

__all__ = [
    "Arrangement", "Candidate", "Container", "Finding", "Limits", "Past", "Prices", "Question", "Result", "Short",
    "arrange", "candidates", "named", "ranked", "survey",
]  # fmt: skip

CHECKED = 10  # arrangements whose supply train is checked, the first ones: a check takes longer than all the rest
Check = Callable[[Site, float | None], Sequence[Finding]]


def arrange(question: Question, choices: Sequence[Candidate], check: Check | None = None) -> Result:
    """Compare `choices` (see `candidates`). `check(site, design low)` gives findings on each that is left.

    Raises ValueError for a question without appliances or without use.
    """
    return ranked(question, list(survey(question, choices)), check)


def design_low_k(question: Question, winters: Winters | None = None) -> float | None:
    """The coldest air to be ready for (K): as typed, else the coldest hour of the winters, else None."""
    if question.coldest_k is not None:
        return question.coldest_k
    past = gather(question.winters, question.site) if winters is None and question.winters else winters
    return None if past is None else past.coldest_k


def survey(question: Question, choices: Sequence[Candidate]) -> Iterator[Arrangement]:
    """Work out one candidate after another, kinds in the order given; those beyond a limit are not played."""
    if question.site.demand_w <= 0.0:
        raise ValueError("a question needs at least one appliance")
    if not question.use_kg_d > 0.0:
        raise ValueError("use_kg_d must be above zero")
    winters = gather(question.winters, question.site) if question.winters else None
    low = design_low_k(question, winters)
    order = {c.container.name: k for k, c in reversed(list(enumerate(choices)))}
    by_kind = sorted(choices, key=lambda c: (order[c.container.name], c.feed, c.count))
    for _kind, of_one in groupby(by_kind, key=lambda c: c.container):
        rest: list[Series] = []
        for _, group in groupby(of_one, key=lambda c: c.feed):
            yield from _of_kind(question, list(group), winters, low, rest)


def _of_kind(
    question: Question, group: list[Candidate], winters: Winters | None, low_k: float | None, rest: list[Series]
) -> Iterator[Arrangement]:
    """`rest` keeps the kind's rest temperatures from one feed to the next."""
    container, feed = group[0].container, group[0].feed
    found = carry(question, container, feed, np.array([c.sets for c in group]), low_k)
    kind: Kind | None = None
    for k, candidate in enumerate(group):
        one = _row(question, candidate, found, k)
        reasons = against_limits(question, candidate)
        if winters is not None and not reasons:
            if not rest:
                rest.append(rest_table(question, winters, container))
            kind = kind or Kind(question, winters, container, feed, rest[0])
            one = one.but(short=kind.short(candidate))
        cold: list[str] = []
        if question.coldest_k is not None:  # a low that was seen once is judged by how many nights are short
            cold = against_cold(question, one, low_k)
        yield one.but(reasons=(*reasons, *cold), within_limits=not reasons)


def _row(question: Question, candidate: Candidate, found: Carry, k: int) -> Arrangement:
    trips, lifts, days = refills(question, candidate)
    first, yearly, unpriced = costs(question, candidate)

    def at(values: dict[object, object]) -> dict[object, tuple[float, ...]]:
        return {b: tuple(float(v) for v in values[b][k]) for b in BASES}  # type: ignore[index]

    return Arrangement(
        candidate,
        carried_k=at(found.carried_k),  # type: ignore[arg-type]
        held_k=at(found.held_k),  # type: ignore[arg-type]
        hold_s=at(found.hold_s),  # type: ignore[arg-type]
        needed={b: float(found.needed[b][k]) for b in BASES},
        needed_hold=float(found.needed_hold[k]),
        added_continuous_w=float(found.added_continuous_w[k]),
        added_hold_w=float(found.added_hold_w[k]),
        short=None,
        trips_year=trips,
        lifts_year=lifts,
        days_between=days,
        first_cost=first,
        yearly_cost=yearly,
        unpriced=unpriced,
    )


def ranked(
    question: Question, rows: Sequence[Arrangement], check: Check | None = None, *, complete: bool = True
) -> Result:
    """Put arrangements in order; `complete` False where the survey was broken off."""
    low = design_low_k(question)
    chosen = sorted((r for r in rows if not r.reasons), key=lambda r: order_key(question, r))
    nearest = not chosen
    if nearest:  # too cold for every one: a household must still burn something, so the nearest are shown as such
        chosen = sorted((r for r in rows if r.within_limits), key=lambda r: nearness(question, r))
    if check is not None:
        first = [r.but(findings=tuple(check(named(question, r.candidate), low))) for r in chosen[:CHECKED]]
        chosen = [*first, *chosen[CHECKED:]]
    out = sorted((r for r in rows if r.reasons and r not in chosen), key=lambda r: order_key(question, r))
    return Result(question, tuple(chosen), tuple(out), low, complete, tuple(_notes(question)), bool(nearest and chosen))


def _notes(question: Question) -> list[str]:
    notes = []
    if question.winters and any(w.wind_m_s is None for w in question.winters):
        notes.append("no wind in the winters' data: calm assumed")
    if question.winters and any(w.sky is None for w in question.winters):
        notes.append("no cloud in the winters' data: clear sky assumed")
    return notes
