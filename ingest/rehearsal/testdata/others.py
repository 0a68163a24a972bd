"""What other readers find in the files that this package writes of its small storm.

usage: REHEARSAL_FILES=FOLDER go test -run TestOtherReaders ./ingest/rehearsal
       python others.py FOLDER > others.tsv      (eccodes, netCDF4, pyproj, NumPy)
       python others.py FOLDER radar >> others.tsv   (Py-ART)

One row a value: what, number (message, sweep, level), column and row (gate and
ray for the radar), latitude, longitude, altitude, value. Places are found by the
reader's own geometry; of satellite pixels that is the place under the top of the
cloud, at the height that the file gives.
"""
import gzip
import math
import os
import sys


def row(*cells):
    print("\t".join(c if isinstance(c, str) else f"{c:.10g}" for c in cells))


def model(path):
    import eccodes
    number = 0
    with open(path, "rb") as f:
        while (h := eccodes.codes_grib_new_from_file(f)) is not None:
            number += 1
            values = eccodes.codes_get_values(h)
            ni = eccodes.codes_get(h, "Nx")
            name = "model " + ".".join(str(eccodes.codes_get(h, k)) for k in ("discipline", "parameterCategory", "parameterNumber"))
            isobaric = eccodes.codes_get(h, "typeOfFirstFixedSurface", int) == 100
            if (isobaric and eccodes.codes_get(h, "level") in (850, 700, 525)) or (not isobaric and name in ("model 0.3.0", "model 0.3.5")):
                lats, lons = eccodes.codes_get_array(h, "latitudes"), eccodes.codes_get_array(h, "longitudes")
                for k in (0, ni + 3, len(values) // 2, len(values) - 2):
                    level = eccodes.codes_get(h, "level") * 100 if isobaric else math.nan
                    row(name, number, k % ni, k // ni, lats[k], lons[k] - 360, level, values[k])
            eccodes.codes_release(h)


def mosaic(path):
    import eccodes
    with gzip.open(path) as f:
        h = eccodes.codes_new_from_message(f.read())
    values = eccodes.codes_get_values(h)
    ni = eccodes.codes_get(h, "Ni")
    lats, lons = eccodes.codes_get_array(h, "latitudes"), eccodes.codes_get_array(h, "longitudes")
    for k in range(5, len(values), len(values) // 40):
        row("mosaic", 1, k % ni, k // ni, lats[k], lons[k] - 360, math.nan, values[k])


def balloon(path):
    import eccodes
    with open(path, "rb") as f:
        h = eccodes.codes_bufr_new_from_file(f)
    eccodes.codes_set(h, "unpack", 1)
    latitude, longitude = eccodes.codes_get(h, "latitude"), eccodes.codes_get(h, "longitude")
    get = lambda name: eccodes.codes_get_array(h, name)
    dlat, dlon, z, p, t = get("latitudeDisplacement"), get("longitudeDisplacement"), get("nonCoordinateGeopotentialHeight"), get("pressure"), get("airTemperature")
    seconds, speed = get("timePeriod"), get("windSpeed")
    for k in range(0, len(p), len(p) // 12):
        for name, v in (("pressure", p), ("temperature", t), ("wind speed", speed)):
            row("balloon " + name, int(seconds[k]), 0, 0, latitude + dlat[k], longitude + dlon[k], float(z[k]), v[k])


def satellite(path, variable):
    import netCDF4
    import numpy as np
    from pyproj import Proj, Transformer
    d = netCDF4.Dataset(path)
    p = d["goes_imager_projection"]
    h, lon0 = p.perspective_point_height, p.longitude_of_projection_origin
    ellipsoid = f"+a={p.semi_major_axis} +b={p.semi_minor_axis}"
    geos = Proj(f"+proj=geos +h={h} +lon_0={lon0} +sweep={p.sweep_angle_axis} {ellipsoid}")
    ecef = Transformer.from_pipeline(f"+proj=pipeline +step +proj=cart {ellipsoid}")
    eye = np.array(ecef.transform(lon0, 0.0, h))
    x, y, v = d["x"][:], d["y"][:], d[variable][:]

    def under(i, j, height):
        lon, lat = geos(float(x[i]) * h, float(y[j]) * h, inverse=True)
        ground, low, high = np.array(ecef.transform(lon, lat, 0.0)), 0.0, 0.01
        for _ in range(60):
            middle = (low + high) / 2
            plon, plat, ph = ecef.transform(*(ground + middle * (eye - ground)), direction="INVERSE")
            low, high = (middle, high) if ph < height else (low, middle)
        return plat, plon

    tops = [(i, j) for j in range(2, v.shape[0] - 2) for i in range(2, v.shape[1] - 2)
            if not np.ma.is_masked(v[j - 2:j + 3, i - 2:i + 3])]
    for i, j in tops[::max(1, len(tops) // 25)]:
        height = float(v[j, i])
        lat, lon = under(i, j, height)
        row("satellite " + variable, 1, i, j, lat, lon, height, height)


def radar(path):
    import pyart
    r = pyart.io.read_nexrad_archive(path)
    lats, lons, alts = r.gate_latitude["data"], r.gate_longitude["data"], r.gate_altitude["data"]
    for name in ("reflectivity", "velocity"):
        values = r.fields[name]["data"]
        for sweep in range(r.nsweeps):
            first = r.sweep_start_ray_index["data"][sweep]
            for ray in range(7, 360, 61):
                k = first + ray
                for gate in (8, 23, 51, 90):
                    if values.mask[k, gate]:
                        continue
                    row("radar " + name, sweep, gate, ray, lats[k, gate], lons[k, gate], alts[k, gate], values[k, gate])


folder = sys.argv[1]
if len(sys.argv) > 2:
    radar(os.path.join(folder, "radar"))
else:
    row("what", "number", "column", "row", "latitude_deg", "longitude_deg", "altitude_m or pressure_pa", "value")
    model(os.path.join(folder, "model"))
    mosaic(os.path.join(folder, "mosaic.gz"))
    balloon(os.path.join(folder, "balloon"))
    satellite(os.path.join(folder, "height.nc"), "HT")
