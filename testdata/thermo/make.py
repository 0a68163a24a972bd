"""Makes the tables of this folder with MetPy, the oracle of the thermodynamics.

    python make.py [TEXT-CSV-LISTING-OF-BOISE-2010-12-09-12Z]

Without the listing only the invented tables are written. Made with Python
3.11.2, MetPy 1.7.1, Pint 0.25.3, NumPy 2.4.6, SciPy 1.17.1. Each column of a
table is named after the call that gave it.

MetPy 1.7 takes the saturation vapour pressure of Ambaum (2020), a latent heat
that is constant along moist adiabats (2.50084e6 J/kg), kappa = 2/7 and
epsilon = 0.621957; the program takes Murphy and Koop (2005), Bolton's latent
heat, 0.2854 and 0.62199. The tests state what these differences amount to.
"""
import csv
import pathlib
import sys

import metpy.calc as mpcalc
import metpy.constants as mpconsts
import numpy as np
from metpy.units import units

HERE = pathlib.Path(__file__).parent


def table(name, columns, rows):
    with open(HERE / name, "w", encoding="ascii", newline="\n") as out:
        out.write("\t".join(columns) + "\n")
        for row in rows:
            out.write("\t".join(v if isinstance(v, str) else f"{v:.10g}" for v in row) + "\n")


def pa(x): return units.Quantity(x, "Pa")
def k(x): return units.Quantity(x, "K")


def saturation():
    rows = []
    for t in np.arange(228.15, 303.2, 5):
        e = mpcalc.saturation_vapor_pressure(k(t)).m_as("Pa")
        ice = mpcalc.saturation_vapor_pressure(k(t), phase="solid").m_as("Pa") if t <= 273.16 else np.nan
        rows.append((t, e, ice, mpcalc.dewpoint(pa(e)).m_as("K")))
    table("saturation.tsv", ("air_temperature_k", "saturation_vapor_pressure_pa",
                             "saturation_vapor_pressure_solid_pa", "dewpoint_of_it_k"), rows)


def moist():
    rows = []
    for p, t, td in [(101325, 293.15, 282.4), (92500, 283.15, 280.15), (85000, 293.15, 291.15),
                     (85000, 275.15, 270.15), (85000, 273.15, 273.15), (80000, 271.15, 268.15),
                     (75000, 268.15, 267.15), (70000, 270.15, 265.15), (70000, 268.15, 262.15),
                     (70000, 263.15, 262.65), (65000, 260.15, 258.15), (60000, 258.15, 250.15),
                     (50000, 250.15, 248.15), (50000, 255.15, 235.15), (40000, 240.15, 236.15)]:
        e = mpcalc.saturation_vapor_pressure(k(td))
        w = mpcalc.mixing_ratio(e, pa(p))
        lcl_p, lcl_t = mpcalc.lcl(pa(p), k(t), k(td))
        rows.append((p, t, td, w.m_as(""), mpcalc.specific_humidity_from_dewpoint(pa(p), k(td)).m_as(""),
                     mpcalc.relative_humidity_from_dewpoint(k(t), k(td)).m_as(""),
                     mpcalc.virtual_temperature(k(t), w).m_as("K"), mpcalc.density(pa(p), k(t), w).m_as("kg/m^3"),
                     mpcalc.potential_temperature(pa(p), k(t)).m_as("K"),
                     mpcalc.virtual_potential_temperature(pa(p), k(t), w).m_as("K"),
                     mpcalc.equivalent_potential_temperature(pa(p), k(t), k(td)).m_as("K"),
                     mpcalc.wet_bulb_temperature(pa(p), k(t), k(td)).m_as("K"),
                     lcl_p.m_as("Pa"), lcl_t.m_as("K")))
    table("moist.tsv", ("air_pressure_pa", "air_temperature_k", "dew_point_k", "mixing_ratio",
                        "specific_humidity_from_dewpoint", "relative_humidity_from_dewpoint",
                        "virtual_temperature_k", "density_kg_per_m3", "potential_temperature_k",
                        "virtual_potential_temperature_k", "equivalent_potential_temperature_k",
                        "wet_bulb_temperature_k", "lcl_pressure_pa", "lcl_temperature_k"), rows)


def adiabats():
    rows = []
    for p0, t0 in [(100000, 293.15), (100000, 273.15), (85000, 273.15), (85000, 283.15), (70000, 268.15), (80000, 271.15)]:
        for p1 in [101325, 95000, 85000, 80000, 70000, 60000, 50000, 40000, 30000]:
            if p1 == p0:
                continue
            got = mpcalc.moist_lapse(pa([p0, p1]), k(t0), pa(p0)).m_as("K")
            rows.append((p0, t0, p1, got[1], mpcalc.dry_lapse(pa([p1]), k(t0), pa(p0)).m_as("K")[0]))
    table("adiabats.tsv", ("from_pressure_pa", "from_temperature_k", "to_pressure_pa",
                           "moist_lapse_k", "dry_lapse_k"), rows)


# A moist south-westerly stream over a valley inversion, invented.
# pressure hPa, altitude m, temperature and dew point deg C, wind from deg, m/s.
INVENTED = [
    (905.0, 950, -0.8, -1.2, 140, 1.5), (890.0, 1088, 1.4, 0.2, 170, 3.0), (870.0, 1276, 3.1, 0.6, 200, 6.0),
    (850.0, 1468, 2.0, 0.1, 220, 8.5), (820.0, 1762, -0.2, -0.9, 230, 11.0), (790.0, 2065, -2.4, -2.8, 235, 13.0),
    (760.0, 2377, -4.6, -4.9, 240, 15.0), (730.0, 2699, -6.7, -7.0, 240, 17.0), (700.0, 3032, -8.9, -9.2, 245, 18.0),
    (670.0, 3377, -11.3, -11.8, 245, 20.0), (640.0, 3736, -13.9, -14.9, 250, 22.0), (610.0, 4109, -15.6, -22.0, 250, 24.0),
    (560.0, 4770, -19.7, -31.0, 255, 27.0), (500.0, 5639, -25.8, -38.0, 255, 31.0), (450.0, 6432, -31.6, -43.0, 260, 34.0),
    (400.0, 7301, -38.3, -48.0, 260, 38.0)]


def derived(name, levels):
    p, z, t, td, wind_from, speed = (np.array(c, dtype=float) for c in zip(*levels))
    p, z, t, td = units.Quantity(p, "hPa"), units.Quantity(z, "m"), units.Quantity(t, "degC"), units.Quantity(td, "degC")
    rows = []

    def crossings(quantity, x, target):
        found, _ = mpcalc.find_intersections(z, x, units.Quantity(np.full(len(levels), target), "degC"))
        for n, height in enumerate(np.atleast_1d(found.m_as("m"))):
            rows.append((name, f"{quantity}[{n}]", height))

    for target in (0, -5, -6, -10, -15, -20):
        crossings(f"find_intersections:{target}degC:m", t, target)
    crossings("find_intersections:wet_bulb_temperature:0degC:m", mpcalc.wet_bulb_temperature(p, t, td), 0)
    lcl_p, lcl_t = mpcalc.lcl(p[0], t[0], td[0])
    rows.append((name, "lcl:pressure_pa", lcl_p.m_as("Pa")))
    rows.append((name, "lcl:temperature_k", lcl_t.m_as("K")))
    mixed_p, mixed_t, mixed_td = mpcalc.mixed_parcel(p, t, td)
    lcl_p, lcl_t = mpcalc.lcl(mixed_p, mixed_t, mixed_td)
    rows.append((name, "mixed_parcel:temperature_k", mixed_t.m_as("K")))
    rows.append((name, "mixed_parcel:dew_point_k", mixed_td.m_as("K")))
    rows.append((name, "mixed_parcel:lcl:pressure_pa", lcl_p.m_as("Pa")))
    rows.append((name, "mixed_parcel:lcl:temperature_k", lcl_t.m_as("K")))
    rows.append((name, "precipitable_water:mixing_ratio:kg_per_m2", mpcalc.precipitable_water(p, td).m_as("mm")))
    q = mpcalc.specific_humidity_from_dewpoint(p, td)
    rows.append((name, "precipitable_water:specific_humidity:kg_per_m2",
                 -(np.trapezoid(q.m_as(""), p.m_as("Pa")) * units.Pa / mpconsts.g).m_as("kg/m^2")))
    rows.append((name, "relative_humidity_from_dewpoint:maximum",
                 mpcalc.relative_humidity_from_dewpoint(t, td).m_as("").max()))
    return rows


def soundings():
    table("invented-sounding.tsv", ("pressure_hpa", "altitude_m", "air_temperature_c", "dew_point_c",
                                    "wind_from_deg", "wind_speed_m_per_s"), INVENTED)
    rows = derived("invented", INVENTED)
    if len(sys.argv) > 1:
        with open(sys.argv[1], encoding="ascii") as listing:
            levels = []
            for row in csv.reader(listing):
                try:
                    levels.append([float(row[n]) for n in (3, 4, 5, 6, 11, 12)])
                except (ValueError, IndexError):
                    pass
        rows += derived("BOI 2010-12-09 12Z", levels)
    table("soundings.tsv", ("sounding", "call", "value"), rows)


def layers():
    rows = []
    z = units.Quantity([2000.0, 2500.0, 3000.0], "m")
    for lower, middle, upper in [(290, 292, 294.5), (285, 289, 296), (291, 290.5, 290.2)]:
        n2 = mpcalc.brunt_vaisala_frequency_squared(z, k([lower, middle, upper]))
        rows.append((f"brunt_vaisala_frequency_squared:{lower}:{middle}:{upper}:per_s2", n2.m_as("1/s^2")[1]))
    for p1, p2, t in [(100000, 50000, 260), (85000, 70000, 270), (70000, 60000, 258)]:
        dz = mpcalc.thickness_hydrostatic(pa([p1, p2]), k([t, t]))
        rows.append((f"thickness_hydrostatic:{p1}:{p2}:{t}:m", dz.m_as("m")))
    table("layers.tsv", ("call", "value"), rows)


saturation()
layers()
moist()
adiabats()
soundings()
