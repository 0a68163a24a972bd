"""Places and rotation angles of a WRF-ARW file on a Lambert grid, as the model wrote them.

usage: python wrf.py WRFOUT-FILE > wrf-alpha.tsv
"""
import sys

import netCDF4

d = netCDF4.Dataset(sys.argv[1])
print("point\tlatitude_deg\tlongitude_deg\tcosalpha\tsinalpha")
nj, ni = d["XLAT"].shape
for j in range(nj):
    for i in range(ni):
        print(f"{i},{j}", *(repr(float(d[v][j, i])) for v in ("XLAT", "XLONG", "COSALPHA", "SINALPHA")), sep="\t")
