"""A power cut: of the log only a part reached the disk, perhaps with noise after it. What was flushed is there."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from monitor.store import Store
from tests.store.support import HOUR, NOW, content, weight

HEADER = 32  # bytes of the log before its first frame


def test_commits_are_flushed_before_they_are_acknowledged(tmp_path: Path) -> None:
    with Store.open(tmp_path / "x.db") as store:
        assert store._rows("PRAGMA synchronous") == [(2,)]  # FULL: the log is flushed at each commit
        assert store._rows("PRAGMA journal_mode") == [("wal",)]


@pytest.mark.parametrize("seed", range(3))
def test_a_log_that_ends_anywhere_holds_whole_transactions_up_to_there(tmp_path: Path, seed: int) -> None:
    """Pairs of facts in one transaction each; the log is cut at random places, as a card without power would."""
    draw, path = random.Random(seed), tmp_path / "x.db"
    log = tmp_path / "x.db-wal"
    ends: list[int] = []
    with Store.open(path) as store:
        store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        store._db.execute("PRAGMA wal_autocheckpoint = 0")
        for n in range(40):
            with store.transaction():
                store.add_readings([weight(float(n), n, note="x" * draw.randrange(3000))])
                store.put(str(n), "said in the same breath")
            ends.append(log.stat().st_size)
        file, whole = path.read_bytes(), log.read_bytes()
    for number in range(25):
        cut = draw.randrange(HEADER, len(whole))
        noise = draw.randbytes(draw.randrange(9000)) if number % 2 else b""
        place = tmp_path / f"cut{number}"
        place.mkdir()
        (place / "x.db").write_bytes(file)
        (place / "x.db-wal").write_bytes(whole[:cut] + noise)
        with Store.open(place / "x.db") as store:
            flushed = sum(end <= cut for end in ends)
            assert [r.value for r in store.readings()] == [float(n) for n in range(flushed)]
            assert [n for n in range(40) if store.get(str(n))] == list(range(flushed))
            assert store.integrity(thorough=True) == []
            store.add_readings([weight(99.0, 99)])  # and it goes on


@pytest.mark.parametrize("seed", range(3))
def test_a_cut_while_the_log_is_taken_into_the_file_is_made_good(tmp_path: Path, seed: int) -> None:
    """Pages of the file may be half written then; the log, flushed before, still holds them all."""
    draw, path, log = random.Random(seed), tmp_path / "x.db", tmp_path / "x.db-wal"
    with Store.open(path) as store:
        store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        store._db.execute("PRAGMA wal_autocheckpoint = 0")
        before = path.read_bytes()
        for n in range(30):
            store.add_readings([weight(float(n), 60 * n + k) for k in range(60)])
        whole = log.read_bytes()
        store._db.execute("PRAGMA wal_checkpoint(PASSIVE)")
        after = path.read_bytes()
        want = content(path)
    for number in range(10):
        torn = bytearray(before.ljust(len(after), b"\0"))
        for sector in range(0, len(after), 512):  # each sector is the old or the new one
            if draw.random() < 0.5:
                torn[sector : sector + 512] = after[sector : sector + 512]
        place = tmp_path / f"torn{number}"
        place.mkdir()
        (place / "x.db").write_bytes(bytes(torn[: draw.randrange(len(before), len(after))]))
        (place / "x.db-wal").write_bytes(whole)
        with Store.open(place / "x.db") as store:
            assert store.integrity(thorough=True) == []
            assert len(store.readings(since=NOW, until=NOW + 30 * HOUR)) == 1800
        assert content(place / "x.db") == want
