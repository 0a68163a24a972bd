"""Golden table of supercooled liquid water over places, straight from a WRF file.

    python oversite.py wrfout.tibet.20050921.allvars.nc > oversite.csv

Needs netCDF4 and NumPy; no test runs it. For points of the mass grid and each time of
the file: the path of cloud water (QCLOUD, kg per kg of dry air) between two isotherms,
and the least and greatest such path with both isotherms up to half a kelvin elsewhere:
half of these clouds lie across -5 °C, and a small part of them counts.
Pressure is P + PB, temperature (T + 300)(p / 1e5)^(2/7), height (PH + PHB) / 9.80665
averaged to mass levels, density p / (287.05 temperature). Water content and temperature
are taken as linear in height between model levels, in steps of 2 m from 10 m above the
ground on; below the lowest level they are those of the level.
"""
import csv
import sys

import netCDF4
import numpy as np

COLDEST, WARMEST, SHIFT = 253.15, 268.15, 0.5
d = netCDF4.Dataset(sys.argv[1])
latitude, longitude, ground = (d[name][:] if d[name].ndim == 2 else d[name][0] for name in ("XLAT", "XLONG", "HGT"))
times = ["".join(t.astype(str)).replace("_", "T") + "Z" for t in d["Times"][:]]
pressure = d["P"][:] + d["PB"][:]
temperature = (d["T"][:] + 300) * (pressure / 1e5) ** (2 / 7)
height = (d["PH"][:] + d["PHB"][:]) / 9.80665
height = (height[:, 1:] + height[:, :-1]) / 2
water = d["QCLOUD"][:] * pressure / (287.05 * temperature)
w = csv.writer(sys.stdout, lineterminator="\n")
w.writerow(["time", "latitude_deg", "longitude_deg", "path_mm", "least_mm", "most_mm"])
nj, ni = temperature.shape[2:]
for n, time in enumerate(times):
    for j in range(1, nj - 1):
        for i in range(1, ni - 1):
            z = np.arange(ground[j, i] + 10, height[n, -1, j, i], 2.0)
            t = np.interp(z, height[n, :, j, i], temperature[n, :, j, i])
            c = np.interp(z, height[n, :, j, i], water[n, :, j, i])
            paths = [
                float(np.sum(np.where((t >= COLDEST + cold) & (t <= WARMEST + warm), c, 0)) * 2)
                for cold in (0, -SHIFT, SHIFT)
                for warm in (0, -SHIFT, SHIFT)
            ]
            w.writerow([time, f"{latitude[j, i]:.5f}", f"{longitude[j, i]:.5f}"] + [f"{x:.6f}" for x in (paths[0], min(paths), max(paths))])
