"""The hourly equations of ASCE 2005 for long arrays: a block at a time, in place, in the processor's cache.

A formula in plain numpy makes a dozen temporaries. Those of a block stay in the cache, where those of a whole array
would go to memory and back at a third of the speed. A new array costs as much as the sum in it, so that results and
temporaries are written into arrays that are lent.
"""

import math
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.coefficients import (
    ALBEDO,
    DAYLIGHT_SHORTWAVE,
    DENOMINATOR_DAY,
    DENOMINATOR_NIGHT,
    GROUND_DAY,
    GROUND_NIGHT,
    INITIAL_CLOUD_FACTOR,
    MIN_CLOUD_FACTOR,
    MIN_SUN_ELEVATION,
    NUMERATOR_HOURLY,
    SATURATION_AT_ZERO,
    SIGMA_ASCE_HOURLY,
    TETENS_FACTOR,
    TETENS_OFFSET,
)
from models.humidity import SLOPE_FACTOR

Array = NDArray[np.float64]

MM_PER_MJ: Final = 0.408  # water evaporated by a megajoule per square metre [mm], FAO-56 eq. 6
KELVIN_RADIATION: Final = 273.16  # 0 degC [K] as FAO-56 eq. 39 and ASCE 2005 eq. 44 print it
KELVIN_WIND: Final = 273.0  # 0 degC [K] as FAO-56 eq. 6 prints it
CLOUD_SLOPE: Final = 1.35  # of the cloud factor over Rs / Rso, ASCE 2005 eq. 45
SCRATCH_ARRAYS: Final = 4  # lent arrays that the longest formula needs
BLOCK: Final = 32768  # points worked on at a time, so that every temporary stays in the processor's cache


class Sky(NamedTuple):
    """What makes the cloud factor of each hour from the sun of an hour: factor = slope Rs - 0.35, ASCE 2005 eq. 45."""

    last_usable: NDArray[np.int64]  # (time,) the last hour up to each whose sun stood high enough
    slope: Array  # (time,)
    first_usable: int  # the first such hour

    @classmethod
    def at(cls, clear_sky: Array, sun_elevation: Array) -> "Sky":
        """Return the sky of a place, `clear_sky` [MJ m-2 h-1] and `sun_elevation` [deg] of shape (time,)."""
        usable = (sun_elevation > MIN_SUN_ELEVATION) & (clear_sky > 0.0)
        speaks = np.maximum.accumulate(np.where(usable, np.arange(usable.size), 0))
        slope = CLOUD_SLOPE / np.where(usable, clear_sky, 1.0)[speaks]
        return cls(speaks, slope, int(usable.argmax()) if usable.any() else usable.size)


def write_cloud_factor(shortwave: Array, sky: Sky, factor: Array) -> None:
    """Write the cloud factor of shape (..., time)."""
    np.take(shortwave, sky.last_usable, axis=-1, out=factor, mode="clip")
    factor *= sky.slope
    factor += 1.0 - CLOUD_SLOPE
    np.clip(factor, MIN_CLOUD_FACTOR, 1.0, out=factor)
    factor[..., : sky.first_usable] = INITIAL_CLOUD_FACTOR


def write_net_radiation(
    shortwave: Array,
    temperature: Array,
    vapour_pressure: Array,
    factor: Array,
    result: Array,
    work: Sequence[Array],
    *,
    albedo: float = ALBEDO,
    sigma: float = SIGMA_ASCE_HOURLY,
) -> None:
    """Write the net radiation."""
    lost, emissivity = work[:2]
    np.add(temperature, KELVIN_RADIATION, out=lost)
    np.square(lost, out=lost)
    np.square(lost, out=lost)
    np.sqrt(vapour_pressure, out=emissivity)
    emissivity *= -0.14 * sigma
    emissivity += 0.34 * sigma  # FAO-56 eq. 39
    lost *= emissivity
    lost *= factor
    np.multiply(shortwave, 1.0 - albedo, out=result)
    result -= lost


def write_evapotranspiration(  # noqa: PLR0913 - the same
    temperature: Array,
    vapour_pressure: Array,
    wind: Array,
    net_radiation: Array,
    shortwave: Array,
    gamma: Array | float,
    result: Array,
    work: Sequence[Array],
    *,
    numerator: float = NUMERATOR_HOURLY,
    denominator_day: float = DENOMINATOR_DAY,
    denominator_night: float = DENOMINATOR_NIGHT,
    ground_day: float = GROUND_DAY,
    ground_night: float = GROUND_NIGHT,
) -> None:
    """Write the evapotranspiration, numerator and denominator divided through by gamma."""
    below, energy, slope, drying = work
    np.less_equal(shortwave, DAYLIGHT_SHORTWAVE, out=below, casting="unsafe")  # 1 by night, 0 by day
    np.multiply(below, MM_PER_MJ * (ground_day - ground_night), out=energy)
    energy += MM_PER_MJ * (1.0 - ground_day)
    energy *= net_radiation  # 0.408 (Rn - G)
    below *= denominator_night - denominator_day
    below += denominator_day
    below *= wind
    below += 1.0  # 1 + Cd u2
    np.add(temperature, TETENS_OFFSET, out=slope)
    np.divide(TETENS_FACTOR * TETENS_OFFSET, slope, out=slope)
    np.subtract(TETENS_FACTOR + math.log(SATURATION_AT_ZERO), slope, out=drying)
    np.exp(drying, out=drying)  # es, FAO-56 eq. 11
    np.square(slope, out=slope)
    slope *= drying
    slope *= SLOPE_FACTOR / (TETENS_FACTOR * TETENS_OFFSET) ** 2 / gamma  # Delta / gamma, FAO-56 eq. 13
    drying -= vapour_pressure
    drying *= wind
    energy *= slope
    below += slope
    kelvin = np.add(temperature, KELVIN_WIND, out=slope)
    np.divide(numerator, kelvin, out=kelvin)
    drying *= kelvin  # Cn u2 (es - ea) / (T + 273)
    energy += drying
    np.divide(energy, below, out=result)


def apply_blockwise(formula: Callable[..., None], *arguments: Array | float) -> Array:
    """Return the formula over broadcast arrays, a block at a time."""
    operands = [np.asarray(one, dtype=np.float64) for one in arguments]
    blocks = np.nditer([*operands, None], flags=["external_loop", "buffered", "zerosize_ok"], buffersize=BLOCK)
    scratch = np.empty((SCRATCH_ARRAYS, min(BLOCK, blocks.itersize)))
    with blocks:
        for block in blocks:
            formula(*block, scratch[:, : block[0].size])
        return np.asarray(blocks.operands[-1])[()]


def row_evapotranspiration(weather: Sequence[Array], sky: Sky, gamma: float, **coefficients: float) -> Array:
    """Return the evapotranspiration from temperature, vapour pressure, wind and sun of shape (..., time).

    Blocks are whole rows of time, because the cloud factor of a night is that of the evening before.
    """
    shape, times = weather[0].shape, sky.slope.size
    rows = [np.ascontiguousarray(each).reshape(-1, times) for each in weather]
    result = np.empty(rows[0].shape)
    step = max(BLOCK // times, 1)
    scratch = np.empty((2 + SCRATCH_ARRAYS, step * times))
    for first in range(0, len(result), step):
        block = slice(first, first + step)
        temperature, held, wind, sun, found = (each[block].ravel() for each in (*rows, result))
        factor, net, *work = scratch[:, : found.size]
        write_cloud_factor(rows[3][block], sky, factor.reshape(-1, times))
        write_net_radiation(sun, temperature, held, factor, net, work)
        write_evapotranspiration(temperature, held, wind, net, sun, gamma, found, work, **coefficients)
    return result.reshape(shape)
