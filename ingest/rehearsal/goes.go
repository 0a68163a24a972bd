package rehearsal

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/fhs/go-netcdf/netcdf"
	"github.com/fhs/go-netcdf/netcdf/ncmem"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
)

// The western satellite of the GOES-R series as its files describe it (GOES-R
// Product Definition and Users' Guide, volume 5): grid mapping, and the pixels of
// 2 km of the fixed grid. The offsets are those of the sectors.
const (
	satelliteHeightM      = 35786023.0
	satelliteLongitudeDeg = -137.0
	satellitePixelRad     = 0.000056
	satelliteSceneM       = 1000.0 // spacing of the cloud tops that pixels look at
	satelliteRayStepM     = 200.0
	satelliteSideM        = 500.0 // so much of the side of a cloud is seen; lines of sight that come in lower pass below it
	satelliteMostCloudM   = 14000.0
)

// satelliteProduct is one of the files that are written.
type satelliteProduct struct {
	name     string // directory, and part of the name of the file
	variable string
	title    string
	whole    bool // the full disk, else the sector of the United States
}

var satelliteProducts = []satelliteProduct{
	{"ABI-L2-ACTPC", "Phase", "ABI L2 Cloud Top Phase", false},
	{"ABI-L2-ACHA2KMC", "HT", "ABI L2 Cloud Top Height", false},
	{"ABI-L2-ACHTF", "TEMP", "ABI L2 Cloud Top Temperature", true},
}

// offsets of the first pixel's centre, rad. The indices of the files written
// here count from it, as cuts out of the sector.
func (p satelliteProduct) offsets() (x, y float64) {
	if p.whole {
		return -0.151844, 0.151844
	}
	return -0.069972, 0.128212
}

// scan is when a scan starts, how long it takes, when it passes the middle
// latitudes, and when the file is written after its end.
func (p satelliteProduct) scan() (every, first, length, pass, write time.Duration) {
	if p.whole {
		return 10 * time.Minute, 20500 * time.Millisecond, 570300 * time.Millisecond, 80 * time.Second, 3 * time.Minute
	}
	return 5 * time.Minute, 77700 * time.Millisecond, 157300 * time.Millisecond, 78 * time.Second, 65 * time.Second
}

// fileName of a scan: start, end and creation to a tenth of a second.
func (p satelliteProduct) fileName(start time.Time) string {
	_, _, length, _, write := p.scan()
	stamp := func(t time.Time) string {
		t = t.UTC()
		return fmt.Sprintf("%04d%03d%02d%02d%02d%d", t.Year(), t.YearDay(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond()/1e8)
	}
	return fmt.Sprintf("OR_%s-M6_G18_s%s_e%s_c%s.nc", p.name, stamp(start), stamp(start.Add(length)), stamp(start.Add(length+write)))
}

// key of a scan in the bucket.
func (p satelliteProduct) key(start time.Time) string {
	start = start.UTC()
	return fmt.Sprintf("%s/%04d/%03d/%02d/%s", p.name, start.Year(), start.YearDay(), start.Hour(), p.fileName(start))
}

// satelliteView is the cut of the fixed grid around the domain, and where each
// pixel's line of sight runs over the storm's plane.
type satelliteView struct {
	ni, nj int
	i0, j0 int // column and row on the full disk
	rays   []sightLine
}

// sightLine passes (x, y) at sea level and moves by (dx, dy) for each metre up.
type sightLine struct{ x, y, dx, dy float64 }

// newSatelliteView takes all pixels that see something within a distance of the
// middle of the domain, at any height at which there is cloud.
func newSatelliteView(plane Plane, radiusM float64) (satelliteView, error) {
	earth := grid.Earth{SemiMajorM: 6378137, SemiMinorM: 6356752.31414}
	projection, err := grid.NewGeostationary(grid.Geostationary{Earth: earth, PerspectivePointHeightM: satelliteHeightM,
		SubSatelliteLongitudeDeg: satelliteLongitudeDeg, SweepAxisX: true})
	if err != nil {
		return satelliteView{}, err
	}
	parallax, err := grid.NewParallax(projection)
	if err != nil {
		return satelliteView{}, err
	}
	west, east, south, north := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for azimuthDeg := 0.0; azimuthDeg < 360; azimuthDeg += 5 {
		sin, cos := math.Sincos(azimuthDeg * math.Pi / 180)
		x, y, ok := projection.Forward(plane.Place(radiusM*sin, radiusM*cos))
		if !ok {
			return satelliteView{}, fmt.Errorf("the satellite at %g degrees does not see the domain", satelliteLongitudeDeg)
		}
		x, y = x/satelliteHeightM, y/satelliteHeightM
		west, east, south, north = math.Min(west, x), math.Max(east, x), math.Min(south, y), math.Max(north, y)
	}
	const pixelsOfParallax = 12 // 25 km
	i := func(x float64) int { return int(math.Round((x + 0.151844) / satellitePixelRad)) }
	j := func(y float64) int { return int(math.Round((0.151844 - y) / satellitePixelRad)) }
	v := satelliteView{i0: i(west), j0: j(north) - pixelsOfParallax, ni: i(east) + pixelsOfParallax - i(west), nj: j(south) - j(north) + pixelsOfParallax}
	for row := range v.nj {
		for column := range v.ni {
			x, y := -0.151844+float64(v.i0+column)*satellitePixelRad, 0.151844-float64(v.j0+row)*satellitePixelRad
			ground, ok := projection.Inverse(x*satelliteHeightM, y*satelliteHeightM)
			above, seen := parallax.Correct(ground, 10e3)
			if !ok || !seen {
				return satelliteView{}, fmt.Errorf("the satellite at %g degrees sees past the earth", satelliteLongitudeDeg)
			}
			x0, y0 := plane.XY(ground)
			x1, y1 := plane.XY(above)
			// Straight to some metres up to the heights of clouds.
			v.rays = append(v.rays, sightLine{x0, y0, (x1 - x0) / 10e3, (y1 - y0) / 10e3})
		}
	}
	return v, nil
}

// look gives what each pixel shows at a time: the highest cloud that its line of
// sight meets.
func (v satelliteView) look(w Weather, at time.Time) []CloudTop {
	hours := at.Sub(w.StartTime()).Hours()
	low, highX, highY := math.Inf(1), math.Inf(-1), math.Inf(-1)
	lowY := math.Inf(1)
	for _, r := range v.rays {
		for _, up := range []float64{0, satelliteMostCloudM} {
			low, highX = math.Min(low, r.x+up*r.dx), math.Max(highX, r.x+up*r.dx)
			lowY, highY = math.Min(lowY, r.y+up*r.dy), math.Max(highY, r.y+up*r.dy)
		}
	}
	// Tops above points of the plane, and for each pixel the nearest of them.
	columns, rows := int((highX-low)/satelliteSceneM)+2, int((highY-lowY)/satelliteSceneM)+2
	tops := make([]CloudTop, columns*rows)
	highest := 0.0
	for k := range tops {
		tops[k] = w.CloudTop(low+float64(k%columns)*satelliteSceneM, lowY+float64(k/columns)*satelliteSceneM, hours)
		if tops[k].Phase != ClearSky {
			highest = math.Max(highest, tops[k].AltitudeM)
		}
	}
	pixels := make([]CloudTop, len(v.rays))
	for k, r := range v.rays {
		pixels[k] = CloudTop{ClearSky, math.NaN(), math.NaN()}
		for up := math.Min(math.Ceil(highest/satelliteRayStepM)*satelliteRayStepM, satelliteMostCloudM); up > 0; up -= satelliteRayStepM {
			i, j := int((r.x+up*r.dx-low)/satelliteSceneM+.5), int((r.y+up*r.dy-lowY)/satelliteSceneM+.5)
			if top := tops[j*columns+i]; top.Phase != ClearSky && top.AltitudeM >= up-satelliteRayStepM/2 && top.AltitudeM <= up+satelliteSideM {
				pixels[k] = top
				break
			}
		}
	}
	return pixels
}

// file writes one product of a scan as netCDF-4, with the dimensions, names,
// packing and flags of the public files, for its cut of the grid.
func (v satelliteView) file(w Weather, p satelliteProduct, start time.Time) ([]byte, error) {
	start = start.UTC()
	_, _, length, pass, _ := p.scan()
	pixels := v.look(w, start.Add(pass))
	var b []byte
	err := cfgrid.OnThread(context.Background(), func() error {
		ds, err := ncmem.Create(p.fileName(start), netcdf.CLOBBER|netcdf.NETCDF4, 1)
		if err != nil {
			return err
		}
		write := ncWriter{ds: ds.Dataset}
		v.write(&write, p, pixels, start, start.Add(length))
		b, err = ds.CloseCopyBytes()
		if write.err != nil {
			return write.err
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", p.fileName(start), err)
	}
	return b, nil
}

// ncWriter keeps the first error. All of it runs on the library's thread.
type ncWriter struct {
	ds   netcdf.Dataset
	err  error
	fill []func() // writes values when the definitions are complete
}

func (n *ncWriter) failed(err error) bool {
	if n.err == nil {
		n.err = err
	}
	return n.err != nil
}

// attributes writes pairs of name and value.
func (n *ncWriter) attributes(of interface{ Attr(string) netcdf.Attr }, pairs ...any) {
	for k := 0; k+1 < len(pairs) && n.err == nil; k += 2 {
		a := of.Attr(pairs[k].(string))
		switch value := pairs[k+1].(type) {
		case string:
			n.failed(a.WriteBytes([]byte(value)))
		case float32:
			n.failed(a.WriteFloat32s([]float32{value}))
		case float64:
			n.failed(a.WriteFloat64s([]float64{value}))
		case int8:
			n.failed(a.WriteInt8s([]int8{value}))
		case int16:
			n.failed(a.WriteInt16s([]int16{value}))
		case int32:
			n.failed(a.WriteInt32s([]int32{value}))
		case []int8:
			n.failed(a.WriteInt8s(value))
		case []int16:
			n.failed(a.WriteInt16s(value))
		default:
			n.failed(fmt.Errorf("attribute %s is a %T", pairs[k], value))
		}
	}
}

// variable defines one and remembers its values.
func (n *ncWriter) variable(name string, dims []netcdf.Dim, values any, attributes ...any) {
	kind := map[string]netcdf.Type{"[]int8": netcdf.BYTE, "[]int16": netcdf.SHORT, "[]int32": netcdf.INT, "[]float32": netcdf.FLOAT, "[]float64": netcdf.DOUBLE}[fmt.Sprintf("%T", values)]
	if n.err != nil {
		return
	}
	variable, err := n.ds.AddVar(name, kind, dims)
	if n.failed(err) {
		return
	}
	if len(dims) == 2 && n.failed(variable.SetCompression(false, true, 1)) {
		return
	}
	n.attributes(variable, attributes...)
	n.fill = append(n.fill, func() {
		switch values := values.(type) {
		case []int8:
			n.failed(variable.WriteInt8s(values))
		case []int16:
			n.failed(variable.WriteInt16s(values))
		case []int32:
			n.failed(variable.WriteInt32s(values))
		case []float32:
			n.failed(variable.WriteFloat32s(values))
		case []float64:
			n.failed(variable.WriteFloat64s(values))
		}
	})
}

const (
	enumeratedFlags = "good_quality_qf marginal_quality_qf retrieval_attempted_qf bad_quality_qf opaque_retrieval_qf"
	maskedFlags     = "overall_good_quality_qf overall_degraded_quality_qf good_quality_L1b_data_qf degraded_quality_L1b_data_qf " +
		"good_quality_beta_ratio_qf degraded_quality_beta_ratio_qf ice_cloud_determination_based_on_strong_radiative_signal_qf " +
		"ice_cloud_determination_based_on_weak_radiative_signal_qf good_quality_surface_emissivity_qf " +
		"degraded_quality_surface_emissivity_qf good_within_LZA_threshold_qf degraded_due_to_LZA_threshold_exceeded_qf"
	phaseMeanings = "clear_sky liquid_water super_cooled_liquid_water mixed_phase ice unknown"
	// steps of the packing of the public files
	temperatureScaleK, temperatureOffsetK = float32(0.0018312), float32(180)
	heightScaleM                          = float32(0.3052037)
	noRetrieval                           = 2 // retrieval_attempted_qf
)

func (v satelliteView) write(n *ncWriter, p satelliteProduct, pixels []CloudTop, start, end time.Time) {
	dim := func(name string, length int) netcdf.Dim {
		d, err := n.ds.AddDim(name, uint64(length))
		n.failed(err)
		return d
	}
	y, x, timeBounds := dim("y", v.nj), dim("x", v.ni), dim("number_of_time_bounds", 2)
	dim("number_of_image_bounds", 2)
	scene := "CONUS"
	if p.whole {
		scene = "Full Disk"
	}
	stamp := func(t time.Time) string { return t.Format("2006-01-02T15:04:05.0Z") }
	n.attributes(n.ds, "Conventions", "CF-1.7", "title", p.title, "summary", "invented: a cut out of the sector around an invented storm",
		"platform_ID", "G18", "instrument_type", "GOES-R Series Advanced Baseline Imager (ABI)", "scene_id", scene, "orbital_slot", "GOES-West",
		"spatial_resolution", "2km at nadir", "dataset_name", p.fileName(start), "time_coverage_start", stamp(start), "time_coverage_end", stamp(end))

	flags := make([]int8, len(pixels))
	field := []netcdf.Dim{y, x}
	common := []any{"_Unsigned", "true", "units", "1", "coordinates", "retrieval_local_zenith_angle t y x", "grid_mapping", "goes_imager_projection", "ancillary_variables", "DQF"}
	packed := func(scale, offset float32, pick func(CloudTop) float64) []int16 {
		words := make([]int16, len(pixels))
		for k, top := range pixels {
			words[k] = -1
			if value := pick(top); value == value {
				words[k] = int16(uint16(min(max(math.Round((value-float64(offset))/float64(scale)), 0), 65530)))
			} else {
				flags[k] = noRetrieval
			}
		}
		return words
	}
	units := func(unit string) []any {
		c := append([]any(nil), common...)
		c[3] = unit
		return c
	}
	switch p.variable {
	case "Phase":
		phases := make([]int8, len(pixels))
		for k, top := range pixels {
			phases[k] = int8(top.Phase)
		}
		n.variable("Phase", field, phases, append(common, "_FillValue", int8(-1), "valid_range", []int8{0, 5}, "long_name", "ABI L2+ Cloud Top Phase",
			"standard_name", "thermodynamic_phase_of_cloud_water_particles_at_cloud_top", "flag_values", []int8{0, 1, 2, 3, 4, 5}, "flag_meanings", phaseMeanings)...)
	case "HT":
		n.variable("HT", field, packed(heightScaleM, 0, func(t CloudTop) float64 { return t.AltitudeM }), append(units("m"), "_FillValue", int16(-1), "valid_range", []int16{0, -6},
			"long_name", "ABI L2+ Cloud Top Height", "standard_name", "geopotential_cloud_top_height", "scale_factor", heightScaleM, "add_offset", float32(0))...)
	case "TEMP":
		n.variable("TEMP", field, packed(temperatureScaleK, temperatureOffsetK, func(t CloudTop) float64 { return t.AirTemperatureK }), append(units("K"), "_FillValue", int16(-1), "valid_range", []int16{0, -6},
			"long_name", "ABI L2+ Cloud Top Temperature", "standard_name", "air_temperature_at_cloud_top", "scale_factor", temperatureScaleK, "add_offset", temperatureOffsetK)...)
	}
	quality := append(append([]any(nil), common[:8]...), "_FillValue", int8(-1), "long_name", "data quality flags", "standard_name", "status_flag")
	if p.variable == "Phase" {
		quality = append(quality, "valid_range", []int8{0, 63}, "flag_masks", []int8{1, 1, 2, 2, 4, 4, 8, 8, 16, 16, 32, 32},
			"flag_values", []int8{0, 1, 0, 2, 0, 4, 0, 8, 0, 16, 0, 32}, "flag_meanings", maskedFlags)
	} else {
		quality = append(quality, "valid_range", []int8{0, 4}, "flag_values", []int8{0, 1, 2, 3, 4}, "flag_meanings", enumeratedFlags)
	}
	n.variable("DQF", field, flags, quality...)

	// Seconds since noon of 2000-01-01, leap seconds not counted.
	epoch := time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)
	from, to := start.Sub(epoch).Seconds(), end.Sub(epoch).Seconds()
	n.variable("t", nil, []float64{(from + to) / 2}, "long_name", "J2000 epoch mid-point between the start and end image scan in seconds", "standard_name", "time",
		"units", "seconds since 2000-01-01 12:00:00", "axis", "T", "bounds", "time_bounds")
	n.variable("time_bounds", []netcdf.Dim{timeBounds}, []float64{from, to}, "long_name", "Scan start and end times in seconds since epoch (2000-01-01 12:00:00)")
	x0, y0 := p.offsets()
	axis := func(name string, d netcdf.Dim, first, length int, scale, offset float64) {
		words := make([]int16, length)
		for k := range words {
			words[k] = int16(first + k)
		}
		upper := map[string]string{"x": "X", "y": "Y"}[name]
		n.variable(name, []netcdf.Dim{d}, words, "scale_factor", float32(scale), "add_offset", float32(offset), "units", "rad", "axis", upper,
			"long_name", "GOES fixed grid projection "+name+"-coordinate", "standard_name", "projection_"+name+"_coordinate")
	}
	axis("y", y, v.j0-int(math.Round((0.151844-y0)/satellitePixelRad)), v.nj, -satellitePixelRad, y0)
	axis("x", x, v.i0-int(math.Round((x0+0.151844)/satellitePixelRad)), v.ni, satellitePixelRad, x0)
	n.variable("retrieval_local_zenith_angle", nil, []float32{90}, "_FillValue", float32(-999), "standard_name", "platform_zenith_angle", "units", "degree",
		"long_name", "threshold angle between the line of sight to the satellite and the local zenith at the observation target for good or degraded quality data production")
	n.variable("goes_imager_projection", nil, []int32{-2147483647}, "long_name", "GOES-R ABI fixed grid projection", "grid_mapping_name", "geostationary",
		"perspective_point_height", satelliteHeightM, "semi_major_axis", 6378137.0, "semi_minor_axis", 6356752.31414, "inverse_flattening", 298.2572221,
		"latitude_of_projection_origin", 0.0, "longitude_of_projection_origin", satelliteLongitudeDeg, "sweep_angle_axis", "x")
	n.variable("nominal_satellite_subpoint_lon", nil, []float32{satelliteLongitudeDeg}, "_FillValue", float32(-999), "standard_name", "longitude", "units", "degrees_east",
		"long_name", "nominal satellite subpoint longitude (platform longitude)")
	if n.err != nil || n.failed(n.ds.EndDef()) {
		return
	}
	for _, fill := range n.fill {
		fill()
	}
}
