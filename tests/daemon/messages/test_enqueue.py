from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.domain.farm import Alerts, Channel, Farm, Person, Units
from daemon.domain.message import Message, MessageState, QueuedMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import Task, TaskKind, send_window
from daemon.messages.outbox.enqueue import Occasion, enqueue_for_all, late_notice, mark_late
from daemon.messages.outbox.store import Outbox
from daemon.page.message_rows import message_rows
from daemon.service.health import message_problems
from daemon.words.sms import part_count
from tests.loopback.receivers import Gateway
from tests.loopback.smtp import DROP, Plan, SmtpServer
from tests.support.farms import DAWN, DAY, ZONE, farm, person

TEXT = Message("", "Two Elms: Monday: mow 20 acres.")
MAIL = Message("Mow today", "Mow 20 acres.", "<p>Mow 20 acres.</p>")
HALF_PAST = (MessageKind.parse("morning"), DAWN, DAWN + timedelta(hours=4))


@pytest.fixture
def bag(tmp_path: Path) -> Outbox:
    return Outbox(tmp_path / "postbag.sqlite3")


def words(its: Farm) -> Mapping[Person, Message]:
    return {who: TEXT if who.channel is Channel.TEXT else MAIL for who in its.alerts.people}


def two_ways(first: str, second: str) -> Farm:
    """A farm of one person, by text and then by email."""
    return farm(replace(person(address=first), second=person("Ann, second way", Channel.EMAIL, second)))


def occasion(kind: str = "morning", due: datetime = DAWN, hours: float = 4.0, urgent: bool = False) -> Occasion:
    return Occasion(due.astimezone(ZONE).date(), MessageKind.parse(kind), due, due + timedelta(hours=hours), urgent)


def rounds(bag: Outbox, its: Farm, minutes: range, start: datetime = DAWN) -> dict[int, list[tuple[str, MessageState]]]:
    """Deliver at every minute and return what was tried or came to rest at each."""
    people = (*its.alerts.people, *its.alerts.second_ways)
    tried = {at: bag.deliver(start + timedelta(minutes=at), people, late_notice(its)) for at in minutes}
    return {at: [(row.channel.value, row.state) for row in rows] for at, rows in tried.items() if rows}


def states(bag: Outbox) -> dict[str, MessageState]:
    return {row.channel.value: row.state for row in bag.recent()}


def test_a_second_way_waits_its_time_and_is_spared_when_the_first_delivers(bag: Outbox) -> None:
    with Gateway() as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        assert enqueue_for_all(bag, its, occasion(), words, DAWN) == 1
        happened = rounds(bag, its, range(60))
    assert happened == {0: [("text", MessageState.SENT)], 20: [("email", MessageState.NOT_NEEDED)]}
    assert (len(gateway.posted), server.letters) == (1, [])


@pytest.mark.parametrize("after", [5.0, 20.0, 45.0])
def test_a_second_way_goes_when_the_first_is_refused(bag: Outbox, after: float) -> None:
    with Gateway(*[500] * 20) as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        its = replace(its, alerts=replace(its.alerts, second_after=after))
        enqueue_for_all(bag, its, occasion(), words, DAWN)
        happened = rounds(bag, its, range(300))
    [went] = [minute for minute, rows in happened.items() if ("email", MessageState.SENT) in rows]
    assert went == after
    assert states(bag) == {"text": MessageState.FAILED, "email": MessageState.SENT}
    assert len(server.letters) == 1


def test_a_second_way_goes_while_the_first_is_still_tried_again_and_both_may_come(bag: Outbox) -> None:
    with Gateway(500, 500, 500, 500) as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        enqueue_for_all(bag, its, occasion(), words, DAWN)
        happened = rounds(bag, its, range(120))
    assert happened[20] == [("email", MessageState.SENT)]
    assert happened[81] == [("text", MessageState.SENT)]


@pytest.mark.parametrize("plan", [{"taken": DROP}, {"dot": DROP}])
def test_a_second_way_goes_when_it_is_unknown_whether_the_first_came(bag: Outbox, plan: Plan) -> None:
    with SmtpServer(plan, for_ever=True) as first, Gateway() as gateway:
        by_mail = person(channel=Channel.EMAIL, address=first.address())
        its = farm(replace(by_mail, second=person("Ann, second way", address=gateway.address)))
        enqueue_for_all(bag, its, occasion(), words, DAWN)
        happened = rounds(bag, its, range(60))
    assert happened == {
        0: [("email", MessageState.UNKNOWN)],
        1: [("email", MessageState.UNKNOWN)],
        20: [("text", MessageState.SENT)],
    }
    assert len({letter.name for letter in first.letters}) <= 1


def test_a_first_way_that_delivers_late_in_time_still_spares_the_second(bag: Outbox) -> None:
    with Gateway(500, 500) as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        enqueue_for_all(bag, its, occasion(), words, DAWN)
        happened = rounds(bag, its, range(60))
    assert happened[6] == [("text", MessageState.SENT)]
    assert happened[20] == [("email", MessageState.NOT_NEEDED)]


def test_more_than_is_enough_for_a_day_is_withheld_but_what_is_urgent_goes(bag: Outbox) -> None:
    with Gateway() as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        its = replace(its, alerts=replace(its.alerts, most_a_day=2))
        for number in range(4):
            enqueue_for_all(bag, its, occasion(f"change {number}"), words, DAWN)
        enqueue_for_all(bag, its, occasion("called off", urgent=True), words, DAWN)
        rounds(bag, its, range(30))
        tomorrow = replace(occasion(), day=DAY + timedelta(days=1))
        enqueue_for_all(bag, its, tomorrow, words, DAWN + timedelta(minutes=31))
        rounds(bag, its, range(31, 32))
    firsts = {f"{row.day:%d} {row.kind}": row for row in bag.recent() if row.stands_in_for is None}
    assert {kind: row.state for kind, row in firsts.items()} == {
        "01 change 0": MessageState.SENT,
        "01 change 1": MessageState.SENT,
        "01 change 2": MessageState.WITHHELD,
        "01 change 3": MessageState.WITHHELD,
        "01 called off": MessageState.SENT,
        "02 morning": MessageState.SENT,
    }
    assert len(gateway.posted) == 4
    assert server.letters == [], "what is withheld goes by no way"


def test_the_page_tells_what_was_withheld_and_spared_and_takes_neither_for_trouble(bag: Outbox) -> None:
    with Gateway() as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        its = replace(its, alerts=replace(its.alerts, most_a_day=1))
        enqueue_for_all(bag, its, occasion("morning"), words, DAWN)
        enqueue_for_all(bag, its, occasion("change"), words, DAWN)
        before = {row.what: row.state for row in message_rows(farm(), bag.recent()[:2])}
        rounds(bag, its, range(30))
    rows = bag.recent()
    assert [row.state for row in message_rows(farm(), rows)] == [
        "not sent, enough messages for one day (1 messages went that day)",
        "not needed, the first way was enough",
        "sent 5:30 am",
    ]
    assert before["Monday 1, morning"] == "waiting to see if the first way is enough"
    assert message_problems(rows, DAWN + timedelta(hours=12)) == ()


def test_what_waits_for_its_hour_is_no_trouble_until_the_hour_is_past(bag: Outbox) -> None:
    night = datetime(2026, 6, 1, 2, tzinfo=ZONE).astimezone(UTC)
    enqueue_for_all(bag, farm(person()), occasion(due=night, hours=8), words, night)
    assert message_problems(bag.recent(), night + timedelta(hours=3, minutes=29)) == ()
    assert len(message_problems(bag.recent(), night + timedelta(hours=3, minutes=31))) == 1


def local(text: str, zone: ZoneInfo = ZONE, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold).astimezone(UTC)


QUIET = [
    ("2026-06-01T20:59", "2026-06-01T20:59"),
    ("2026-06-01T21:00", "2026-06-02T05:00"),
    ("2026-06-01T23:59", "2026-06-02T05:00"),
    ("2026-06-02T00:00", "2026-06-02T05:00"),
    ("2026-06-02T04:59", "2026-06-02T05:00"),
    ("2026-06-02T05:00", "2026-06-02T05:00"),
    ("2026-03-07T22:00", "2026-03-08T05:00"),  # the hour from 2:00 on is left out: six hours, not seven
    ("2026-03-08T01:59", "2026-03-08T05:00"),
    ("2026-10-31T22:00", "2026-11-01T05:00"),  # the hour from 1:00 on comes twice: eight hours
    ("2026-11-01T01:30", "2026-11-01T05:00"),
    ("2026-12-31T22:00", "2027-01-01T05:00"),
]


@pytest.mark.parametrize(("now", "goes"), QUIET)
def test_nothing_goes_out_in_the_quiet_hours(bag: Outbox, now: str, goes: str) -> None:
    made, wanted = local(now), local(goes)
    with Gateway() as gateway:
        its = farm(person(address=gateway.address))
        enqueue_for_all(bag, its, occasion(due=made, hours=12), words, made)
        [row] = bag.recent()
        assert row.next_try == wanted
        if wanted > made:
            assert bag.deliver(wanted - timedelta(microseconds=1), its.alerts.people) == ()
        assert len(bag.deliver(wanted, its.alerts.people)) == 1


def test_the_night_of_a_clock_change_is_as_long_as_it_is() -> None:
    assert local("2026-03-08T05:00") - local("2026-03-07T22:00") == timedelta(hours=6)
    assert local("2026-11-01T05:00") - local("2026-10-31T22:00") == timedelta(hours=8)


@pytest.mark.parametrize(("fold", "waits"), [(0, 30), (1, 0)])
def test_quiet_hours_that_end_in_the_hour_that_comes_twice_end_at_its_first_time(
    bag: Outbox, fold: int, waits: int
) -> None:
    its = farm(person())
    its = replace(its, alerts=replace(its.alerts, quiet_until=time(1, 30)))
    now = local("2026-11-01T01:00", fold=fold)
    enqueue_for_all(bag, its, occasion(due=now, hours=12), words, now)
    assert bag.recent()[0].next_try == now + timedelta(minutes=waits)


def test_quiet_hours_that_end_in_the_hour_that_is_left_out_end_as_by_the_old_clock(bag: Outbox) -> None:
    its = farm(person())
    its = replace(its, alerts=replace(its.alerts, quiet_until=time(2, 30)))
    now = local("2026-03-08T01:45")
    enqueue_for_all(bag, its, occasion(due=now, hours=12), words, now)
    assert bag.recent()[0].next_try == now + timedelta(minutes=45)


def test_no_second_try_and_no_second_way_falls_in_the_quiet_hours(bag: Outbox) -> None:
    due = local("2026-06-01T20:50")
    with Gateway(*[500] * 20) as gateway, SmtpServer() as server:
        its = two_ways(gateway.address, server.address())
        enqueue_for_all(bag, its, occasion("change", due, hours=12), words, due)
        happened = rounds(bag, its, range(600), due)
    assert [minute for minute in happened if minute < 10] == [0, 1, 6]
    assert (len(gateway.posted), server.letters) == (3, [])
    assert states(bag) == {"text": MessageState.FAILED, "email": MessageState.FAILED}
    assert all("too late" in row.reason or "500" in row.reason for row in bag.recent())


def alerts(evening: time, quiet_from: time) -> Alerts:
    return replace(farm().alerts, evening=evening, quiet_from=quiet_from)


@pytest.mark.parametrize(
    ("evening", "quiet_from"),
    [(time(21), time(21)), (time(21, 30), time(21, 30)), (time(23, 59), time(23, 59)), (time(18), time(21))],
)
def test_an_evening_message_goes_at_its_hour_though_the_quiet_hours_begin_then(
    bag: Outbox, evening: time, quiet_from: time
) -> None:
    its = replace(farm(person()), alerts=replace(alerts(evening, quiet_from), people=(person(),)))
    due, closes = send_window(Task(TaskKind.EVENING, DAY), its.alerts, ZONE)
    at = due + timedelta(seconds=40)
    enqueue_for_all(bag, its, Occasion(DAY, MessageKind.parse("evening"), due, closes), words, at)
    [row] = bag.recent()
    assert row.next_try == at
    assert row.expires_at >= at


def test_a_late_text_says_when_it_was_written_and_stays_in_two_parts(bag: Outbox) -> None:
    with Gateway(500, 500, 500) as gateway:
        its = farm(person(address=gateway.address))
        made = local("2026-06-01T07:12")
        enqueue_for_all(bag, its, Occasion(DAY, *HALF_PAST), words, made)
        rounds(bag, its, range(30), made)
    said = [each["message"] for each in gateway.posted]
    assert said == [f"Late, written 7:12 am. {TEXT.body}"] * 4
    assert all(part_count(each) <= 2 for each in said)


def test_a_message_is_not_called_late_for_a_quarter_of_an_hour(bag: Outbox) -> None:
    say = late_notice(farm())
    with Gateway() as gateway:
        enqueue_for_all(bag, farm(person(address=gateway.address)), occasion(), words, DAWN)
    [row] = bag.recent()
    assert say(row, DAWN + timedelta(minutes=14, seconds=59)).body == TEXT.body
    assert say(row, DAWN + timedelta(minutes=15)).body == f"Late, written 5:30 am. {TEXT.body}"
    metric = late_notice(farm(units=Units.METRIC))
    assert metric(row, DAWN + timedelta(minutes=15)).body.startswith("Late, written 5:30. ")


def test_a_late_email_says_so_in_its_subject_and_first_of_all_in_its_words(bag: Outbox) -> None:
    with SmtpServer() as server:
        its = farm(person(channel=Channel.EMAIL, address=server.address()))
        enqueue_for_all(bag, its, Occasion(DAY, *HALF_PAST), words, local("2026-06-01T07:12"))
        rounds(bag, its, range(1), local("2026-06-01T07:12"))
    [letter] = (taken.letter for taken in server.letters)
    assert letter["Subject"] == "Late: Mow today"
    plain, rich = letter.iter_parts()
    assert plain.get_content().splitlines() == ["Late, written 7:12 am.", "", "Mow 20 acres."]
    assert "<body><p><strong>Late, written 7:12 am.</strong></p><p>Mow 20 acres.</p></body>" in rich.get_content()


@pytest.mark.parametrize("length", range(270, 310, 3))
def test_a_late_text_is_cut_at_a_sentence_and_says_that_there_is_more(length: int) -> None:
    begin = "Two Elms: mow 20 acres of Long Meadow, start 8:00 am. Odds 8 in 10. "
    sentence = "Then 10 acres of Creek, start 10:30 am. "
    body = (begin + sentence * 10)[:length].rstrip() + "."
    said = mark_late(Message("", body), "Late, written 7:12 am.").body
    assert part_count(said) <= 2
    whole = f"Late, written 7:12 am. {body}"
    if part_count(whole) <= 2:
        assert said == whole
    else:
        kept = said.removesuffix(" More on the page.")
        assert whole.startswith(kept)
        assert kept.endswith("10:30 am.")


def test_a_text_of_one_endless_sentence_is_cut_where_it_must_be() -> None:
    said = mark_late(Message("", "x[" * 200), "Late, written 7:12 am.").body
    assert part_count(said) == 2


def test_a_machine_off_over_the_hour_says_it_late_until_the_cutoff_and_no_longer(bag: Outbox) -> None:
    with Gateway(500, 500) as gateway:
        its = farm(person("Ann", address=gateway.address), person("Ben", address=gateway.address))
        enqueue_for_all(bag, its, Occasion(DAY, *HALF_PAST), words, DAWN)
        rounds(bag, its, range(1))  # refused, then off
        still = rounds(bag, farm(its.alerts.people[0]), range(240, 241))
    assert sorted(still[240]) == [
        ("text", MessageState.FAILED),
        ("text", MessageState.SENT),
    ]  # Ben is not in these settings
    assert [each["message"] for each in gateway.posted][2:] == [f"Late, written 5:30 am. {TEXT.body}"]


def test_what_waited_when_the_machine_went_off_is_not_sent_after_the_cutoff_and_the_page_says_so(bag: Outbox) -> None:
    with Gateway() as gateway:
        its = farm(person(address=gateway.address))
        enqueue_for_all(bag, its, Occasion(DAY, *HALF_PAST), words, DAWN)
        again = rounds(bag, its, range(241, 242))
    assert again == {241: [("text", MessageState.FAILED)]}
    assert gateway.posted == []
    assert message_problems(bag.recent(), DAWN + timedelta(minutes=241)) == (
        "The morning message to Ann by text: not delivered (too late to matter).",
    )


def test_posting_again_after_a_crash_adds_nothing(bag: Outbox) -> None:
    its = two_ways("json://127.0.0.1:9", "mailto://127.0.0.1:9/a@example.org?from=b@example.org&mode=insecure")
    assert enqueue_for_all(bag, its, occasion(), words, DAWN) == 1
    before: tuple[QueuedMessage, ...] = bag.recent()
    assert enqueue_for_all(bag, its, occasion(), words, DAWN + timedelta(minutes=3)) == 0
    assert bag.recent() == before
