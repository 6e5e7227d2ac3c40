"""How long choosing takes: 200 arrangements over 20 winters of hours, beside SciPy's LSODA on a sample of the holds.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.arrange [sample]

The winters are the measured one of Illinois (eemeter's sample, 2016/17), each shifted by a fixed draw of 3 K.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402

from monitor.commands._arrange_ask import of_size  # noqa: E402
from monitor.outlook.arrange import Candidate, Past, Question, candidates, survey  # noqa: E402
from monitor.site import catalogue  # noqa: E402
from tests.outlook.arranging import Oracle, container, places, plain, question  # noqa: E402
from tests.physics.sites import fahrenheit  # noqa: E402

WINTERS = 20


def scene() -> tuple[Question, list[Candidate]]:
    """The question and 200 candidates: ten sizes, up to 14 of each, together and over a changeover."""
    il = places()["Illinois"][0]
    first = il.index(datetime(2016, 10, 1, tzinfo=UTC))
    year = il.air_k[first : first + 24 * 212]
    rng = np.random.default_rng(1)
    pasts = tuple(Past(datetime(2000 + k, 10, 1, tzinfo=UTC), year + rng.normal(0.0, 3.0)) for k in range(WINTERS))
    kinds = [replace(of_size(s), in_place=False) for s in catalogue.SIZES if s.tare]
    asked = question((il,), winters=pasts, coldest_k=fahrenheit(5.0), use_kg_d=0.4)
    return asked, candidates(kinds, 14)[:200]


def main() -> None:
    """Print the table."""
    sample = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    asked, choices = scene()
    began, cpu = time.perf_counter(), time.process_time()
    rows = list(survey(asked, choices))
    wall, cpu = time.perf_counter() - began, time.process_time() - cpu
    holds = sum(len(asked.starts) for r in rows if r.short) * 18 * rows[0].short.nights  # type: ignore[union-attr]
    candidate = Candidate(container("40"), 2)
    found = plain(replace(asked, starts=(0.25,)), candidate)
    judged = np.argwhere(found.judged())
    rng = np.random.default_rng(2)
    picked = judged[rng.choice(len(judged), sample, replace=False)]
    oracle = Oracle(asked, candidate, found)
    for row, hour in picked:  # rest is read beforehand: the holds alone are compared
        oracle.rest_k(int(row), int(hour), False)
    began = time.perf_counter()
    for row, hour in picked:
        oracle.hold_s(int(row), int(hour))
    each = (time.perf_counter() - began) / sample
    began = time.perf_counter()
    plain(replace(asked, starts=(0.25,)), candidate)
    engine = (time.perf_counter() - began) / len(judged)
    print(
        f"{len(choices)} arrangements x {WINTERS} winters x {len(asked.starts)} starts: {wall:.1f} s, {cpu:.1f} s CPU"
    )
    print(f"{'way':42} {'hours decided':>14} {'us an hour':>11} {'ratio':>8}")
    ours = wall / holds
    for name, count, cost in (
        ("survey (all figures of a row too)", holds, ours),
        ("the engine's hold for every hour", len(judged), engine),
        ("SciPy LSODA on CoolProp, hold alone", sample, each),
    ):
        print(f"{name:42} {count:14,d} {1e6 * cost:11.2f} {cost / ours:8.0f}")


if __name__ == "__main__":
    main()
