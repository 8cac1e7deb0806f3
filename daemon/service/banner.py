"""What the service says of itself on a terminal when it starts."""

from datetime import datetime, timedelta

from daemon.domain.farm import Farm
from daemon.words.catalog import phrase
from daemon.words.numbers import weekday_time_text


def running_line(farm: Farm, address: str | None, now: datetime) -> str:
    """Return one line: that it runs, where its page is, when the next message is due and how to stop it.

    Parameters
    ----------
    farm : Farm
    address : str or None
        Of the page, None where there is none.
    now : datetime
        The time.
    """
    page = phrase("running.no_page") if address is None else phrase("running.page", address=address)
    return phrase("running.line", page=page, next=_next_message_text(farm, now))


def _next_message_text(farm: Farm, now: datetime) -> str:
    here = now.astimezone(farm.place.timezone)
    at = datetime.combine(here.date(), farm.alerts.morning, tzinfo=farm.place.timezone)
    first = at if at > here else at + timedelta(days=1)
    if first.month in farm.season:
        return phrase("running.next", when=weekday_time_text(first, farm.units))
    return phrase("running.season", month=phrase(f"months.{farm.next_season_month(first.month)}"))
