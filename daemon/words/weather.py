"""How old the weather is and what it is worth, in words."""

from daemon.domain.prospect import WeatherFacts
from daemon.words.catalog import counted, said


def weather_line(weather: WeatherFacts) -> str:
    """Return how old the weather is and what it is worth.

    Hours of a record are known: a pass over them is a rehearsal, not a forecast.
    """
    if weather.known:
        return said("weather.recorded")
    age, forecasts = counted("time.hours", f"{weather.age_hours:.0f}"), counted("weather.forecasts", weather.members)
    return said("weather.drawn" if weather.synthetic else "weather.age", age=age, forecasts=forecasts)
