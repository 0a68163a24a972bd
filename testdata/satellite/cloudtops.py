"""Three small invented granules of cloud tops, in the layout of the GOES-R series.

usage: python cloudtops.py FOLDER   (netCDF4 1.7.5.1, pyproj 3.7.2, numpy 2.4.6)

Dimensions, names, packing, flags and grid mapping follow the public files and
the GOES-R Product Definition and Users' Guide, volume 5 (Cloud Top Phase, Cloud
Top Temperature, Cloud Top Height). The scene is invented: boxes of cloud above
their true places, each with one top; every pixel shows the highest cloud that
its line of sight meets, followed here in earth-centred coordinates of PROJ.
"""
import os
import sys

import netCDF4
import numpy as np
from pyproj import Proj, Transformer

HEIGHT, LON0 = 35786023.0, -137.0
GEOS = Proj(f"+proj=geos +h={HEIGHT} +lon_0={LON0} +sweep=x +ellps=GRS80")
TO_ECEF = Transformer.from_pipeline("+proj=pipeline +step +proj=cart +ellps=GRS80")
FINE, COARSE = 0.000056, 0.000280
X0, Y0 = 0.0428, 0.1180  # of the first fine pixel's centre
NX, NY = 60, 40

GROUND = 1500.0
# phase, top m, temperature K, south, north, west, east; highest first
CLOUDS = [
    (4, 9200.0, 226.0, 44.40, 44.80, -115.25, -114.95),  # ice
    (3, 5400.0, 254.5, 44.25, 44.65, -114.80, -114.50),  # mixed
    (2, 3600.0, 263.0, 44.20, 45.00, -115.50, -114.30),  # supercooled
    (1, 2300.0, 275.5, 43.95, 44.15, -115.00, -114.30),  # liquid
]


def ecef(lon, lat, h):
    return np.array(TO_ECEF.transform(lon, lat, h))


SATELLITE = ecef(LON0, 0.0, HEIGHT)


def over(lon, lat, h):
    """Place under the point at height h on the line from the satellite to lon, lat."""
    ground = ecef(lon, lat, 0.0)
    low, high = 0.0, 0.01  # share of the way back to the satellite
    for _ in range(60):
        middle = (low + high) / 2
        plon, plat, ph = TO_ECEF.transform(*(ground + middle * (SATELLITE - ground)), direction="INVERSE")
        if ph < h:
            low = middle
        else:
            high = middle
    return plon, plat


def pixel(x, y):
    lon, lat = GEOS(x * HEIGHT, y * HEIGHT, inverse=True)
    for phase, top, temperature, south, north, west, east in CLOUDS:
        plon, plat = over(lon, lat, top)
        if south <= plat <= north and west <= plon <= east:
            return phase, top, temperature
    return 0, np.nan, np.nan


def granule(folder, product, nx, ny, x0, y0, step, variables):
    name = f"OR_ABI-L2-{product}C-M6_G18_s20260141201177_e20260141203550_c20260141205102.nc"
    d = netCDF4.Dataset(os.path.join(folder, name), "w", format="NETCDF4")
    d.createDimension("y", ny)
    d.createDimension("x", nx)
    d.createDimension("number_of_time_bounds", 2)
    d.createDimension("number_of_image_bounds", 2)
    d.naming_authority = "gov.nesdis.noaa"
    d.Conventions = "CF-1.7"
    d.title = "ABI L2 " + product
    d.summary = "invented"
    d.platform_ID = "G18"
    d.instrument_type = "GOES-R Series Advanced Baseline Imager (ABI)"
    d.scene_id = "CONUS"
    d.orbital_slot = "GOES-West"
    d.dataset_name = name
    d.time_coverage_start = "2026-01-14T12:01:17.7Z"
    d.time_coverage_end = "2026-01-14T12:03:55.0Z"
    for var, dtype, attributes, values in variables:
        attributes = dict(attributes)
        v = d.createVariable(var, dtype, ("y", "x"), zlib=True, complevel=1, fill_value=attributes.pop("_FillValue"))
        v.set_auto_maskandscale(False)
        for key, value in attributes.items():
            v.setncattr(key, value)
        v.coordinates = "retrieval_local_zenith_angle t y x"
        v.grid_mapping = "goes_imager_projection"
        v[:] = values
    t = d.createVariable("t", "f8")
    t.long_name = "J2000 epoch mid-point between the start and end image scan in seconds"
    t.standard_name = "time"
    t.units = "seconds since 2000-01-01 12:00:00"
    t.axis = "T"
    t.bounds = "time_bounds"
    start = 9510 * 86400.0 + 77.7  # 2026-01-14 12:01:17.7
    t[:] = start + 157.3 / 2
    bounds = d.createVariable("time_bounds", "f8", ("number_of_time_bounds",))
    bounds.long_name = "Scan start and end times in seconds since epoch (2000-01-01 12:00:00)"
    bounds[:] = [start, start + 157.3]
    for axis, n, first, sign in (("y", ny, y0, -1), ("x", nx, x0, 1)):
        v = d.createVariable(axis, "i2", (axis,))
        v.set_auto_maskandscale(False)
        v.scale_factor = np.float32(sign * step)
        v.add_offset = np.float32(first)
        v.units = "rad"
        v.axis = axis.upper()
        v.long_name = f"GOES fixed grid projection {axis}-coordinate"
        v.standard_name = f"projection_{axis}_coordinate"
        v[:] = np.arange(n)
    for axis, value in (("y", y0 - (ny - 1) / 2 * step), ("x", x0 + (nx - 1) / 2 * step)):
        v = d.createVariable(axis + "_image", "f4", fill_value=np.float32(-999))
        v.long_name = f"GOES-R fixed grid projection {axis}-coordinate center of image"
        v.standard_name = f"projection_{axis}_coordinate"
        v.units = "rad"
        v.axis = axis.upper()
        v[:] = value
    zenith = d.createVariable("retrieval_local_zenith_angle", "f4", fill_value=np.float32(-999))
    zenith.long_name = "threshold angle between the line of sight to the satellite and the local zenith at the observation target for good or degraded quality data production"
    zenith.standard_name = "platform_zenith_angle"
    zenith.units = "degree"
    zenith[:] = 90
    p = d.createVariable("goes_imager_projection", "i4", fill_value=-2147483647)
    p.long_name = "GOES-R ABI fixed grid projection"
    p.grid_mapping_name = "geostationary"
    p.perspective_point_height = HEIGHT
    p.semi_major_axis = 6378137.0
    p.semi_minor_axis = 6356752.31414
    p.inverse_flattening = 298.2572221
    p.latitude_of_projection_origin = 0.0
    p.longitude_of_projection_origin = LON0
    p.sweep_angle_axis = "x"
    sub = d.createVariable("nominal_satellite_subpoint_lon", "f4", fill_value=np.float32(-999))
    sub.long_name = "nominal satellite subpoint longitude (platform longitude)"
    sub.standard_name = "longitude"
    sub.units = "degrees_east"
    sub[:] = LON0
    d.close()


# flags of the enumerated kind (height, temperature) and of the masked kind (phase)
ENUMERATED = dict(
    _FillValue=np.int8(-1), _Unsigned="true", valid_range=np.array([0, 3], "i1"), units="1",
    long_name="data quality flags", standard_name="status_flag", flag_values=np.array([0, 1, 2, 3, 4], "i1"),
    flag_meanings="good_quality_qf marginal_quality_qf retrieval_attempted_qf bad_quality_qf opaque_retrieval_qf")
MASKED = dict(
    _FillValue=np.int8(-1), _Unsigned="true", valid_range=np.array([0, 63], "i1"), units="1",
    long_name="ABI L2+ Cloud Top Phase data quality flags", standard_name="status_flag",
    flag_masks=np.array([1, 1, 2, 2, 4, 4, 8, 8, 16, 16, 32, 32], "i1"),
    flag_values=np.array([0, 1, 0, 2, 0, 4, 0, 8, 0, 16, 0, 32], "i1"),
    flag_meanings="overall_good_quality_qf overall_degraded_quality_qf good_quality_L1b_data_qf degraded_quality_L1b_data_qf "
    "good_quality_beta_ratio_qf degraded_quality_beta_ratio_qf ice_cloud_determination_based_on_strong_radiative_signal_qf "
    "ice_cloud_determination_based_on_weak_radiative_signal_qf good_quality_surface_emissivity_qf "
    "degraded_quality_surface_emissivity_qf good_within_LZA_threshold_qf degraded_due_to_LZA_threshold_exceeded_qf")


def packed(values, scale, offset):
    stored = np.round((values - offset) / scale)
    return np.where(np.isnan(values), 65535, stored).astype("u2").view("i2")


def main(folder):
    fine = [[pixel(X0 + i * FINE, Y0 - j * FINE) for i in range(NX)] for j in range(NY)]
    phase = np.array([[p[0] for p in row] for row in fine], "i1")
    temperature = np.array([[p[2] for p in row] for row in fine])
    quality = np.zeros((NY, NX), "i1")
    quality[phase == 3] = 1 + 4
    phase[0, :3] = -1
    quality[0, :3] = -1
    phase[39, 59] = 5
    quality[39, 59] = 1 + 32
    granule(folder, "ACTP", NX, NY, X0, Y0, FINE, [
        ("Phase", "i1", dict(
            _FillValue=np.int8(-1), _Unsigned="true", valid_range=np.array([0, 5], "i1"), units="1",
            long_name="ABI L2+ Cloud Top Phase", standard_name="thermodynamic_phase_of_cloud_water_particles_at_cloud_top",
            ancillary_variables="DQF", flag_values=np.arange(6, dtype="i1"),
            flag_meanings="clear_sky liquid_water super_cooled_liquid_water mixed_phase ice unknown"), phase),
        ("DQF", "i1", MASKED, quality)])
    dqf = np.where(np.isnan(temperature), 2, 0).astype("i1")
    dqf[phase == 1] = 1
    granule(folder, "ACHT", NX, NY, X0, Y0, FINE, [
        ("TEMP", "i2", dict(
            _FillValue=np.int16(-1), _Unsigned="true", valid_range=np.array([0, -6], "i2"), units="K",
            long_name="ABI L2+ Cloud Top Temperature", standard_name="air_temperature_at_cloud_top",
            ancillary_variables="DQF", scale_factor=np.float32(0.0018312), add_offset=np.float32(180.0)),
         packed(temperature, 0.0018312, 180.0)),
        ("DQF", "i1", ENUMERATED, dqf)])
    # Coarse pixels have the height of the fine pixel at their centre.
    coarse = [[pixel(X0 + (5 * i + 2) * FINE, Y0 - (5 * j + 2) * FINE) for i in range(NX // 5)] for j in range(NY // 5)]
    height = np.array([[p[1] for p in row] for row in coarse])
    dqf = np.where(np.isnan(height), 2, 0).astype("i1")
    dqf[7, 11] = 4
    granule(folder, "ACHA", NX // 5, NY // 5, X0 + 2 * FINE, Y0 - 2 * FINE, COARSE, [
        ("HT", "i2", dict(
            _FillValue=np.int16(-1), _Unsigned="true", valid_range=np.array([0, -6], "i2"), units="m",
            long_name="ABI L2+ Cloud Top Height", standard_name="geopotential_cloud_top_height",
            ancillary_variables="DQF", scale_factor=np.float32(0.3052037), add_offset=np.float32(0.0)),
         packed(height, 0.3052037, 0.0)),
        ("DQF", "i1", ENUMERATED, dqf)])
    # What a picture of it looks like, for people.
    for row in phase[::2]:
        print("".join(" .lsmi?"[p + 1] if p >= 0 else "_" for p in row))
    print(GEOS(X0 * HEIGHT, Y0 * HEIGHT, inverse=True), GEOS((X0 + NX * FINE) * HEIGHT, (Y0 - NY * FINE) * HEIGHT, inverse=True))


main(sys.argv[1])
