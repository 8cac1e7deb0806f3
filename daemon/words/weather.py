"""How old the weather is and what it is worth, in words."""

from daemon.domain.prospect import WeatherFacts
from daemon.words.catalog import phrase, plural


def weather_line(weather: WeatherFacts) -> str:
    """Return how old the weather is and what it is worth.

    Hours of a record are known: a pass over them is a rehearsal, not a forecast.
    """
    if weather.is_recorded:
        return phrase("weather.recorded")
    age, forecasts = plural("time.hours", f"{weather.age_hours:.0f}"), plural("weather.forecasts", weather.members)
    return phrase("weather.drawn" if weather.synthetic else "weather.age", age=age, forecasts=forecasts)
