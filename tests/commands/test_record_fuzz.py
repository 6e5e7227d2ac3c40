"""Whatever a CSV of the record holds, its lines are entries or faults with a reason, or the file is refused."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

from hypothesis import strategies as st

from monitor.commands import _record_import, _record_kinds
from monitor.model.errors import BadInput
from monitor.store import Store
from tests.sensors import scene
from tests.support.fuzzing import TEXTS, fuzz, garbled, lengths

NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
SITE = scene.site()
KEYS = sorted({f.key for kind in _record_kinds.KINDS.values() for f in kind.fields})
NAMES = ["time", "cylinder", "kind", *KEYS, *(k.removesuffix("_kg") + "_lb" for k in KEYS)]
GOOD = "time,cylinder,kind,paid_lb,price\n2026-01-04T10:00,A,refill,30,31.50\n2026-01-02T10:00,B,weighing,,\n"


@lengths
def test_fuzz_record(tmp_path: Path, long: bool) -> None:
    cells = st.one_of(
        TEXTS.map(lambda t: t.replace("\ud800", "")),
        st.sampled_from(["A", "B", "site", "2026-01-04T10:00", "30", "30 lb", "31.50", *_record_kinds.KINDS]),
    )
    heads = st.lists(st.sampled_from(NAMES), min_size=1, max_size=6)
    rows = st.lists(st.lists(cells, max_size=7), max_size=4)
    free = st.tuples(heads, rows).map(lambda t: "\n".join(",".join(row) for row in [t[0], *t[1]]).encode())
    kinds = st.sampled_from([*_record_kinds.KINDS])
    typed = st.tuples(
        st.lists(st.sampled_from(KEYS), min_size=1, max_size=3, unique=True), kinds, st.lists(cells, max_size=3)
    )
    fitting = typed.map(
        lambda t: f"time,cylinder,kind,{','.join(t[0])}\n2026-01-04T10:00,A,{t[1]},{','.join(t[2])}\n".encode()
    )
    path = tmp_path / "record.csv"
    with Store.open(tmp_path / "store.db") as store:

        def check(data: bytes) -> None:
            path.write_bytes(data)
            try:
                found = _record_import.read(path, SITE, NOW)
            except BadInput as error:
                assert error.problems  # noqa: PT017
                return
            assert found.bad <= len(found.faults)
            assert all(str(fault) for fault in found.faults)
            for event in _record_import.take(store, SITE, found, dry_run=True):
                assert event.time <= NOW
                for value in event.payload.values():
                    assert not isinstance(value, float) or math.isfinite(value)

        fuzz(st.one_of(free, fitting, garbled(GOOD.encode())), check, long=long)
