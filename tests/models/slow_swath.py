"""One strip of swath told slowly: one case, plain floats, hour after hour. The oracle for models/swath.py."""

from dataclasses import dataclass
from math import exp, floor

from models import coefficients as c


@dataclass(frozen=True)
class Hour:
    evaporation: float  # [mm], as the next two
    wet_evaporation: float
    rain: float
    equilibrium: float  # [kg/kg DM]
    later_day: bool = False


@dataclass(frozen=True)
class Strip:
    dry_matter: float  # [t/ha]
    density: float  # [g DM/m2]
    rate: float  # [mm-1]
    start: float  # [kg/kg DM]
    carried: float  # [mm] on the crop when it is cut
    mown: float  # [h]


def water_in(strip: Strip, hours: list[Hour]) -> list[float]:
    """Return the water in and on the strip [kg/kg DM] at the start and at the end of each hour."""
    tissue = strip.start
    surface = min(strip.carried / (0.1 * strip.dry_matter), c.SURFACE_STORE)
    water = [tissue + surface]
    for number, hour in enumerate(hours):
        share = min(max(number + 1 - strip.mown, 0.0), 1.0)
        if number >= floor(strip.mown):
            tissue, surface = after(tissue, surface, strip, hour, share)
        water.append(tissue + surface)
    return water


def after(tissue: float, surface: float, strip: Strip, hour: Hour, share: float) -> tuple[float, float]:
    kilograms = strip.density / 1000.0  # of dry matter on a square metre of swath: 1 mm is a kilogram of water
    surface = min(surface + share * hour.rain / kilograms, c.SURFACE_STORE)
    left = 1.0
    if hour.wet_evaporation < 0.0:
        left = 0.0
        surface = min(surface + share * min(-hour.wet_evaporation, c.DEW_CAP) / kilograms, c.SURFACE_STORE)
    elif hour.wet_evaporation > 0.0:
        demand = share * hour.wet_evaporation / kilograms
        dried = min(surface, demand * (surface / c.SURFACE_STORE) ** (2.0 / 3.0))
        surface -= dried
        left = 1.0 - dried / demand
    soaked = surface * (1.0 - exp(-share / c.ABSORPTION_HOURS)) if tissue < c.ABSORPTION_LIMIT else 0.0
    evaporation = max(hour.evaporation, 0.0) * left * share
    rate = strip.rate * (c.LATER_DAY_FACTOR if hour.later_day else 1.0)
    lost = (tissue - hour.equilibrium) * (1.0 - exp(-rate * evaporation))
    lost = min(lost, c.EVAPORATION_CAP * evaporation / kilograms)
    return tissue + soaked - lost, surface - soaked
