"""What the page may have to show, from a good morning to none, for the browser to be shown."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.farm import Channel, Farm, Units
from daemon.domain.field_history import CutHistory, FieldHistory
from daemon.domain.field_watch import start_watch
from daemon.domain.message import Message, MessageState, QueuedMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.prospect import AreaOdds, FieldProspect, LeftOvernight, Reason, Ripeness, TimedCaution
from daemon.domain.snapshot import Snapshot
from daemon.service.health import take_snapshot
from models.cautions import Caution
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    farm,
    field_day,
    field_prospect,
    person,
    unknown_morning,
    wait_morning,
    with_day_changes,
)
from tests.support.full_morning import drawn_field, drawn_morning

SOON: Final = DAWN + timedelta(minutes=45)
WINTER: Final = datetime.fromisoformat("2026-12-01T12:00:00+00:00")
HOSTILE: Final = (
    "<script>document.title = 'taken'</script>",
    '"><img src=x onerror="document.title = \'taken\'">',
    "</style></title><h1>{farm} {{ farm }} %s $x^2$",
    "../../",
    "javascript:document.title='taken'",
)
LONG: Final = ("Meadow" * 20, "The long field beyond the brook and behind the old mill " * 3)


def mowing(*names: str) -> Morning:
    """Return a morning with a field to mow that has all that can be told of a day, and others under other names."""
    morning = drawn_morning()
    field = drawn_field()
    cares = tuple(
        TimedCaution(one) for one in (Caution.THUNDER_UNKNOWN, Caution.MACHINE, Caution.FAWNS, Caution.SIX_LAYERS)
    )
    left = LeftOvernight(field.days[0].ndf, 0.42)
    left = replace(left, moisture=replace(left.moisture, low=0.31, mid=0.4, high=0.53))
    first = with_day_changes(
        field.days[0], cautions=cares, if_left=left, hour_later=AreaOdds(8.0 * ACRE, 0.72), too_dry_share=0.25
    )
    field = replace(
        field,
        days=(first, *field.days[1:]),
        ground="firm",
        history=FieldHistory(CutHistory(date(2026, 4, 14), (1,), None, (), 0.0)),
    )
    fields = (field, *(replace(other(number), name=name) for number, name in enumerate(names or ("Hill", "Creek"))))
    advices = (replace(morning.advices[0], day=first), *(_waits(one) for one in fields[1:]))
    return start_watch(Morning(DAY, advices, replace(morning.prospect, fields=fields)))


def cut() -> Morning:
    """Return that morning at noon, when all of the field is noted as cut and is less sure than was said."""
    morning, at = mowing(), DAWN + timedelta(hours=7)
    stands = replace(morning.watched[0], noted=True, area=22.0 * ACRE, odds=0.55, at=at)
    return replace(morning, watched=(stands,), prospect=replace(morning.prospect, at=at))


def other(number: int) -> FieldProspect:
    """Return a field that is not for mowing today, its coming days all of different kinds."""
    reasons = (Reason.RAIN, Reason.ODDS_TOO_LOW, Reason.WILL_NOT_DRY)
    days = tuple(
        field_day(ahead, acres=0.0, odds=0.35 + 0.1 * (ahead % 3), reason=reasons[(ahead + number) % 3])
        if (ahead + number) % 2 == 0
        else field_day(ahead, acres=5.0 + ahead)
        for ahead in range(1, 15)
    )
    today = field_day(0, acres=0.0, odds=0.55, reason=Reason.RAIN)
    given = field_prospect(f"Piece {number + 1}", 9.5, today, *days, ripeness=Ripeness.RIPE)
    return replace(given, ground="soft", firm_from=DAY + timedelta(days=2))


def _waits(field: FieldProspect) -> Advice:
    return Advice(field.name, AdviceKind.WAIT, 0.0, Reason.RAIN, field.days[0])


def shown(morning: Morning | None, now: datetime = SOON, units: Units = Units.US) -> Snapshot:
    """Return a view with some messages, of which one is in trouble."""
    messages = (_posted(MessageState.SENT), _posted(MessageState.FAILED)) * 10
    return take_snapshot(_farm(morning, units), morning, messages, now)


def _farm(morning: Morning | None, units: Units) -> Farm:
    given = farm(person(), units=units)
    found = morning.prospect.fields if morning else ()
    fields = tuple(replace(given.fields[0], name=one.name, notes="Gate by the road.") for one in found)
    return replace(given, fields=fields or given.fields)


def _posted(state: MessageState) -> QueuedMessage:
    sent = DAWN if state is MessageState.SENT else None
    message = Message("", "Two Elms: Monday: mow 20 acres of Long Meadow, start 8:00 am, stop by 10:30 am.")
    return QueuedMessage(
        *(1, DAY, MessageKind.parse("morning"), "Ann", Channel.TEXT, message, state, 1, 0, DAWN, DAWN, None),
        *(DAWN + timedelta(hours=4), sent, "json://****", "no answer"),
    )


def forty() -> Morning:
    """Return a morning with forty fields, each with two weeks of which no two days are alike."""
    return mowing(*(f"Piece {number}" for number in range(2, 41)))


def six() -> Snapshot:
    """Return what takes the most room: as many fields as have all of their days on the first page."""
    return shown(mowing(*(f"Piece {number}" for number in range(2, 7))))


#: What is shown, by what it is.
SCREENS: Final[dict[str, Callable[[], Snapshot]]] = {
    "mowing": lambda: shown(mowing()),
    "mowing, metric": lambda: shown(mowing(), units=Units.METRIC),
    "cut": lambda: shown(cut(), DAWN + timedelta(hours=7.5)),
    "waiting": lambda: shown(wait_morning()),
    "no look yet": lambda: shown(None),
    "no weather": lambda: shown(unknown_morning()),
    "old data": lambda: shown(mowing(), DAWN + timedelta(hours=15.5)),
    "another day": lambda: shown(mowing(), DAWN + timedelta(days=1)),
    "winter": lambda: shown(None, WINTER),
    "forty fields": lambda: shown(forty()),
    "long names": lambda: shown(mowing(*LONG)),
    "hostile names": lambda: shown(mowing(*HOSTILE)),
}
