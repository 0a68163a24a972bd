"""Sweeps and fields of CfRadial files, by Py-ART and by netCDF4-python.

usage: python golden.py FILE... > golden.tsv   (arm_pyart 2.3.0, netCDF4, numpy)

Both decoders must agree, or the script fails.
"""
import os
import sys

import netCDF4
import numpy as np

os.environ["PYART_QUIET"] = "1"
import pyart  # noqa: E402

print("file\tsweep\tnumber\tmode\tfixed_deg\televation_deg\trays\tstart\tfield\tgates\tfirst_m\tspacing_m\tvalid\tmin\tmax\tmean")
for path in sys.argv[1:]:
    radar = pyart.io.read_cfradial(path)
    d = netCDF4.Dataset(path)
    ragged = "ray_start_index" in d.variables and "n_points" in d.dimensions
    origin = netCDF4.num2date(d["time"][:].astype("f8"), d["time"].units)
    for s in range(radar.nsweeps):
        rays = radar.get_slice(s)
        lead = [
            os.path.basename(path), s, int(radar.sweep_number["data"][s]),
            str(netCDF4.chartostring(d["sweep_mode"][s])).strip("\0 "), "%.6g" % radar.fixed_angle["data"][s],
            "%.6f" % radar.elevation["data"][rays].astype("f8").mean(), rays.stop - rays.start,
            min(origin[rays]).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3],
        ]
        r = radar.range["data"].astype("f8")
        for name in sorted(radar.fields):
            v = radar.fields[name]["data"][rays]
            own = d[name][:]
            if ragged:
                starts, counts = d["ray_start_index"][rays], d["ray_n_gates"][rays]
                own = np.ma.concatenate([own[a:a + n] for a, n in zip(starts, counts)])
            else:
                own = own[rays]
            v = np.ma.masked_invalid(v).compressed().astype("f8")
            w = np.ma.masked_invalid(own).compressed().astype("f8")
            assert v.size == w.size and (v.size == 0 or abs(v.mean() - w.mean()) < 1e-5), (path, name, v.size, w.size)
            gates = int(d["ray_n_gates"][rays].max()) if ragged else r.size
            print(*lead, name, gates, "%.4f" % r[0], "%.6f" % ((r[-1] - r[0]) / (r.size - 1)), v.size,
                  *(["%.8g" % v.min(), "%.8g" % v.max(), "%.9g" % v.mean()] if v.size else ["nan"] * 3), sep="\t")
