"""Reads an archive with tools that are not ours, and compares them with each other.

    python readback.py DIR PROGRAMME

Needs xarray, netCDF4, pyarrow and duckdb; no test runs it. For each day the
messages (JSON lines in zstd, read by duckdb) are held to the table of scores (read by
pyarrow and by duckdb) and to the netCDF files (read by xarray). The only difference
allowed is that of 32-bit numbers in netCDF.
"""

import glob
import json
import sys

import duckdb
import numpy as np
import pyarrow.parquet as pq
import xarray as xr

NUMBERS = {
    "score": ("score", "value"),
    "opportunity": ("score", "opportunity"),
    "target_probability": ("score", "target_probability"),
    "confidence": ("confidence", "value"),
    "freezing_level_altitude": ("levels", "freezing_level_m"),
    "cloud_top_altitude": ("levels", "cloud_top_m"),
    "isotherm_minus_10_altitude": ("levels", "isotherms_m", "-10"),
    "supercooled_liquid_water_path": ("liquid", "used_kg_per_m2"),
    "activation_altitude": ("transport", "activation", "altitude_m"),
    "landing_latitude": ("transport", "landing", "latitude_deg"),
    "landing_minutes_q50": ("transport", "landing_minutes", "q50"),
}


def walk(data, keys):
    for key in keys:
        data = None if data is None else data.get(key)
    return np.nan if data is None else float(data)


def same(what, got, want, digits):
    got, want = np.asarray(got, "f8"), np.asarray(want, "f8")
    if digits == 32:
        got, want = got.astype("f4"), want.astype("f4")
    if got.shape != want.shape or not np.array_equal(got, want, equal_nan=True):
        sys.exit(f"{what}: not equal")


def day(folder):
    events = f"{folder}/events.score.ndjson.zst"
    lines = duckdb.sql(f"select sequence, cast(event as varchar) from read_json('{events}', format='newline_delimited', compression='zstd', columns={{sequence: 'ubigint', event: 'json'}}, maximum_object_size=4194304)").fetchall()
    data = {sequence: json.loads(event)["data"] for sequence, event in lines}
    arrow = pq.read_table(f"{folder}/scores.parquet")
    order = arrow["sequence"].to_pylist()
    if sorted(order) != sorted(data):
        sys.exit(f"{folder}: other messages in the table")
    site = arrow["site"].to_pylist()
    times = arrow["time"].to_pylist()
    if [(s, t) for s, t in zip(site, times)] != sorted(zip(site, times)):
        sys.exit(f"{folder}: not sorted by site and time")
    scores = xr.open_dataset(f"{folder}/scores.nc")
    if scores.sizes["obs"] != len(order) or int(scores["row_size"].sum()) != len(order):
        sys.exit(f"{folder}: rows of netCDF")
    stations = [s.decode() for s in np.repeat(scores["station_id"].values, scores["row_size"].values)]
    if stations != site:
        sys.exit(f"{folder}: stations of netCDF")
    if list(scores["time"].values.astype("M8[us]")) != [np.datetime64(t.replace(tzinfo=None), "us") for t in times]:
        sys.exit(f"{folder}: times of netCDF")
    for column, keys in NUMBERS.items():
        want = [walk(data[n], keys) for n in order]
        same(f"pyarrow {column}", [np.nan if x is None else x for x in arrow[column].to_pylist()], want, 64)
        duck = duckdb.sql(f"select {column} from read_parquet('{folder}/scores.parquet')").fetchall()
        same(f"duckdb {column}", [np.nan if x is None else x for (x,) in duck], want, 64)
        same(f"xarray {column}", scores[column].values, want, 32)
    words = scores["state"].attrs["flag_meanings"].split()
    if [words[int(k)] for k in scores["state"].values] != [data[n]["state"] for n in order]:
        sys.exit(f"{folder}: states of netCDF")
    steps = pq.read_table(f"{folder}/paths.parquet")
    paths = xr.open_dataset(f"{folder}/paths.nc")
    want = [s["latitude_deg"] for n in order for s in data[n]["path"]]
    same("pyarrow latitude", steps["latitude"].to_pylist(), want, 64)
    same("xarray lat", paths["lat"].values, want, 64)
    want = [walk(s, ["cloud_liquid_kg_per_m3"]) for n in order for s in data[n]["path"]]
    same("xarray cloud_liquid", paths["cloud_liquid"].values, want, 32)
    if [int(n) for n in paths["row_size"].values] != [len(data[n]["path"]) for n in order if data[n]["path"]]:
        sys.exit(f"{folder}: trajectories")
    print(f"{folder}: {len(order)} scores, {len(want)} steps: equal in pyarrow, duckdb and xarray")


folders = sorted(glob.glob(f"{sys.argv[1]}/{sys.argv[2]}/*/g*/scores.nc"))
if not folders:
    sys.exit("no day with scores")
for path in folders:
    day(path.rsplit("/", 1)[0])
site = duckdb.sql(f"select site, count(*), avg(score) from read_parquet('{sys.argv[1]}/{sys.argv[2]}/*/g*/scores.parquet') group by site order by site").fetchall()
print(site)
