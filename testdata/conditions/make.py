"""Golden tables of package conditions.

python testdata/conditions/make.py areas > testdata/conditions/areas.tsv
python testdata/conditions/make.py mosaic FOLDER > testdata/conditions/mosaic.tsv
python testdata/conditions/make.py wetbulb > testdata/conditions/wetbulb.tsv

areas.tsv: invented polygons (well-known text) cut by squares of 1 km in the plane
x = R cos(latitude of the middle of the box) dlon, y = R dlat, laid evenly about that
middle; intersections by shapely. Columns: polygon, latitude and longitude of the
middle of the square, area of the intersection on the sphere in m2. One row "total"
for each, and every 13th square.

mosaic.tsv: of a real mosaic of precipitation rate, read by ecCodes: invented polygon,
largest rate over the points whose square (half a spacing to each side) meets it,
share of its area that has a rate, mean rate. FOLDER is the folder of real files.

wetbulb.tsv: pressure hPa, temperature and dew point in degrees Celsius, wet-bulb
temperature by MetPy, share of snow by Wang et al. (2019) from it.
"""

import math
import sys
import warnings

warnings.simplefilter("ignore")

R = 6371000.0
PER_DEG = R * math.pi / 180

POLYGONS = {
    "square with a hole": "POLYGON ((-112.70 44.10, -112.50 44.10, -112.50 44.25, -112.70 44.25, -112.70 44.10), "
    "(-112.66 44.13, -112.66 44.20, -112.56 44.21, -112.55 44.14, -112.66 44.13))",
    "two parts": "MULTIPOLYGON (((-112.40 44.00, -112.33 44.02, -112.35 44.07, -112.40 44.00)), "
    "((-112.20 44.05, -112.10 43.98, -112.02 44.11, -112.15 44.16, -112.20 44.05), (-112.14 44.06, -112.12 44.10, -112.10 44.06, -112.14 44.06)))",
    "star": "POLYGON ((10.00 46.500, 10.05 46.560, 10.20 46.570, 10.08 46.620, 10.12 46.720, 10.00 46.650, 9.88 46.720, 9.92 46.620, 9.80 46.570, 9.95 46.560, 10.00 46.500))",
    "comb": "POLYGON ((-70.50 -33.00, -70.30 -33.00, -70.30 -33.20, -70.33 -33.02, -70.36 -33.20, -70.39 -33.02, -70.42 -33.20, -70.45 -33.02, -70.50 -33.20, -70.50 -33.00))",
    "sliver": "POLYGON ((8.0001 47.0001, 8.0010 47.0001, 8.0010 47.0006, 8.0001 47.0001))",
    "high": "POLYGON ((24.0 68.0, 25.2 68.1, 25.0 68.6, 23.8 68.5, 24.0 68.0))",
}


def areas():
    from shapely import affinity, box, wkt

    print("polygon\tlatitude_deg\tlongitude_deg\tarea_m2")
    for name, text in POLYGONS.items():
        shape = wkt.loads(text)
        west, south, east, north = shape.bounds
        lon0, lat0 = (west + east) / 2, (south + north) / 2
        cos = math.cos(math.radians(lat0))
        plane = affinity.affine_transform(shape, [PER_DEG * cos / 1000, 0, 0, PER_DEG / 1000, -PER_DEG * cos / 1000 * lon0, -PER_DEG / 1000 * lat0])
        ni, nj = math.ceil((east - west) * PER_DEG * cos / 1000), math.ceil((north - south) * PER_DEG / 1000)
        total, cells = 0.0, []
        for j in range(nj):
            for i in range(ni):
                x, y = i - ni / 2, j - nj / 2
                share = plane.intersection(box(x, y, x + 1, y + 1)).area
                if share <= 1e-6:
                    continue
                lat, lon = lat0 + (y + 0.5) * 1000 / PER_DEG, lon0 + (x + 0.5) * 1000 / PER_DEG / cos
                area = share * 1e6 * math.cos(math.radians(lat)) / cos
                total += area
                cells.append((lat, lon, area))
        print(f"{name}\ttotal\t{len(cells)}\t{total:.2f}")
        for lat, lon, area in cells[::13]:
            print(f"{name}\t{lat:.7f}\t{lon:.7f}\t{area:.2f}")


MOSAIC = "MRMS_PrecipRate_00.00_20190610-000000.grib2"
ON_MOSAIC = {
    "rain": "POLYGON ((-87.10 33.20, -86.30 33.25, -86.40 33.90, -87.05 33.80, -87.10 33.20), (-86.80 33.45, -86.80 33.60, -86.60 33.60, -86.60 33.45, -86.80 33.45))",
    "two basins": "MULTIPOLYGON (((-80.0 35.0, -79.2 35.1, -79.5 35.8, -80.0 35.0)), ((-83.0 35.3, -82.5 35.2, -82.4 35.9, -83.0 35.3)))",
    "edge of coverage": "POLYGON ((-112.4 27.7, -111.6 27.75, -111.5 28.2, -112.5 28.1, -112.4 27.7))",
    "no coverage": "POLYGON ((-129.6 22.0, -129.0 22.0, -129.0 22.5, -129.6 22.5, -129.6 22.0))",
}


def mosaic(folder):
    import eccodes
    import numpy as np
    from shapely import box, wkt

    with open(f"{folder}/mrms/{MOSAIC}", "rb") as f:
        h = eccodes.codes_grib_new_from_file(f)
        ni, nj = eccodes.codes_get(h, "Ni"), eccodes.codes_get(h, "Nj")
        north, west = eccodes.codes_get(h, "latitudeOfFirstGridPointInDegrees"), eccodes.codes_get(h, "longitudeOfFirstGridPointInDegrees") - 360
        values = eccodes.codes_get_values(h).reshape(nj, ni)
    step = 0.01
    print("file\tpolygon\twkt\tmaximum_mm_per_h\tcovered_share\tmean_mm_per_h")
    for name, text in ON_MOSAIC.items():
        shape = wkt.loads(text)
        w, s, e, n = shape.bounds
        most, covered, all_, total = math.nan, 0.0, 0.0, 0.0
        for j in range(int((north - n) / step) - 1, int((north - s) / step) + 2):
            for i in range(int((w - west) / step) - 1, int((e - west) / step) + 2):
                lat, lon = north - j * step, west + i * step
                share = shape.intersection(box(lon - step / 2, lat - step / 2, lon + step / 2, lat + step / 2)).area / step**2
                if share <= 1e-6:
                    continue
                weight, value = share * math.cos(math.radians(lat)), values[j, i]
                all_ += weight
                if value < 0:  # -1 missing, -3 no coverage
                    continue
                covered += weight
                total += weight * value
                most = value if math.isnan(most) else max(most, value)
        mean = total / covered if covered else math.nan
        print(f"{MOSAIC}\t{name}\t{text}\t{most:.3f}\t{covered / all_:.6f}\t{mean:.5f}")


def wetbulb():
    import numpy as np
    from metpy.calc import wet_bulb_temperature
    from metpy.units import units

    print("pressure_hpa\ttemperature_degc\tdew_point_degc\twet_bulb_degc\tsnow_share")
    for p in (1000, 850, 700):
        for t, td in ((-8, -9), (-3, -8), (-1, -1), (0.5, -2), (1.5, 0), (3, -6), (4, 1), (8, 2)):
            tw = wet_bulb_temperature(p * units.hPa, t * units.degC, td * units.degC).to("degC").m
            tw = float(np.ravel(tw)[0])
            print(f"{p}\t{t}\t{td}\t{tw:.3f}\t{1 / (1 + 6.99e-5 * math.exp(2 * (tw + 3.97))):.4f}")


{"areas": areas, "mosaic": mosaic, "wetbulb": wetbulb}[sys.argv[1]](*sys.argv[2:])
