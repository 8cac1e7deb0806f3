import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from daemon.weather.contract import Refused, Weather
from daemon.weather.sources import csv_file
from tests.loopback.hours import HERE, NOW, invented, written

TABLE = invented("2026-06-05", "2026-06-14T23:00")
RAIN = "precipitation_amount"
SUN = "surface_downwelling_shortwave_flux_in_air"
HEADER = (
    "time,air_temperature,dew_point_temperature,wind_speed,surface_downwelling_shortwave_flux_in_air,"
    "precipitation_amount"
)


def read(path: Path) -> Weather:
    return csv_file.read(path, NOW, HERE)


def with_members(count: int) -> pd.DataFrame:
    return pd.concat([TABLE.assign(member=f"m{m}", wind_speed=m + 1.0) for m in range(count)])


def test_a_record_is_one_line_of_hours_taken_at_its_word(tmp_path: Path) -> None:
    table = TABLE.copy()
    table.loc["2026-06-11T14:00Z", RAIN] = 3.2
    table.loc["2026-06-08T05:00Z", RAIN] = 1.1
    weather = read(written(tmp_path / "hours.csv", table))
    naive = table.tz_convert(None)
    for half, first, last in (
        (weather.past, "2026-06-05T00:00", "2026-06-10T09:00"),
        (weather.ahead, "2026-06-08T22:00", "2026-06-14T23:00"),  # the label at 21:20 is not one of 36 hours
    ):
        for name in naive:
            np.testing.assert_array_equal(half[str(name)].values[0], naive[name].loc[first:last])
        assert half["time"].values[[0, -1]].astype("datetime64[m]").astype(str).tolist() == [first, last]
        assert (half.attrs["kind"], set(half["native_step"].to_numpy())) == ("record", {1})
    assert weather.ahead.attrs["issued_at"] == "2026-06-10T09:20:00+00:00"
    wet = weather.ahead[RAIN].to_series().loc[lambda rain: rain > 0]
    assert wet.to_dict() == {("record", pd.Timestamp("2026-06-11T14:00")): 3.2}


def test_a_file_with_members_is_a_forecast_whose_first_member_tells_the_past(tmp_path: Path) -> None:
    path = written(tmp_path / "members.csv", with_members(3), "# issued_at: 2026-06-10T06:00Z\n")
    weather = read(path)
    assert weather.past["member"].values.tolist() == ["m0"]
    assert weather.ahead["member"].values.tolist() == ["m0", "m1", "m2"]
    assert weather.ahead["wind_speed"].values[:, 5].tolist() == [1, 2, 3]
    assert (weather.past.attrs["kind"], weather.ahead.attrs["kind"]) == ("record", "forecast")
    assert weather.ahead.attrs["issued_at"] == "2026-06-10T06:00:00+00:00"


def test_a_forecast_without_that_line_is_as_old_as_its_file(tmp_path: Path) -> None:
    path = written(tmp_path / "members.csv", with_members(2))
    written_at = datetime(2026, 6, 10, 3, 15, tzinfo=UTC).timestamp()
    os.utime(path, (written_at, written_at))
    assert read(path).ahead.attrs["issued_at"] == "2026-06-10T03:15:00+00:00"
    later = datetime(2026, 6, 12, tzinfo=UTC).timestamp()
    os.utime(path, (later, later))
    with pytest.raises(Refused, match="first line: # issued_at"):
        read(path)


def test_a_member_with_a_hole_is_lost_and_a_hole_in_the_past_is_refused(tmp_path: Path) -> None:
    table = with_members(3).reset_index(names="time")
    hole = (table["member"] == "m1") & (table["time"] == "2026-06-12T10:00Z")
    path = written(tmp_path / "members.csv", table[~hole].set_index("time"), "# issued_at: 2026-06-10T06:00Z\n")
    weather = read(path)
    assert weather.ahead["member"].values.tolist() == ["m0", "m2"]
    assert weather.ahead.attrs["members_dropped"] == 1
    table = TABLE.copy()
    table.loc["2026-06-07T13:00Z", SUN] = np.nan
    with pytest.raises(Refused, match=r"hours\.csv: the past weather lacks 1 hour: 2026-06-07T13:00Z"):
        read(written(tmp_path / "hours.csv", table))


def test_a_record_with_a_missing_line_or_an_early_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "hours.csv"
    with pytest.raises(Refused, match=r"lacks 1 hour: 2026-06-06T00:00Z"):
        read(written(path, TABLE.drop(pd.Timestamp("2026-06-06", tz="UTC"))))
    with pytest.raises(Refused, match=r"its last hour is 2026-06-10T08:00Z: put newer hours into it"):
        read(written(path, TABLE.loc[:"2026-06-10T08:00Z"]))
    with pytest.raises(Refused, match=r"its last hour is 2026-06-10T09:00Z: put newer hours"):
        read(written(path, TABLE.loc[:"2026-06-10T09:00Z"]))
    with pytest.raises(Refused, match=r"no past hours"):
        read(written(path, TABLE.loc["2026-06-11T00:00Z":]))


def test_local_times_are_found_by_the_sun(tmp_path: Path) -> None:
    local = TABLE.shift(-4, freq="h")
    with pytest.raises(Refused, match="are the times UTC, at the end of the hour"):
        read(written(tmp_path / "hours.csv", local))


def test_fahrenheit_is_found_by_the_range(tmp_path: Path) -> None:
    table = TABLE.assign(air_temperature=TABLE["air_temperature"] * 1.8 + 32)
    with pytest.raises(
        Refused, match=r"row \d+, column air_temperature: given '\d+.*', allowed a number from -60 to 60 degC"
    ):
        read(written(tmp_path / "hours.csv", table))


@pytest.mark.parametrize("label", ["2026-06-10T08:00Z", "2026-06-10T08:00:00+00:00", "2026-06-10 08:00"])
def test_times_may_be_written_with_or_without_their_utc_mark(tmp_path: Path, label: str) -> None:
    path = written(tmp_path / "hours.csv", TABLE)
    text = path.read_text()
    assert "2026-06-10T08:00Z" in text
    path.write_text("\ufeff" + text.replace("2026-06-10T08:00Z", label) + "\n", encoding="utf-8")
    assert read(path).past["time"].values[-2] == np.datetime64("2026-06-10T08:00")


GOOD = "2026-06-10T08:00Z,15,10,2,0,0"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "allowed a line with the names of the columns"),
        (HEADER, "at least one hour"),
        (f"{HEADER},rain\n{GOOD},0", "column 'rain' is not known; .*allowed: time, member, air_temperature"),
        (f"{HEADER.replace('wind_speed', 'windspeed')}\n{GOOD}", "column 'windspeed' is not known; perhaps wind_speed"),
        (f"{HEADER},wind_speed\n{GOOD},2", "column wind_speed is given twice"),
        (f"{HEADER.replace(',wind_speed', '')}\n2026-06-10T08:00Z,15,10,0,0", "column wind_speed is missing"),
        (f"{HEADER}\n{GOOD},7", "row 2: given 7 columns, allowed 6"),
        (f"{HEADER}\n2026-06-10T08:00Z,15", "row 2: given 2 columns, allowed 6"),
        (f"{HEADER}\n{GOOD}\n\n{GOOD}", "row 4, column time: 2026-06-10T08:00Z is given twice"),
        (f"{HEADER}\n2026-06-10T08:00-04:00,15,10,2,0,0", "row 2, column time: given '2026-06-10T08:00-04:00'"),
        (f"{HEADER}\n2026-06-10T08:30Z,15,10,2,0,0", "allowed a whole hour in UTC"),
        (f"{HEADER}\n10.6.2026,15,10,2,0,0", "given '10.6.2026'"),
        (f"{HEADER}\n2026-06-10T08:00Z,warm,10,2,0,0", "row 2, column air_temperature: given 'warm'"),
        (f"{HEADER}\n2026-06-10T08:00Z,15,10,2,0,-1", "given '-1', allowed a number from 0 to 200 mm"),
        (f"{HEADER}\n2026-06-10T08:00Z,15,10,inf,0,0", "column wind_speed: given 'inf'"),
        (
            f"# made on a Tuesday\n{HEADER},member\n{GOOD},m0",
            "row 1: given '# made on a Tuesday', allowed # issued_at:",
        ),
        (f"# issued_at: 2026-06-10T00:00Z\n{HEADER}\n{GOOD}\n{GOOD}", "row 4, column time"),
        (f'{HEADER}\n"2026-06-10T08:00Z"x,15,10,2,0,0', "not a CSV file"),
    ],
)
def test_a_bad_file_is_refused_with_row_and_column(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "hours.csv"
    path.write_text(text)
    with pytest.raises(Refused, match=words) as refused:
        read(path)
    assert str(refused.value).startswith(f"{path}: ")


def test_what_is_no_text_file_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "missing.csv", tmp_path):
        with pytest.raises(Refused, match=r"there is no such file; write its name in \[weather\] path"):
            read(path)
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"time\xff\xfe")
    with pytest.raises(Refused, match="not UTF-8 text at byte 4"):
        read(binary)
    huge = tmp_path / "huge.csv"
    with huge.open("wb") as file:
        file.truncate(csv_file.MAX_BYTES + 1)
    with pytest.raises(Refused, match="given 100000001 bytes, allowed 100000000"):
        read(huge)


def test_hours_later_than_the_file_are_no_record(tmp_path: Path) -> None:
    """A lone line of hours to come is one forecast of unknown worth, whatever column it lacks."""
    path = written(tmp_path / "hours.csv", TABLE)
    assert read(path).ahead.attrs["kind"] == "record"
    os.utime(path, (NOW.timestamp(), NOW.timestamp()))
    assert read(path).ahead.attrs["kind"] == "forecast"
