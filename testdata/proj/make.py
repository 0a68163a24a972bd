"""Tables of projected places and meridian convergence, for the tests of package grid.

usage: python make.py OUTPUT-DIRECTORY   (pyproj 3.7.2, which brings its own PROJ)
"""
import math
import sys

import numpy as np
import pyproj
from pyproj import Geod, Proj, Transformer

CASES = {
    # name: PROJ parameters, latitudes, longitudes
    "lambert-secant-sphere": ("+proj=lcc +lat_1=33 +lat_2=45 +lat_0=39 +lon_0=-96 +R=6370000", (20, 55, 8), (-135, -60, 6)),
    "lambert-tangent-sphere": ("+proj=lcc +lat_1=38.5 +lat_2=38.5 +lat_0=38.5 +lon_0=262.5 +R=6371229", (15, 60, 8), (-140, -55, 6)),
    "lambert-secant-wgs84": ("+proj=lcc +lat_1=46 +lat_2=49 +lat_0=47.5 +lon_0=13.3333333 +x_0=400000 +y_0=-300000 +a=6378137 +rf=298.257223563", (-60, 89, 9), (-150, 170, 7)),
    "lambert-tangent-bessel": ("+proj=lcc +lat_1=46.8 +lat_0=46.8 +lon_0=2.3 +a=6377397.155 +b=6356078.963", (35, 60, 6), (-10, 20, 5)),
    "lambert-south-sphere": ("+proj=lcc +lat_1=-25 +lat_2=-50 +lat_0=-35 +lon_0=175 +R=6371229", (-70, 20, 8), (120, 235, 6)),
    "lambert-south-iau1965": ("+proj=lcc +lat_1=-35 +lat_2=-35 +lat_0=-40 +lon_0=-65 +a=6378160 +b=6356775", (-89, 10, 8), (-120, -10, 6)),
    "stereographic-north-sphere": ("+proj=stere +lat_0=90 +lat_ts=60 +lon_0=-105 +R=6371229", (-30, 90, 9), (-180, 180, 9)),
    "stereographic-north-wgs84": ("+proj=stere +lat_0=90 +lat_ts=70 +lon_0=-45 +x_0=1000 +y_0=2000 +a=6378137 +rf=298.257223563", (-30, 90, 9), (-180, 180, 9)),
    "stereographic-north-scale": ("+proj=stere +lat_0=90 +k_0=0.994 +lon_0=10 +a=6378137 +rf=298.257222101", (20, 90, 6), (-180, 180, 7)),
    "stereographic-south-sphere": ("+proj=stere +lat_0=-90 +lat_ts=-60 +lon_0=140 +R=6367470", (-90, 30, 9), (-180, 180, 9)),
    "stereographic-south-wgs84": ("+proj=stere +lat_0=-90 +lat_ts=-71 +lon_0=0 +a=6378137 +rf=298.257223563", (-90, 30, 9), (-180, 180, 9)),
    "mercator-sphere": ("+proj=merc +lat_ts=20 +lon_0=-160 +R=6371200", (-80, 80, 9), (-179, 170, 7)),
    "mercator-wgs84": ("+proj=merc +lat_ts=-35 +lon_0=150 +x_0=-2000 +y_0=500 +a=6378137 +rf=298.257223563", (-84, 84, 9), (-29, 320, 7)),
    "mercator-scale-airy": ("+proj=merc +k_0=0.9996 +lon_0=-2 +a=6377563.396 +b=6356256.909", (-80, 80, 9), (-180, 170, 7)),
    "albers-sphere": ("+proj=aea +lat_1=29.5 +lat_2=45.5 +lat_0=23 +lon_0=-96 +R=6371200", (-60, 90, 8), (-180, 80, 7)),
    "albers-south-wgs84": ("+proj=aea +lat_1=-18 +lat_2=-36 +lat_0=-30 +lon_0=132 +x_0=100 +y_0=-200 +a=6378137 +rf=298.257223563", (-89, 60, 8), (90, 170, 6)),
    "azimuthal-grs80": ("+proj=laea +lat_0=52 +lon_0=10 +x_0=4321000 +y_0=3210000 +a=6378137 +rf=298.257222101", (-40, 90, 8), (-100, 120, 7)),
    "azimuthal-sphere": ("+proj=laea +lat_0=-10 +lon_0=170 +R=6371229", (-80, 80, 8), (60, 280, 7)),
    "azimuthal-pole-wgs84": ("+proj=laea +lat_0=-90 +lon_0=20 +a=6378137 +rf=298.257223563", (-90, 60, 8), (-180, 170, 7)),
    "transverse-airy": ("+proj=tmerc +lat_0=49 +lon_0=-2 +k_0=0.9996012717 +x_0=400000 +y_0=-100000 +a=6377563.396 +b=6356256.909", (-80, 85, 8), (-40, 36, 7)),
    "transverse-sphere": ("+proj=tmerc +lat_0=0 +lon_0=15 +k_0=1 +R=6371229", (-80, 85, 8), (-40, 70, 7)),
}

GEOSTATIONARY = {
    # name: PROJ parameters; places all around the disc, unseen ones give inf
    "goes-east": "+proj=geos +h=35786023 +lon_0=-75 +sweep=x +a=6378137 +b=6356752.31414",
    "goes-west": "+proj=geos +h=35786023 +lon_0=-137 +sweep=x +a=6378137 +b=6356752.31414",
    "meteosat": "+proj=geos +h=35785831 +lon_0=0 +sweep=y +a=6378169 +b=6356583.8",
    "himawari-sphere": "+proj=geos +h=35785863 +lon_0=140.7 +sweep=y +R=6371000 +x_0=1000 +y_0=-500",
}

# PROJ's own reading of the GRIB convention (pole rotation): o_lat_p is minus the
# latitude of the south pole, lon_0 its longitude, o_lon_p minus the rotation.
ROTATED = {
    # name: south pole latitude, longitude, rotation
    "rotated-europe": (-40.0, 10.0, 0.0),
    "rotated-canada": (-36.08852, -114.694858 + 360, 0.0),
    "rotated-with-angle": (-32.5, 150.0, 25.0),
    "rotated-north-half": (20.0, -60.0, -70.0),
    "rotated-not-at-all": (-90.0, 0.0, 0.0),
}


def main(out):
    with open(out + "/geostationary.tsv", "w") as f:
        f.write("case\tlatitude_deg\tlongitude_deg\tx_m\ty_m\n")
        for name, text in GEOSTATIONARY.items():
            proj = Proj(text)
            meridian = proj.crs.to_cf()["longitude_of_projection_origin"]
            for lat in (-80, -61.5, -33.25, 0, 0.01, 21, 44.5, 60, 81):
                for east in (-82, -80.5, -70, -44.75, -9.5, 0, 0.02, 30, 62.5, 80, 100, 179):
                    lon = meridian + east
                    x, y = proj(lon, lat)
                    # On a sphere PROJ also maps what is behind the limb; its own
                    # inverse then gives another place.
                    back = proj(x, y, inverse=True) if math.isfinite(x) else (math.inf, math.inf)
                    if not (abs(back[1] - lat) < 1e-6 and abs((back[0] - lon + 180) % 360 - 180) < 1e-6):
                        x = y = math.inf
                    f.write(f"{name}\t{lat:.6f}\t{lon:.6f}\t{x:.7f}\t{y:.7f}\n")
    with open(out + "/planes.tsv", "w") as f:
        f.write("case\tlatitude_deg\tlongitude_deg\tx_m\ty_m\tconvergence_deg\n")
        for name, (text, lats, lons) in CASES.items():
            proj = Proj(text)
            for lat in np.round(np.linspace(*lats), 6):
                for lon in np.round(np.linspace(*lons), 6):
                    x, y = proj(lon, lat)
                    convergence = float("nan")
                    if abs(lat) < 90:
                        convergence = proj.get_factors(lon, lat).meridian_convergence
                    f.write(f"{name}\t{lat:.6f}\t{lon:.6f}\t{x:.7f}\t{y:.7f}\t{convergence:.9f}\n")
    geod = Geod(a=1e6, b=1e6)
    with open(out + "/rotated.tsv", "w") as f:
        f.write("case\tlatitude_deg\tlongitude_deg\trotated_longitude_deg\trotated_latitude_deg\tpole_bearing_deg\n")
        for name, (south_lat, south_lon, angle) in ROTATED.items():
            pipeline = Transformer.from_pipeline(
                "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
                f"+step +proj=ob_tran +o_proj=longlat +o_lat_p={-south_lat} +o_lon_p={-angle} +lon_0={south_lon} "
                "+step +proj=unitconvert +xy_in=rad +xy_out=deg")
            for lat in np.round(np.linspace(-85, 88, 9), 6):
                for lon in np.round(np.linspace(-175, 170, 9), 6):
                    x, y = pipeline.transform(lon, lat)
                    bearing, _, _ = geod.inv(lon, lat, south_lon + 180, -south_lat)
                    f.write(f"{name}\t{lat:.6f}\t{lon:.6f}\t{x:.10f}\t{y:.10f}\t{bearing:.9f}\n")
    with open(out + "/gaussian.tsv", "w") as f:
        f.write("n\tlatitude_deg\n")
        for n in (1, 2, 5, 64, 321):
            roots, _ = np.polynomial.legendre.leggauss(n)
            for x in sorted(roots, reverse=True):
                f.write(f"{n}\t{math.degrees(math.asin(x)):.11f}\n")
    print("pyproj", pyproj.__version__, "PROJ", pyproj.proj_version_str, "numpy", np.__version__)


main(sys.argv[1])
