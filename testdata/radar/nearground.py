"""Mean reflectivity over squares of 1 km on the lowest beam of real Level II files.

python testdata/radar/nearground.py FOLDER > testdata/radar/nearground.tsv

FOLDER holds the real Level II files. Columns: file, latitude, longitude, elevation
of the sweep, gates in the square, 10 log10 of the mean of Z over them. Gates are
those whose centre lies in the square, placed by Py-ART (equivalent earth of 4/3
radius, azimuthal equidistant). Only squares all of whose gates are measured.
"""

import os
import sys
import warnings

os.environ["PYART_QUIET"] = "1"
warnings.simplefilter("ignore")
import numpy as np
import pyart

print("file\tlatitude_deg\tlongitude_deg\televation_deg\tgates\tdbz")
for name in ("KDMX20260101_154351_V06", "KMKX20200115_150035.trimmed_V06", "KLBB20160601_150025_V06"):
    radar = pyart.io.read_nexrad_archive(f"{sys.argv[1]}/{name}")
    lowest = radar.fixed_angle["data"].min()
    nyquist = [radar.get_nyquist_vel(k, check_uniform=False) for k in range(radar.nsweeps)]
    # The long-range cuts at the lowest elevation have the lowest pulse rate.
    near = [k for k in range(radar.nsweeps) if radar.fixed_angle["data"][k] < lowest + 0.15]
    slow = [k for k in near if nyquist[k] <= min(nyquist[j] for j in near) * 1.1]
    sweep = slow[-1]
    z = radar.get_field(sweep, "reflectivity")
    x, y, _ = radar.get_gate_x_y_z(sweep)
    random = np.random.default_rng(7)
    rows = 0
    for _ in range(4000):
        away, azimuth = random.uniform(15e3, 110e3), random.uniform(0, 2 * np.pi)
        cx, cy = away * np.sin(azimuth), away * np.cos(azimuth)
        inside = (np.abs(x - cx) <= 500) & (np.abs(y - cy) <= 500)
        values = z[inside]
        if inside.sum() < 3 or np.ma.count_masked(values):
            continue
        lon, lat = pyart.core.cartesian_to_geographic_aeqd(cx, cy, radar.longitude["data"][0], radar.latitude["data"][0], 6371000.0)
        mean = 10 * np.log10(np.mean(10 ** (np.asarray(values, float) / 10)))
        print(f"{name}\t{lat[0]:.5f}\t{lon[0]:.5f}\t{float(np.mean(radar.get_elevation(sweep))):.2f}\t{inside.sum()}\t{mean:.2f}")
        rows += 1
        if rows == 60:
            break
