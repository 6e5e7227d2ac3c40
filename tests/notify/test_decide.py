"""What is done with waiting notices, and why: filters, quiet hours, digests, stale news."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.model.alert import AlertState, Notice
from monitor.model.site import Channel
from monitor.notify.decide import Action, Drop, Gather, Hold, Rules, Send, Wait, decide
from monitor.notify.digest import digest
from monitor.notify.row import OutboxRow
from tests.notify.memory import HOUR, MINUTE, NOW, active, notice, site

ALWAYS = Rules("America/Chicago")
QUIET = Rules("America/Chicago", quiet=(22, 6))
NIGHT = datetime(2026, 1, 6, 8, 0, tzinfo=UTC)  # 02:00 at the site
MORNING = datetime(2026, 1, 6, 12, 0, tzinfo=UTC)  # 06:00 there


def row(n: Notice, number: int = 1, **changes: object) -> OutboxRow:
    return replace(OutboxRow(number, n, "mail", 0, n.at), **changes)  # type: ignore[arg-type]


def ask(
    *rows: OutboxRow,
    now: datetime = NOW,
    rules: Rules = ALWAYS,
    standing: tuple[Notice, ...] = (),
    members: dict[str, list[OutboxRow]] | None = None,
) -> Action:
    states: dict[str, AlertState] = {n.key: active(n) for n in standing}
    return decide(rows, members or {}, states, rules, now)


def test_nothing_waits() -> None:
    assert ask() == Wait(None)


def test_a_new_notice_goes_at_once() -> None:
    r = row(notice())
    assert ask(r) == Send(r)


def test_a_failed_one_waits_for_its_time() -> None:
    r = row(notice(), next_at=NOW + MINUTE, attempts=1, error="x")
    assert ask(r) == Wait(NOW + MINUTE)


def test_a_wait_set_by_a_wrong_clock_does_not_count() -> None:
    r = row(notice(), next_at=NOW + timedelta(days=900))
    assert ask(r) == Send(r)


@pytest.mark.parametrize(
    ("rules", "reason"),
    [
        (replace(ALWAYS, severities=("Severe", "Extreme")), "this channel takes Severe, Extreme only"),
        (replace(ALWAYS, urgencies=("Immediate",)), "this channel takes Immediate only"),
        (replace(ALWAYS, kinds=("cold-shortfall",)), "this channel takes cold-shortfall only"),
    ],
)
def test_filters(rules: Rules, reason: str) -> None:
    assert ask(row(notice()), rules=rules) == Drop((1,), reason)
    forced = row(notice(), forced=True)
    assert ask(forced, rules=rules) == Send(forced)
    gas = row(notice("gas-detected/nose", severity="Extreme", bypass=True))
    assert ask(gas, rules=rules) == Send(gas)
    test = row(notice("test/mail", what="test", severity="Minor"))
    assert ask(test, rules=rules) == Send(test)


def test_quiet_hours_hold_back_all_but_severe() -> None:
    calm, bad = row(notice(at=NIGHT)), row(notice("cold-shortfall/site", severity="Severe", at=NIGHT), 2)
    hold = ask(calm, now=NIGHT, rules=QUIET)
    assert hold == Hold((1,), MORNING, "quiet hours, or hours in which this channel is not used")
    assert ask(replace(calm, next_at=MORNING), bad, now=NIGHT, rules=QUIET) == Send(bad)
    over = row(notice("cold-shortfall/site", 2, "ended", "Severe", at=NIGHT))
    assert isinstance(ask(over, now=NIGHT, rules=QUIET), Hold)
    gas = row(notice("gas-detected/nose", severity="Extreme", at=NIGHT, bypass=True))
    assert ask(gas, now=NIGHT, rules=QUIET) == Send(gas)


@pytest.mark.parametrize(("local_hour", "until"), [(21, None), (22, 8), (23, 7), (0, 6), (5, 1), (6, None), (12, None)])
def test_quiet_hours_pass_midnight(local_hour: int, until: int | None) -> None:
    now = datetime(2026, 1, 6, 6, 0, tzinfo=UTC) + local_hour * HOUR  # 00:00 there + local_hour
    action = ask(row(notice(at=now)), now=now, rules=QUIET)
    if until is None:
        assert isinstance(action, Send)
    else:
        assert isinstance(action, Hold)
        assert action.until == now + until * HOUR


def test_quiet_hours_on_the_night_the_clocks_change() -> None:
    """1 November 2026 in this zone: the night has an hour more. 8 March: an hour less."""
    for evening, wait in ((datetime(2026, 11, 1, 4, tzinfo=UTC), 8), (datetime(2026, 3, 8, 5, tzinfo=UTC), 6)):
        action = ask(row(notice(at=evening)), now=evening, rules=QUIET)
        assert isinstance(action, Hold)
        assert action.until - evening == wait * HOUR


def test_a_channels_own_hours() -> None:
    office = replace(ALWAYS, hours=(8, 18))
    action = ask(row(notice(at=NIGHT)), now=NIGHT, rules=office)
    assert isinstance(action, Hold)
    assert action.until == NIGHT + 6 * HOUR
    assert isinstance(ask(row(notice()), rules=office), Send)


def test_quiet_hours_end_with_one_digest_of_what_stands() -> None:
    a = notice("battery-low/x", at=NIGHT)
    b = notice("level-old/A", at=NIGHT + HOUR, severity="Minor")
    gone = notice("sensor-silent/s", at=NIGHT)
    gone_end = notice("sensor-silent/s", 2, "ended", at=NIGHT + HOUR)
    rows = [row(n, i, next_at=MORNING) for i, n in enumerate((a, gone, b, gone_end), 1)]
    action = ask(*rows, now=MORNING, rules=QUIET, standing=(a, b))
    assert isinstance(action, Gather)
    assert action.ids == (1, 2, 3, 4)
    made = digest(action.items, "mail", site(), MORNING, action.reason)
    assert made.headline == "raised battery-low/x (and 1 more)"
    assert "sensor-silent" not in made.body
    assert made.body.index("battery-low/x") < made.body.index("level-old/A")


def test_what_came_and_went_unheard_is_not_told_unless_severe() -> None:
    for severity, kept in (("Moderate", False), ("Severe", True)):
        n = notice("forecast-stale/site", severity=severity)  # type: ignore[arg-type]
        end = notice("forecast-stale/site", 2, "ended", severity, at=NOW + 8 * HOUR)  # type: ignore[arg-type]
        action = ask(row(n, 1), row(end, 2), now=NOW + 9 * HOUR)
        if kept:
            assert isinstance(action, Gather)
            assert action.items[0].over
            body = digest(action.items, "mail", site(), NOW, "it waited").body
            assert "Over by now" in body
            assert "Standing now" not in body
        else:
            assert action == Drop((1, 2), "it began and ended before it could be told, and was not severe")


def test_a_late_end_of_what_was_heard_goes_as_it_is() -> None:
    end = row(notice(number=2, what="ended", at=NIGHT), next_at=MORNING)
    assert ask(end, now=MORNING, rules=QUIET) == Send(end)


def test_many_at_once_go_as_one_but_a_few_do_not() -> None:
    notices = [notice(f"sensor-silent/{i}") for i in range(4)]
    rows = [row(n, i) for i, n in enumerate(notices, 1)]
    assert ask(*rows[:3], standing=tuple(notices)) == Send(rows[0])
    action = ask(*rows, standing=tuple(notices))
    assert isinstance(action, Gather)
    assert len(action.items) == 4


def test_severe_goes_first() -> None:
    rows = [row(notice(), 1), row(notice("cold-shortfall/site", severity="Severe", at=NOW + MINUTE), 2)]
    assert ask(*rows, now=NOW + MINUTE) == Send(rows[1])


def test_a_digest_that_could_not_go_out_is_made_anew_with_what_came_since() -> None:
    first, second = notice("battery-low/x"), notice("level-old/A", at=NOW + 3 * HOUR)
    item_rows = [row(first, 1, state="gathered")]
    made = replace(notice("digest/mail", what="digest", at=NOW + HOUR), occurrence="", id="digest/mail@x")
    rows = [row(made, 2, next_at=NOW + 9 * HOUR, attempts=3, error="refused"), row(second, 3)]
    action = ask(*rows, now=NOW + 3 * HOUR, standing=(first, second), members={made.id: item_rows})
    assert isinstance(action, Gather)
    assert action.ids == (2, 3)
    assert [i.notices[0].key for i in action.items] == ["battery-low/x", "level-old/A"]


def test_a_digest_of_what_is_over_by_now_says_so() -> None:
    n = notice("cold-shortfall/site", severity="Severe")
    made = replace(notice("digest/mail", what="digest", at=NOW + HOUR), occurrence="", id="digest/mail@x")
    end = notice("cold-shortfall/site", 2, "ended", "Severe", at=NOW + 3 * HOUR)
    rows = [row(made, 2, attempts=3, error="refused"), row(end, 3)]
    action = ask(*rows, now=NOW + 4 * HOUR, members={made.id: [row(n, 1, state="gathered")]})
    assert isinstance(action, Gather)
    assert [i.over for i in action.items] == [True]


def test_a_week_old_notice_of_what_is_over_is_given_up() -> None:
    n = notice()
    assert ask(row(n), now=NOW + timedelta(days=8)) == Drop((1,), "given up after 7 days: it would help nobody now")
    assert isinstance(ask(row(n), now=NOW + timedelta(days=8), standing=(n,)), Gather)


def test_rules_come_from_channel_and_site() -> None:
    home = site(Channel("mail"), quiet=True, quiet_hours=(21, 7))
    assert Rules.of(home, home.channels[0]).quiet == (21, 7)
    assert Rules.of(home, Channel("sms", options={"quiet_hours": (23, 5), "hours": (8, 20)})).quiet == (23, 5)
    assert Rules.of(home, Channel("log")).quiet is None
    assert Rules.of(site(quiet=False), Channel("mail")).quiet is None


def test_what_may_have_arrived_keeps_its_id_and_is_never_gathered() -> None:
    died = row(notice(), attempts=1)  # no answer was ever kept: the process ended in the middle
    silent = row(notice("level-old/A"), 2, attempts=2, error="cut (it may have arrived)", next_at=NOW + HOUR)
    new = row(notice("battery-low/x"), 3)
    stand = (died.notice, silent.notice, new.notice)
    assert ask(died, silent, new, now=NOW + 9 * HOUR, standing=stand) == Send(died)
    assert ask(silent, new, now=NOW + 9 * HOUR, standing=stand) == Send(silent)
    early = ask(silent, new, now=NOW + 30 * MINUTE, standing=stand)
    assert isinstance(early, Gather)
    assert early.ids == (3,)


def test_what_may_have_arrived_is_not_sent_again_when_overtaken() -> None:
    first, second = row(notice(), attempts=1), row(notice(number=2, what="updated", at=NOW + MINUTE), 2)
    assert ask(first, second, now=NOW + MINUTE, standing=(first.notice,)) == Drop(
        (1,), "it may have arrived, and newer news of the same waits"
    )
    assert ask(first, now=NOW + MINUTE) == Drop((1,), "it may have arrived, and it is over by now")
    end = row(notice(number=2, what="ended"), 2, attempts=1)
    assert ask(end, now=NOW + 9 * HOUR) == Send(end)


def starting(n: Notice, start: datetime) -> dict[str, AlertState]:
    return {n.key: replace(active(n), facts={"start": start.isoformat()})}


@pytest.mark.parametrize(("hours", "goes"), [(1, True), (4, True), (4.9, True), (5.1, False), (30, False)])
def test_quiet_hours_do_not_hold_a_warning_past_the_hour_it_warns_of(hours: float, goes: bool) -> None:
    """02:00 there; quiet until 06:00, and an hour to act."""
    r = row(notice("cold-shortfall/site", at=NIGHT))
    action = decide([r], {}, starting(r.notice, NIGHT + hours * HOUR), QUIET, NIGHT)
    assert action == (
        Send(r) if goes else Hold((1,), MORNING, "quiet hours, or hours in which this channel is not used")
    )


def test_a_held_warning_goes_when_its_hour_moves_near_and_its_end_stays_quiet() -> None:
    reason = "quiet hours, or hours in which this channel is not used"
    r = row(notice("cold-shortfall/site", at=NIGHT), next_at=MORNING, error=reason)
    assert decide([r], {}, starting(r.notice, NIGHT + 9 * HOUR), QUIET, NIGHT) == Wait(MORNING)
    action = decide([r], {}, starting(r.notice, NIGHT + 2 * HOUR), QUIET, NIGHT)
    assert action == Send(replace(r, next_at=NIGHT))
    assert decide([r], {}, {}, QUIET, NIGHT) == Wait(MORNING)
    end = row(notice("cold-shortfall/site", 2, "ended", at=NIGHT))
    assert isinstance(decide([end], {}, starting(end.notice, NIGHT + HOUR), QUIET, NIGHT), Hold)


def test_a_calm_reminder_of_what_is_severe_is_for_those_who_take_severe_only_and_still_waits_for_the_morning() -> None:
    told = replace(QUIET, severities=("Severe",))
    calm = row(notice("cold-shortfall/site", 2, "updated", "Moderate"))
    state = replace(active(calm.notice), severity="Severe")
    assert decide([calm], {}, {state.key: state}, told, NOW) == Send(calm)
    assert isinstance(decide([calm], {}, {state.key: replace(state, severity="Moderate")}, told, NOW), Drop)
    late = row(replace(calm.notice, at=NIGHT), next_at=NIGHT)
    assert isinstance(decide([late], {}, {state.key: state}, told, NIGHT), Hold)
