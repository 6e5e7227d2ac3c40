"""A store that cannot be written is told past it, to a real web server: once, not too soon, again when it is over."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sqlite3
import threading
import time
from pathlib import Path
from random import Random

import pytest

from monitor.notify.direct import Direct
from monitor.service import outage, repairing
from monitor.service.clock import RealClock
from monitor.site import load
from monitor.store import Store, place
from monitor.store.writer import Writer
from tests.notify.sinks import Web, web_server
from tests.service import faulting, harness
from tests.service.conftest import Note
from tests.service.test_faults import trouble
from tests.support.broker import Mosquitto, wait_for
from tests.support.stalls import running

GAS = """
[[sensor]]
name = "nose"
way = "mqtt"
subject = "site"
quantity = "gas_detected"
topic = "house/gas"
interval = "1 h"
"""


def channel(web: Web) -> str:
    url = f"json://127.0.0.1:{web.port}/?rto=30&cto=30"
    return f'\n[[channel]]\nname = "push"\nurl = "{url}"\n[alerts]\nquiet = false\n'


def titles(web: Web) -> list[str]:
    return [body["title"] for _, body in web.got]


def refuse(writer: Writer, how: str) -> None:
    writer.peek(lambda store: store._db.execute(f"PRAGMA query_only = {how}")).result(60)


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.service.loops.LOOK_S", 0.1)
    monkeypatch.setattr(outage, "PATIENCE_S", 0.5)
    monkeypatch.setattr(outage, "SETTLED_S", 0.3)


async def test_a_store_that_cannot_be_written_is_told_past_it_and_so_is_its_end(
    tmp_path: Path, broker: Mosquitto, fault: Note
) -> None:
    with web_server() as web:
        text = (harness.SITE, harness.sensors(), GAS, harness.broker_table(broker), channel(web), faulting.QUICK)
        path = harness.write_site(tmp_path, *text)
        seen = harness.Seen()
        async with harness.running(path, hooks=seen.hooks()) as daemon:
            await harness.until(lambda: seen.rounds and harness.hears(daemon, broker))
            before = len(web.got)
            began = time.monotonic()
            refuse(daemon.core.writer, "ON")
            await asyncio.to_thread(broker.publish, "yard/A", "25.5")
            await harness.until(lambda: len(web.got) > before, what="a notice past the store")
            assert time.monotonic() - began >= 0.5, "no momentary trouble is told"
            assert titles(web)[before:] == ["boiloff cannot work: no warning goes out until it is mended"]
            said = web.got[before][1]["message"]
            assert "cannot be written; check the rights" in said
            assert "boiloff is no gas detector" in said
            await asyncio.to_thread(broker.publish, "house/gas", "1")
            await harness.until(lambda: len(web.got) > before + 1, what="gas past the store")
            assert "gas" in titles(web)[before + 1].lower()
            assert "Get everyone out" in web.got[before + 1][1]["message"]
            await asyncio.sleep(1.0)
            assert len(web.got) == before + 2, "each once"
            refuse(daemon.core.writer, "OFF")
            started = time.monotonic()
            await harness.until(lambda: "Over: boiloff works and warns again" in titles(web), what="its end")
            took = time.monotonic() - started
            with harness.look(daemon) as store:
                assert {r.value for r in store.readings()} >= {25.5, 1.0}
    fault("store out, told by push", lost="0 of 2 readings", recovered_s=took, told=f"by push: {titles(web)[before]}")


async def test_it_is_told_where_no_reading_comes_in_at_all(tmp_path: Path) -> None:
    with web_server() as web:
        path = harness.write_site(tmp_path, harness.SITE, channel(web), faulting.QUICK)
        seen = harness.Seen()
        async with harness.running(path, hooks=seen.hooks()) as daemon:
            await harness.until(lambda: seen.rounds)
            refuse(daemon.core.writer, "ON")
            daemon.core.remake.poke("now", matters=True)
            await harness.until(lambda: any("cannot work" in t for t in titles(web)), what="a notice past the store")
            refuse(daemon.core.writer, "OFF")
            await harness.until(lambda: any(t.startswith("Over: boiloff works") for t in titles(web)), what="its end")


async def test_trouble_that_comes_and_goes_is_not_told_each_time(tmp_path: Path) -> None:
    with web_server() as web:
        path = harness.write_site(tmp_path, harness.SITE, channel(web))
        async with harness.running(path) as daemon:
            out = outage.Outage(daemon.core, {})
            for _ in range(3):
                for error in ("the disk is full", ""):
                    out.look(error, 0)
                    await asyncio.sleep(0.6)
                    out.look(error, 0)
            daemon.core.direct.wait(60.0)
            own = [t for t in titles(web) if "work" in t]
            assert sorted(own) == sorted(
                ["boiloff cannot work: no warning goes out until it is mended",
                 "Over: boiloff works and warns again"]
            )  # fmt: skip


def test_a_channel_that_is_down_is_tried_again_and_one_that_hangs_holds_nobody_up(tmp_path: Path) -> None:
    with web_server() as web, web_server() as hangs:
        web.answers(503, 200)
        hangs.answers("hang")
        more = f'\n[[channel]]\nname = "other"\nurl = "json://127.0.0.1:{hangs.port}/?rto=30"\n'
        site = load(harness.write_site(tmp_path, harness.SITE, more, channel(web)))
        direct = Direct(RealClock(), deadline_s=3.0, waits_s=(0.05, 0.05))
        with running() as took:
            direct.tell(site, "store", "raised", ("Headline", "Body"))
            assert took.s < 0.3, "returns at once"
        wait_for(lambda: web.got)
        direct.wait(60.0)
        assert titles(web) == ["Headline"]
        assert len(web.times) == 2
        assert len(hangs.times) == 1, "it may have arrived: not sent twice"
        direct.stop()


def test_without_memory_for_a_thread_it_says_so_and_is_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_stack(_: object) -> None:
        raise RuntimeError("can't start new thread")

    with web_server() as web:
        site = load(harness.write_site(tmp_path, harness.SITE, channel(web)))
        direct = Direct(RealClock())
        with monkeypatch.context() as patch:
            patch.setattr("threading.Thread.start", no_stack)
            assert not direct.tell(site, "store", "raised", ("Headline", "Body"))
        assert direct.tell(site, "store", "raised", ("Headline", "Body"))
        direct.wait(5.0)
        assert titles(web) == ["Headline"]


def test_where_memory_is_short_no_channel_hears_it_again_and_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin = threading.Thread.start

    def one_stack(thread: threading.Thread) -> None:
        if thread.name == "direct push":
            raise RuntimeError("can't start new thread")
        begin(thread)

    with web_server() as web, web_server() as other:
        more = f'\n[[channel]]\nname = "other"\nurl = "json://127.0.0.1:{other.port}/?rto=30"\n'
        site = load(harness.write_site(tmp_path, harness.SITE, more, channel(web)))
        direct = Direct(RealClock())
        with monkeypatch.context() as patch:
            patch.setattr("threading.Thread.start", one_stack)
            for _ in range(3):
                assert not direct.tell(site, "store", "raised", ("Headline", "Body"))
            direct.wait(60.0)
        assert titles(other) == ["Headline"]
        assert direct.tell(site, "store", "raised", ("Headline", "Body"))
        direct.wait(60.0)
        assert (titles(other), titles(web)) == (["Headline"], ["Headline"])
        assert direct.tell(site, "store", "raised", ("Headline", "Body")), "a day later: on every channel"
        direct.wait(60.0)
        assert (len(other.got), len(web.got)) == (2, 2)


def test_a_start_that_fails_is_told_once_and_its_end_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, run = tmp_path / "disk", tmp_path / "run"
    folder.mkdir()
    run.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(run))
    with web_server() as web:
        site = harness.write_site(tmp_path / "site", harness.SITE, channel(web), faulting.QUICK)
        with faulting.read_only(folder):
            for _ in range(2):
                assert faulting.begin(site, folder / "store.db", watching=False).wait(60) not in {0, -9}
        assert titles(web) == ["boiloff cannot work: no warning goes out until it is mended"]
        assert "its folder cannot be written" in web.got[0][1]["message"]
        process = faulting.begin(site, folder / "store.db")
        try:
            wait_for(lambda: any(t.startswith("Over: boiloff works") for t in titles(web)), 60.0)
        finally:
            process.terminate()
            assert process.wait(60) == 0
        assert not list(run.iterdir())


def test_a_start_on_another_households_database_is_told_but_not_one_run_too_many(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    with web_server() as web:
        site = harness.write_site(tmp_path / "site", harness.SITE, channel(web), faulting.QUICK)
        elsewhere = site.with_name("elsewhere.toml")
        elsewhere.write_text(site.read_text().replace("40.12", "48.5"))
        with Store.open(tmp_path / "store.db") as store:
            place.tie(store, load(elsewhere))
        assert faulting.begin(site, tmp_path / "store.db", watching=False).wait(60) == 2
        assert titles(web) == ["boiloff cannot work: no warning goes out until it is mended"]
        process = faulting.begin(site, tmp_path / "own.db")
        try:
            assert faulting.begin(site, tmp_path / "own.db", watching=False).wait(60) == 2
        finally:
            process.terminate()
            assert process.wait(60) == 0
        assert len(titles(web)) == 1, "the one that runs watches"


def test_a_start_on_a_full_disk_is_told_as_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one byte is left for the lock file's word either."""
    run = tmp_path / "run"
    run.mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(run))
    with web_server() as web, faulting.small_disk(tmp_path / "disk") as disk:
        if disk is None:
            pytest.skip("only root may mount a small disk")
        site = harness.write_site(tmp_path / "site", harness.SITE, channel(web), faulting.QUICK)
        room = faulting.fill(disk)
        assert faulting.begin(site, disk / "store.db", watching=False).wait(60) == 3
        assert titles(web) == ["boiloff cannot work: no warning goes out until it is mended"]
        assert "Traceback" not in site.with_name("log").read_text()
        room()
        process = faulting.begin(site, disk / "store.db")
        try:
            wait_for(lambda: any(t.startswith("Over: boiloff works") for t in titles(web)), 60.0)
        finally:
            process.terminate()
            assert process.wait(60) == 0


# Damage while it runs ------------------------------------------------------------------------------------------------


def spoil(path: Path) -> None:
    """Noise over the rows of the file and its log, as a card that fails leaves it, while the service has it open."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(size // 4)
        file.write(Random(3).randbytes(size // 2))


def test_a_database_spoilt_while_it_runs_is_mended_without_a_hand(
    tmp_path: Path, broker: Mosquitto, fault: Note
) -> None:
    values = faulting.several(400)
    with web_server() as web, faulting.served(tmp_path / "site", broker, tmp_path / "store.db", channel(web)) as run:
        faulting.publish(broker, values[:300])
        wait_for(lambda: set(values[:300]) <= set(run.values()), 60.0)
        spoil(run.store)
        started = time.monotonic()
        faulting.publish(broker, values[300:350])
        run.wait_log("a new one begins", 60.0)
        wait_for(lambda: run.log.count("watching") >= 2 or run.process.poll() is not None, 60.0)
        assert run.process.poll() is None, run.log
        faulting.publish(broker, values[350:])
        wait_for(lambda: set(values[300:]) <= set(run.values()), 60.0)
        took = time.monotonic() - started
        told = run.troubles()["database"]
        assert "was damaged" in told
        assert list(tmp_path.glob("store.damaged-*.db"))
        lost = len(set(values) - set(run.values()))
        with Store.open(run.store, readonly=True) as store:
            assert store.integrity(thorough=True) == []
        assert run.end() == 0
    words = told.replace(str(tmp_path), "")
    fault("database spoilt while it runs", lost=f"{lost} of {len(values)} readings (on spoilt pages)",
          recovered_s=took, told=words)  # fmt: skip


async def test_it_is_not_begun_anew_without_end(tmp_path: Path) -> None:
    with web_server() as web:
        path = harness.write_site(tmp_path, harness.SITE, channel(web))
        for _ in range(repairing.MOST):
            async with harness.running(path) as daemon:
                await harness.until(daemon.core.sane.is_set)
                repairing.set_right(daemon.core, "malformed")
                assert daemon.core.again
                repairing.set_right(daemon.core, "malformed")
        assert len((tmp_path / "store.db.begun-anew").read_text().split()) == repairing.MOST
        async with harness.running(path) as daemon:
            await harness.until(daemon.core.sane.is_set)
            for _ in range(3):
                repairing.set_right(daemon.core, "malformed")
            assert not daemon.core.again
            assert not daemon.core.stop.is_set()
            await harness.until(
                lambda: (said := trouble(daemon, "database")) and "mending it did not help" in said.words
            )
            daemon.core.direct.wait(60.0)
        assert titles(web).count("boiloff needs a look: its database cannot be set right") == 1


async def test_a_run_that_was_asked_to_end_is_not_followed_by_another(tmp_path: Path) -> None:
    path = harness.write_site(tmp_path, harness.SITE)
    async with harness.running(path) as daemon:
        await harness.until(daemon.core.sane.is_set)
        repairing.begin_anew(daemon.core, "the thread that writes the store has died")
        assert daemon.anew
        daemon.stop()  # a signal that comes while the run ends
        assert not daemon.anew
    async with harness.running(path) as daemon:
        await harness.until(daemon.core.sane.is_set)
        daemon.stop()
        await daemon.core.stop.wait()
        repairing.set_right(daemon.core, "malformed")
        assert not daemon.core.again
        assert (tmp_path / "store.db.found-damaged").exists(), "the next start looks it through"
