"""Summaries of real netCDF files by netCDF4-python, as golden tables.

Usage: python summary.py FOLDER_OF_REAL_FILES > summary.tsv
       python summary.py --times FOLDER_OF_REAL_FILES > times.tsv
       python summary.py --units > units.tsv

Values are unpacked and masked by netCDF4-python's defaults (scale_factor,
add_offset, _Unsigned, _FillValue, missing_value, valid range, default fill
values); NaN counts as missing. Means are taken in double precision.
"""
import glob
import gzip
import os
import sys

import cftime
import netCDF4
import numpy

PATTERNS = ["netcdf/*.nc", "netcdf/*.nc4", "netcdf/*.nc.gz", "goes/*.nc", "cfradial/jma*ref*.nc"]


def files(root):
    for pattern in PATTERNS:
        for path in sorted(glob.glob(os.path.join(root, pattern))):
            opener = gzip.open if path.endswith(".gz") else open
            with opener(path, "rb") as f:
                yield os.path.relpath(path, root), netCDF4.Dataset("memory", memory=f.read())


def iso(date):
    return date.strftime("%Y-%m-%dT%H:%M:%S") + ".%03dZ" % round(date.microsecond / 1000)


def summary(root):
    print("file\tvariable\tshape\tmin\tmax\tmean\tmissing\tfirst\tlast")
    for name, data in files(root):
        for key, v in data.variables.items():
            if v.dtype.kind not in "iuf" or v.size == 0:
                continue
            values = numpy.ma.filled(numpy.ma.asarray(v[...]).astype("f8"), numpy.nan).ravel()
            good = values[~numpy.isnan(values)]
            row = [good.min(), good.max(), good.mean()] if good.size else [numpy.nan] * 3
            ends = [values[0], values[-1]]
            print(name, key, "x".join(map(str, v.shape)), *("%.9g" % x for x in row),
                  values.size - good.size, *("%.12g" % x for x in ends), sep="\t")


def times(root):
    print("file\tvariable\tfirst\tlast")
    for name, data in files(root):
        for key, v in data.variables.items():
            units = getattr(v, "units", "")
            if " since " not in units or "(" in units or v.dtype.kind not in "iuf" or v.size == 0:
                continue
            values = numpy.ma.asarray(v[...]).ravel()
            calendar = getattr(v, "calendar", "standard")
            dates = cftime.num2date([values[0], values[-1]], units.lower(), calendar)
            print(name, key, *map(iso, dates), sep="\t")


UNITS = [
    ("hours since 1992-1-1", "", 102840),
    ("Hour since 2015-12-18T06:00:00Z", "", 90),
    ("seconds since 1970-01-01 00:00:00.0 0:00", "", 1640833200),
    ("minutes since 1970-01-01 00:00:00.0 +0000", "", 27846360),
    ("seconds since 1970-1-1 0:00:00 0:00", "", 1.5),
    ("days since 1-1-1 00:00:0.0", "standard", 738000.25),
    ("days since 0001-01-01 00:00:00", "proleptic_gregorian", 738000.25),
    ("days since 1582-10-01", "standard", 20),
    ("days since 1582-10-01", "gregorian", 3),
    ("days since 1582-10-15", "proleptic_gregorian", 20),
    ("days since 2000-02-28", "julian", 1.5),
    ("days since 1900-02-28", "julian", 1),
    ("hours since 1900-01-01 00:00:0.0", "", 1089144),
    ("seconds since 1992-10-08 15:15:42.5 +05:30", "", 10),
    ("milliseconds since 2020-02-29T23:59:59Z", "", 1500),
    ("msec since 2020-02-29 23:59:59", "", -1),
    ("days since 2000-01-01", "standard", 0.041666666666666664),
    ("hr since 2000-01-01 12:00", "", 0.1),
]


def units():
    print("units\tcalendar\tvalue\tinstant")
    for unit, calendar, value in UNITS:
        date = cftime.num2date(value, unit.lower(), calendar or "standard")
        if calendar == "julian":
            # The instant, named in the calendar of today, by Julian day number.
            day = date.toordinal(fractional=True)
            date = cftime.num2date(day - 2440587.5, "days since 1970-01-01", "proleptic_gregorian")
        print(unit, calendar, repr(value), iso(date), sep="\t")


if sys.argv[1] == "--units":
    units()
elif sys.argv[1] == "--times":
    times(sys.argv[2])
else:
    summary(sys.argv[1])
