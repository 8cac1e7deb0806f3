"""From a planned day to its cautions: what its weather, its bales and the date bring with them."""

from datetime import datetime

from daemon.domain.farm import Estimates, Farm, Traction
from daemon.domain.prospect import Ripeness, TimedCaution, WorkHours
from daemon.domain.units import HOUR
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models.cautions import BaledMoisture, Caution, CautionHours, DayOfWork, LocalFigures, rank_cautions
from models.workday import SLOTS_PER_HOUR


def cautions_of(farm: Farm, planned_day: PlannedDay, plan: WorkHours, hours: ForecastHours) -> tuple[TimedCaution, ...]:
    """Return all that is to be bewared of in a day's work, the gravest first.

    Parameters
    ----------
    farm, hours
    planned_day : PlannedDay
        The field on the day, in its place among the fields.
    plan : WorkHours
        Its hours of work.
    """
    window = planned_day.window
    first = window.slot_of(plan.start) // SLOTS_PER_HOUR
    end = max(-(-window.slot_of(plan.wrapped_by) // SLOTS_PER_HOUR), first + 1)
    block = slice(window.first_hour + first, window.first_hour + end)
    band = plan.moisture_at_baling
    moisture = BaledMoisture(band.low, band.mid, band.high)
    day = _day_of_work(
        farm, planned_day, hours, block, moisture, stemmy=planned_day.field_day.ripeness is Ripeness.PAST
    )
    begins = (window.begins + first * HOUR).astimezone(farm.place.timezone)
    own = _own_figures(farm.estimates)
    return tuple(_timed_caution(noted, begins) for noted in rank_cautions(day, own, max_count=len(Caution)))


def _own_figures(estimates: Estimates) -> LocalFigures:
    return LocalFigures(
        thunder_chance=estimates.thunder_from,
        fawns=estimates.fawns,
        nests=estimates.nests,
        killing_frost=estimates.killing_frost,
        horses_rest_at=estimates.horses_rest_at,
        horses_stop_at=estimates.horses_stop_at,
    )


def _day_of_work(
    farm: Farm, planned_day: PlannedDay, hours: ForecastHours, block: slice, moisture: BaledMoisture, *, stemmy: bool
) -> DayOfWork:
    drought_days, days_since_drought = planned_day.crop.ground.drought_on(planned_day.window.date)
    return DayOfWork(
        on=planned_day.window.date,
        latitude=farm.place.latitude,
        alfalfa_share=sum(share for kind, share in planned_day.crop.growth.species_shares.items() if kind.is_alfalfa),
        air_temperature=hours.air_temperature[:, block],
        relative_humidity=hours.humidity[:, block],
        thunder=None if hours.thunder_probability is None else hours.thunder_probability[:, block],
        moisture=moisture,
        stemmy=stemmy,
        film_wait=farm.work.wrap_within,
        drought_days=drought_days,
        days_since_drought=days_since_drought,
        horses_work=farm.work.traction is Traction.HORSES,
        horses_fed=farm.horses_fed,
        has_cows=farm.cows_kept,
    )


def _timed_caution(noted: CautionHours, begins: datetime) -> TimedCaution:
    """Return a caution with its hours on the farm's clock: the wider ones, in which a tenth of the members has it."""
    spell = noted.hours.possible if noted.hours else None
    if noted.hours is None or spell is None:
        return TimedCaution(noted.caution)
    first, end = (begins + hour * HOUR for hour in spell)
    return TimedCaution(noted.caution, first, end, noted.hours.likely is not None)
