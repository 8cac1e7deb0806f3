"""What the page says of each field: a card of it among the others, and all of it on a page of its own."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, WatchedField
from daemon.domain.prospect import Band, DryingPicture, FieldDay, FieldProspect, StandToday, reason_of
from daemon.domain.snapshot import Snapshot
from daemon.domain.underway import LYING_FOR, field_for_pictures, fields_cut_today, fields_under_way, still_to_mow
from daemon.domain.units import DAY, HOUR
from daemon.page.pictures.draw import Sheet
from daemon.page.pictures.sheets import drying_sheet, growth_sheet
from daemon.page.today import WorkRow, as_of_line, day_name_text, field_watch_lines, field_work
from daemon.words.catalog import as_sentence, join, phrase, with_aside
from daemon.words.causes import field_detail_text
from daemon.words.cautions import day_cautions
from daemon.words.field_history import field_sentences
from daemon.words.numbers import area_text, day_text, field_size_text, odds_text, time_text, whole_percents, yield_text
from daemon.words.pictures import drying_picture_text, growth_picture_text, rain_odds_text
from daemon.words.reasons import NEAR_MISS_ODDS, day_reason_text, odds_against_reason, reason_text
from daemon.words.stand import days_left_sentence, ground_text, just_cut_text, ripeness_text, stand_stage_text
from daemon.words.today import field_headline, unknown_because
from daemon.words.work import (
    hour_later_sentence,
    least_area_odds,
    left_overnight_sentence,
    odds_points_text,
    too_dry_sentence,
)

MANY_FIELDS: Final = 6  # of more, the days stand on their own pages, and those that matter in one sentence
MAX_GOOD_DAYS: Final = 3
MAX_ASKED: Final = 3  # of more, the links to answer by stand on their own pages, lest the first one grow heavy
STRONG_SUN: Final = 500.0  # [W/m2] over an hour: a clear sky but for early and late
FAIR_SUN: Final = 200.0  # [W/m2]


@dataclass(frozen=True)
class DayRow:
    """One line of a field's days: what, and when or what else; days that are alike are one line from `date` on."""

    date: date
    name: str
    what: str
    more: str = ""
    is_good: bool = False  # something can be mown and wrapped at the odds needed


@dataclass(frozen=True)
class FieldCard:
    """One field among the others: its state in sentences and its days, or `has_more_days` on a page of its own."""

    number: int  # of its own page
    name: str
    size: str
    state: tuple[str, ...]
    days: tuple[DayRow, ...]
    has_more_days: bool = False
    is_asked: bool = False  # of the first that are mown or watched today, or may lie since they were cut


@dataclass(frozen=True)
class TableRow:
    """One line of the table behind a picture."""

    name: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class PictureSection:
    """A picture on a page: its kind, its heading, the words that say the same and the table behind it."""

    kind: str
    heading: str
    words: str
    heads: tuple[str, ...]
    rows: tuple[TableRow, ...]


@dataclass(frozen=True)
class FieldPage:
    """A field with everything that is told of it."""

    card: FieldCard
    headline: str
    as_of: str  # of when it is told, where that is not of today
    diary_sentences: tuple[str, ...]  # what the diary says of it
    today: tuple[str, ...]
    cautions: tuple[str, ...]
    work: tuple[WorkRow, ...]
    pictures: tuple[PictureSection, ...]


def field_cards(snapshot: Snapshot) -> tuple[FieldCard, ...]:
    """Return every field of the last pass, those to mow first; its coming days only while they can be relied on."""
    if snapshot.morning is None:
        return ()
    fields, advised = snapshot.morning.prospect.fields, [advice.field for advice in snapshot.morning.mows]
    on = {
        *advised,
        *(one.field for one in snapshot.morning.watched),
        *(one.name for one in fields if _may_have_crop_lying(snapshot, one)),
    }
    many = len(fields) > MANY_FIELDS
    cards = [_card(snapshot, number, field) for number, field in enumerate(fields, start=1)]
    cards.sort(key=lambda card: advised.index(card.name) if card.name in advised else len(advised))
    asked = set([card.name for card in cards if card.name in on][:MAX_ASKED])
    return tuple(replace(_shorten_card(card) if many else card, is_asked=card.name in asked) for card in cards)


def _may_have_crop_lying(snapshot: Snapshot, field: FieldProspect) -> bool:
    """Return whether a crop may lie in a field, all of it or a part."""
    return field.standing is not None or (field.last_cut is not None and snapshot.today - field.last_cut <= LYING_FOR)


def field_page(snapshot: Snapshot, number: int) -> FieldPage | None:
    """Return the page of a field, by its place in the settings from 1 on; None if there is none."""
    fields = snapshot.morning.prospect.fields if snapshot.morning else ()
    if snapshot.morning is None or not 1 <= number <= len(fields):
        return None
    field = fields[number - 1]
    known = unknown_because(snapshot) is None and snapshot.in_season
    advice = next((one for one in snapshot.morning.advices if one.field == field.name), None)
    mows = (advice,) if known and advice is not None and advice.kind is AdviceKind.MOW else ()
    left = tuple(one for one in still_to_mow(snapshot.morning) if known and one.field == field.name)
    return FieldPage(
        card=replace(
            _card(snapshot, number, field),
            days=tuple(_row_by_now(snapshot, field, day) for day in _coming_days(snapshot, field)),
        ),
        headline=field_headline(snapshot, advice),
        as_of=as_of_line(snapshot),
        diary_sentences=tuple(field_sentences(field, snapshot.farm.units)),
        today=(
            *field_watch_lines(snapshot, field.name),
            *(words for one in left for words in _work_sentences(snapshot, one)),
        ),
        cautions=day_cautions(mows, snapshot.farm.units),
        work=tuple(field_work(snapshot, field.name)) if known else (),
        pictures=tuple(_picture_sections(snapshot, field)) if known else (),
    )


def field_sheet(snapshot: Snapshot, number: int, kind: str) -> Sheet | None:
    """Return what is drawn of a field, "drying" or "growth"; None where nothing is known of it."""
    fields = snapshot.morning.prospect.fields if snapshot.morning else ()
    if not 1 <= number <= len(fields) or unknown_because(snapshot) is not None or not snapshot.in_season:
        return None
    field = fields[number - 1]
    if snapshot.morning is None or kind == "growth":
        return growth_sheet(field, snapshot.today)
    return drying_sheet(snapshot.farm, field_for_pictures(snapshot.morning, field))


def drying_section(snapshot: Snapshot, field: FieldProspect) -> PictureSection | None:
    """Return the picture of a field's drying, None where nothing is known of it."""
    shown = field.drying_picture
    if shown is None or drying_sheet(snapshot.farm, field) is None:
        return None
    return PictureSection(
        "drying",
        phrase("picture.title_drying", field=field.name, day=day_text(shown.date)),
        drying_picture_text(snapshot.farm, field),
        tuple(phrase(f"picture_heads.{name}") for name in ("hour", "water", "rain", "sun")),
        tuple(_drying_rows(snapshot, shown)),
    )


def _picture_sections(snapshot: Snapshot, field: FieldProspect) -> Iterator[PictureSection]:
    drying = None if snapshot.morning is None else drying_section(snapshot, field_for_pictures(snapshot.morning, field))
    if drying is not None:
        yield drying
    if growth_sheet(field, snapshot.today) is not None:
        heads = tuple(phrase(f"picture_heads.{name}") for name in ("day", "fibre", "ripe"))
        rows = tuple(
            TableRow(day_name_text(day.date, snapshot.today), (_fibre_range_text(day.ndf), ripeness_text(day.ripeness)))
            for day in _coming_days(snapshot, field)
        )
        heading = phrase("picture.title_growth", field=field.name)
        yield PictureSection("growth", heading, growth_picture_text(snapshot.farm, field), heads, rows)


def _drying_rows(snapshot: Snapshot, picture: DryingPicture) -> Iterator[TableRow]:
    for at, (water, rain, sun) in enumerate(zip(picture.water, picture.rain, picture.sun, strict=True), start=1):
        low, mid, high = whole_percents(water.low, water.mid, water.high) if water else ("", "", "")
        wet = phrase("picture.range", middle=mid, low=low, high=high) if water else phrase("picture.standing")
        name = time_text(picture.begins + at * HOUR, snapshot.farm.units)
        yield TableRow(name, (wet, rain_odds_text(rain), _sun_text(sun)))


def _sun_text(sun: float) -> str:
    """Return how strongly the sun shines in an hour, from its mean [W/m2]; the limits are estimates."""
    return phrase("picture.strong" if sun >= STRONG_SUN else "picture.fair" if sun >= FAIR_SUN else "picture.weak")


def _work_sentences(snapshot: Snapshot, advice: Advice) -> list[str]:
    """Return what is told of the work in a field that is to be mown."""
    day, farm = advice.day, snapshot.farm
    if day is None:
        return []
    sure = as_sentence(phrase("page_today.odds", odds=odds_points_text(day, farm))) if day.curve else ""
    return [
        words
        for words in (
            sure,
            hour_later_sentence(day, farm),
            too_dry_sentence(day, farm),
            left_overnight_sentence(day.plan, farm) if day.plan else "",
        )
        if words
    ]


def _card(snapshot: Snapshot, number: int, field: FieldProspect) -> FieldCard:
    days = [_row_by_now(snapshot, field, day, least_odds=NEAR_MISS_ODDS) for day in _coming_days(snapshot, field)]
    state = _state_sentences(snapshot, field)
    return FieldCard(
        number, field.name, field_size_text(field.area, snapshot.farm.units), state, tuple(_merge_alike(snapshot, days))
    )


def _coming_days(snapshot: Snapshot, field: FieldProspect) -> list[FieldDay]:
    """Return the days of a field that are still to come, none while they cannot be relied on."""
    return [day for day in field.days if day.date >= snapshot.today] if unknown_because(snapshot) is None else []


def _shorten_card(card: FieldCard) -> FieldCard:
    """Return a card with one sentence on the first days on which something can be mown, else on the first ones."""
    kept = [row for row in card.days if row.is_good][:MAX_GOOD_DAYS] or list(card.days[:1])
    told = join((with_aside(row.name, row.what) for row in kept), by="lists.apart")
    return replace(card, state=(*card.state, as_sentence(told)), days=(), has_more_days=bool(card.days))


def _merge_alike(snapshot: Snapshot, rows: Iterable[DayRow]) -> Iterator[DayRow]:
    """Yield the rows with days that follow one another and are alike drawn together."""
    for _, alike in groupby(enumerate(rows), key=lambda pair: _likeness_key(*pair)):
        found = [row for _, row in alike]
        first, last = found[0], found[-1]
        if first is last:
            yield first
        else:
            name = phrase("page_field.days_to", first=first.name, last=_last_day_text(snapshot, last))
            yield replace(first, name=name)


def _likeness_key(at: int, row: DayRow) -> tuple[object, ...]:
    return row.what, row.more, row.date - at * DAY


def _last_day_text(snapshot: Snapshot, row: DayRow) -> str:
    return phrase("time.tomorrow") if (row.date - snapshot.today).days == 1 else day_text(row.date)


def _state_sentences(snapshot: Snapshot, field: FieldProspect) -> tuple[str, ...]:
    notes = tuple(one.notes for one in snapshot.farm.fields if one.name == field.name and one.notes)
    stand = field.stand
    if field.unknown is not None or stand is None:
        # What ails all fields is told once, under Trouble.
        reason = reason_of(field.unknown)
        shared = snapshot.morning is not None and reason is reason_of(snapshot.morning.prospect.trouble)
        detail = "" if shared else field_detail_text(field, snapshot.farm.units)
        return (phrase("page_field.unknown", reason=with_aside(reason_text(reason), detail)), *notes)
    words = as_sentence(ground_text(field))
    last = (*([words] if words else []), *notes)
    if cut := just_cut_text(field, snapshot.today):
        return (as_sentence(cut), *last)
    return (
        as_sentence(join([ripeness_text(stand.ripeness), stand_stage_text(stand)])),
        _fibre_sentence(stand),
        days_left_sentence(stand),
        phrase("page_field.crop", crop=yield_text(stand.dry_matter.mid, snapshot.farm.units)),
        *last,
    )


def _fibre_sentence(stand: StandToday) -> str:
    """Return how ripe a stand is by its fibre, and at how much it is to be cut."""
    low, middle, high = (f"{end:.0f}" for end in (stand.ndf.low, stand.ndf.mid, stand.ndf.high))
    return phrase("page_field.fibre_aim", low=low, middle=middle, high=high, aim=f"{stand.ndf_target:.0f}")


def _fibre_range_text(band: Band) -> str:
    low, middle, high = (f"{end:.0f}" for end in (band.low, band.mid, band.high))
    return phrase("picture.range", middle=middle, low=low, high=high)


def _row_by_now(snapshot: Snapshot, field: FieldProspect, day: FieldDay, least_odds: float = 0.0) -> DayRow:
    """Return a day of a field as a line, today as it stands by now."""
    if snapshot.morning is None or day.date != snapshot.today:
        return _day_row(snapshot, day, least_odds)
    cut = next((one for one in fields_cut_today(snapshot.morning) if one.field == field.name), None)
    if cut is not None:
        return _cut_row(snapshot, day, cut)
    mown = next((one.day for one in still_to_mow(snapshot.morning) if one.field == field.name), None)
    return _day_row(snapshot, mown if mown and field.name in fields_under_way(snapshot.morning) else day, least_odds)


def _cut_row(snapshot: Snapshot, day: FieldDay, cut: WatchedField) -> DayRow:
    what = phrase("page_field.cut", size=field_size_text(cut.area, snapshot.farm.units))
    sure = odds_text(cut.odds) if cut.odds is not None else ""
    at = cut.bale_from and time_text(cut.bale_from.astimezone(snapshot.farm.place.timezone), snapshot.farm.units)
    more = phrase("page_field.bale", bale=at) if at else ""
    return DayRow(day.date, day_name_text(day.date, snapshot.today), join([what, sure]), more, True)


def _day_row(snapshot: Snapshot, day: FieldDay, least_odds: float = 0.0) -> DayRow:
    """Return a day as a line; odds of a day that will not do are told from the least ones on that are worth a line."""
    units, name = snapshot.farm.units, day_name_text(day.date, snapshot.today)
    if day.area > 0:
        after = phrase("page_field.after", field=day.place.after) if day.place.after else ""
        start = phrase("page_field.start", start=time_text(day.plan.start, units)) if day.plan else ""
        bale = phrase("page_field.bale", bale=time_text(day.plan.bale_from, units)) if day.plan else ""
        sure = odds_text(day.odds) if day.odds is not None else ""
        return DayRow(day.date, name, join([area_text(day.area, units), sure]), join([after, start, bale]), True)
    what = phrase("page_field.nothing", reason=day_reason_text(day.reason, day))
    chance = least_area_odds(day, snapshot.farm)
    if chance is None or chance.odds < least_odds or odds_against_reason(day.reason, day) is not None:
        return DayRow(day.date, name, what)
    return DayRow(
        day.date,
        name,
        what,
        phrase("page_field.would_be", area=area_text(chance.area, units), odds=odds_text(chance.odds)),
    )
