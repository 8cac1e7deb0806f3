"""What a crop loses of its dry matter while it lies: to its own breath until it is baled, and to rain after that."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.domain.prospect import FieldDay
from daemon.domain.units import HOUR
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models.losses import rain_loss, respiration_loss
from models.quality import BandSeries, Figure
from models.swath import wet_basis
from models.workday import SLOTS_PER_HOUR

Array = NDArray[np.float64]


def respiration_until_baling(planned_day: PlannedDay, field_day: FieldDay, hours: ForecastHours) -> Figure | None:
    """Return what a crop breathes away from mowing to baling.

    Parameters
    ----------
    planned_day : WorkedDay
        The field on a day, in its place among the fields.
    field_day : FieldDay
        The same with its hours of work.
    hours : ForecastHours

    Returns
    -------
    Figure or None
        Mean of strips and cases [% of DM], with the range of the rate of breathing; None where nothing is mown.

    Notes
    -----
    Departures: the strips are baled evenly between the hours shown, the same in every case, and a windrow is as moist
    as the swath. Together they come to less than a tenth of the figure, whose own range is half to twice.
    """
    if field_day.bale_from is None or field_day.wrapped_by is None:
        return None
    plan, day, window = planned_day.plan, planned_day.crop_day, planned_day.window
    mown = plan.strips_so_far.mown[plan.earlier_strips : plan.earlier_strips + plan.strip_count, 0]
    first, last = ((at - window.begins) / HOUR for at in (field_day.bale_from, field_day.wrapped_by))
    baled = first + (last - first) * (np.arange(plan.strip_count) + 0.5) / plan.strip_count
    air = hours.air_temperature[:, window.first_hour : window.first_hour + day.water.shape[0] - 1]
    water = day.water[:, mown - day.first_slot]
    return respiration_between(water, np.repeat(air.T, day.draws_per_member, axis=1), mown / SLOTS_PER_HOUR, baled)


def respiration_between(water: Array, air: Array, mown: Array, baled: Array) -> Figure:
    """Return what strips breathe away, mean of all and of all cases [% of DM].

    Parameters
    ----------
    water : array [kg/kg DM], shape (hour + 1, strip, case)
        Moisture at the ends of the hours; until a strip is mown, what it is mown with.
    air : array [degC], shape (hour, case)
    mown, baled : array [h], shape (strip,)
        From the beginning of the first hour on.

    Notes
    -----
    Each hour breathes by the mean of its moistures, the hour of mowing and that of baling for their part of it.

    Examples
    --------
    >>> wet = np.full((4, 1, 1), 4.0)  # 80 % of its weight
    >>> figure = respiration_between(wet, np.full((3, 1), 25.0), np.array([0.5]), np.array([2.0]))
    >>> round(figure.mid, 6), round(figure.high, 6)  # an hour and a half at 0.2 %
    (0.3, 0.6)
    """
    hour = np.arange(air.shape[0])[:, None]
    lying = np.clip(np.minimum(baled, hour + 1.0) - np.maximum(mown, hour), 0.0, 1.0)
    hourly = respiration_loss(wet_basis((water[:-1] + water[1:]) / 2.0), air[:, None])
    return _mean_figure(hourly, lambda each: (lying * each.mean(axis=2)).sum(axis=0).mean())


def rain_loss_after_work(
    water: Array, rain: Array, wet: NDArray[np.bool_], grass_share: float, *, work_end_hour: int
) -> Figure | None:
    """Return what the rain after the end of work takes from what lies.

    Parameters
    ----------
    water : array [kg/kg DM], shape (hour + 1, member, draw)
        Moisture of what lies at the ends of the hours.
    rain : array [mm], shape (member, hour)
    wet : array of bool, shape (member, hour)
        Hours that count as wet.
    grass_share : float
        Share of grass in the stand [1].
    work_end_hour : int
        The hour in which work ends.

    Returns
    -------
    Figure or None
        Mean of the members that have rain from then on [% of DM]; None where none has.

    Notes
    -----
    The rain of a member counts as one shower. How far the crop had dried is told by the driest it had been: dew that
    lies on it when the rain begins does not make it fresh again.
    """
    later = wet & (np.arange(wet.shape[1]) >= work_end_hour)
    members = np.flatnonzero(later.any(axis=1))
    if members.size == 0:
        return None
    driest = np.minimum.accumulate(water)[later[members].argmax(axis=1), members]
    fallen, lasting = (np.where(later, each, 0.0).sum(axis=1)[members, None] for each in (rain, later))
    return _mean_figure(rain_loss(fallen, lasting, wet_basis(driest), grass_share), np.mean)


def _mean_figure(loss: BandSeries, mean: Callable[[Array], np.floating[Any]]) -> Figure:
    low, mid, high = (float(mean(end)) for end in (loss.low, loss.mid, loss.high))
    return Figure(low, mid, high, loss.unit, loss.source)
