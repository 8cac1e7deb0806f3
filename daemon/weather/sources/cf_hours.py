"""Turn the series of a file into hours: sums and means are spread over their hours, instants interpolated."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import NP_HOUR, Hours, Refused, iso_text
from daemon.weather.derive import interpolate_hourly
from daemon.weather.sources.cf_point import MAX_FILE_STEP, CfSeries
from models.sun import extraterrestrial_radiation

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

SECOND: Final = np.timedelta64(1, "s")
EVEN_STEPS: Final = tuple(step for step in range(1, MAX_FILE_STEP + 1) if 24 % step == 0)  # [h] that divide a day


@dataclass(frozen=True)
class HourlySeries:
    """Consecutive hours: their labels, values of shape (member, hour) and the file's own step of each [h]."""

    time: Hours
    values: Array
    step: Counts
    origin: str

    def values_at(self, time: Hours, members: int) -> Array:
        """Return the values at other hours, shape (members, hour), NaN where there is none."""
        values = np.full((members, time.size), np.nan)
        where = (self.time - time[0]) // NP_HOUR
        inside = (where >= 0) & (where < time.size)
        values[:, where[inside]] = self.values[:, inside]
        return values


@dataclass(frozen=True)
class StepSums:
    """Sums of consecutive steps: their bounds, and values of shape (member, step)."""

    name: str
    begin: Hours
    end: Hours
    values: Array


def hours_from_instants(series: CfSeries) -> HourlySeries:
    """Interpolate values of instants to every hour."""
    label = series.axis.labels
    steps = _label_steps(series)
    if (steps == 1).all():
        return HourlySeries(label, series.values, np.ones(label.size, dtype=np.int64), "native")
    time = np.arange(label[0], label[-1] + NP_HOUR, NP_HOUR)
    values = np.stack([interpolate_hourly(label, member, time) for member in series.values])
    lies_in = steps[np.clip(np.searchsorted(label, time) - 1, 0, None)]
    return HourlySeries(time, values, lies_in, "interpolated")


def hours_from_maxima(series: CfSeries) -> HourlySeries:
    """Repeat the maximum of a step in each of its hours."""
    steps = _label_steps(series)
    each = np.concatenate([steps[:1], steps])
    time = np.arange(series.axis.end[0] - (each[0] - 1) * NP_HOUR, series.axis.end[-1] + NP_HOUR, NP_HOUR)
    return HourlySeries(time, np.repeat(series.values, each, axis=1), np.repeat(each, each), _origin(steps))


def _label_steps(series: CfSeries) -> Counts:
    """Return the steps between labels [h]; a model's steps only grow with lead time, so one that shrinks was a gap."""
    label = series.axis.labels
    steps = np.diff(label) // NP_HOUR
    if (label != label.astype("datetime64[h]")).any() or label.size < 2:
        raise Refused(
            f"{series.name}: allowed two whole hours or more in UTC, given {iso_text(label[0])} and what follows"
        )
    if (np.diff(steps) < 0).any():
        raise Refused(f"{series.name} lacks hours before {iso_text(label[1 + int(np.argmax(np.diff(steps) < 0))])}")
    return steps


def _origin(steps: Counts) -> str:
    return "native" if (steps == 1).all() else "interpolated"


def step_sums(series: CfSeries, fall: float) -> StepSums:
    """Return the sums of consecutive steps, from sums of each step or running sums since the start of the run.

    Parameters
    ----------
    series : CfSeries
        Sums, or rates.
    fall : float
        By how much packing can make a running sum decrease, in the unit of the sums.

    Returns
    -------
    StepSums
        NaN where a sum is unknown or decreases by more.

    Raises
    ------
    Refused
        When there is a gap between two sums, or a running sum restarts without bounds that say so.
    """
    begin, end, values = _sum_spans(series, fall)
    total = values * ((end - begin) / SECOND) if series.is_rate else values
    # Sums with the same beginning are running sums: a block of them is differenced.
    restarts = 1 + np.flatnonzero(begin[1:] != begin[:-1])
    increments = [_increments(block, fall) for block in np.split(total, restarts, axis=1)]
    since = begin.copy()
    since[1:] = np.where(begin[1:] == begin[:-1], end[:-1], begin[1:])
    has_gap = since[1:] != end[:-1]
    if has_gap.any():
        at = 1 + int(np.argmax(has_gap))
        raise Refused(f"{series.name} is given up to {iso_text(end[at - 1])} and then from {iso_text(since[at])} on")
    return StepSums(series.name, since, end, np.concatenate(increments, axis=1))


def spread_over_hours(sums: StepSums, place: Place | None = None) -> HourlySeries:
    """Spread the sums of steps over their hours: evenly, or at a place in proportion to its extraterrestrial radiation.

    Raises
    ------
    Refused
        When a step is not of a few whole hours that divide the day from 00 UTC on.
    """
    hours = (sums.end - sums.begin) // NP_HOUR
    since = sums.end.astype("datetime64[h]").astype(np.int64)
    odd = (sums.end - sums.begin != hours * NP_HOUR) | (sums.end != sums.end.astype("datetime64[h]"))
    odd |= ~np.isin(hours, EVEN_STEPS) | (since % np.maximum(hours, 1) != 0)
    if odd.any():
        at = int(np.argmax(odd))
        raise Refused(
            f"{sums.name}: given a step from {iso_text(sums.begin[at])} to {iso_text(sums.end[at])}, "
            f"allowed {', '.join(map(str, EVEN_STEPS))} h, counted from 00 UTC on"
        )
    time = np.arange(sums.begin[0] + NP_HOUR, sums.end[-1] + NP_HOUR, NP_HOUR)
    part = np.repeat(np.arange(hours.size), hours)
    return HourlySeries(time, sums.values[:, part] * _hour_shares(time, part, place), hours[part], _origin(hours))


def _hour_shares(time: Hours, part: Counts, place: Place | None) -> Array:
    """Return the share of each hour in its step."""
    even = 1.0 / np.bincount(part)[part]
    if place is None:
        return even
    sun = extraterrestrial_radiation(place.latitude, place.longitude, time)
    step_sun = np.bincount(part, weights=sun)[part]
    # Radiation that a file gives for a dark step stays there, for the contract to detect.
    return np.where(step_sun > 0.0, sun / np.where(step_sun > 0.0, step_sun, 1.0), even)


def _sum_spans(series: CfSeries, fall: float) -> tuple[Hours, Hours, Array]:
    """Return the beginning and the end of each sum, and the sums."""
    axis, values = series.axis, series.values
    if axis.begin is not None:
        has_length = axis.end > axis.begin  # the first sum of a run may cover no time
        if not has_length.any():
            raise Refused(f"{series.name}: its time bounds end where they begin, allowed those of an hour or more")
        return axis.begin[has_length], axis.end[has_length], values[:, has_length]
    steps = _label_steps(series)
    if series.is_running_sum:
        _refuse_falling(series, fall)
        return np.full(steps.size, axis.labels[0]), axis.labels[1:], values[:, 1:] - values[:, :1]
    return axis.labels - np.concatenate([steps[:1], steps]) * NP_HOUR, axis.labels, values


def _refuse_falling(series: CfSeries, fall: float) -> None:
    """Refuse a running sum that decreases by more than packing explains."""
    falls = (np.diff(series.values) < -fall).any(axis=0)
    if falls.any():
        at = series.axis.labels[1 + int(np.argmax(falls))]
        raise Refused(
            f"{series.name} should grow from the start of the run, as it is named, but falls at "
            f"{iso_text(at)}; write time bounds that say from when on each sum is"
        )


def _increments(total: Array, fall: float) -> Array:
    """Return the growth of a running sum in each step; a decrease by packing is deducted from the next step."""
    highest = np.maximum.accumulate(np.maximum(total, 0.0), axis=1)
    return np.diff(np.where(total < highest - fall, np.nan, highest), axis=1, prepend=0.0)
