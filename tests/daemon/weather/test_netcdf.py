import os
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.clean import clean
from daemon.weather.contract import Refused, validate
from daemon.weather.sources import netcdf
from models.humidity import relative_humidity
from models.sun import extraterrestrial_radiation
from tests.loopback.hours import HERE, NOW, invented, source
from tests.support.processes import run_python

pytestmark = pytest.mark.slow

Array = NDArray[np.float64]

AIR = "air_temperature"
DEW = "dew_point_temperature"
WIND = "wind_speed"
SUN = "surface_downwelling_shortwave_flux_in_air"
RAIN = "precipitation_amount"
CLOUD = "cloud_area_fraction"
GUST = "wind_speed_of_gust"
TABLE = invented("2026-06-09T00:00", "2026-06-13T00:00")  # 97 hours
WET = pd.Timestamp("2026-06-11T14:00Z")
FIRST = "2026-06-09T00:00"
RUN = datetime(2026, 6, 9, tzinfo=UTC)
SINCE = "hours since 2026-06-09 00:00:00"
UNITS = {AIR: "degC", DEW: "degC", WIND: "m s-1", SUN: "W m-2", RAIN: "kg m-2", CLOUD: "1", GUST: "m s-1"}
METHODS = {SUN: "time: mean", RAIN: "time: sum", GUST: "time: maximum"}
GRID = (np.arange(42.0, 44.6, 0.5), np.arange(-76.0, -73.9, 0.5))  # HERE is 43.0, -75.0


def wet_table() -> pd.DataFrame:
    table = TABLE.copy()
    table.loc[WET, RAIN] = 3.2
    return table


def point(table: pd.DataFrame, members: Sequence[int] = (0,), label: str = "end") -> xr.Dataset:
    """A file of one point with bounds, its times at the end, the middle or the beginning of the hours."""
    count = np.arange(float(len(table)))
    data = {
        name: (
            ("realization", "time"),
            np.stack([table[name] + (0.1 * m if name in (AIR, WIND) else 0.0) for m in members]),
            {"standard_name": name, "units": unit, **({"cell_methods": METHODS[name]} if name in METHODS else {})},
        )
        for name, unit in UNITS.items()
    }
    bounds = ("time", "bnds"), np.stack([count - 1, count], axis=1) + (label == "beginning")
    coords = {
        "time": ("time", count, {"units": SINCE, "standard_name": "time", "bounds": "time_bnds"}),
        "realization": ("realization", list(members), {"standard_name": "realization"}),
        "lat": ((), HERE.latitude, {"standard_name": "latitude", "units": "degrees_north"}),
        "lon": ((), HERE.longitude, {"standard_name": "longitude", "units": "degrees_east"}),
        "run": ((), 0.0, {"standard_name": "forecast_reference_time", "units": SINCE}),
    }
    return xr.Dataset({**data, "time_bnds": bounds}, coords)


def grid(one: xr.Dataset, lat: Array = GRID[0], lon: Array = GRID[1]) -> xr.Dataset:
    """The same on a grid of latitudes and longitudes."""
    return wide(one, xr.DataArray(lat, dims="lat"), xr.DataArray(lon, dims="lon"))


def wide(one: xr.Dataset, north: xr.DataArray, east: xr.DataArray) -> xr.Dataset:
    """The same at many points, of which all but the nearest are windy and drenched."""
    here = (north - HERE.latitude) ** 2 + ((east - HERE.longitude + 180.0) % 360.0 - 180.0) ** 2
    other = (here > float(here.min())).astype(float)
    many = one.drop_vars(["lat", "lon"])
    for name in UNITS:
        extra = other * {RAIN: 5.0, WIND: 9.0}.get(name, 0.0)
        many[name] = (many[name] + extra).transpose("realization", "time", *extra.dims).assign_attrs(many[name].attrs)
    return many.assign_coords(
        lat=north.assign_attrs(standard_name="latitude", units="degrees_north"),
        lon=east.assign_attrs(standard_name="longitude", units="degrees_east"),
    )


def kept(file: xr.Dataset, path: Path, kind: Any = "NETCDF4", encoding: Any = None) -> Path:
    file.to_netcdf(path, engine="netcdf4", format=kind, encoding=encoding)
    return path


def fetched(file: xr.Dataset, folder: Path, place: Place = HERE, encoding: Any = None) -> xr.Dataset:
    return netcdf.fetch(source(), place, NOW, path=kept(file, folder / "run.nc", encoding=encoding))


def without_bounds(file: xr.Dataset) -> xr.Dataset:
    bare = file.drop_vars("time_bnds")
    del bare["time"].attrs["bounds"]
    return bare


def swapped(file: xr.Dataset, name: str, values: Any, **attributes: str) -> xr.Dataset:
    """The file with other values and attributes of one variable."""
    return file.assign({name: (file[name].dims, np.asarray(values), attributes)})


def rain_of(found: xr.Dataset) -> dict[pd.Timestamp, float]:
    rain = found[RAIN].isel(member=0, drop=True).to_series()
    return {at: round(float(amount), 4) for at, amount in rain.items() if amount > 1e-6}  # type: ignore[misc]


def expected(name: str, first: str, last: str = "2026-06-13T00:00", table: pd.DataFrame = TABLE) -> Array:
    return np.array(table.tz_convert(None)[name].loc[first:last], dtype=np.float64)


# --- Labels, units, members -----------------------------------------------------------------------------------


def test_a_file_comes_back_in_the_contract_with_its_members(tmp_path: Path) -> None:
    found = validate(fetched(point(TABLE, members=(0, 1, 7)), tmp_path))
    assert found["member"].values.tolist() == ["0", "1", "7"]
    assert str(found["time"].values[0])[:16] == "2026-06-09T00:00"
    for name in (DEW, SUN, RAIN, CLOUD, GUST):
        np.testing.assert_allclose(found[name].values, np.tile(expected(name, "2026-06-09T00:00"), (3, 1)))
    np.testing.assert_allclose(found[WIND].values[2], expected(WIND, FIRST) + 0.7)
    assert {found[name].attrs["origin"] for name in UNITS} == {"native"}
    assert set(found["native_step"].values) == {1}
    assert {name: found.attrs[name] for name in ("source", "model", "issued_at", "issued_at_origin", "kind")} == {
        "source": "netcdf",
        "model": "run",
        "issued_at": "2026-06-09T00:00:00+00:00",
        "issued_at_origin": "run",
        "kind": "forecast",
    }
    assert "note" not in found.attrs


def test_what_comes_back_settles_beside_a_past(tmp_path: Path) -> None:
    ahead = fetched(point(TABLE, members=(0, 1)), tmp_path)
    past = ahead.isel(member=[0]).assign_attrs(kind="record")
    weather = clean(past, ahead, datetime(2026, 6, 9, 6, tzinfo=UTC), NOW)
    assert (weather.past.sizes["time"], weather.ahead.sizes["time"]) == (28, 97)


@pytest.mark.parametrize("label", ["end", "beginning"])
def test_one_wet_hour_ends_when_its_bounds_say(tmp_path: Path, label: str) -> None:
    table = wet_table()
    file = point(table, label=label)
    hour = pd.Timestamp("2026-06-11T14:00") if label == "end" else pd.Timestamp("2026-06-11T15:00")
    assert rain_of(fetched(file, tmp_path)) == {hour: 3.2}


def test_without_bounds_the_wet_hour_ends_at_its_label_and_a_note_says_so(tmp_path: Path) -> None:
    found = fetched(without_bounds(point(wet_table())), tmp_path)
    assert rain_of(found) == {pd.Timestamp("2026-06-11T14:00"): 3.2}
    assert found.attrs["note"] == (
        "the file does not say of which hours surface_downwelling_shortwave_flux_in_air and precipitation_amount are: "
        "taken to end at their labels"
    )


@pytest.mark.parametrize(
    ("units", "count"),
    [
        ("minutes since 2026-06-08 20:00 -4:00", 60.0),
        ("days since 1970-01-01", 1 / 24),
        ("seconds since 2026-06-09", 3600),
    ],
)
def test_labels_in_other_units_of_time_and_zones_are_set_to_utc(tmp_path: Path, units: str, count: float) -> None:
    began = 20613 if units.startswith("days") else 0  # days from 1970 to 9 June 2026
    file = without_bounds(point(wet_table())).drop_vars("run")
    file["time"] = file["time"].copy(data=began + np.arange(97) * count).assign_attrs(units=units)
    found = fetched(file, tmp_path)
    assert rain_of(found) == {pd.Timestamp("2026-06-11T14:00"): 3.2}


@pytest.mark.parametrize(
    ("name", "unit", "given"),
    [
        (AIR, "K", lambda x: x + 273.15),
        (AIR, "degF", lambda x: x * 1.8 + 32),
        (DEW, "K", lambda x: x + 273.15),
        (WIND, "km h-1", lambda x: x * 3.6),
        (WIND, "m s**-1", lambda x: x),
        (WIND, "knot", lambda x: x / 0.514444),
        (CLOUD, "%", lambda x: x * 100),
        (CLOUD, "okta", lambda x: x * 8),
        (RAIN, "m", lambda x: x / 1000),
        (RAIN, "mm", lambda x: x),
        (RAIN, "kg m**-2 s**-1", lambda x: x / 3600),
        (RAIN, "mm h-1", lambda x: x),
        (SUN, "J m**-2", lambda x: x * 3600),
        (SUN, "kJ m-2", lambda x: x * 3.6),
    ],
)
def test_units_are_turned_into_ours(tmp_path: Path, name: str, unit: str, given: Callable[[Array], Array]) -> None:
    file = point(wet_table())
    attributes = {**file[name].attrs, "units": unit}
    found = fetched(swapped(file, name, given(file[name].values), **attributes), tmp_path)
    np.testing.assert_allclose(found[name].values, file[name].values, rtol=1e-5, atol=1e-9)


def test_a_packed_file_is_unpacked_and_its_ends_set_back(tmp_path: Path) -> None:
    table = TABLE.assign(**{CLOUD: 1.0, WIND: 0.0})
    packed = {"dtype": "i2", "scale_factor": 0.0037, "_FillValue": -32768}
    off = {CLOUD: {**packed, "add_offset": 0.0019}, WIND: {**packed, "add_offset": -0.0019}, AIR: packed}
    found = validate(fetched(point(table), tmp_path, encoding=off))
    assert set(found[CLOUD].values.ravel()) == {1.0}
    assert found[WIND].values.min() >= 0.0
    np.testing.assert_allclose(found[AIR].values[0], table[AIR], atol=0.002)


# --- Where ----------------------------------------------------------------------------------------------------


def test_of_a_grid_the_nearest_point_is_read(tmp_path: Path) -> None:
    found = validate(fetched(grid(point(wet_table(), members=(0, 1))), tmp_path))
    assert rain_of(found) == {pd.Timestamp("2026-06-11T14:00"): 3.2}
    np.testing.assert_allclose(found[WIND].values[0], TABLE[WIND])


def test_longitudes_may_run_from_0_to_360_and_latitudes_downward(tmp_path: Path) -> None:
    file = grid(point(wet_table()), GRID[0][::-1], GRID[1] + 360.0)
    assert rain_of(fetched(file, tmp_path)) == {pd.Timestamp("2026-06-11T14:00"): 3.2}


def test_a_grid_that_spans_the_date_line_is_near_on_both_sides(tmp_path: Path) -> None:
    file = grid(point(TABLE), GRID[0], np.array([179.0, 179.5, -180.0, -179.5]))
    west = Place(43.0, 179.9, 5.0, HERE.timezone)
    file[WIND][..., 2] = 4.0
    file[SUN][:] = file[SUN] * 0.0
    assert set(fetched(file, tmp_path, west)[WIND].values.ravel()) == {4.0}


def test_a_grid_of_a_map_has_latitudes_and_longitudes_of_two_dimensions(tmp_path: Path) -> None:
    lat, lon = np.meshgrid(np.arange(42.8, 43.25, 0.1), np.arange(-75.2, -74.75, 0.1), indexing="ij")
    lat, lon = lat + 0.02 * (lon + 75), lon - 0.02 * (lat - 43)
    at = xr.DataArray(lat, dims=("y", "x")), xr.DataArray(lon, dims=("y", "x"))
    found = fetched(wide(point(wet_table()), *at), tmp_path)
    assert rain_of(found) == {pd.Timestamp("2026-06-11T14:00"): 3.2}


def test_of_stations_the_nearest_is_read_if_it_is_near(tmp_path: Path) -> None:
    at = xr.DataArray([41.0, 43.1, 44.9], dims="station"), xr.DataArray([-75.0, -75.1, -75.0], dims="station")
    assert rain_of(fetched(wide(point(wet_table()), *at), tmp_path)) == {pd.Timestamp("2026-06-11T14:00"): 3.2}
    with pytest.raises(Refused, match=r"given 44\.900, -75\.000 as nearest point, 0\.70 deg .*allowed 0\.50 deg"):
        fetched(wide(point(TABLE), *at), tmp_path, Place(45.6, -75.0, 300.0, HERE.timezone))


@pytest.mark.parametrize(("latitude", "near"), [(44.5, True), (45.2, True), (45.3, False)])
def test_a_grid_reaches_a_cell_and_a_half_beyond_its_points(tmp_path: Path, latitude: float, near: bool) -> None:
    place = Place(latitude, -75.0, 300.0, HERE.timezone)
    file = grid(point(TABLE))
    if near:
        assert fetched(file, tmp_path, place)["latitude"] == latitude
    else:
        with pytest.raises(Refused, match=r"44\.500, -75\.000 as nearest point, 0\.80 deg from the farm .*0\.75 deg"):
            fetched(file, tmp_path, place)


def test_a_point_in_the_sea_and_a_file_that_is_nowhere_are_refused(tmp_path: Path) -> None:
    file = point(TABLE)
    with pytest.raises(Refused, match="air_temperature has no value at the nearest point: is that the sea"):
        fetched(swapped(file, AIR, file[AIR] * np.nan, **file[AIR].attrs), tmp_path)
    with pytest.raises(Refused, match=r"run\.nc: the file does not say where its points lie: no latitude"):
        fetched(file.drop_vars(["lat", "lon"]), tmp_path)
    metres = grid(point(TABLE), GRID[0] * 111_000.0, GRID[1])
    with pytest.raises(Refused, match="latitude and longitude are no degrees"):
        fetched(metres, tmp_path)


# --- Other layouts --------------------------------------------------------------------------------------------


def test_the_layout_of_converted_grib_is_read(tmp_path: Path) -> None:
    """No standard names, sums of rain [m] and sun [J m-2] from the start on, three-hour steps, the classic format."""
    table = wet_table()
    totals = table[[RAIN, SUN]].cumsum() - table[[RAIN, SUN]].iloc[0]
    coarse, sums = table.iloc[::3], totals.iloc[::3]
    names: dict[str, tuple[Any, str]] = {
        "t2m": (coarse[AIR] + 273.15, "K"),
        "d2m": (coarse[DEW] + 273.15, "K"),
        "u10": (coarse[WIND] * 0.6, "m s**-1"),
        "v10": (coarse[WIND] * -0.8, "m s**-1"),
        "tp": (sums[RAIN] / 1000.0, "m"),
        "ssrd": (sums[SUN] * 3600.0, "J m**-2"),
    }
    shape = (1, len(coarse), 1, 1)
    dims = ("number", "step", "latitude", "longitude")
    file = xr.Dataset(
        {
            name: (dims, values.to_numpy().reshape(shape), {"standard_name": "unknown", "units": unit})
            for name, (values, unit) in names.items()
        },
        {
            "number": [3],
            "time": ((), 0, {"standard_name": "forecast_reference_time", "units": SINCE}),
            "step": ("step", np.arange(0, 97, 3), {"units": "hours", "long_name": "time since the run"}),
            "valid_time": ("step", np.arange(0, 97, 3), {"standard_name": "time", "units": SINCE}),
            "heightAboveGround": ((), 2.0, {"units": "m"}),
            "latitude": ("latitude", [43.1], {"standard_name": "latitude"}),
            "longitude": ("longitude", [285.2], {"standard_name": "longitude"}),
        },
    )
    file["u10"] = file["u10"].drop_vars("heightAboveGround")
    path = kept(
        file.drop_vars("heightAboveGround"), tmp_path / "run.nc", "NETCDF3_CLASSIC", {"number": {"dtype": "i4"}}
    )
    found = validate(netcdf.fetch(source(), HERE, NOW, path=path))
    assert rain_of(found) == {pd.Timestamp(f"2026-06-11T{hour}:00"): round(3.2 / 3, 4) for hour in (13, 14, 15)}
    assert (found["member"].values.tolist(), set(found["native_step"].values)) == (["3"], {3})
    assert str(found["time"].values[0])[:16] == "2026-06-09T01:00"
    np.testing.assert_allclose(found[WIND].values[0][2::3], coarse[WIND].iloc[1:], rtol=1e-6)
    np.testing.assert_allclose(found[AIR].values[0][2::3], coarse[AIR].iloc[1:], atol=1e-4)
    assert [found[name].attrs["origin"] for name in (AIR, WIND, RAIN)] == ["interpolated", "derived", "interpolated"]
    day = found[SUN].values[0][:24].sum()
    assert day == pytest.approx(expected(SUN, "2026-06-09T01:00", "2026-06-10T00:00").sum(), rel=1e-5)
    # 17 to 19 and 20 to 22 UTC, fair hours before and after noon: within what an hour differs from its share
    np.testing.assert_allclose(
        found[SUN].values[0][12:21], expected(SUN, "2026-06-09T13:00", "2026-06-09T21:00"), rtol=0.01
    )
    assert "note" not in found.attrs


def test_sun_and_rain_that_begin_anew_every_six_hours_are_parted_by_their_bounds(tmp_path: Path) -> None:
    """0 to 3, 0 to 6, 6 to 9, 6 to 12 and so on: the rain a sum, the sun a mean since the block began."""
    table = wet_table()
    table.loc[WET - pd.Timedelta("2h"), RAIN] = 0.9  # ends at 12 UTC, the wet hour at 14 UTC lies in the next block
    ends = np.arange(3.0, 97.0, 3.0)
    begins = (ends - 1) // 6 * 6
    rain = [table[RAIN].iloc[int(b) + 1 : int(e) + 1].sum() for b, e in zip(begins, ends, strict=True)]
    sun = [table[SUN].iloc[int(b) + 1 : int(e) + 1].mean() for b, e in zip(begins, ends, strict=True)]
    file = point(table).isel(time=slice(3, None, 3))
    file = swapped(file, RAIN, [rain], **file[RAIN].attrs)
    file = swapped(file, SUN, [sun], **file[SUN].attrs)
    file["time_bnds"] = ("time", "bnds"), np.stack([begins, ends], axis=1)
    found = validate(fetched(file, tmp_path))
    assert rain_of(found) == {
        **{pd.Timestamp(f"2026-06-11T{hour}:00"): 0.3 for hour in (10, 11, 12)},
        **{pd.Timestamp(f"2026-06-11T{hour}:00"): round(3.2 / 3, 4) for hour in (13, 14, 15)},
    }
    first = "2026-06-09T03:00"
    assert str(found["time"].values[0])[:16] == first
    np.testing.assert_allclose(found[SUN].values[0], expected(SUN, first), rtol=0.01, atol=0.3)


def test_a_flux_over_steps_is_spread_by_the_sun_and_keeps_its_energy(tmp_path: Path) -> None:
    table = TABLE.iloc[::6]
    file = point(table)
    count = np.arange(0.0, 97.0, 6.0)
    file["time"] = file["time"].copy(data=count)
    file["time_bnds"] = ("time", "bnds"), np.stack([count - 6, count], axis=1)
    mean = TABLE[SUN].rolling(6).mean().iloc[::6].fillna(0.0)
    found = validate(fetched(swapped(file, SUN, [mean], **file[SUN].attrs), tmp_path))
    blocks = found[SUN].values[0][1:].reshape(-1, 6)
    np.testing.assert_allclose(blocks.mean(axis=1), mean.iloc[1:], atol=1e-6)
    above = extraterrestrial_radiation(43.0, -75.0, found["time"].values)[1:].reshape(-1, 6)
    assert (blocks[above == 0.0] == 0.0).all()
    assert set(found["native_step"].values) == {6}


def test_steps_that_grow_are_kept_with_each_hour_up_to_where_they_are_too_long(tmp_path: Path) -> None:
    at = np.array([*range(25), *range(27, 49, 3), 54, 60, 72, 84])
    file = without_bounds(point(TABLE.iloc[at])).assign_coords(time=("time", at, {"units": SINCE}))
    found = fetched(file, tmp_path)
    steps = pd.Series(found["native_step"].values, found["time"].values)
    assert steps.value_counts().to_dict() == {1: 25, 3: 24, 6: 12}
    assert (steps["2026-06-10T00:00"], steps["2026-06-10T01:00"], steps["2026-06-11T01:00"]) == (1, 3, 6)
    assert str(found["time"].values[-1])[:16] == "2026-06-11T12:00"


def test_humidity_stands_in_for_a_dew_point(tmp_path: Path) -> None:
    file = point(TABLE)
    humidity = 100.0 * relative_humidity(expected(AIR, FIRST), expected(DEW, FIRST))
    humidity[5] = 101.0  # above saturation, as models are
    file = swapped(file, DEW, [humidity], units="%").rename({DEW: "rh"})
    found = validate(fetched(file, tmp_path))
    dew = expected(DEW, FIRST)
    dew[5] = TABLE[AIR].iloc[5]
    np.testing.assert_allclose(found[DEW].values[0], dew, atol=1e-6)
    assert found[DEW].attrs["origin"] == "derived"
    with pytest.raises(Refused, match=r"rh: given 101, allowed up to 1\.2; is it in %"):
        fetched(file.assign(rh=file["rh"].assign_attrs(units="1")), tmp_path)


def test_between_coarse_steps_the_dew_point_stays_at_or_below_the_air(tmp_path: Path) -> None:
    table = TABLE.copy()
    table[DEW] = table[AIR] - np.where(np.arange(97) % 4 < 2, 0.0, 3.0)
    found = fetched(without_bounds(point(table)).isel(time=slice(None, None, 3)), tmp_path)
    assert float((found[AIR] - found[DEW]).min()) >= -1e-9


def test_the_height_is_chosen_and_the_highest_of_a_day_is_no_instant(tmp_path: Path) -> None:
    file = point(TABLE)
    levels = file[WIND] + xr.DataArray([0.0, 30.0], dims="height")
    file[WIND] = levels.transpose("realization", "height", "time").assign_attrs(file[WIND].attrs)
    file = file.assign_coords(height=("height", [10.0, 100.0], {"units": "m", "axis": "Z"}))
    file["air_temperature_max"] = (file[AIR] + 9.0).assign_attrs(
        standard_name=AIR, units="degC", cell_methods="time: maximum within days"
    )
    file["upper"] = (file[AIR] - 20.0).assign_attrs(standard_name=AIR, units="degC")
    file["upper"] = file["upper"].expand_dims(pressure_level=[850.0])
    file["pressure_level"].attrs = {"axis": "Z", "units": "hPa"}
    found = fetched(file, tmp_path)
    np.testing.assert_allclose(found[WIND].values[0], TABLE[WIND])
    np.testing.assert_allclose(found[AIR].values[0], TABLE[AIR])
    with pytest.raises(Refused, match=r"lacks wind_speed at 10 m .or eastward_wind and northward_wind.; allowed"):
        fetched(file.isel(height=[1]), tmp_path)


def test_a_variable_without_members_holds_for_all_of_them(tmp_path: Path) -> None:
    file = point(TABLE, members=(0, 1, 2))
    found = fetched(file.assign({CLOUD: file[CLOUD].isel(realization=0, drop=True)}), tmp_path)
    np.testing.assert_allclose(found[CLOUD].values[2], TABLE[CLOUD])


def test_what_a_file_need_not_tell_may_be_missing_or_strange(tmp_path: Path) -> None:
    file = point(TABLE).drop_vars(GUST)
    found = fetched(swapped(file, CLOUD, file[CLOUD], standard_name=CLOUD, units="furlong"), tmp_path)
    assert (GUST in found, CLOUD in found) == (False, False)


def test_a_gust_is_that_of_each_hour_of_its_step(tmp_path: Path) -> None:
    table = TABLE.copy()
    table.loc["2026-06-11T15:00Z", GUST] = 25.0
    found = fetched(without_bounds(point(table)).isel(time=slice(None, None, 3)), tmp_path)
    strong = found[GUST].isel(member=0).to_series().loc[lambda gust: gust > 20]
    assert [f"{at:%dT%H}" for at in strong.index] == ["11T13", "11T14", "11T15"]


# --- Missing is never 0 ---------------------------------------------------------------------------------------


def test_a_hole_stays_a_hole_of_its_member(tmp_path: Path) -> None:
    file = point(wet_table(), members=(0, 1))
    file[RAIN][1, 50] = np.nan
    found = fetched(file, tmp_path, encoding={RAIN: {"_FillValue": 9.96921e36}})
    holes = found[RAIN].isnull().to_series().loc[lambda hole: hole]
    assert list(holes.index) == [("1", pd.Timestamp("2026-06-11T02:00"))]


def test_a_hole_in_a_running_total_takes_the_hours_after_it_along(tmp_path: Path) -> None:
    file = point(TABLE, members=(0, 1))
    total = np.tile(np.arange(97) * 0.1, (2, 1))
    total[1, 60] = np.nan
    file = without_bounds(swapped(file, RAIN, total, standard_name=RAIN, long_name="accumulated", units="mm"))
    found = fetched(file, tmp_path)
    np.testing.assert_allclose(found[RAIN].values[0], 0.1)
    assert np.isnan(found[RAIN].values[1]).tolist() == [False] * 59 + [True] * 37


def test_packing_noise_of_a_total_is_taken_from_the_next_hour_and_a_real_fall_is_refused(tmp_path: Path) -> None:
    total = np.array([*np.zeros(10), 1.0, 0.95, 1.5, *np.full(84, 1.5)])
    file = without_bounds(point(TABLE))
    words = {"standard_name": RAIN, "long_name": "precipitation accumulated from the start", "units": "mm"}
    found = fetched(swapped(file, RAIN, [total], **words), tmp_path)
    assert rain_of(found) == {pd.Timestamp("2026-06-09T10:00"): 1.0, pd.Timestamp("2026-06-09T12:00"): 0.5}
    total[40:] -= 1.5
    with pytest.raises(
        Refused, match=r"should grow from the start .* but falls at 2026-06-10T16:00Z; write time bounds"
    ):
        fetched(swapped(file, RAIN, [total], **words), tmp_path)


def test_a_member_whose_bounded_total_falls_is_not_known(tmp_path: Path) -> None:
    total = np.tile(np.linspace(0.0, 9.6, 97), (2, 1))
    total[1, 70] -= 5.0
    file = swapped(point(TABLE, members=(0, 1)), RAIN, total, standard_name=RAIN, units="mm")
    file["time_bnds"] = ("time", "bnds"), np.stack([np.zeros(97), np.arange(97.0)], axis=1)
    file = swapped(
        file, SUN, np.cumsum(file[SUN].values * [0.0, *np.ones(96)], axis=1) * 3600.0, standard_name=SUN, units="J m-2"
    )
    found = fetched(file, tmp_path)
    np.testing.assert_allclose(found[RAIN].values[0], 0.1)
    assert np.flatnonzero(np.isnan(found[RAIN].values[1])).tolist() == [69, 70]
    np.testing.assert_allclose(found[SUN].values[0], expected(SUN, "2026-06-09T01:00"), atol=1e-6)


# --- What is refused ------------------------------------------------------------------------------------------


def shifted(file: xr.Dataset) -> xr.Dataset:
    return file.assign_coords(time=(file["time"] + 0.5).assign_attrs(file["time"].attrs))


REFUSED: dict[str, tuple[Callable[[xr.Dataset], xr.Dataset], str]] = {
    "missing": (lambda file: file.drop_vars(RAIN), "the file lacks precipitation_amount; allowed: a variable with"),
    "no dew": (lambda file: file.drop_vars(DEW), r"lacks dew_point_temperature at 2 m \(or relative_humidity\)"),
    "no unit": (lambda file: swapped(file, AIR, file[AIR], standard_name=AIR), "given the unit '', allowed K, kelvin"),
    "unit": (
        lambda file: swapped(file, SUN, file[SUN], standard_name=SUN, units="Btu"),
        f"{SUN}: given the unit 'Btu', allowed W m-2",
    ),
    "instant rate": (
        lambda file: file.assign({SUN: file[SUN].assign_attrs(cell_methods="time: point")}),
        f"lacks {SUN}; .*with no cell_methods or time: sum, time: mean",
    ),
    "two": (
        lambda file: file.assign(other=file[AIR]),
        "given air_temperature, other for air_temperature, allowed one of them",
    ),
    "calendar": (
        lambda file: file.assign_coords(time=file["time"].assign_attrs(calendar="noleap")),
        "time: given the calendar noleap, allowed standard or gregorian",
    ),
    "no time": (
        lambda file: file.assign_coords(time=file["time"].assign_attrs(units="hours")),
        "lacks air_temperature|lacks surface_downwelling|has no times",
    ),
    "strange time": (
        lambda file: file.assign_coords(time=file["time"].assign_attrs(units="moons since the flood")),
        "damaged or no NetCDF file|cannot be read in",
    ),
    "half hours": (lambda file: shifted(without_bounds(file)), "whole hours or more in UTC, given 2026-06-09T00:30Z"),
    "one time": (lambda file: file.isel(time=[0]), "time: allowed two times or more in order, 6 h apart at most"),
    "backward": (lambda file: file.isel(time=slice(None, None, -1)), "time: allowed two times or more in order"),
    "days": (lambda file: file.isel(time=slice(None, None, 24)), "6 h apart at most"),
    "gap": (
        lambda file: without_bounds(file).isel(time=[*range(20), *range(22, 97)]),
        "lacks hours before 2026-06-09T22:00Z",
    ),
    "bounded gap": (
        lambda file: file.assign(time_bnds=file["time_bnds"] + xr.DataArray([0.5, 0.0], dims="bnds")),
        "is given up to 2026-06-09T00:00Z and then from 2026-06-09T00:30Z on",
    ),
    "bounds of instants": (
        lambda file: file.assign(time_bnds=file["time_bnds"].isel(bnds=[1, 1])),
        "its time bounds end where they begin",
    ),
    "crooked steps": (
        lambda file: without_bounds(file).isel(time=slice(1, None, 3)),
        r"given a step from 2026-06-08T22:00Z to 2026-06-09T01:00Z, allowed 1, 2, 3, 4, 6 h, counted from 00 UTC",
    ),
    "runs": (
        lambda file: file.assign_coords(run=("r", [0.0, 6.0], file["run"].attrs)),
        "run: given 2 runs, allowed one in a file",
    ),
    "no common hour": (
        lambda file: (
            file.assign({AIR: file[AIR].where(file["time"] < 1e6)})
            .isel(time=slice(0, 10))
            .assign({WIND: (("realization", "later"), file[WIND].values[:, 20:30], file[WIND].attrs)})
            .assign_coords(later=("later", np.arange(20.0, 30.0), {"units": SINCE}))
        ),
        "no hour has all variables: one begins at 2026-06-09T20:00Z, one ends at 2026-06-09T09:00Z",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_file_that_does_not_do_is_refused_with_the_reason(tmp_path: Path, case: str) -> None:
    spoil, reason = REFUSED[case]
    with pytest.raises(Refused, match=rf"run\.nc: .*{reason}" if "|" not in reason else reason):
        fetched(spoil(point(TABLE)), tmp_path)


def test_labels_of_another_zone_are_found_out_by_the_dark(tmp_path: Path) -> None:
    ahead = fetched(without_bounds(point(TABLE)).assign_coords(time=point(TABLE)["time"] - 3.0), tmp_path)
    with pytest.raises(Refused, match="in the dark"):
        validate(ahead)


@pytest.mark.parametrize("kind", ["NETCDF4", "NETCDF3_64BIT"])
def test_a_damaged_file_is_refused_wherever_it_is_cut(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "run.nc"
    whole = kept(point(TABLE), path, kind, {"realization": {"dtype": "i4"}}).read_bytes()
    for share in (0.0, 0.001, 0.02, 0.3, 0.6, 0.9):
        path.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(Refused, match=r"run\.nc"):
            netcdf.fetch(source(), HERE, NOW, path=path)
    path.write_text("this is a letter")
    with pytest.raises(Refused, match=r"run\.nc: damaged or no NetCDF file"):
        netcdf.fetch(source(), HERE, NOW, path=path)


# --- Which file, and how old it is ----------------------------------------------------------------------------


def test_the_newest_file_of_a_directory_is_taken(tmp_path: Path) -> None:
    for number, name in enumerate(("b.nc", "a.nc", "c.txt")):
        table = TABLE.assign(**{WIND: float(number)})
        path = kept(point(table), tmp_path / name)
        os.utime(path, (RUN.timestamp() + number, RUN.timestamp() + number))
    found = netcdf.fetch(source(), HERE, NOW, path=tmp_path)
    assert (found.attrs["model"], float(found[WIND][0, 0])) == ("a", 1.0)


def test_a_place_without_a_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(Refused, match=r"lost: there is no such file or directory; write its name in \[weather\] path"):
        netcdf.fetch(source(), HERE, NOW, path=tmp_path / "lost")
    with pytest.raises(Refused, match=r"holds no file whose name ends with \.nc, \.nc4, \.cdf"):
        netcdf.fetch(source(), HERE, NOW, path=tmp_path)


def test_a_file_that_does_not_tell_its_run_is_as_old_as_it_says_or_as_its_date(tmp_path: Path) -> None:
    file = point(TABLE).drop_vars("run")
    path = kept(file, tmp_path / "run.nc")
    os.utime(path, (RUN.timestamp() + 900, RUN.timestamp() + 900))
    found = netcdf.fetch(source(), HERE, NOW, path=path)
    assert (found.attrs["issued_at"], found.attrs["issued_at_origin"]) == ("2026-06-09T00:15:00+00:00", "file")
    told = fetched(file.assign_attrs(reference_time="2026-06-09T06:00:00Z", institution="An Office"), tmp_path)
    assert (told.attrs["issued_at"], told.attrs["issued_at_origin"]) == ("2026-06-09T06:00:00+00:00", "run")
    assert told.attrs["credit"] == "Weather from the file run.nc, made by An Office"


def test_without_the_reader_the_message_says_how_to_get_it(tmp_path: Path) -> None:
    path = kept(point(TABLE), tmp_path / "run.nc")
    script = f"""
import sys
from pathlib import Path
from daemon.weather.sources import netcdf
from daemon.weather.contract import Refused
from tests.loopback.hours import HERE, NOW, source
print("netCDF4" in sys.modules)
sys.modules["netCDF4"] = None  # as if it were not there
try:
    netcdf.fetch(source(), HERE, NOW, path=Path({str(path)!r}))
except Refused as reason:
    print(reason)
"""
    ran = run_python(script)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("False\n")  # only imported when a file is read
    assert "install it with: pip install 'forenoon[netcdf]'" in ran.stdout
