#!/usr/bin/env python3
"""Write headers.tsv: what ecCodes reads in the descriptions (not the values) of
real GRIB2 files, one row for each kind of message in each file.

    python3 make_headers.py FOLDER   # the folder of real files; eccodes of PyPI
"""
import glob
import gzip
import os
import sys
import eccodes as ec

KEYS = ["dataDate", "dataTime", "validityDate", "validityTime", "productDefinitionTemplateNumber",
        "typeOfFirstFixedSurface", "scaleFactorOfFirstFixedSurface", "scaledValueOfFirstFixedSurface",
        "typeOfSecondFixedSurface", "scaleFactorOfSecondFixedSurface", "scaledValueOfSecondFixedSurface",
        "perturbationNumber", "typeOfStatisticalProcessing", "forecastTime", "indicatorOfUnitOfTimeRange",
        "uvRelativeToGrid", "units", "cfName"]


def get(h, key):
    try:
        if key in ("units", "cfName"):
            return ec.codes_get_string(h, key)
        if key.startswith("scale") and ec.codes_is_missing(h, key):
            return "missing"
        return ec.codes_get_long(h, key)
    except ec.CodesInternalError:
        return ""


def main():
    ec.codes_grib_multi_support_on()
    out = open("headers.tsv", "w")
    out.write("\t".join(["file", "number"] + KEYS) + "\n")
    for path in sorted(glob.glob(sys.argv[1] + "/grib2/*.grib2") + glob.glob(sys.argv[1] + "/mrms/*.grib2*")):
        data = open(path, "rb").read()
        if path.endswith(".gz"):
            data = gzip.decompress(data)
        with open("/tmp/plain.grib2", "wb") as plain:
            plain.write(data)
        kinds, number = set(), 0
        with open("/tmp/plain.grib2", "rb") as f:
            while True:
                try:
                    h = ec.codes_grib_new_from_file(f)
                except ec.CodesInternalError:
                    break
                if h is None:
                    break
                number += 1
                row = [get(h, key) for key in KEYS]
                kind = (row[4], row[5], row[8], row[12], row[14], get(h, "parameterCategory"))
                if kind not in kinds and row[0] != "":
                    kinds.add(kind)
                    out.write("\t".join(map(str, [os.path.basename(path), number] + row)) + "\n")
                ec.codes_release(h)


main()
