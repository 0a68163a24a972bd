"""Makes folds.tsv and vad.tsv: what Py-ART makes of the velocities of real volumes.

Usage: python wind.py folds FOLDER > folds.tsv
       python wind.py vad FOLDER > vad.tsv

FOLDER holds the real Level II files. Both unfold each sweep with
dealias_region_based (defaults, reference none) and dealias_unwrap_phase (unit
sweep); gates at which the two differ, or that have no velocity, are left out.

folds.tsv: file, index of the sweep in the file, index of the radial in the sweep,
and run by run from the first gate "fold x gates", "-" where left out. Every 15th
radial.

vad.tsv: file, sweep, height above the antenna, eastward and northward wind,
smallest number of rays in a ring and number of rays of the sweep, and the wind by
SciPy's least_squares, loss soft_l1: vad_browning over the gates between 3 and 60 km
of slant range whose height is within 125 m of the level (its window takes all of
these rings alike), and V = a0 + cos(el) (u sin(az) + v cos(az)) fitted to the same
gates at once. vad_browning takes the mean of the rays that are there for a0, which
is right for a full circle only.
"""
import contextlib
import io
import itertools
import os
import sys
import warnings

os.environ["PYART_QUIET"] = "1"
warnings.simplefilter("ignore")
import numpy as np
import pyart
from scipy.optimize import least_squares

FILES = ["KLWX20180302_115347.trimmed_V06", "KMKX20200115_150035.trimmed_V06", "KLBB20160601_150025_V06",
         "KDMX20260101_154351_V06", "KTLX20100501_000444_V03.gz"]


def sweeps(folder):
    for name in FILES:
        radar = pyart.io.read_nexrad_archive(os.path.join(folder, name))
        for index in range(radar.nsweeps):
            one = radar.extract_sweeps([index])
            raw = one.fields["velocity"]["data"]
            if np.ma.count(raw) < 1000:
                continue
            interval = 2 * one.instrument_parameters["nyquist_velocity"]["data"][0]
            valid = pyart.correct.GateFilter(one)
            valid.exclude_invalid("velocity")
            region = pyart.correct.dealias_region_based(one, gatefilter=valid)["data"]
            phase = pyart.correct.dealias_unwrap_phase(one, gatefilter=valid, unwrap_unit="sweep")["data"]
            folds = [np.ma.filled(np.ma.round((x - raw) / interval), np.nan) for x in (region, phase)]
            agreed = np.where(folds[0] == folds[1], folds[0], np.nan)
            one.add_field_like("velocity", "unfolded", np.ma.masked_invalid(np.ma.filled(raw, np.nan) + interval * agreed))
            yield name, index, one, agreed


def folds(folder):
    for name, index, one, agreed in sweeps(folder):
        if index > 3:
            continue
        for ray in range(0, one.nrays, 15):
            text = ["-" if np.isnan(f) else str(int(f)) for f in agreed[ray]]
            runs = [(f, len(list(g))) for f, g in itertools.groupby(text)]
            if runs[-1][0] == "-":
                runs.pop()
            if runs:
                print(name, index, ray, " ".join("%sx%d" % r for r in runs), sep="\t")


def vad(folder):
    for name, index, one, _ in sweeps(folder):
        height = one.gate_z["data"][0]
        slant = one.range["data"]
        for level in np.arange(250.0, 12001, 250):
            inside = (np.abs(height - level) < 125) & (slant >= 3000) & (slant <= 60000)
            field = one.fields["unfolded"]["data"]
            rays = (~np.ma.getmaskarray(field))[:, inside].sum(axis=0)
            if not inside.any() or rays.max() < 120:
                continue
            keep = pyart.correct.GateFilter(one)
            keep.exclude_gates(np.tile(~inside | ((~np.ma.getmaskarray(field)).sum(axis=0) < 120), (one.nrays, 1)))
            with contextlib.redirect_stdout(io.StringIO()):
                wind = pyart.retrieve.vad_browning(one, "unfolded", z_want=np.array([level, level + 1]), gatefilter=keep)
            u, v = wind.u_wind[0], wind.v_wind[0]
            if np.isfinite(u) and np.isfinite(v):
                masked = np.ma.masked_where(keep.gate_excluded, field)
                ray = np.nonzero(~np.ma.getmaskarray(masked))[0]
                azimuth, tilt = np.deg2rad(one.azimuth["data"][ray]), np.cos(np.deg2rad(one.elevation["data"][ray]))
                rows = np.stack([np.ones(len(ray)), tilt * np.sin(azimuth), tilt * np.cos(azimuth)], axis=1)
                fit = least_squares(lambda x: rows @ x - masked.compressed(), [0, u, v], loss="soft_l1").x
                print(name, index, "%g" % level, "%.3f" % u, "%.3f" % v, rays[rays >= 120].min(), one.nrays,
                      "%.3f" % fit[1], "%.3f" % fit[2], sep="\t")


{"folds": folds, "vad": vad}[sys.argv[1]](sys.argv[2])
