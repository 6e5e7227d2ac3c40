"""What to do with the notices that wait for one channel, and why. Pure: rows, alert states and the time go in.

Notices go one by one as they come. Those that had to wait (a channel that failed, quiet hours) go as one digest
of where things stand; what began and ended meanwhile raises no stale alarm.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.model.alert import AlertState, Notice
from monitor.model.site import Channel, Site
from monitor.notify.digest import Item
from monitor.notify.retry import GIVE_UP_S
from monitor.notify.row import OutboxRow

LATE = timedelta(minutes=10)  # a notice that waited longer is no news any more, but part of the picture
LONGEST_WAIT = timedelta(hours=26)
FLOOD = 3  # more at once than this go as one
URGENT = {"Severe", "Extreme"}
TO_ACT = timedelta(hours=1)  # a warning of what begins this soon after quiet hours would come too late in the morning
HELD = "quiet hours, or hours in which this channel is not used"
Hours = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Rules:
    """When and what a channel takes. Hours are of the local clock, first included, last not; None = always."""

    timezone: str
    severities: tuple[str, ...] = ()
    urgencies: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    hours: Hours | None = None
    quiet: Hours | None = None

    @classmethod
    def of(cls, site: Site, channel: Channel) -> Rules:
        """Return the rules of `channel`: its own, else the site's."""
        quiet = channel.options.get("quiet_hours")
        if quiet is None and channel.name != "log" and site.settings.get("alerts.quiet", True):
            quiet = site.settings.get("alerts.quiet_hours", (22, 6))
        return cls(
            site.timezone, tuple(channel.severities), tuple(channel.options.get("urgencies") or ()),
            tuple(channel.options.get("kinds") or ()), channel.options.get("hours"), quiet,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Send:
    """Try this row now."""

    row: OutboxRow


@dataclass(frozen=True, slots=True)
class Drop:
    """These rows need not go out any more."""

    ids: tuple[int, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Hold:
    """These rows wait until then."""

    ids: tuple[int, ...]
    until: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class Gather:
    """These rows go out as one digest of these items."""

    ids: tuple[int, ...]
    items: tuple[Item, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Wait:
    """Nothing to do before then; None = until something new comes."""

    until: datetime | None


Action = Send | Drop | Hold | Gather | Wait


@dataclass(slots=True)
class _Sorted:
    free: list[OutboxRow] = field(default_factory=list)
    held: dict[datetime, list[int]] = field(default_factory=dict)


def decide(
    rows: Sequence[OutboxRow],
    members: Mapping[str, Sequence[OutboxRow]],
    states: Mapping[str, AlertState],
    rules: Rules,
    now: datetime,
) -> Action:
    """Return the next thing to do for one channel. `members` are the rows behind each digest that waits."""
    waiting = sorted(rows, key=lambda r: (r.notice.at, r.id))
    old = [r.id for r in waiting if (now - r.notice.at).total_seconds() > GIVE_UP_S and not _stands(r.notice, states)]
    if old:
        return Drop(tuple(old), "given up after 7 days: it would help nobody now")
    for row in waiting:
        why = not_for(row, rules, states)
        if why:
            return Drop((row.id,), why)
    bypass = [r for r in waiting if r.notice.bypass or r.notice.what == "test"]
    ready = [r for r in bypass if _due(r, now)]
    if ready:
        return Send(ready[0])
    sorted_ = _hours(waiting, members, states, rules, now)
    for until, ids in sorted_.held.items():
        fresh = tuple(i for i in ids if _row(waiting, i).next_at < until)
        if fresh:
            return Hold(fresh, until, HELD)
    return _among(sorted_.free, waiting, members, states, now)


def _due(row: OutboxRow, now: datetime) -> bool:
    """Whether to try it now. A wait beyond any that we set comes from a clock that was wrong then."""
    return row.next_at <= now or row.next_at > now + LONGEST_WAIT


def _stands(notice: Notice, states: Mapping[str, AlertState]) -> bool:
    state = states.get(notice.key)
    return bool(notice.occurrence) and state is not None and state.occurrence == notice.occurrence


def _row(rows: Iterable[OutboxRow], row_id: int) -> OutboxRow:
    return next(r for r in rows if r.id == row_id)


def not_for(row: OutboxRow, rules: Rules, states: Mapping[str, AlertState]) -> str:
    """Return why the row is not for this channel, "" where it is.

    A reminder is calm, so as to wake nobody; it is for whom the alert is for: by the worst that was told of it.
    """
    notice = row.notice
    if row.forced or notice.bypass or notice.what in {"test", "digest"}:
        return ""
    told = {notice.severity} | ({states[notice.key].severity} if _stands(notice, states) else set())
    if rules.severities and not told & set(rules.severities):
        return f"this channel takes {', '.join(rules.severities)} only"
    if rules.urgencies and notice.urgency not in rules.urgencies and notice.what != "ended":
        return f"this channel takes {', '.join(rules.urgencies)} only"
    kind = notice.key.split("/", 1)[0]
    if rules.kinds and kind not in rules.kinds:
        return f"this channel takes {', '.join(rules.kinds)} only"
    return ""


def urgent(notice: Notice) -> bool:
    """Return whether the notice may break into quiet hours: severe, and not merely the end of something."""
    return notice.bypass or notice.what == "test" or (notice.severity in URGENT and notice.what != "ended")


def _begins(row: OutboxRow, members: Mapping[str, Sequence[OutboxRow]], states: Mapping[str, AlertState]) -> datetime:
    """Return when the first thing begins that the row warns of and that still stands; far off where nothing does."""
    behind = members.get(row.notice.id, ()) if row.notice.what == "digest" else (row,)
    found = datetime.max.replace(tzinfo=UTC)
    for notice in (r.notice for r in behind):
        text = states[notice.key].facts.get("start") if _stands(notice, states) else None
        if notice.what != "ended" and isinstance(text, str):
            with contextlib.suppress(ValueError):
                start = datetime.fromisoformat(text)
                found = min(found, start if start.tzinfo else start.replace(tzinfo=UTC))
    return found


def _hours(
    waiting: Sequence[OutboxRow],
    members: Mapping[str, Sequence[OutboxRow]],
    states: Mapping[str, AlertState],
    rules: Rules,
    now: datetime,
) -> _Sorted:
    found = _Sorted()
    quiet_end = _end_of(rules.quiet, rules.timezone, now)
    closed_end = _end_of(_outside(rules.hours), rules.timezone, now)
    for row in waiting:
        if row.notice.bypass or row.notice.what == "test":
            continue
        until = None if row.forced else closed_end
        too_late = quiet_end is not None and _begins(row, members, states) < quiet_end + TO_ACT
        if quiet_end is not None and not urgent(row.notice) and not too_late:
            until = quiet_end if until is None else max(until, quiet_end)
        if until is None:
            held = row.error.startswith(HELD) and row.next_at > now  # what held it holds no more
            found.free.append(replace(row, next_at=now) if held else row)
        else:
            found.held.setdefault(until, []).append(row.id)
    return found


def _outside(hours: Hours | None) -> Hours | None:
    return None if hours is None or hours[0] % 24 == hours[1] % 24 else (hours[1] % 24, hours[0] % 24)


def _end_of(hours: Hours | None, timezone: str, now: datetime) -> datetime | None:
    """Return when the stretch of local hours that `now` lies in ends; None where it lies in none."""
    if hours is None or hours[0] % 24 == hours[1] % 24:
        return None
    first, last = hours[0] % 24, hours[1] % 24
    local = now.astimezone(ZoneInfo(timezone))
    inside = first <= local.hour < last if first < last else local.hour >= first or local.hour < last
    if not inside:
        return None
    end = local.replace(hour=last, minute=0, second=0, microsecond=0)
    if last <= local.hour:
        end = (end + timedelta(days=1)).replace(hour=last)
    return max(end.astimezone(now.tzinfo), now + timedelta(minutes=1))


def _among(
    free: list[OutboxRow],
    waiting: Sequence[OutboxRow],
    members: Mapping[str, Sequence[OutboxRow]],
    states: Mapping[str, AlertState],
    now: datetime,
) -> Action:
    """Decide among the rows that no hours hold back."""
    unsure = [r for r in free if r.unsure]
    for row in unsure:
        why = _overtaken(row, free, states)
        if why:
            return Drop((row.id,), why)
    again = [r for r in unsure if _due(r, now)]
    if again:
        return Send(again[0])
    free = [r for r in free if not r.unsure]
    ready = [r for r in free if _due(r, now)]
    if not ready:
        return Wait(min((r.next_at for r in waiting), default=None))
    late = any(now - r.notice.at > LATE and r.notice.what != "digest" for r in ready)
    if not late and len(ready) <= FLOOD and not (len(free) > 1 and any(r.notice.what == "digest" for r in free)):
        return Send(min(ready, key=lambda r: (not urgent(r.notice), r.notice.at, r.id)))
    if len(free) == 1 and free[0].notice.what in {"ended", "digest"}:
        return Send(free[0])
    orphans = [r for r in ready if r.notice.what == "digest" and not members.get(r.notice.id)]
    if orphans:
        return Send(orphans[0])
    everything: list[OutboxRow] = []
    for row in free:
        everything += members.get(row.notice.id, ()) if row.notice.what == "digest" else [row]
    items = standing(everything, states)
    ids = tuple(r.id for r in free)
    if not items:
        return Drop(ids, "it began and ended before it could be told, and was not severe")
    return Gather(ids, items, "it waited" if late else "many at once")


def _overtaken(row: OutboxRow, free: Sequence[OutboxRow], states: Mapping[str, AlertState]) -> str:
    """Return why a row that may have arrived need not be sent again, "" where it must."""
    notice = row.notice
    if not notice.occurrence or notice.what == "ended":
        return ""
    if any(r.notice.occurrence == notice.occurrence and (r.notice.at, r.id) > (notice.at, row.id) for r in free):
        return "it may have arrived, and newer news of the same waits"
    return "" if _stands(notice, states) else "it may have arrived, and it is over by now"


def standing(rows: Sequence[OutboxRow], states: Mapping[str, AlertState]) -> tuple[Item, ...]:
    """Return one item for each occurrence among `rows`: how it stands now, in the order in which it began.

    Nothing is said of what began and ended unheard, unless it was severe.
    """
    by_occurrence: dict[str, list[Notice]] = {}
    for row in sorted(rows, key=lambda r: (r.notice.at, r.id)):
        by_occurrence.setdefault(row.notice.occurrence or row.notice.id, []).append(row.notice)
    items = []
    for notices in by_occurrence.values():
        last = notices[-1]
        active = _stands(last, states)
        over = not active and bool(last.occurrence)
        unheard = notices[0].what == "raised"
        if over and unheard and not any(n.severity in URGENT for n in notices):
            continue
        items.append(Item(tuple(notices), over))
    return tuple(items)
