"""What is said in the day of fields that were advised to be mown: messages of a change and the page's sentences."""

from datetime import datetime
from typing import Final

from daemon.farm import Channel, Farm, Message, Person
from daemon.gsm7 import parts, plain
from daemon.outlook import Reason, Watched, WatchState
from daemon.units import area, clock_time, moisture, odds, size
from daemon.watch import is_failing, pinch
from daemon.wording import CAUTION, REASONS, SAMPLE, TEXT_PARTS, cut, email, fit, left_lying

LESS_SURE: Final = 0.1  # under the odds needed by more than this, nobody is told to be on track
SHORT_NAME: Final = 20  # characters of a field's name where the whole of it would push out what is to be done


def say_change(farm: Farm, one: Watched) -> dict[Person, Message]:
    """Return each person's message of a field that is to be baled sooner or will not make it: it goes to everybody."""
    text, mail = Message("", _text(farm, one)), _email(farm, one)
    return {person: text if person.channel is Channel.TEXT else mail for person in farm.alerts.people}


def watched_words(farm: Farm, one: Watched, now: datetime, known_at: datetime) -> str:
    """Return how a watched field stands, in sentences.

    Parameters
    ----------
    farm, one
    now : datetime
    known_at : datetime
        Of the newest look. A field that it could not reckon is never told to be on track.
    """
    if one.state is WatchState.DONE:
        return f"{one.field}: no longer watched, because it is wrapped or the working day is over."
    if one.at < known_at:
        hours = f" What was known then: {_hours(farm, one)}." if one.bale_from else ""
        return (
            f"{_lead(farm, one, one.field)}: nothing new is known since {_clock(farm, one.at)}.{hours} "
            "Go by your own eye and forecast."
        )
    return " ".join([*_pieces(farm, one, one.field), *_moisture_now(one, now)])


def _text(farm: Farm, one: Watched) -> str:
    """Return a text in which the field's name gives way to what is to be done there."""
    pieces = _pieces(farm, one, one.field)
    if parts(plain(f"{farm.name}: {' '.join(pieces[:2])}")) > TEXT_PARTS:
        pieces = _pieces(farm, one, f"{one.field[:SHORT_NAME].rstrip()}...")
    return fit(farm.name, [*pieces, SAMPLE])


def _email(farm: Farm, one: Watched) -> Message:
    words = " ".join([*_pieces(farm, one, one.field), *_moisture_now(one, one.at)])
    lead = "Stop mowing" if one.state is WatchState.WILL_NOT_MAKE_IT else "Bale sooner"
    return email(cut(f"{lead}: {one.field}"), [words, SAMPLE], [], [CAUTION])


def _pieces(farm: Farm, one: Watched, name: str) -> list[str]:
    """Return what is said of a field, piece by piece, the first two of which must not be lost."""
    lead = _lead(farm, one, name)
    if one.state is WatchState.WILL_NOT_MAKE_IT:
        return [f"{lead}: {_why_failing(farm, one)}.", *_calling_off(farm, one)]
    sure = f"{area(one.area, farm.units)}: {odds(one.odds or 0.0)} that all is wrapped tonight."
    if one.state is WatchState.BALE_SOONER:
        earlier = one.bale_said is None or one.bale_from is None or one.bale_from < one.bale_said
        do = "Bale sooner" if earlier else "Bale as soon as it is fit"
        return [f"{lead}: {_why_sooner(farm, one)}.", f"{do}: {_hours(farm, one)}.", sure]
    stands = "on track" if (one.odds or 0.0) >= farm.alerts.odds_needed - LESS_SURE else "less sure than asked for"
    return [f"{lead}: {stands}, {_hours(farm, one)}.", sure]


def _lead(farm: Farm, one: Watched, name: str) -> str:
    """Return what is held for mown of a field: what the diary tells is a fact, what was advised is not."""
    if not one.noted:
        return f"If you mowed {name}"
    when = f"at {_clock(farm, one.start)}" if one.timed else "today"
    return f"{name}, {size(one.area, farm.units)} cut {when}"


def _why_failing(farm: Farm, one: Watched) -> str:
    if not is_failing(one):
        return "mowing was called off earlier today"
    reason = one.reason or Reason.ODDS_TOO_LOW
    rain = f"rain by about {_clock(farm, one.rain_at)}" if one.rain_at else REASONS[Reason.RAIN]
    why = rain if reason is Reason.RAIN else REASONS[reason]
    said = f", {odds(one.odds_said)} was said" if one.odds_said is not None else ""
    return f"{why}; it will not all make it ({odds(one.odds or 0.0)}{said})"


def _why_sooner(farm: Farm, one: Watched) -> str:
    if one.reason is Reason.RAIN and one.rain_at is not None:
        return f"rain now stands at about {_clock(farm, one.rain_at)}"
    return "it dries faster than was said"


def _calling_off(farm: Farm, one: Watched) -> list[str]:
    """Return what to do where not all of it will be wrapped."""
    if one.at < one.start:
        return ["Stop mowing, or do not begin."]
    wrap = f"Stop mowing. Wrap what is at or under {moisture(pinch(farm))} water{_still(farm, one)}; never bale wetter."
    if one.left is None:
        return [wrap, "Leave the rest for tomorrow."]
    return [wrap, f"Leave the rest for tomorrow: {left_lying(one.left, farm)}."]


def _still(farm: Farm, one: Watched) -> str:
    return f", about {area(one.still.area, farm.units)} ({odds(one.still.odds)})" if one.still else ""


def _hours(farm: Farm, one: Watched) -> str:
    bale = f"bale from {_clock(farm, one.bale_from)}{_not_as_said(farm, one)}" if one.bale_from else ""
    rake = f"rake from {_clock(farm, one.rake_from)}" if one.rake_from else ""
    wrapped = f"all wrapped by about {_clock(farm, one.wrapped_by)}" if one.wrapped_by else ""
    return ", ".join(filter(None, (rake, bale, wrapped)))


def _not_as_said(farm: Farm, one: Watched) -> str:
    if one.state is not WatchState.BALE_SOONER or one.bale_said is None or one.bale_from is None:
        return ""
    return f" (not {_clock(farm, one.bale_said)} as said)" if one.bale_from < one.bale_said else ""


def _moisture_now(one: Watched, now: datetime) -> list[str]:
    """Return how wet the swath is, until it is to be raked: then it no longer lies there."""
    if one.moisture is None or (one.rake_from is not None and now >= one.rake_from):
        return []
    return [f"What is cut is now at about {100 * one.moisture.low:.0f} to {100 * one.moisture.high:.0f}% water."]


def _clock(farm: Farm, at: datetime) -> str:
    return clock_time(at.astimezone(farm.place.timezone), farm.units)
