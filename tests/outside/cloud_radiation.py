"""Prints how well sun is estimated from cloud: `python -m tests.outside.cloud_radiation`."""

from tests.support.sun_stations import score, stations


def main() -> None:
    """Print a line for each station, kind of cloud and pair."""
    print(f"{'station':<12}{'cloud':<8}{'clear sky':<12}{'hour: bias':>11}{'error':>7}{'of W m-2':>9}", end="")
    print(f"{'day: bias':>12}{'error':>7}{'of MJ m-2':>10}")
    for station in stations():
        for kind in ("total", "opaque"):
            for opaque, sky in ((False, "Haurwitz"), (True, "Kasten")):
                found = score(station, kind, opaque=opaque)
                print(f"{station.name:<12}{kind:<8}{sky:<12}{found.hour_bias:>11.1f}{found.hour_error:>7.1f}", end="")
                print(f"{found.hour_mean:>9.0f}{found.day_bias:>12.2f}{found.day_error:>7.2f}{found.day_mean:>10.1f}")


if __name__ == "__main__":
    main()
