"""Scores of persistence and of pysteps, and a small field moved by pysteps.

    python testdata/nowcast/make.py DIRECTORY

DIRECTORY holds the files MRMS_PrecipRate_00.00_20190610-HHMMSS.grib2. Writes
mrms.tsv, synthetic.tsv, extrapolate.tsv and planes.tsv beside this script.
"""
import os
import sys
import warnings

import numpy as np

warnings.filterwarnings("ignore")
import eccodes
import pyproj
from pysteps import motion
from pysteps.extrapolation.semilagrangian import extrapolate

HERE = os.path.dirname(os.path.abspath(__file__))
RADIUS = 6371000.0
REGIONS = [("great-lakes", 45.5, -84.5), ("florida", 30.0, -80.0), ("texas", 29.5, -102.5),
           ("minnesota", 48.0, -90.5), ("ohio-valley", 39.0, -85.5), ("carolina", 35.5, -79.0)]
# Frames known when the forecast is made, the frame forecast, and minutes ahead.
CASES = [(["000000", "000600"], "001000", 4), (["000000", "001000"], "002000", 10),
         (["000000", "000600"], "002000", 14), (["000000", "000400"], "002000", 16)]
N = 460


def table(name, header, rows):
    with open(os.path.join(HERE, name), "w") as f:
        f.write("\t".join(header) + "\n")
        for row in rows:
            f.write("\t".join(str(v) for v in row) + "\n")


def score(forecast, observed):
    both = np.isfinite(forecast) & np.isfinite(observed)
    f, o = forecast[both], observed[both]
    hits = ((f >= 20) & (o >= 20)).sum()
    return "%.4f" % (hits / ((f >= 20) | (o >= 20)).sum()), "%.4f" % np.abs(f - o).mean()


def pysteps_forecast(frames, minutes_apart, lead):
    # Lucas-Kanade with its defaults; what is not seen counts as no echo there.
    velocity = motion.get_method("LK")(np.where(np.isfinite(frames), frames, 0))
    return extrapolate(frames[-1], velocity * lead / minutes_apart, 1, interp_order=1, allow_nonfinite_values=True)[0]


def mrms(directory):
    x = (np.arange(N) - (N - 1) / 2) * 1000.0
    east, north = np.meshgrid(x, x)
    fields = {}
    for time in sorted({t for frames, target, _ in CASES for t in frames + [target]}):
        with open(os.path.join(directory, f"MRMS_PrecipRate_00.00_20190610-{time}.grib2"), "rb") as f:
            message = eccodes.codes_grib_new_from_file(f)
        fields[time] = eccodes.codes_get_values(message).reshape(3500, 7000)
        eccodes.codes_release(message)
    rows = []
    for name, lat0, lon0 in REGIONS:
        plane = pyproj.Proj(f"+proj=aeqd +lat_0={lat0} +lon_0={lon0} +R={RADIUS}")
        lon, lat = plane(east, north, inverse=True)
        j, i = np.rint((54.995 - lat) / 0.01).astype(int), np.rint((lon + 129.995) / 0.01).astype(int)
        frames = {}
        for time, field in fields.items():
            rate = field[j, i]
            with np.errstate(divide="ignore", invalid="ignore"):
                dbz = np.maximum(0, 10 * np.log10(200) + 16 * np.log10(rate))
            frames[time] = np.where(rate < 0, np.nan, np.where(rate == 0, 0, dbz))
        for known, target, lead in CASES:
            apart = (int(known[-1]) - int(known[0])) // 100
            seen = np.stack([frames[t] for t in known])
            observed = frames[target]
            rows.append([name, lat0, lon0, ",".join(known), target, lead, int((observed >= 20).sum()), int(np.isnan(observed).sum()),
                         *score(seen[-1], observed), *score(pysteps_forecast(seen, apart, lead), observed)])
    table("mrms.tsv", ["region", "lat", "lon", "known", "target", "lead_min", "cells_20dbz", "cells_not_seen",
                       "persistence_csi", "persistence_mae", "pysteps_csi", "pysteps_mae"], rows)


def invented(kind, minutes):
    """Blobs of echo moved exactly: the value at a place is that of where its air was at 0."""
    x = (np.arange(N) - (N - 1) / 2)  # km
    x, y = np.meshgrid(x, x)
    t = minutes * 60.0
    if kind == "rotated":
        a = 2 * np.pi * minutes / (20 * 60)  # counterclockwise, a turn in 20 h
        x, y = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
    elif kind == "deformed":
        x, y = x - 0.008 * t, y - 0.005 * t
        x, y = x * np.exp(-3e-5 * t), y * np.exp(3e-5 * t)
    else:
        x, y = x - 0.014 * t, y - 0.006 * t
    total = np.full_like(x, -10.0)
    for k in range(260):
        bx, by = 760 * ((0.7548776662466927 * (k + 1)) % 1 - 0.5), 760 * ((0.5698402909980532 * (k + 1)) % 1 - 0.5)
        size = 4 + 10 * ((0.6180339887498949 * (k + 1)) % 1)
        height = 20 + 25 * ((0.4142135623730951 * (k + 1)) % 1)
        if kind == "growing":
            height *= 1 + 0.35 * np.sin(2 * np.pi * (minutes / 300 + (0.3027756377319946 * (k + 1)) % 1))
        total += height * np.exp(-((x - bx) ** 2 + (y - by) ** 2) / (2 * size * size))
    return np.minimum(np.maximum(total, 0), 60)


def synthetic():
    rows = []
    for kind in ["moved", "rotated", "deformed", "growing"]:
        seen = np.stack([invented(kind, m) for m in (-10, -5, 0)])
        for lead in (15, 30, 60):
            observed = invented(kind, lead)
            rows.append([kind, lead, int((observed >= 20).sum()), *score(seen[-1], observed), *score(pysteps_forecast(seen, 5, lead), observed)])
    table("synthetic.tsv", ["kind", "lead_min", "cells_20dbz", "persistence_csi", "persistence_mae", "pysteps_csi", "pysteps_mae"], rows)


def moved():
    """A 24 x 24 field in a vortex, three steps."""
    n = 24
    i, j = np.meshgrid(np.arange(n), np.arange(n))
    field = 20 + 10 * np.sin(i / 3.0) * np.cos(j / 4.0)
    velocity = np.stack([-0.05 * (j - 11.5) + 0.5, 0.05 * (i - 11.5)])  # cells a step
    out = extrapolate(field, velocity, 3, interp_order=1)
    table("extrapolate.tsv", ["step", "j", "values"],
          [[k + 1, row] + ["nan" if np.isnan(v) else "%.4f" % v for v in out[k][row]] for k in range(3) for row in range(n)])


def planes():
    rows = []
    for lat0, lon0, lat, lon in [(39, -106.5, 39.5, -106), (39, -106.5, 37.2, -109.4), (60, 179.5, 61, -179), (-45, 168, -44, 171), (39, -106.5, 41.07, -106.5)]:
        x, y = pyproj.Proj(f"+proj=aeqd +lat_0={lat0} +lon_0={lon0} +R={RADIUS}")(lon, lat)
        rows.append([lat0, lon0, lat, lon, "%.3f" % x, "%.3f" % y])
    table("planes.tsv", ["lat0", "lon0", "lat", "lon", "x_m", "y_m"], rows)


planes()
moved()
synthetic()
mrms(sys.argv[1])
os._exit(0)  # some of these libraries crash when they are unloaded together
