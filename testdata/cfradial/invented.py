"""A small invented CfRadial 1.4 volume with a varying number of gates.

usage: python invented.py FOLDER [NAME]   (netCDF4 1.7.5.1; with NAME in the classic format)

Three sweeps: two of 24 rays over the whole turn, one of 11 rays in elevation.
The rays of the second sweep are shorter. Values are formulas of ray and gate.
"""
import os
import sys

import netCDF4
import numpy as np

SWEEPS = [("azimuth_surveillance", 0.5, 24, 40), ("azimuth_surveillance", 1.5, 24, 25), ("rhi", 211.0, 11, 33)]

NAME, FORMAT = (sys.argv[2], "NETCDF3_CLASSIC") if len(sys.argv) > 2 else ("ragged.nc", "NETCDF4_CLASSIC")

d = netCDF4.Dataset(os.path.join(sys.argv[1], NAME), "w", format=FORMAT)
rays = sum(n for _, _, n, _ in SWEEPS)
counts = np.concatenate([np.full(n, g) for _, _, n, g in SWEEPS])
counts[30] = 7  # one ray ends early
counts[31] = 0  # and one has nothing
starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
d.createDimension("time", rays)
d.createDimension("range", 40)
d.createDimension("sweep", len(SWEEPS))
d.createDimension("n_points", int(counts.sum()))
d.createDimension("string_length", 32)
d.Conventions = "CF/Radial instrument_parameters"
d.version = "1.4"
d.instrument_name = "LARKSPUR"
d.title = d.institution = d.references = d.source = d.history = d.comment = "invented"
d.n_gates_vary = "true"
d.platform_is_mobile = "false"


def var(name, kind, dims, values, **attributes):
    v = d.createVariable(name, kind, dims, fill_value=attributes.pop("_FillValue", None))
    v.set_auto_maskandscale(False)
    v.setncatts(attributes)
    v[:] = values
    return v


def text(name, values):
    chars = np.zeros((len(values), 32), "S1")
    for k, value in enumerate(values):
        chars[k, :len(value)] = list(value)
    var(name, "S1", ("sweep", "string_length"), chars)


stamp = np.zeros(32, "S1")
stamp[:20] = list("2026-01-14T09:30:00Z")
var("time_coverage_start", "S1", ("string_length",), stamp)
var("time_coverage_end", "S1", ("string_length",), stamp)
var("volume_number", "i4", (), 7)
var("time", "f8", ("time",), np.arange(rays) * 0.25, units="seconds since 2026-01-14T09:30:00Z", standard_name="time")
var("range", "f4", ("range",), 125 + 250 * np.arange(40), units="meters", standard_name="projection_range_coordinate",
    spacing_is_constant="true", meters_to_center_of_first_gate=np.float32(125), meters_between_gates=np.float32(250),
    axis="radial_range_coordinate")
var("latitude", "f8", (), 44.25, units="degrees_north")
var("longitude", "f8", (), 245.5, units="degrees_east")  # 114.5 west
var("altitude", "f8", (), 2310.5, units="meters")
var("altitude_agl", "f8", (), 25.0, units="meters")
var("radar_beam_width_h", "f4", (), 0.95, units="degrees")
azimuth = np.concatenate([np.arange(24) * 15.0 + 352.5, np.arange(24) * 15.0, np.full(11, 211.0)]) % 360
elevation = np.concatenate([np.full(24, 0.5), np.full(24, 1.5), np.linspace(1, 21, 11)])
var("azimuth", "f4", ("time",), azimuth, units="degrees", standard_name="ray_azimuth_angle", axis="radial_azimuth_coordinate")
var("elevation", "f4", ("time",), elevation, units="degrees", standard_name="ray_elevation_angle", axis="radial_elevation_coordinate")
var("nyquist_velocity", "f4", ("time",), np.where(np.arange(rays) < 24, 8.25, 16.5), units="m/s")
var("sweep_number", "i4", ("sweep",), np.arange(3))
text("sweep_mode", [m for m, _, _, _ in SWEEPS])
var("fixed_angle", "f4", ("sweep",), [a for _, a, _, _ in SWEEPS], units="degrees")
ends = np.cumsum([n for _, _, n, _ in SWEEPS])
var("sweep_start_ray_index", "i4", ("sweep",), ends - [n for _, _, n, _ in SWEEPS])
var("sweep_end_ray_index", "i4", ("sweep",), ends - 1)
var("ray_n_gates", "i4", ("time",), counts)
var("ray_start_index", "i4", ("time",), starts)
ray = np.repeat(np.arange(rays), counts)
gate = np.concatenate([np.arange(n) for n in counts])
dbz = 100 * (ray - gate)  # hundredths
dbz[(ray + gate) % 9 == 0] = -32768
var("DBZ", "i2", ("n_points",), dbz, _FillValue=np.int16(-32768), scale_factor=np.float32(0.01), add_offset=np.float32(0.5),
    units="dBZ", standard_name="equivalent_reflectivity_factor", long_name="reflectivity", coordinates="elevation azimuth range")
var("VEL", "f4", ("n_points",), np.where(gate % 5 == 4, -9999.0, (ray % 7) - 3 + 0.25 * gate), _FillValue=np.float32(-9999),
    units="m/s", long_name="velocity", coordinates="elevation azimuth range")
d.close()
