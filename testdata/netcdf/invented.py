"""Small invented netCDF files, written by netCDF4-python.

Usage: python invented.py FOLDER

Every value is a formula of its indices, so that a reader can be checked without
reading the file twice.
"""
import os
import sys

import netCDF4
import numpy

folder = sys.argv[1]


def create(name, fmt):
    return netCDF4.Dataset(os.path.join(folder, name), "w", format=fmt)


def transposed(name, fmt):
    """Dimensions in the order lon, lat, time; packed; cyclic; time bounds."""
    d = create(name, fmt)
    d.Conventions = "CF-1.8"
    for dim, n in (("lon", 12), ("lat", 4), ("time", 2), ("nv", 2)):
        d.createDimension(dim, n)
    lon = d.createVariable("lon", "f4", ("lon",))
    lon.units = "degrees_east"
    lon[:] = numpy.arange(12) * 30
    lat = d.createVariable("lat", "f8", ("lat",))
    lat.units = "degrees_north"
    lat[:] = [60, 50, 35, 10]
    time = d.createVariable("time", "i4", ("time",))
    time.units = "hours since 2026-01-14 00:00 -7:00"
    time.bounds = "time_bnds"
    time[:] = [3, 6]
    bounds = d.createVariable("time_bnds", "i4", ("time", "nv"))
    bounds[:] = [[0, 3], [3, 6]]
    t = d.createVariable("t", "i2", ("lon", "lat", "time"), fill_value=-999)
    t.standard_name = "air_temperature"
    t.units = "K"
    t.cell_methods = "area: mean time: maximum (interval: 10 minutes)"
    t.scale_factor = numpy.float32(0.01)
    t.add_offset = numpy.float32(250)
    t.valid_range = numpy.array([0, 2000], "i2")
    t.set_auto_maskandscale(False)
    i, j, k = numpy.ogrid[0:12, 0:4, 0:2]
    stored = 100 * i + 10 * j + k
    stored[5, 2, 1] = -999  # fill value
    stored[6, 2, 1] = 2001  # above the valid range
    t[:] = stored
    b = d.createVariable("b", "i1", ("lat", "lon"))
    b._Unsigned = "true"
    b.missing_value = numpy.int8(-1)  # 255
    b[:] = (numpy.arange(48) * 5 + 20).reshape(4, 12).astype("u1").view("i1")
    c = d.createVariable("label", "S1", ("lat", "lon"))
    c[:] = b"a"
    d.close()


def ensemble(name):
    """Members, uneven levels, a group, strings, chunks, a Lambert map in km."""
    d = create(name, "NETCDF4")
    d.createDimension("realization", 2)
    d.createDimension("time", None)
    d.createDimension("plev", 3)
    d.createDimension("y", 5)
    d.createDimension("x", 4)
    d.createDimension("empty", None)
    realization = d.createVariable("realization", "i4", ("realization",))
    realization.standard_name = "realization"
    realization[:] = [7, 9]
    time = d.createVariable("time", "f8", ("time",))
    time.setncattr_string("standard_name", "time")
    time.setncattr_string("units", "days since 2026-01-14")
    time[:] = [0.25, 0.375]
    run = d.createVariable("run", "i8", ())
    run.standard_name = "forecast_reference_time"
    run.units = "seconds since 1970-01-01"
    run[...] = 1768348800  # 2026-01-14 00 UTC
    plev = d.createVariable("plev", "f4", ("plev",))
    plev.units = "hPa"
    plev.positive = "down"
    plev.axis = "Z"
    plev[:] = [850, 700, 500]
    y = d.createVariable("y", "f4", ("y",))
    y.standard_name = "projection_y_coordinate"
    y.units = "km"
    y[:] = [-6, -3, 0, 3, 6]
    x = d.createVariable("x", "f4", ("x",))
    x.standard_name = "projection_x_coordinate"
    x.units = "km"
    x[:] = [0, 3, 7, 9]  # uneven
    crs = d.createVariable("crs", "i4", ())
    crs.grid_mapping_name = "lambert_conformal_conic"
    crs.standard_parallel = [38.5, 38.5]
    crs.longitude_of_central_meridian = -106.0
    crs.latitude_of_projection_origin = 38.5
    crs.earth_radius = 6371229.0
    height = d.createVariable("height", "f8", ())
    height.standard_name = "height"
    height.units = "m"
    height.positive = "up"
    height[...] = 2.0
    g = d.createGroup("model")
    t = g.createVariable("t", "f4", ("realization", "time", "plev", "y", "x"), compression="zlib",
                         complevel=4, chunksizes=(1, 2, 3, 2, 4), fill_value=1e20)
    t.setncattr_string("standard_name", "air_temperature")
    t.units = "K"
    t.grid_mapping = "crs: x y"
    m, n, k, j, i = numpy.ogrid[0:2, 0:2, 0:3, 0:5, 0:4]
    values = (10000.0 * m + 1000 * n + 100 * k + 10 * j + i).astype("f4")
    values[1, 1, 2, 4, 3] = 1e20
    t[:] = values
    s = g.createVariable("t2", "f8", ("time", "y", "x"))
    s.standard_name = "air_temperature"
    s.units = "K"
    s.coordinates = "height"
    s.grid_mapping = "crs"
    s[0:2] = 273.25
    u = g.createVariable("soil", "u2", ("y", "x"))
    u[:] = 65535  # the default fill value
    words = d.createVariable("words", str, ("y",))
    for k, word in enumerate(["one", "two", "three", "four", "five"]):
        words[k] = word
    pair = d.createCompoundType(numpy.dtype([("a", "i4"), ("b", "f8")]), "pair")
    d.createVariable("pairs", pair, ("y",))
    d.createVariable("nothing", "f4", ("empty", "y", "x"))
    lat = d.createVariable("lat2", "f8", ("y", "x"))
    lat.units = "degrees_north"
    lat[:] = 38 + 0.03 * numpy.arange(5)[:, None] + 0 * numpy.arange(4)
    lon = d.createVariable("lon2", "f8", ("y", "x"))
    lon.units = "degrees_east"
    lon[:] = -106 + 0 * numpy.arange(5)[:, None] + 0.04 * numpy.arange(4)
    w = d.createVariable("wind", "f8", ("y", "x"))
    w.units = "m s-1"
    w.coordinates = "lat2 lon2"
    w[:] = numpy.arange(20).reshape(5, 4)
    d.close()


def profiles(name):
    """Contiguous ragged profiles (CF 9.3.3)."""
    d = create(name, "NETCDF3_CLASSIC")
    d.featureType = "profile"
    d.createDimension("profile", 2)
    d.createDimension("obs", 5)
    for key, units, values in (("lat", "degrees_north", [40, 41]), ("lon", "degrees_east", [-105, 250])):
        v = d.createVariable(key, "f8", ("profile",))
        v.units = units
        v[:] = values
    time = d.createVariable("time", "f8", ("profile",))
    time.standard_name = "time"
    time.units = "hours since 2026-01-14T00:00:00Z"
    time[:] = [1, 2]
    size = d.createVariable("rowSize", "i4", ("profile",))
    size.sample_dimension = "obs"
    size[:] = [2, 3]
    z = d.createVariable("z", "f4", ("obs",))
    z.standard_name = "altitude"
    z.units = "km"
    z.positive = "up"
    z.axis = "Z"
    z[:] = [1, 2, 3, 2, 1]
    t = d.createVariable("t", "f4", ("obs",))
    t.standard_name = "air_temperature"
    t.units = "degC"
    t[:] = [10, 5, 0, 4, 8]
    d.close()


def huge(name):
    """Variables of 10^9 points and of one huge chunk, never written."""
    d = create(name, "NETCDF4")
    d.createDimension("y", 31623)
    d.createDimension("x", 31623)
    d.createVariable("big", "f4", ("y", "x"), chunksizes=(1000, 1000))
    d.createDimension("lat", 10000)
    d.createDimension("lon", 10000)
    d.createVariable("wide", "f8", ("lat", "lon"), chunksizes=(10000, 10000))
    d.close()


transposed("transposed.cdf1.nc", "NETCDF3_CLASSIC")
transposed("transposed.cdf2.nc", "NETCDF3_64BIT_OFFSET")
transposed("transposed.cdf5.nc", "NETCDF3_64BIT_DATA")
ensemble("ensemble.nc4")
profiles("ragged.nc")
huge("huge.nc4")
