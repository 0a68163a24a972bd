"""Writes levels.tsv: the levels of public sounding files, read with pandas and
the standard library only, as an oracle for the decoders of this package.

    python levels.py FOLDER > levels.tsv

FOLDER holds the folders sounding and bufkit. Units: hPa, m, C, degrees, m/s,
Pa/s. Knots are 1852/3600 m/s. Needs pandas (version in
testdata/README.md).
"""
import csv
import io
import json
import math
import re
import sys
import zipfile

import pandas as pd

KNOT = 1852 / 3600
NAN = math.nan


def show(x):
    return "-" if x is None or (isinstance(x, float) and math.isnan(x)) else "%.7g" % x


def write(file, report, rows):
    for k, row in enumerate(rows):
        print("\t".join([file, str(report), str(k)] + [show(x) for x in row]))


def listing(folder, name):
    text = open(f"{folder}/sounding/{name}").read()
    table = text.split("<PRE>")[1].split("</PRE>")[0].strip("\n").split("\n")
    frame = pd.read_fwf(io.StringIO("\n".join(table[4:])), header=None, widths=[7] * 11)
    frame = frame.astype(float)
    write(f"sounding/{name}", 0, [
        (p, z, t, d, direction, speed * KNOT, NAN)
        for p, z, t, d, direction, speed in frame[[0, 1, 2, 3, 6, 7]].itertuples(index=False)])


def comma(folder, name):
    frame = pd.read_csv(f"{folder}/sounding/{name}", skipinitialspace=True)
    frame = frame.apply(lambda c: pd.to_numeric(c, errors="coerce") if c.name != "time" else c)
    names = ["pressure_hPa", "geopotential height_m", "temperature_C", "dew point temperature_C",
             "wind direction_degree", "wind speed_m/s"]
    write(f"sounding/{name}", 0, [tuple(map(float, r)) + (NAN,) for r in frame[names].itertuples(index=False)])


def profiles(folder, name):
    data = json.load(open(f"{folder}/sounding/{name}"))  # accepts NaN
    for n, p in enumerate(data["profiles"]):
        write(f"sounding/{name}", n, [
            (l["pres"], l["hght"], l["tmpc"], l["dwpc"], l["drct"],
             None if l["sknt"] is None else l["sknt"] * KNOT, NAN) for l in p["profile"]])


def raw(folder, name):
    text = open(f"{folder}/sounding/{name}").read()
    rows = csv.reader(text.split("%RAW%")[1].split("%END%")[0].strip().split("\n"))
    rows = [[NAN if float(x) == -9999 else float(x) for x in r] for r in rows]
    write(f"sounding/{name}", 0, [(p, z, t, d, w, s * KNOT, NAN) for p, z, t, d, w, s in rows])


def fsl(folder, name):
    frame = pd.read_fwf(f"{folder}/sounding/{name}", header=None, widths=[7] * 7, skiprows=4)
    frame = frame.astype(float).replace(99999, NAN)
    write(f"sounding/{name}", 0, [
        (p / 10, z, t / 10, d / 10, w, s / 10, NAN) for _, p, z, t, d, w, s in frame.itertuples(index=False)])


def igra(folder, name):
    archive = zipfile.ZipFile(f"{folder}/sounding/{name}")
    text = archive.read(archive.namelist()[0]).decode()
    columns = [(3, 8), (9, 15), (16, 21), (22, 27), (28, 33), (34, 39), (40, 45), (46, 51)]
    for n, block in enumerate(text.split("#")[1:]):
        body = block.split("\n", 1)[1]
        if not body.strip():
            continue
        frame = pd.read_fwf(io.StringIO(body), header=None, colspecs=columns).astype(float)
        frame = frame.replace([-9999, -8888], NAN)
        write(f"sounding/{name}", n, [
            (p / 100, z, t / 10, (t - d) / 10, w, s / 10, NAN)
            for _, p, z, t, _, d, w, s in frame.itertuples(index=False)])


def bufkit(folder, name):
    text = open(f"{folder}/bufkit/{name}").read().replace("\r", "")
    names = re.search(r"SNPARM = (.*)", text).group(1).strip().split(";")
    blocks = text.split("\nSTN ")[0].split("STID =")[1:]
    for n in (0, 1, len(blocks) // 2, len(blocks) - 1):
        numbers = [float(x) for x in blocks[n][blocks[n].index("HGHT\n") + 5:].split()]
        numbers = [NAN if x == -9999 else x for x in numbers]
        rows = [dict(zip(names, numbers[k:k + len(names)])) for k in range(0, len(numbers), len(names))]
        write(f"bufkit/{name}", n, [
            (r["PRES"], r["HGHT"], r["TMPC"], r["DWPC"], r["DRCT"], r["SKNT"] * KNOT, r["OMEG"]) for r in rows])


def main(folder):
    print("file\treport\tlevel\tpressure_hPa\theight_m\ttemperature_C\tdew_point_C\twind_from_deg\twind_m_s\tomega_Pa_s")
    for name in ("wyoming.BOI.2010120912.list.html", "wyoming.OUN.1999050400.list.html",
                 "wyoming.72349.1976030400.list.html", "wyoming.82244.2012010100.list.html"):
        listing(folder, name)
    for name in ("wyoming.BOI.2010120912.csv", "wyoming.OUN.1999050400.csv"):
        comma(folder, name)
    for name in ("iem.BOI.2010120912.json", "iem.OUN.2011041418.nan.json"):
        profiles(folder, name)
    raw(folder, "spc.BNA.2014072800.txt")
    fsl(folder, "fsl.SAEZ.2021010112.txt")
    igra(folder, "igra2.USM00070026-data.txt.zip")
    for name in ("2017040100Z_nam_kmso.buf", "2017040106Z_gfs3_kmso.buf"):
        bufkit(folder, name)


main(sys.argv[1])
