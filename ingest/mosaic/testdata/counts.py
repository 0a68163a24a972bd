"""Counts of codes and values in real MRMS files, by ecCodes.

usage: python counts.py FOLDER > counts.tsv   (eccodes 2.50.0, numpy 2.4.6)
"""
import glob
import gzip
import os
import sys

import eccodes
import numpy as np

# missing, no coverage: NSSL, UserTable_MRMS_v12.1.csv
CODES = {"209.10.0": (-99, -999), "209.9.3": (-99, -999), "209.3.57": (-99, -999)}

print("file\tparameter\tmissing\tno_coverage\tvalues\tmin\tmax\tmean\ttime")
for path in sorted(glob.glob(os.path.join(sys.argv[1], "mrms", "*"))):
    data = open(path, "rb").read()
    if path.endswith(".gz"):
        data = gzip.decompress(data)
    h = eccodes.codes_new_from_message(data)
    parameter = ".".join(str(eccodes.codes_get(h, k)) for k in ("discipline", "parameterCategory", "parameterNumber"))
    if parameter.startswith("209.12"):
        continue
    v = eccodes.codes_get_values(h).astype("f4").astype("f8")
    missing, no_coverage = CODES.get(parameter, (-1, -3))
    value = v[(v != missing) & (v != no_coverage)]
    stamp = "%08d%06d" % (eccodes.codes_get(h, "dataDate"), eccodes.codes_get(h, "dataTime") * 100 + eccodes.codes_get(h, "second"))
    print(os.path.basename(path), parameter, (v == missing).sum(), (v == no_coverage).sum(), value.size,
          "%.9g" % value.min(), "%.9g" % value.max(), "%.9g" % value.mean(), stamp, sep="\t")
