"""The store's outbox and the one in memory that the tests use do the same; what loads late stays late."""

from __future__ import annotations

import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

from monitor.model.alert import Judgement
from monitor.notify.digest import Item, digest
from monitor.notify.ports import Outbox
from monitor.store import Store
from tests.notify.memory import HOUR, MINUTE, NOW, Memory, notice, site

ROOT = Path(__file__).resolve().parents[2]


def story(outbox: Outbox) -> list[Any]:
    """Do a bit of everything; return what was seen on the way."""
    seen: list[Any] = []

    def look() -> None:
        for row in outbox.waiting():
            seen.append((row.notice.id, row.channel, row.attempts, row.next_at, row.error, row.forced, row.escalated,
                         row.state, row.tried_at, row.unsure))  # fmt: skip

    first, second, third = notice(), notice("level-old/A", at=NOW + MINUTE), notice("battery-low/x", at=NOW + HOUR)
    (a, b) = outbox.enqueue(first, ["mail", "sms"], NOW)
    seen.append(outbox.enqueue(first, ["mail"], NOW))
    (c,) = outbox.enqueue(second, ["mail"], NOW)
    outbox.attempt_started(a, NOW)
    look()
    outbox.failed(a, NOW, "the server answers 500", NOW + MINUTE)
    outbox.dropped(b, NOW, "this channel takes Severe only")
    outbox.enqueue(first, ["sms"], NOW + MINUTE)
    look()
    outbox.enqueue(first, ["sms"], NOW + MINUTE, forced=True)
    outbox.postpone(c, NOW + HOUR, "quiet hours")
    outbox.escalated(a, NOW)
    look()
    made = digest((Item((first,), False), Item((second,), False)), "mail", site(), NOW, "it waited")
    number = outbox.gather([a, c], made, "mail", NOW)
    seen.append([r.notice.id for r in outbox.gathered(made.id)])
    seen.append(outbox.gather([a, c], made, "mail", NOW) == number)
    look()
    outbox.delivered(number, NOW)
    (d,) = outbox.enqueue(third, ["mail"], NOW)
    outbox.attempt_started(d, NOW)
    outbox.failed(d, NOW, "401", None)
    look()
    seen.append(outbox.revive("sms", NOW, NOW - HOUR))
    seen.append(outbox.revive("mail", NOW, NOW + 2 * HOUR))
    seen.append(outbox.revive("mail", NOW + HOUR, NOW - HOUR))
    look()
    return seen


def test_both_outboxes_tell_the_same_story(tmp_path: Path) -> None:
    with Store.open(tmp_path / "b.db") as store:
        assert story(store) == story(Memory())


def test_a_judgement_written_twice_tells_once(tmp_path: Path) -> None:
    with Store.open(tmp_path / "b.db") as store:
        for _ in range(2):
            store.commit_judgement(Judgement((), (), (notice(),)), ["log", "mail"])
        assert [r.channel for r in store.waiting()] == ["log", "mail"]
        assert len(store.notices()) == 1
        assert store.waiting("mail")[0].next_at == NOW
        assert timedelta(0) == store.waiting("mail")[0].notice.at - NOW


def test_the_outbox_loads_no_apprise_before_it_is_needed() -> None:
    code = (
        "import sys; import monitor.notify.outbox, monitor.notify.trial, monitor.notify.heartbeat, "
        "monitor.notify.summary; print([m for m in ('apprise', 'requests', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
