"""Every sentence a farmer is sent, in trade words: the text of at most two parts and the email beside it."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, AnnouncedField, Morning
from daemon.domain.farm import Channel, Farm, Person, Subscription
from daemon.domain.message import Message
from daemon.domain.prospect import (
    Band,
    FieldDay,
    FieldProspect,
    StandToday,
    WorkHours,
    is_ripe_soon,
    reason_of,
    water_at,
)
from daemon.domain.schedule import TaskKind
from daemon.domain.season_progress import crop_progress
from daemon.messages.layout import email_message, short_subject
from daemon.words.catalog import join, phrase, plural, with_aside
from daemon.words.causes import cause_text
from daemon.words.cautions import day_cautions, official_warning_sentences, stop_work_sentences
from daemon.words.field_order import order_sentences, urgency_sentences
from daemon.words.growth import growth_doubts_text, stage_text
from daemon.words.numbers import (
    area_text,
    day_text,
    moisture_limit_text,
    moisture_text,
    odds_text,
    time_text,
    weekday_name,
    whole_percents,
    yield_text,
)
from daemon.words.reasons import day_reason_text, reason_text, trouble_sentence, waiting_text
from daemon.words.season_progress import progress_text
from daemon.words.sms import MAX_PARTS, fit_pieces, full_text, part_count
from daemon.words.stand import ground_text, ripeness_text
from daemon.words.weather import weather_line
from daemon.words.work import (
    film_text,
    hour_later_sentence,
    job_text,
    left_overnight_sentence,
    odds_points_text,
    surer_area_odds,
    too_dry_sentence,
)

AddToEmail = Callable[[Message, Farm, Morning, Person], Message]

AREA_CHANGE: Final = 0.2  # of an area, by which it differs from the evening's before that is said


def add_nothing(mail: Message, farm: Farm, morning: Morning, person: Person) -> Message:
    """Return an email as it is."""
    return mail


def compose_messages(
    farm: Farm, morning: Morning, task: TaskKind, add: AddToEmail = add_nothing
) -> dict[Person, Message]:
    """Return each person's message; nobody who has nothing to hear is in it.

    Parameters
    ----------
    farm : Farm
    morning : Morning
        The newest pass.
    task : TaskKind
        The morning's message, the evening's heads-up, or a sign of life.
    add : callable, optional
        Returns the morning's email with what is added to it for one person, such as links to answer by.
    """
    people = farm.alerts.people
    if task is TaskKind.SIGN_OF_LIFE:
        emails = [person for person in people if person.channel is Channel.EMAIL]
        in_season = morning.date.month in farm.season
        return {person: _sign_of_life_message(farm, person, in_season=in_season) for person in (*emails, *people)[:1]}
    if task is TaskKind.EVENING:
        likely = _likely_tomorrow(morning)
        return {person: _evening_message(farm, person, likely) for person in people} if likely else {}
    hears_it = [person for person in people if _is_concerned(person, morning)]
    text, mail = Message("", morning_text(farm, morning)), morning_email(farm, morning)
    return {person: text if person.channel is Channel.TEXT else add(mail, farm, morning, person) for person in hears_it}


def announcements(morning: Morning) -> tuple[AnnouncedField, ...]:
    """Return what an evening's heads-up says of tomorrow, for the next morning to be held against."""
    return tuple(AnnouncedField(name, day.area, day.odds or 0.0) for name, day in _likely_tomorrow(morning))


def changes_since_evening(farm: Farm, morning: Morning) -> list[str]:
    """Return what has changed since the evening before, in sentences."""
    mown = {advice.field: advice.area for advice in morning.mows}
    off = [one.field for one in morning.announced if one.field not in mown]
    other = [
        one for one in morning.announced if one.field in mown and abs(mown[one.field] / one.area - 1.0) > AREA_CHANGE
    ]
    told = [plural("evening.gone", len(off), fields=join(off, last="lists.and"))] if off else []
    return told + [phrase("evening.other", area=area_text(one.area, farm.units), field=one.field) for one in other]


def _likely_tomorrow(morning: Morning) -> list[tuple[str, FieldDay]]:
    """Return the fields that may be mown tomorrow."""
    return [(name, day) for name, day in _days_on(morning, morning.date + timedelta(days=1)) if day.area > 0.0]


def morning_text(farm: Farm, morning: Morning) -> str:
    """Return the morning's text in at most two parts of the GSM alphabet.

    Where it would be longer, the reminder of the sample goes first, then what stops the work, official warnings, why a
    field hurries and what has changed since the evening, and in the end the last fields are counted instead.
    """
    is_rehearsal = morning.prospect.weather and morning.prospect.weather.is_recorded
    name = phrase("text.rehearsal", farm=farm.name) if is_rehearsal else farm.name
    jobs = [_text_job(farm, advice) for advice in morning.mows]
    changed = changes_since_evening(farm, morning)
    if not jobs:
        return fit_pieces(name, [answer_sentence(morning), *changed])
    beside = [
        *changed,
        *urgency_sentences(farm, morning),
        *official_warning_sentences(farm, morning),
        *stop_work_sentences(morning.mows, farm.units),
        phrase("care.sample"),
    ]
    for kept in range(len(jobs), 0, -1):
        more = [phrase("text.more", count=len(jobs) - kept)] if kept < len(jobs) else []
        first = phrase("text.mow", day=weekday_name(morning.date), job=jobs[0])
        pieces = [first, *(phrase("text.then", job=job) for job in jobs[1:kept]), *more]
        for told in range(len(beside), -1, -1):
            tried = full_text(name, [*pieces, *beside[:told]])
            if part_count(tried) <= MAX_PARTS:
                return tried
    return fit_pieces(name, pieces)


def morning_email(farm: Farm, morning: Morning) -> Message:
    """Return the morning's email: the day's answer, then each field, then the cautions and the credit."""
    fields = {field.name: field for field in morning.prospect.fields}
    lines = [_lead_sentence(farm, morning), *(_email_job(farm, one, fields.get(one.field)) for one in morning.mows)]
    if morning.prospect.trouble is not None:
        lines.append(trouble_sentence(morning.prospect.trouble, farm.units))
    if told := [*changes_since_evening(farm, morning), *order_sentences(farm, morning)]:
        lines.append(" ".join(told))
    if morning.mows:
        aim, wettest = moisture_text(farm.baleage.aim), moisture_limit_text(farm.baleage.wettest)
        lines.append(f"{phrase('email.aim', aim=aim, wettest=wettest)} {phrase('care.sample')}")
    if going := progress_text(farm, crop_progress(morning)):
        lines.append(going)
    beware = (*official_warning_sentences(farm, morning), *day_cautions(morning.mows, farm.units))
    return email_message(_subject(farm, morning), lines, _field_lines(farm, morning), _footer(morning), beware)


def answer_sentence(morning: Morning) -> str:
    """Return the day's answer in one sentence where nothing is to be mown."""
    day = weekday_name(morning.date)
    if morning.advices and morning.is_unknown:
        reasons = sorted({reason_text(advice.reason) for advice in morning.advices})
        return phrase("answer.unknown", day=day, reasons=join(reasons, by="lists.and"))
    return phrase("answer.wait", day=day, reasons=waiting_text(morning.advices))


def _is_concerned(person: Person, morning: Morning) -> bool:
    """Return whether a person hears of this morning: mowing, called likely or advised, and trouble go to all."""
    trouble = any(advice.kind is AdviceKind.NONE for advice in morning.advices)
    if morning.mows or morning.announced or trouble:
        return True
    return person.hears is Subscription.RIPE_MORNINGS and any(is_ripe_soon(field) for field in morning.prospect.fields)


def _lead_sentence(farm: Farm, morning: Morning) -> str:
    if not morning.mows:
        return answer_sentence(morning)
    jobs = join((job_text(advice.area, advice.field, farm) for advice in morning.mows), by="lists.then")
    late = any(advice.plan and advice.plan.mow_until.hour >= 12 for advice in morning.mows)
    return phrase("email.mow_today" if late else "email.mow_forenoon", day=weekday_name(morning.date), jobs=jobs)


def _evening_message(farm: Farm, person: Person, likely: Sequence[tuple[str, FieldDay]]) -> Message:
    day = likely[0][1].date
    told = [with_aside(job_text(one.area, name, farm), odds_text(one.odds or 0.0)) for name, one in likely]
    sentence = phrase("evening.mow", day=weekday_name(day), jobs=join(told, by="lists.then"))
    if (plan := likely[0][1].plan) is not None:
        sentence += f" {phrase('evening.start', start=time_text(plan.start, farm.units))}"
    later = phrase("evening.decides")
    if person.channel is Channel.TEXT:
        return Message("", fit_pieces(farm.name, [sentence, later]))
    return email_message(
        short_subject(phrase("evening.subject", job=told[0])), [sentence, later], [], [phrase("care.caution")]
    )


def _sign_of_life_message(farm: Farm, person: Person, *, in_season: bool) -> Message:
    waits = phrase("alive.in_season" if in_season else "alive.out_of_season")
    if person.channel is Channel.TEXT:
        return Message("", fit_pieces(farm.name, [waits]))
    subject = phrase("alive.subject_in_season" if in_season else "alive.subject_out_of_season")
    return email_message(short_subject(subject), [phrase("text.whole", farm=farm.name, words=waits)], [], [])


def _subject(farm: Farm, morning: Morning) -> str:
    if morning.mows:
        first = morning.mows[0]
        much, others = area_text(first.area, farm.units), len(morning.mows) - 1
        if others:
            return short_subject(phrase("subject.mow_more", area=much, field=first.field, count=others))
        return short_subject(phrase("subject.mow", area=much, field=first.field))
    return short_subject(
        phrase("subject.unknown" if morning.is_unknown else "subject.wait", day=weekday_name(morning.date))
    )


def _text_job(farm: Farm, advice: Advice) -> str:
    (day, plan), units = _work_of(advice), farm.units
    start, stop, bale = (time_text(at, units) for at in (plan.start, plan.mow_until, plan.bale_from))
    surer = surer_area_odds(day, farm)
    more = phrase("text.surer", area=area_text(surer.area, units), odds=odds_text(surer.odds)) if surer else ""
    return phrase(
        "text.job",
        area=area_text(advice.area, units),
        field=advice.field,
        start=start,
        stop=stop,
        bale=bale,
        odds=with_aside(odds_text(day.odds or 0.0), more),
    )


def _email_job(farm: Farm, advice: Advice, field: FieldProspect | None) -> str:
    (day, plan), units = _work_of(advice), farm.units
    hours = (plan.start, plan.mow_until, plan.rake_from, plan.bale_from, plan.wrapped_by)
    start, stop, rake, bale, end = (time_text(at, units) for at in hours)
    if band := _moisture_at_raking(field, day.date, plan):
        low, high = whole_percents(band.low, band.high)
        rake = phrase("email.rake_at", time=rake, low=low, high=high)
    work = phrase(
        "email.job",
        field=advice.field,
        area=area_text(advice.area, units),
        start=start,
        stop=stop,
        rake=rake,
        bale=bale,
        wettest=moisture_limit_text(farm.baleage.wettest),
        end=end,
        bales=f"{plural('work.bales', plan.bales)}{film_text(plan)}",
        odds=odds_points_text(day, farm),
    )
    more = [hour_later_sentence(day, farm), too_dry_sentence(day, farm), left_overnight_sentence(plan, farm)]
    return " ".join([work, *(words for words in more if words)])


def _work_of(advice: Advice) -> tuple[FieldDay, WorkHours]:
    """Return the day and the hours of a field that is advised to be mown.

    Raises
    ------
    ValueError
        If it has no hours.
    """
    if advice.day is None or advice.day.plan is None:
        raise ValueError(f"{advice.field}: advised to be mown without its hours")
    return advice.day, advice.day.plan


def _moisture_at_raking(field: FieldProspect | None, day: date, plan: WorkHours) -> Band | None:
    """Return the water of the swath when it is to be raked; in the windrow it hardly dries on."""
    shown = None if field is None else field.drying_picture
    return None if shown is None or shown.date != day else water_at(shown, plan.rake_from)


def _field_lines(farm: Farm, morning: Morning) -> list[str]:
    """Return a line for each field: its state, today's reason where it waits, and its next good day."""
    waiting = {advice.field: advice for advice in morning.advices if advice.kind is not AdviceKind.MOW}
    lines = []
    for field in morning.prospect.fields:
        told = [_stand_text(field.stand, farm)] if field.stand else []
        told += [phrase("email.flat")] if field.lodged else []
        told += [ground_text(field)] if field.ground not in (None, "firm") else []
        doubts = field.stand.doubts if field.stand and field.unknown is None else ()
        told += [growth_doubts_text(doubts)] if doubts and is_ripe_soon(field) else []
        # What ails all fields is told once, above them.
        alone = morning.prospect.trouble is None or reason_of(field.unknown) is not morning.prospect.trouble.reason
        told += [_waiting_reason(farm, waiting[field.name])] if field.name in waiting and alone else []
        ahead = next((day for day in field.days if day.area > 0.0 and day.date > morning.date), None)
        if ahead is not None:
            much, sure = area_text(ahead.area, farm.units), odds_text(ahead.odds or 0.0)
            told.append(phrase("email.next", day=day_text(ahead.date), area=much, odds=sure))
        lines += [phrase("email.field", field=field.name, states=join(told, by="lists.apart"))] if told else []
    return lines


def _waiting_reason(farm: Farm, advice: Advice) -> str:
    """Return why nothing of a field is to be mown today."""
    words = day_reason_text(advice.reason, advice.day)
    if advice.kind is AdviceKind.NONE:
        return with_aside(phrase("reason.no_advice", reason=words), cause_text(advice.cause, farm.units))
    return phrase("email.today", reason=words)


def _stand_text(stand: StandToday, farm: Farm) -> str:
    """Return how ripe a field is, with what is known of its stand."""
    grown = stand.dry_matter.mid
    crop = phrase("email.crop", crop=yield_text(grown, farm.units)) if grown else ""
    return with_aside(ripeness_text(stand.ripeness), join([stage_text(stand.stage), _fibre_text(stand.ndf), crop]))


def _fibre_text(band: Band) -> str:
    if band.high - band.low < 1.0:
        return phrase("email.fibre_about", middle=f"{band.mid:.0f}")
    return phrase("email.fibre", low=f"{band.low:.0f}", high=f"{band.high:.0f}")


def _footer(morning: Morning) -> list[str]:
    weather = morning.prospect.weather
    lines = [phrase("care.caution")]
    if weather is not None:
        lines.append(phrase("email.credit", weather=weather_line(weather), credit=weather.credit))
    return lines


def _days_on(morning: Morning, day: date) -> list[tuple[str, FieldDay]]:
    found = [(field.name, one) for field in morning.prospect.fields for one in field.days if one.date == day]
    return sorted(found, key=lambda pair: pair[1].plan.start.timestamp() if pair[1].plan else 0.0)
