"""Settings as people write them, for tests that run the program on a file."""

from typing import Final

TWO_ELMS: Final = """
[farm]
name = "Two Elms"
latitude = 43.0
longitude = -75.0
elevation = 300
timezone = "America/New_York"
units = "us"
season = [6]
[weather]
source = "file"
path = "nothing.csv"
contact = "farm@example.org"
[work]
mown_per_hour = 4
bale_size = "4x4"
[page]
port = 0
[[field]]
name = "Long Meadow"
area = 20
stand = "orchardgrass"
"""
# With a place for the options of [weather]; a second field was cut lately.
BROOK_FARM: Final = """
[farm]
name = "Brook Farm"
latitude = 43.0
longitude = -75.0
elevation = 1000
timezone = "America/New_York"
units = "us"

[weather]
{weather}

[work]
mown_per_hour = 4

[[field]]
name = "Long Field"
area = 10
stand = "orchardgrass"
drainage = "well"
expected_yield = 0.8

[[field]]
name = "Mill Field"
area = 5
stand = "timothy"
last_cut = 2026-06-05
"""
