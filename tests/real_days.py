"""Real days as feeds: what a weather station measured, sent by the post of a garden whose enclosures have no probe.

    python -m tests.real_days FOLDER      writes real-DAY.jsonl and real-DAY.toml for each day, for `sensord replay`

The readings are those of tests/data (source and doi in its README); nothing is made up beside them.
"""

from __future__ import annotations

import csv
import json
import re
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

DATA = Path(__file__).parent / "data"
DAYS = tuple(sorted(p.stem.removeprefix("station-") for p in DATA.glob("station-*.csv")))
TOPICS = {
    "temperature_c": "larkfield/post/temperature",
    "relative_humidity_percent": "larkfield/post/humidity",
    "pressure_pa": "larkfield/post/pressure",
    "wind_speed_m_s": "larkfield/post/wind",
}

_CONFIGURATION = """\
# A made-up garden under the measured air of one station: enclosures without probes, and the post.
[site]
name = "larkfield"
title = "Larkfield Lane Community Garden (made-up)"
latitude_deg = {latitude_deg}
longitude_deg = {longitude_deg}
elevation_m = {elevation_m}
time_zone = "America/Chicago"

[[enclosure]]
name = "alder"
title = "Alder"
kind = "open mesh"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
ballast_kg = 4.0

[[enclosure]]
name = "birch"
title = "Birch"
kind = "open mesh"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
ballast_kg = 2.0

[[enclosure]]
name = "cedar"
title = "Cedar"
kind = "clear box"
width_m = 0.4
depth_m = 0.4
height_m = 0.6
own_mass_kg = 1.6
ballast_kg = 6.0
open_fraction = 0.0

[[cohort]]
name = "first"
species = "monarch"
enclosure = "alder"
stage = "instar 4"
stage_since = {began}
count = 14

[[cohort]]
name = "second"
species = "monarch"
enclosure = "birch"
stage = "pupa"
stage_since = {began}
count = 9

[[probe]]
name = "post"
place = "ambient"
sensor = "generic"
every_s = 60
form = "number"
reads = [
  {{ quantity = "temperature", topic = "larkfield/post/temperature", unit = "°C" }},
  {{ quantity = "relative_humidity", topic = "larkfield/post/humidity", unit = "%" }},
]

[[probe]]
name = "barometer"
place = "ambient"
sensor = "generic"
every_s = 60
form = "number"
reads = [ {{ quantity = "pressure", topic = "larkfield/post/pressure", unit = "Pa" }} ]

[[probe]]
name = "gauge"
place = "ambient"
sensor = "generic"
every_s = 60
form = "number"
reads = [ {{ quantity = "wind_speed", topic = "larkfield/post/wind", unit = "m/s" }} ]
"""


class Minute(NamedTuple):
    """One row: when the minute ended, and by column what was measured in it, as text."""

    at: datetime
    values: dict[str, str]


def minutes(day: str) -> Iterator[Minute]:
    """The rows of a day, in order."""
    with (DATA / f"station-{day}.csv").open(encoding="utf-8", newline="") as file:
        next(file)  # the place
        for row in csv.DictReader(file):
            yield Minute(datetime.fromisoformat(row.pop("time_utc")), row)


def feed(day: str) -> Iterator[str]:
    """The day as lines of a feed: at the end of each minute, what the post measured in it."""
    for at, values in minutes(day):
        for column, topic in TOPICS.items():
            if values[column]:
                received_at = at.isoformat().replace("+00:00", "Z")
                yield json.dumps({"received_at": received_at, "topic": topic, "payload": values[column]}) + "\n"


def configuration(day: str) -> str:
    """The garden at that station's place, as TOML."""
    with (DATA / f"station-{day}.csv").open(encoding="utf-8") as file:
        place = file.readline()
    found = re.search(r"latitude (\S+), longitude (\S+), (\S+) m above sea level", place)
    if found is None:
        raise ValueError(f"station-{day}.csv: the first line does not name the place")
    latitude, longitude, elevation = found.groups()
    return _CONFIGURATION.format(
        latitude_deg=latitude, longitude_deg=longitude, elevation_m=elevation, began=f"{day[:10]}T00:00:00Z"
    )


def main(folder: str) -> None:
    """Write the feed and the configuration of every day."""
    for day in DAYS:
        (Path(folder) / f"real-{day}.jsonl").write_text("".join(feed(day)), encoding="utf-8")
        (Path(folder) / f"real-{day}.toml").write_text(configuration(day), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
