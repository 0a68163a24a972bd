// Package cfradial reads radar volumes in netCDF after the CfRadial conventions,
// version 1.1 to 1.5 (Dixon and Lee 2016, CfRadial Data File Format, NCAR), into
// grid.Volume: surveillance and sector sweeps, and vertical ones (RHI).
//
// Read are fields of time and range, and of n_points where the number of gates
// varies from ray to ray (n_gates_vary); packed values, fill values and valid
// ranges as package cfgrid does. Gates must be evenly spaced, as they are within
// each ray of every file known. A gate without a value is not covered: the
// conventions do not tell a signal below the threshold from one that was thrown
// away or never looked for, so nothing of a CfRadial file counts as no echo.
//
// CfRadial 2, which has a group for each sweep, is refused as not supported.
package cfradial

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/cfgrid"
)

// Is tells whether an open netCDF file is a CfRadial volume, by its conventions
// or, where writers left those out, by the coordinates that each has.
func Is(f *cfgrid.File) bool {
	for _, attribute := range []string{"Conventions", "Sub_conventions", "version"} {
		text := strings.ToLower(strings.NewReplacer("/", "", "-", "", " ", "").Replace(f.Text("", attribute)))
		if strings.Contains(text, "cfradial") {
			return true
		}
	}
	names := map[string]bool{}
	for _, v := range f.Variables() {
		names[v.Name] = true
	}
	return names["azimuth"] && names["elevation"] && names["range"] && names["sweep_start_ray_index"]
}

// Decode reads a file given as bytes. Files of untrusted origin belong to
// cfgrid.Prober and Read. Errors are *ingest.FormatError or of the context.
func Decode(ctx context.Context, file string, b []byte) (*grid.Volume, error) {
	f, err := cfgrid.Open(file, b)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Read(ctx, file, f)
}

// Ceilings: 30 rays a degree of a turn and 64 elevations; gates of 1 m to 30 km.
const (
	maxRays   = 1 << 20
	maxGates  = 1 << 15
	maxSweeps = 1 << 12
	maxFields = 256
	maxPoints = 1 << 28 // of all fields together: 1 GB
)

// volumeReader reads one file.
type volumeReader struct {
	ctx       context.Context
	file      string
	f         *cfgrid.File
	variables map[string]cfgrid.Variable
	volume    *grid.Volume

	rays, gates int
	// pointsDim is the dimension of ragged fields, empty where there is none;
	// rayStart and rayGates say where in it each ray is.
	pointsDim          string
	points             int
	rayStart, rayGates []int
	// first and spacing of the gates, in metres, of each ray.
	first, spacing []float64
	// sweepFrom is the first ray of each sweep.
	sweepFrom []int
}

func (r *volumeReader) fail(reason error, format string, values ...any) error {
	return &ingest.FormatError{File: r.file, Detail: fmt.Sprintf(format, values...), Err: reason}
}

func (r *volumeReader) note(format string, values ...any) {
	if text := fmt.Sprintf(format, values...); !slices.Contains(r.volume.Notes, text) {
		r.volume.Notes = append(r.volume.Notes, text)
	}
}

// Read reads an open file. Errors are *ingest.FormatError or of the context.
func Read(ctx context.Context, file string, f *cfgrid.File) (*grid.Volume, error) {
	return newReader(ctx, file, f).read()
}

func newReader(ctx context.Context, file string, f *cfgrid.File) *volumeReader {
	r := &volumeReader{ctx: ctx, file: file, f: f, variables: map[string]cfgrid.Variable{}, volume: &grid.Volume{}}
	for _, v := range f.Variables() {
		r.variables[v.Name] = v
	}
	return r
}

func (r *volumeReader) read() (*grid.Volume, error) {
	if _, has := r.variables["azimuth"]; !has {
		for name := range r.variables {
			if strings.HasPrefix(name, "sweep_") && strings.Contains(name, "/") {
				return nil, r.fail(ingest.ErrUnsupported, "sweeps in groups, as in CfRadial 2")
			}
		}
	}
	if err := r.shape(); err != nil {
		return nil, err
	}
	if err := r.geometry(); err != nil {
		return nil, err
	}
	if err := r.platform(); err != nil {
		return nil, err
	}
	radials, err := r.radials()
	if err != nil {
		return nil, err
	}
	if err := r.sweeps(radials); err != nil {
		return nil, err
	}
	if err := r.moments(); err != nil {
		return nil, err
	}
	return r.volume, nil
}

// dims of a variable by name; nil where there is none.
func (r *volumeReader) dims(name string) []cfgrid.Dimension { return r.variables[name].Dimensions }

// shape finds the numbers of rays, gates and points.
func (r *volumeReader) shape() error {
	for _, name := range []string{"azimuth", "elevation", "time"} {
		if len(r.dims(name)) != 1 || r.dims(name)[0].Name != "time" {
			return r.fail(ingest.ErrCorrupt, "no variable %s of dimension time", name)
		}
	}
	d := r.dims("range")
	if len(d) == 0 || d[len(d)-1].Name != "range" {
		return r.fail(ingest.ErrCorrupt, "no variable range of dimension range")
	}
	r.rays, r.gates = r.dims("time")[0].Length, d[len(d)-1].Length
	switch {
	case r.rays == 0 || r.gates == 0:
		return r.fail(ingest.ErrTruncated, "%d rays of %d gates", r.rays, r.gates)
	case r.rays > maxRays || r.gates > maxGates:
		return r.fail(ingest.ErrUnsupported, "%d rays of %d gates, the ceilings are %d and %d", r.rays, r.gates, maxRays, maxGates)
	case len(d) > 2 || len(d) == 2 && (d[0].Name != "time" && d[0].Name != "sweep"):
		return r.fail(ingest.ErrUnsupported, "range has dimensions %v", d)
	}
	return r.ragged()
}

// ragged reads where the rays are in fields of n_points.
func (r *volumeReader) ragged() error {
	start, gates := r.dims("ray_start_index"), r.dims("ray_n_gates")
	if start == nil && gates == nil {
		return nil
	}
	if len(start) != 1 || len(gates) != 1 || start[0].Length != r.rays || gates[0].Length != r.rays {
		return r.fail(ingest.ErrCorrupt, "ray_start_index and ray_n_gates are not both there with one value a ray")
	}
	for _, v := range r.f.Variables() {
		if len(v.Dimensions) == 1 && v.Dimensions[0].Name == "n_points" {
			r.pointsDim, r.points = "n_points", v.Dimensions[0].Length
		}
	}
	if r.pointsDim == "" {
		return nil // counts without ragged fields: those are rectangular
	}
	var err error
	if r.rayStart, err = r.integers("ray_start_index"); err != nil {
		return err
	}
	if r.rayGates, err = r.integers("ray_n_gates"); err != nil {
		return err
	}
	for k := range r.rays {
		from, n := r.rayStart[k], r.rayGates[k]
		if from < 0 || n < 0 || from > r.points || n > r.points-from {
			return r.fail(ingest.ErrCorrupt, "ray %d has gates %d to %d of %d points", k, from, from+n, r.points)
		}
		if n > r.gates {
			return r.fail(ingest.ErrCorrupt, "ray %d has %d gates, the range %d", k, n, r.gates)
		}
	}
	return nil
}

// integers reads a variable of whole numbers; missing ones are -1.
func (r *volumeReader) integers(name string) ([]int, error) {
	values, err := r.f.Values(r.ctx, name)
	if err != nil {
		return nil, err
	}
	out := make([]int, len(values))
	for k, x := range values {
		out[k] = -1
		if x == math.Trunc(x) && math.Abs(x) < 1<<31 {
			out[k] = int(x)
		}
	}
	return out, nil
}

// geometry finds the gates of each ray: from range, which may differ by ray or
// sweep, or from ray_start_range and ray_gate_spacing.
func (r *volumeReader) geometry() error {
	values, err := r.f.Values(r.ctx, "range")
	if err != nil {
		return err
	}
	factor := 1.0
	switch units := strings.ToLower(r.variables["range"].Units); units {
	case "km", "kilometer", "kilometers", "kilometre", "kilometres":
		factor = 1000
	case "", "m", "meter", "meters", "metre", "metres":
	default:
		return r.fail(ingest.ErrUnsupported, "range in %q", units)
	}
	rows := len(values) / r.gates
	first, spacing := make([]float64, rows), make([]float64, rows)
	for k := range rows {
		if first[k], spacing[k], err = r.even(values[k*r.gates:(k+1)*r.gates], factor); err != nil {
			return err
		}
	}
	r.first, r.spacing = make([]float64, r.rays), make([]float64, r.rays)
	switch {
	case rows == 1:
		fill(r.first, first[0])
		fill(r.spacing, spacing[0])
	case rows == r.rays && r.dims("range")[0].Name == "time":
		r.first, r.spacing = first, spacing
	default: // by sweep
		from, to, err := r.sweepBounds()
		if err != nil {
			return err
		}
		if len(from) != rows {
			return r.fail(ingest.ErrCorrupt, "range for %d sweeps, there are %d", rows, len(from))
		}
		for s := range from {
			fill(r.first[from[s]:to[s]], first[s])
			fill(r.spacing[from[s]:to[s]], spacing[s])
		}
	}
	for _, own := range []struct {
		name string
		into []float64
	}{{"ray_start_range", r.first}, {"ray_gate_spacing", r.spacing}} {
		if d := r.dims(own.name); len(d) != 1 || d[0].Length != r.rays {
			continue
		}
		values, err := r.f.Values(r.ctx, own.name)
		if err != nil {
			return err
		}
		for k, x := range values {
			if !math.IsNaN(x) {
				own.into[k] = x
			}
		}
	}
	for k := range r.rays {
		if !(r.spacing[k] >= 0.1 && r.spacing[k] <= 1e5) || !(math.Abs(r.first[k]) <= 1e6) {
			return r.fail(ingest.ErrCorrupt, "ray %d: first gate at %g m, spacing %g m", k, r.first[k], r.spacing[k])
		}
	}
	return nil
}

func fill(dst []float64, x float64) {
	for k := range dst {
		dst[k] = x
	}
}

// even checks that gates are evenly spaced, to a hundredth of a step. The
// attributes of range give the geometry of a single gate.
func (r *volumeReader) even(values []float64, factor float64) (firstM, spacingM float64, err error) {
	n := len(values)
	firstM = values[0] * factor
	if n == 1 {
		spacing := r.f.Numbers("range", "meters_between_gates")
		if len(spacing) != 1 {
			return 0, 0, r.fail(ingest.ErrCorrupt, "one gate, and no meters_between_gates")
		}
		return firstM, spacing[0], nil
	}
	spacingM = (values[n-1]*factor - firstM) / float64(n-1)
	for k, x := range values {
		if off := x*factor - firstM - float64(k)*spacingM; !(math.Abs(off) <= 0.01*math.Abs(spacingM)) {
			return 0, 0, r.fail(ingest.ErrUnsupported, "gate %d at %g m, even spacing would have it at %g", k, x*factor, firstM+float64(k)*spacingM)
		}
	}
	return firstM, spacingM, nil
}

// scalar is the first value of a variable, NaN where there is none.
func (r *volumeReader) scalar(names ...string) (float64, error) {
	for _, name := range names {
		v, has := r.variables[name]
		if !has || v.Type == "char" || v.Type == "string" || len(v.Dimensions) > 1 {
			continue
		}
		values, err := r.f.Values(r.ctx, name)
		if err != nil {
			return math.NaN(), err
		}
		if len(values) > 0 && !math.IsNaN(values[0]) {
			return values[0], nil
		}
	}
	return math.NaN(), nil
}

// platform reads where the radar is and what it calls itself. Of a moving
// platform the place at the first ray is kept.
func (r *volumeReader) platform() error {
	v := r.volume
	for _, name := range []string{r.f.Text("", "instrument_name"), r.f.Text("", "site_name")} {
		if v.Radar == "" {
			v.Radar = strings.TrimSpace(name)
		}
	}
	var err error
	read := func(names ...string) (x float64) {
		if err == nil {
			x, err = r.scalar(names...)
		}
		return x
	}
	v.Antenna.LatitudeDeg, v.Antenna.LongitudeDeg = read("latitude"), read("longitude")
	v.Antenna.AltitudeM, v.TowerHeightM = read("altitude"), read("altitude_agl")
	v.BeamwidthDeg = read("radar_beam_width_h", "radar_beam_width_v")
	if err != nil {
		return err
	}
	if !(math.Abs(v.Antenna.LatitudeDeg) <= 90) || !(math.Abs(v.Antenna.LongitudeDeg) <= 720) {
		r.note("the file does not say where the radar is")
		v.Antenna.LatitudeDeg, v.Antenna.LongitudeDeg = math.NaN(), math.NaN()
	} else {
		v.Antenna.LongitudeDeg = grid.NormalLongitudeDeg(v.Antenna.LongitudeDeg)
	}
	if strings.EqualFold(r.f.Text("", "platform_is_mobile"), "true") {
		r.note("the platform may move; its place at the first ray stands for all")
	}
	return nil
}

func (r *volumeReader) radials() ([]grid.Radial, error) {
	radials := make([]grid.Radial, r.rays)
	times, err := r.f.Times(r.ctx, "time")
	if err != nil {
		return nil, err
	}
	azimuth, err := r.f.Values(r.ctx, "azimuth")
	if err != nil {
		return nil, err
	}
	elevation, err := r.f.Values(r.ctx, "elevation")
	if err != nil {
		return nil, err
	}
	nyquist, err := r.perRay("nyquist_velocity")
	if err != nil {
		return nil, err
	}
	unambiguous, err := r.perRay("unambiguous_range")
	if err != nil {
		return nil, err
	}
	for k := range radials {
		a := math.Mod(azimuth[k], 360)
		if a < 0 {
			a += 360
		}
		if float32(a) >= 360 {
			a = 0
		}
		radials[k] = grid.Radial{
			AzimuthDeg: float32(a), ElevationDeg: float32(elevation[k]), SpacingDeg: 1,
			NyquistVelocityMPerS: float32(nyquist[k]), UnambiguousRangeM: float32(unambiguous[k]),
			Time: times[k],
		}
	}
	// The volume starts with its first ray; files without ray times have
	// time_coverage_start only, and none is known here.
	for _, t := range times {
		if !t.IsZero() && (r.volume.Time.IsZero() || t.Before(r.volume.Time)) {
			r.volume.Time = t
		}
	}
	return radials, nil
}

// perRay reads an optional variable of one value a ray, NaN where missing.
func (r *volumeReader) perRay(name string) ([]float64, error) {
	if d := r.dims(name); len(d) == 1 && d[0].Length == r.rays {
		return r.f.Values(r.ctx, name)
	}
	values := make([]float64, r.rays)
	fill(values, math.NaN())
	return values, nil
}

// sweepBounds gives the rays of each sweep, from and up to.
func (r *volumeReader) sweepBounds() (from, to []int, err error) {
	starts, ends := r.dims("sweep_start_ray_index"), r.dims("sweep_end_ray_index")
	if len(starts) != 1 || len(ends) != 1 || starts[0].Length != ends[0].Length || starts[0].Length == 0 {
		return nil, nil, r.fail(ingest.ErrCorrupt, "no sweep_start_ray_index and sweep_end_ray_index of one length")
	}
	if starts[0].Length > maxSweeps || starts[0].Length > r.rays {
		return nil, nil, r.fail(ingest.ErrCorrupt, "%d sweeps of %d rays, the ceiling is %d", starts[0].Length, r.rays, maxSweeps)
	}
	if from, err = r.integers("sweep_start_ray_index"); err != nil {
		return nil, nil, err
	}
	if to, err = r.integers("sweep_end_ray_index"); err != nil {
		return nil, nil, err
	}
	for s := range from {
		if from[s] < 0 || to[s] < from[s] || to[s] >= r.rays {
			return nil, nil, r.fail(ingest.ErrCorrupt, "sweep %d has rays %d to %d of %d", s, from[s], to[s], r.rays)
		}
		if s > 0 && from[s] < to[s-1] {
			return nil, nil, r.fail(ingest.ErrCorrupt, "sweep %d begins with ray %d, before sweep %d ends", s, from[s], s-1)
		}
		to[s]++ // up to, not including
	}
	return from, to, nil
}

func (r *volumeReader) sweeps(radials []grid.Radial) error {
	from, to, err := r.sweepBounds()
	if err != nil {
		return err
	}
	perSweep := func(name string) ([]float64, error) {
		if d := r.dims(name); len(d) == 1 && d[0].Length == len(from) {
			return r.f.Values(r.ctx, name)
		}
		values := make([]float64, len(from))
		fill(values, math.NaN())
		return values, nil
	}
	numbers, err := perSweep("sweep_number")
	if err != nil {
		return err
	}
	fixed, err := perSweep("fixed_angle")
	if err != nil {
		return err
	}
	resolution, err := perSweep("ray_angle_res")
	if err != nil {
		return err
	}
	modes := make([]string, len(from))
	if d := r.dims("sweep_mode"); len(d) > 0 && d[0].Length == len(from) && len(d) <= 2 {
		if modes, err = r.f.Strings(r.ctx, "sweep_mode"); err != nil {
			return err
		}
	}
	r.sweepFrom = from
	covered := 0
	for s := range from {
		sweep := &grid.Sweep{
			Number: s + 1, TargetElevationDeg: math.NaN(),
			NyquistVelocityMPerS: math.NaN(), UnambiguousRangeM: math.NaN(),
			Radials: radials[from[s]:to[s]:to[s]],
		}
		if n := numbers[s]; n == math.Trunc(n) && n >= 0 && n < 1e6 {
			sweep.Number = int(n) + 1 // counted from 0 there
		}
		if s < len(modes) {
			sweep.Mode = grid.SweepMode(strings.TrimSpace(modes[s]))
		}
		if !sweep.Mode.Vertical() {
			sweep.TargetElevationDeg = fixed[s]
		}
		finish(sweep, resolution[s])
		covered += len(sweep.Radials)
		r.volume.Sweeps = append(r.volume.Sweeps, sweep)
	}
	r.volume.Complete = covered == r.rays
	if covered < r.rays {
		r.note("%d of %d rays belong to no sweep", r.rays-covered, r.rays)
	}
	if first := r.volume.Sweeps[0].Number; first > 1 {
		r.note("the file begins with sweep %d of its volume", first)
	}
	return nil
}

// maxSpacingDeg between radials; wider, a turn is no picture.
const maxSpacingDeg = 30

// finish fills what follows from the radials.
func finish(sweep *grid.Sweep, resolutionDeg float64) {
	radials := sweep.Radials
	sum, n := 0.0, 0
	for _, radial := range radials {
		if e := float64(radial.ElevationDeg); !math.IsNaN(e) {
			sum += e
			n++
		}
		if !radial.Time.IsZero() {
			if sweep.Start.IsZero() || radial.Time.Before(sweep.Start) {
				sweep.Start = radial.Time
			}
			if radial.Time.After(sweep.End) {
				sweep.End = radial.Time
			}
		}
	}
	sweep.ElevationDeg = sum / float64(n) // NaN where none is known
	middle := radials[len(radials)/2]
	sweep.NyquistVelocityMPerS, sweep.UnambiguousRangeM = float64(middle.NyquistVelocityMPerS), float64(middle.UnambiguousRangeM)
	sweep.Complete = true
	if sweep.Mode.Vertical() {
		return
	}
	steps := make([]float64, 0, len(radials))
	for k := 1; k < len(radials); k++ {
		step := math.Abs(float64(radials[k].AzimuthDeg) - float64(radials[k-1].AzimuthDeg))
		if step = math.Min(step, 360-step); step > 0 {
			steps = append(steps, step)
		}
	}
	spacing := resolutionDeg
	if len(steps) > 0 && !(spacing > 0 && spacing <= maxSpacingDeg) {
		slices.Sort(steps)
		spacing = math.Min(steps[len(steps)/2], maxSpacingDeg)
	}
	if !(spacing > 0 && spacing <= maxSpacingDeg) {
		spacing = 1
	}
	for k := range radials {
		radials[k].SpacingDeg = float32(spacing)
	}
	if sweep.Mode == grid.Surveillance {
		sweep.Complete = widestGapDeg(radials) <= 2.5*spacing
	}
}

// widestGapDeg between the azimuths of a turn.
func widestGapDeg(radials []grid.Radial) float64 {
	azimuths := make([]float64, 0, len(radials))
	for _, radial := range radials {
		if a := float64(radial.AzimuthDeg); !math.IsNaN(a) {
			azimuths = append(azimuths, a)
		}
	}
	if len(azimuths) == 0 {
		return 360
	}
	slices.Sort(azimuths)
	widest := azimuths[0] + 360 - azimuths[len(azimuths)-1]
	for k := 1; k < len(azimuths); k++ {
		widest = math.Max(widest, azimuths[k]-azimuths[k-1])
	}
	return widest
}

// moments reads all fields of gates.
func (r *volumeReader) moments() error {
	var fields []cfgrid.Variable
	for _, v := range r.f.Variables() {
		d := v.Dimensions
		rectangular := len(d) == 2 && d[0].Name == "time" && d[1].Name == "range" && v.Name != "range"
		ragged := r.pointsDim != "" && len(d) == 1 && d[0].Name == r.pointsDim
		if (rectangular || ragged) && v.Type != "char" && v.Type != "string" && v.Type != "user-defined type" {
			fields = append(fields, v)
		}
	}
	points := r.rays * r.gates // below 2^35
	if r.pointsDim != "" {
		points = max(points, r.points)
	}
	if len(fields) > maxFields || points > maxPoints/max(1, len(fields)) {
		return r.fail(ingest.ErrUnsupported, "%d fields of %d points", len(fields), points)
	}
	names := momentNames(fields)
	for k, v := range fields {
		if err := r.ctx.Err(); err != nil {
			return err
		}
		values, err := r.f.Values32(r.ctx, v.Name)
		if err != nil {
			return err
		}
		r.place(v, names[k], values)
	}
	return nil
}

// missingPacking is of float words; what is missing is NaN in them.
var missingPacking = &grid.Packing{
	WordBits: 32, Float: true, Factor: 1,
	BelowThreshold: grid.NoCode, RangeFolded: grid.NoCode, Missing: grid.NoCode,
}

// place shares a field out to the sweeps. A sweep whose rays have different
// gates takes those of its first ray, and rays that differ are left out of it.
func (r *volumeReader) place(v cfgrid.Variable, name string, values []float32) {
	raw := make([]byte, 4*len(values))
	for k, x := range values {
		binary.BigEndian.PutUint32(raw[4*k:], math.Float32bits(x))
	}
	for s, sweep := range r.volume.Sweeps {
		from := r.sweepFrom[s]
		m := &grid.Moment{
			Name: name, FieldName: v.Name, StandardName: v.StandardName, Units: v.Units,
			FirstGateM: r.first[from], GateSpacingM: r.spacing[from],
			Rows: make([]grid.GateRow, len(sweep.Radials)),
		}
		left := 0
		for k := range sweep.Radials {
			ray := from + k
			if math.Abs(r.first[ray]-m.FirstGateM) > 0.01*m.GateSpacingM || math.Abs(r.spacing[ray]-m.GateSpacingM) > 1e-5*m.GateSpacingM {
				left++
				continue
			}
			start, n := ray*r.gates, r.gates
			if len(v.Dimensions) == 1 {
				start, n = r.rayStart[ray], r.rayGates[ray]
			}
			m.Rows[k] = grid.GateRow{Raw: raw[4*start : 4*(start+n) : 4*(start+n)], Packing: missingPacking}
			m.Gates = max(m.Gates, n)
		}
		if left > 0 {
			r.note("sweep %d: %d rays have other gates than the first and are left out", sweep.Number, left)
		}
		sweep.Moments = append(sweep.Moments, m)
	}
}
