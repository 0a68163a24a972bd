#!/usr/bin/env python3
"""Write the small GRIB2 files of packings/: one invented temperature field in
every packing, scanning mode and grid that the decoder reads, as encoded by
ecCodes. Run in this directory:

    python3 make_packings.py        # python3-eccodes or the eccodes package of PyPI

The field is air temperature at 700 hPa on 24 x 15 points of 0.25 degrees,
263.15 K + 8 K sin(i/5) cos(j/4) + 0.05 K (i mod 3).
"""
import math
import eccodes as ec

NI, NJ = 24, 15


def field():
    return [263.15 + 8 * math.sin(i / 5) * math.cos(j / 4) + 0.05 * (i % 3)
            for j in range(NJ) for i in range(NI)]


def base():
    h = ec.codes_grib_new_from_samples("regular_ll_pl_grib2")
    for key, value in {
        "centre": 255, "dataDate": 20300115, "dataTime": 600, "stepRange": 3,
        "discipline": 0, "parameterCategory": 0, "parameterNumber": 0,
        "typeOfFirstFixedSurface": 100, "scaleFactorOfFirstFixedSurface": 0, "scaledValueOfFirstFixedSurface": 70000,
        "Ni": NI, "Nj": NJ,
        "latitudeOfFirstGridPointInDegrees": 42.5, "latitudeOfLastGridPointInDegrees": 39.0,
        "longitudeOfFirstGridPointInDegrees": 250.0, "longitudeOfLastGridPointInDegrees": 255.75,
        "iDirectionIncrementInDegrees": 0.25, "jDirectionIncrementInDegrees": 0.25,
        "decimalScaleFactor": 1, "bitsPerValue": 12,
    }.items():
        ec.codes_set(h, key, value)
    return h


def write(name, h, values=None):
    if values is not None:
        ec.codes_set_values(h, values)
    with open(f"packings/{name}.grib2", "wb") as out:
        ec.codes_write(h, out)
    ec.codes_release(h)


def holes(values):
    """Every seventh point, and a block, without a value."""
    return [ec.CODES_MISSING_DOUBLE if k % 7 == 3 or 60 <= k < 90 else v for k, v in enumerate(values)]


def main():
    values = field()
    for name, packing in {
        "simple": "grid_simple", "complex": "grid_complex", "second-order": "grid_complex_spatial_differencing",
        "ieee": "grid_ieee", "png": "grid_png", "jpeg": "grid_jpeg", "ccsds": "grid_ccsds",
    }.items():
        h = base()
        ec.codes_set_values(h, values)
        ec.codes_set(h, "packingType", packing)
        if packing == "grid_complex_spatial_differencing":
            ec.codes_set(h, "orderOfSpatialDifferencing", 2)
        write(name, h, values)
        if packing == "grid_complex_spatial_differencing":
            h = base()
            ec.codes_set_values(h, values)
            ec.codes_set(h, "packingType", packing)
            ec.codes_set(h, "orderOfSpatialDifferencing", 1)
            write("first-order", h, values)
        if packing == "grid_png":
            continue  # ecCodes writes no PNG picture of fewer values than points
        h = base()
        ec.codes_set(h, "bitmapPresent", 1)
        ec.codes_set(h, "missingValue", ec.CODES_MISSING_DOUBLE)
        ec.codes_set_values(h, holes(values))
        ec.codes_set(h, "packingType", packing)
        write(name + "-bitmap", h, holes(values))
    # ecCodes aborts where a picture comes out longer than its numbers: all rows
    # are alike here, which packs well.
    alike = values[:NI] * NJ
    for bits in (1, 2, 4, 8, 16, 24, 32):
        h = base()
        ec.codes_set_values(h, alike)
        ec.codes_set(h, "packingType", "grid_png")
        ec.codes_set(h, "decimalScaleFactor", 0)
        ec.codes_set(h, "bitsPerValue", bits)
        write(f"png-{bits}", h, alike)
    for bits in (1, 7, 8, 14, 15, 16, 25, 28, 29, 32):
        h = base()
        ec.codes_set(h, "decimalScaleFactor", 0)
        ec.codes_set(h, "bitsPerValue", bits)
        write(f"simple-{bits}", h, values)
    h = base()
    write("constant", h, [271.25] * (NI * NJ))
    for mode in (0x10, 0x20, 0x30, 0x40, 0x50, 0x60, 0x70, 0x80, 0xC0, 0xF0):
        h = base()
        first = (39.0, 42.5) if mode & 0x40 else (42.5, 39.0)
        west = (255.75, 250.0) if mode & 0x80 else (250.0, 255.75)
        ec.codes_set(h, "scanningMode", mode)
        ec.codes_set(h, "latitudeOfFirstGridPointInDegrees", first[0])
        ec.codes_set(h, "latitudeOfLastGridPointInDegrees", first[1])
        ec.codes_set(h, "longitudeOfFirstGridPointInDegrees", west[0])
        ec.codes_set(h, "longitudeOfLastGridPointInDegrees", west[1])
        write(f"scanning-{mode:02x}", h, values)
    h = base()
    ec.codes_set(h, "gridDefinitionTemplateNumber", 1)
    for key, value in {
        "Ni": NI, "Nj": NJ, "latitudeOfSouthernPoleInDegrees": -36.5, "longitudeOfSouthernPoleInDegrees": 265.0,
        "latitudeOfFirstGridPointInDegrees": 1.5, "latitudeOfLastGridPointInDegrees": -2.0,
        "longitudeOfFirstGridPointInDegrees": 357.0, "longitudeOfLastGridPointInDegrees": 2.75,
        "iDirectionIncrementInDegrees": 0.25, "jDirectionIncrementInDegrees": 0.25,
    }.items():
        ec.codes_set(h, key, value)
    write("rotated", h, values)


main()
