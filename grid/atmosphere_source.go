package grid

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
)

// ErrIncomplete: the fields given do not make an atmosphere. The message names
// the time, level and quantity that is missing.
var ErrIncomplete = errors.New("incomplete")

// quantity is what a field says, whatever its name and unit in the file.
type quantity int

const (
	airTemperature quantity = iota
	eastwardWind            // or along x, turned later
	northwardWind
	upwardVelocity
	pressureVelocity
	specificHumidity
	mixingRatio
	relativeHumidity
	dewPoint
	altitude
	geopotential
	airPressure
	cloudLiquid
	cloudIce
	rain
	snow
	graupel
	quantities
	// Only at the surface.
	terrain
	surfacePressure
	precipitationRate
	notUsed
)

var quantityNames = map[string]quantity{
	"air_temperature":                     airTemperature,
	"eastward_wind":                       eastwardWind,
	"x_wind":                              eastwardWind,
	"grid_eastward_wind":                  eastwardWind,
	"northward_wind":                      northwardWind,
	"y_wind":                              northwardWind,
	"grid_northward_wind":                 northwardWind,
	"upward_air_velocity":                 upwardVelocity,
	"lagrangian_tendency_of_air_pressure": pressureVelocity,
	"vertical_air_velocity_expressed_as_tendency_of_pressure": pressureVelocity,
	"specific_humidity":                          specificHumidity,
	"humidity_mixing_ratio":                      mixingRatio,
	"relative_humidity":                          relativeHumidity,
	"dew_point_temperature":                      dewPoint,
	"geopotential_height":                        altitude,
	"altitude":                                   altitude,
	"geopotential":                               geopotential,
	"air_pressure":                               airPressure,
	"cloud_liquid_water_mixing_ratio":            cloudLiquid,
	"mass_fraction_of_cloud_liquid_water_in_air": cloudLiquid,
	"cloud_ice_mixing_ratio":                     cloudIce,
	"mass_fraction_of_cloud_ice_in_air":          cloudIce,
	"rain_mixing_ratio":                          rain,
	"mass_fraction_of_rain_in_air":               rain,
	"mass_fraction_of_stratiform_rain_in_air":    rain,
	"snow_mixing_ratio":                          snow,
	"mass_fraction_of_snow_in_air":               snow,
	"graupel_mixing_ratio":                       graupel,
	"mass_fraction_of_graupel_in_air":            graupel,
	"mass_fraction_of_graupel_and_hail_in_air":   graupel,
	"surface_altitude":                           terrain,
	"surface_air_pressure":                       surfacePressure,
	"precipitation_flux":                         precipitationRate,
}

// quantityParameters serves GRIB2 fields that have no CF standard name: WMO
// GRIB2 code table 4.2, product discipline 0.
var quantityParameters = map[string]quantity{
	"0.1.22": cloudLiquid, // cloud mixing ratio
	"0.1.23": cloudIce,    // ice water mixing ratio
	"0.1.24": rain,
	"0.1.25": snow,
	"0.1.32": graupel,
	"0.1.83": cloudLiquid, // specific cloud liquid water content
	"0.1.84": cloudIce,
	"0.1.85": rain,
	"0.1.86": snow,
}

func (q quantity) String() string {
	switch q {
	case airTemperature:
		return "air_temperature"
	case eastwardWind:
		return "eastward_wind"
	case northwardWind:
		return "northward_wind"
	case upwardVelocity:
		return "upward_air_velocity"
	case pressureVelocity:
		return "lagrangian_tendency_of_air_pressure"
	case specificHumidity:
		return "specific_humidity"
	case mixingRatio:
		return "humidity_mixing_ratio"
	case relativeHumidity:
		return "relative_humidity"
	case dewPoint:
		return "dew_point_temperature"
	case altitude:
		return "geopotential_height"
	case geopotential:
		return "geopotential"
	case airPressure:
		return "air_pressure"
	case cloudLiquid:
		return "cloud_liquid_water_mixing_ratio"
	case cloudIce:
		return "cloud_ice_mixing_ratio"
	case rain:
		return "rain_mixing_ratio"
	case snow:
		return "snow_mixing_ratio"
	case graupel:
		return "graupel_mixing_ratio"
	case terrain:
		return "surface_altitude"
	case surfacePressure:
		return "surface_air_pressure"
	case precipitationRate:
		return "precipitation_flux"
	}
	return "a quantity that is not used"
}

// unit gives the factor and offset to SI of a unit as formats spell it.
func (q quantity) unit(units string) (factor, offset float64, ok bool) {
	u := strings.ToLower(strings.NewReplacer("**", "", "^", "", ".", " ").Replace(strings.TrimSpace(units)))
	switch q {
	case airTemperature, dewPoint:
		switch u {
		case "k", "kelvin", "degk":
			return 1, 0, true
		case "degc", "c", "celsius", "deg_c", "degree_celsius", "degrees_celsius", "degrees celsius", "°c":
			return 1, 273.15, true
		}
	case airPressure, surfacePressure:
		switch u {
		case "pa", "pascal", "pascals":
			return 1, 0, true
		case "hpa", "mbar", "mb", "millibar", "millibars", "hectopascal":
			return 100, 0, true
		}
	case eastwardWind, northwardWind, upwardVelocity:
		switch u {
		case "m s-1", "m/s", "meter second-1", "metre second-1", "m sec-1", "meters/second":
			return 1, 0, true
		case "cm s-1", "cm/s":
			return 0.01, 0, true
		case "kt", "knot", "knots", "kts":
			return 1852.0 / 3600, 0, true
		}
	case pressureVelocity:
		switch u {
		case "pa s-1", "pa/s":
			return 1, 0, true
		case "hpa s-1", "hpa/s":
			return 100, 0, true
		}
	case specificHumidity, mixingRatio, cloudLiquid, cloudIce, rain, snow, graupel:
		switch u {
		case "kg kg-1", "kg/kg", "1", "", "kg kg^-1":
			return 1, 0, true
		case "g kg-1", "g/kg":
			return 1e-3, 0, true
		}
	case relativeHumidity:
		switch u {
		case "%", "percent":
			return 0.01, 0, true
		case "1", "":
			return 1, 0, true
		}
	case altitude, terrain:
		switch u {
		case "m", "gpm", "meter", "meters", "metre", "metres", "geopotential meter", "geopotential metre":
			return 1, 0, true
		case "km":
			return 1000, 0, true
		}
	case geopotential:
		switch u {
		case "m2 s-2", "m2/s2", "j kg-1", "j/kg":
			return 1 / gravityMPerS2, 0, true
		}
	case precipitationRate:
		switch u {
		case "kg m-2 s-1", "kg/m2/s", "mm s-1", "mm/s":
			return 1, 0, true
		case "mm h-1", "mm/h", "mm hr-1", "mm/hr":
			return 1.0 / 3600, 0, true
		}
	}
	return 0, 0, false
}

// stratum is a kind of level and its number.
type stratum struct {
	kind  stratumKind
	value float64 // Pa, metres above ground, or the model's own number
}

type stratumKind int

const (
	otherLevel stratumKind = iota
	surfaceLevel
	isobaricLevel
	modelLevel
	heightLevel // above ground
)

func (s stratum) String() string {
	switch s.kind {
	case surfaceLevel:
		return "the surface"
	case isobaricLevel:
		return fmt.Sprintf("%g hPa", s.value/100)
	case modelLevel:
		return fmt.Sprintf("model level %g", s.value)
	case heightLevel:
		return fmt.Sprintf("%g m above ground", s.value)
	}
	return "another level"
}

// stratumOf reads a level: GRIB2 code table 4.5, or the names that netCDF files
// give to their vertical coordinates.
func stratumOf(level Level) stratum {
	if level.Code >= 0 {
		if level.SecondCode > 0 && level.SecondCode != 255 && level.SecondCode != level.Code {
			return stratum{}
		}
		if level.SecondCode == level.Code && level.Code != 105 && level.Code != 118 {
			return stratum{} // a layer
		}
		switch level.Code {
		case 1:
			return stratum{kind: surfaceLevel}
		case 100:
			return stratum{isobaricLevel, level.Value * pascals(level.Units)}
		case 103:
			return stratum{heightLevel, level.Value}
		case 104, 105, 111, 113, 118, 119, 150:
			return stratum{modelLevel, level.Value}
		}
		return stratum{}
	}
	name := strings.ToLower(strings.ReplaceAll(level.Type, " ", "_"))
	switch {
	case strings.Contains(name, "sigma"), strings.Contains(name, "hybrid"), strings.Contains(name, "model_level"),
		strings.Contains(name, "bottom_top"), name == "eta":
		return stratum{modelLevel, level.Value}
	case strings.Contains(name, "pressure"), strings.Contains(name, "isobaric"):
		return stratum{isobaricLevel, level.Value * pascals(level.Units)}
	case name == "height", strings.Contains(name, "above_ground"):
		return stratum{heightLevel, level.Value}
	case name == "", strings.Contains(name, "surface"), strings.Contains(name, "ground"):
		return stratum{kind: surfaceLevel}
	}
	return stratum{}
}

func pascals(units string) float64 {
	if factor, _, ok := airPressure.unit(units); ok {
		return factor
	}
	return 1
}

// reading is a field with the conversion of its unit.
type reading struct {
	field          *Field
	factor, offset float64
}

// value is NaN where there is no field.
func (r *reading) value(at int) float64 {
	if r == nil || r.field == nil {
		return math.NaN()
	}
	return float64(r.field.Values[at])*r.factor + r.offset
}

// gridRelative tells whether a wind component lies along the grid.
func (r *reading) gridRelative() bool {
	return r.field.Grid.WindsGridRelative || strings.HasPrefix(r.field.StandardName, "x_wind") ||
		strings.HasPrefix(r.field.StandardName, "y_wind") || strings.HasPrefix(r.field.StandardName, "grid_")
}

type key struct {
	what quantity
	at   stratum
}

// moments of the source: its fields by time, quantity and level.
type source struct {
	grid      *Grid
	times     []time.Time
	byTime    []map[key]*reading
	terrain   *reading
	reference time.Time
	kind      stratumKind // of the levels
	levels    []stratum   // complete ones, lowest first for pressure
	notes     []string
}

func describe(f *Field) string {
	name := f.StandardName
	if name == "" {
		name = f.ShortName
	}
	if name == "" {
		name = f.Parameter
	}
	return fmt.Sprintf("field %d (%s, %s)", f.Number, name, stratumOf(f.Level))
}

// classify says what a field is for, notUsed for most.
func classify(f *Field) key {
	what, ok := quantityNames[f.StandardName]
	if !ok && f.StandardName == "" && f.Level.Code >= 0 {
		what, ok = quantityParameters[f.Parameter]
	}
	at := stratumOf(f.Level)
	instant := f.IntervalStart.IsZero() || f.IntervalStart.Equal(f.ValidTime)
	if !ok || !instant || (f.CellMethod != "" && !strings.HasPrefix(f.CellMethod, "point")) {
		return key{what: notUsed}
	}
	switch what {
	case terrain, surfacePressure:
		return key{what, stratum{kind: surfaceLevel}}
	case precipitationRate:
		if at.kind == surfaceLevel {
			return key{what, at}
		}
	case altitude, geopotential:
		if at.kind == surfaceLevel {
			return key{terrain, at}
		}
	case airPressure:
		if at.kind == surfaceLevel {
			return key{surfacePressure, at}
		}
	}
	if at.kind != isobaricLevel && at.kind != modelLevel && at.kind != heightLevel {
		return key{what: notUsed}
	}
	return key{what, at}
}

// sortFields groups the fields; everything it refuses is named.
func sortFields(fields []*Field, options *AtmosphereOptions) (*source, error) {
	s := new(source)
	used := make([]*Field, 0, len(fields))
	keys := make(map[*Field]key, len(fields))
	members := map[int]bool{}
	for _, f := range fields {
		if f == nil || f.Grid == nil {
			return nil, fmt.Errorf("a field without a grid among the fields: %w", ErrIncomplete)
		}
		k := classify(f)
		if k.what == notUsed {
			continue
		}
		keys[f] = k
		used = append(used, f)
		if k.what < quantities {
			members[f.Member] = true
		}
	}
	if len(used) == 0 {
		return nil, fmt.Errorf("none of %d fields holds a quantity of the atmosphere on a level: %w", len(fields), ErrIncomplete)
	}
	used, err := s.selectMember(used, members, options)
	if err != nil {
		return nil, err
	}
	used = selectTimes(used, keys, options.From, options.To)
	if used, err = s.selectGrid(used, keys); err != nil {
		return nil, err
	}
	s.selectRuns(used, keys)
	if err := s.group(used, keys); err != nil {
		return nil, err
	}
	return s, s.completeLevels()
}

func (s *source) selectMember(used []*Field, members map[int]bool, options *AtmosphereOptions) ([]*Field, error) {
	var found []int
	for member := range members {
		found = append(found, member)
	}
	slices.Sort(found)
	var wanted int
	switch {
	case options.Member != nil:
		wanted = *options.Member
		if !members[wanted] {
			return nil, fmt.Errorf("no field of member %d, there are members %v: %w", wanted, found, ErrIncomplete)
		}
	case len(found) == 1:
		wanted = found[0]
	case len(found) > 1:
		return nil, fmt.Errorf("fields of members %v are mixed (-1: not one of an ensemble): say which member is wanted", found)
	}
	// What lies under all members, such as terrain, may come from any.
	return slices.DeleteFunc(used, func(f *Field) bool {
		return f.Member != wanted && classify(f).what != terrain
	}), nil
}

func (s *source) selectGrid(used []*Field, keys map[*Field]key) ([]*Field, error) {
	for _, f := range used {
		if keys[f].what == airTemperature && keys[f].at.kind != heightLevel {
			s.grid = f.Grid
			break
		}
	}
	if s.grid == nil {
		return nil, fmt.Errorf("no air_temperature on pressure or model levels: %w", ErrIncomplete)
	}
	// Terrain of another time may be that of a nest's earlier place, and nothing
	// rests on a rate of precipitation.
	used = slices.DeleteFunc(used, func(f *Field) bool {
		return (keys[f].what == terrain || keys[f].what == precipitationRate) && !s.grid.Same(f.Grid)
	})
	for _, f := range used {
		if !s.grid.Same(f.Grid) {
			moved := ""
			if s.grid.Name == f.Grid.Name && s.grid.NI == f.Grid.NI && s.grid.NJ == f.Grid.NJ {
				moved = " (as large, but elsewhere: a nest that moves? then give one time only)"
			}
			return nil, fmt.Errorf("%s of %s is on another grid (%s, %d x %d) than the temperature (%s, %d x %d)%s",
				describe(f), f.ValidTime.Format(time.RFC3339), f.Grid.Name, f.Grid.NI, f.Grid.NJ, s.grid.Name, s.grid.NI, s.grid.NJ, moved)
		}
		if len(f.Values) != f.Grid.NI*f.Grid.NJ {
			return nil, fmt.Errorf("%s has %d values on a grid of %d x %d", describe(f), len(f.Values), f.Grid.NI, f.Grid.NJ)
		}
	}
	return used, nil
}

// selectRuns keeps, for each valid time, the newest run.
func (s *source) selectRuns(used []*Field, keys map[*Field]key) {
	newest := map[int64]time.Time{}
	runs := map[int64]bool{}
	for _, f := range used {
		if keys[f].what == airTemperature && keys[f].at.kind != heightLevel {
			valid := f.ValidTime.UnixNano()
			if run, ok := newest[valid]; !ok || f.ReferenceTime.After(run) {
				newest[valid] = f.ReferenceTime
			}
			runs[f.ReferenceTime.UnixNano()] = true
		}
	}
	older := map[int64]bool{}
	for f, k := range keys {
		if run, ok := newest[f.ValidTime.UnixNano()]; ok && k.what != terrain && f.ReferenceTime.Before(run) {
			keys[f] = key{what: notUsed}
			older[f.ReferenceTime.UnixNano()] = true
		}
	}
	if len(older) > 0 {
		s.notes = append(s.notes, fmt.Sprintf("fields of %d model runs were given; of each time the newest run is used", len(runs)))
	}
	for _, run := range newest {
		if run.After(s.reference) {
			s.reference = run
		}
	}
}

func (s *source) group(used []*Field, keys map[*Field]key) error {
	byTime := map[int64]map[key]*reading{}
	for _, f := range used {
		k := keys[f]
		if k.what == notUsed {
			continue
		}
		units := k.what
		if k.what == terrain && f.StandardName == "geopotential" {
			units = geopotential
		}
		factor, offset, ok := units.unit(f.Units)
		if !ok && k.what == precipitationRate {
			s.notes = append(s.notes, fmt.Sprintf("%s has the unit %q and is not used", describe(f), f.Units))
			continue
		}
		if !ok {
			return fmt.Errorf("%s has the unit %q, which %s cannot have", describe(f), f.Units, units)
		}
		r := &reading{f, factor, offset}
		if k.what == terrain {
			if s.terrain == nil || f.ValidTime.Before(s.terrain.field.ValidTime) {
				s.terrain = r
			}
			continue
		}
		valid := f.ValidTime.UnixNano()
		if byTime[valid] == nil {
			byTime[valid] = map[key]*reading{}
		}
		// The same field twice, as when two files overlap, is no harm: the
		// first is kept.
		if byTime[valid][k] == nil {
			byTime[valid][k] = r
		}
	}
	for valid, readings := range byTime {
		hasLevels := false
		for k := range readings {
			hasLevels = hasLevels || k.what < quantities && k.at.kind != heightLevel
		}
		if hasLevels {
			s.times = append(s.times, time.Unix(0, valid).UTC())
		}
	}
	sort.Slice(s.times, func(a, b int) bool { return s.times[a].Before(s.times[b]) })
	for _, at := range s.times {
		s.byTime = append(s.byTime, byTime[at.UnixNano()])
	}
	return nil
}

// selectTimes keeps the times from the last not after from to the first not
// before to, so that the whole range asked for lies between states. Terrain of
// any time stays.
func selectTimes(used []*Field, keys map[*Field]key, from, to time.Time) []*Field {
	var times []time.Time
	for _, f := range used {
		if k := keys[f]; k.what == airTemperature && k.at.kind != heightLevel {
			times = append(times, f.ValidTime)
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	times = slices.CompactFunc(times, time.Time.Equal)
	first, last := 0, len(times)-1
	if !from.IsZero() {
		for first < last && !times[first+1].After(from) {
			first++
		}
	}
	if !to.IsZero() {
		for last > first && !times[last-1].Before(to) {
			last--
		}
	}
	if first > last {
		return used
	}
	return slices.DeleteFunc(used, func(f *Field) bool {
		return keys[f].what != terrain && (f.ValidTime.Before(times[first]) || f.ValidTime.After(times[last]))
	})
}

// completeLevels finds the levels that have temperature and wind, and demands
// them, and every optional quantity, at all times alike.
func (s *source) completeLevels() error {
	required := []quantity{airTemperature, eastwardWind, northwardWind}
	has := func(t int, what quantity, at stratum) bool { return s.byTime[t][key{what, at}] != nil }
	seen, complete := map[stratum]bool{}, map[stratum]bool{}
	isobaric, model := 0, 0
	for t := range s.times {
		for k := range s.byTime[t] {
			if k.at.kind != isobaricLevel && k.at.kind != modelLevel {
				continue
			}
			seen[k.at] = true
			all := !slices.ContainsFunc(required, func(q quantity) bool { return !has(t, q, k.at) })
			if all && k.at.kind == modelLevel {
				all = has(t, airPressure, k.at)
			}
			if all && !complete[k.at] {
				complete[k.at] = true
				if k.at.kind == isobaricLevel {
					isobaric++
				} else {
					model++
				}
			}
		}
	}
	s.kind = isobaricLevel
	if model > isobaric {
		s.kind = modelLevel
		required = append(required, airPressure)
	}
	dropped := 0
	for at := range seen {
		switch {
		case at.kind != s.kind:
		case complete[at]:
			s.levels = append(s.levels, at)
		default:
			dropped++
		}
	}
	if len(s.levels) < 2 {
		return s.tooFewLevels(seen, required)
	}
	if s.kind == isobaricLevel {
		sort.Slice(s.levels, func(a, b int) bool { return s.levels[a].value > s.levels[b].value })
	} else {
		sort.Slice(s.levels, func(a, b int) bool { return s.levels[a].value < s.levels[b].value })
	}
	if dropped > 0 {
		s.notes = append(s.notes, fmt.Sprintf("%d levels without both wind and temperature are not used", dropped))
	}

	given := map[key]int{}
	for t, at := range s.times {
		for _, level := range s.levels {
			for _, q := range required {
				if !has(t, q, level) {
					return fmt.Errorf("%s: no %s at %s: %w", at.Format(time.RFC3339), q, level, ErrIncomplete)
				}
			}
			for q := range quantities {
				if has(t, q, level) {
					given[key{q, level}]++
				}
			}
		}
	}
	for k, count := range given {
		if count == len(s.times) {
			continue
		}
		for t, at := range s.times {
			if !has(t, k.what, k.at) {
				return fmt.Errorf("%s: no %s at %s, which other times have: %w", at.Format(time.RFC3339), k.what, k.at, ErrIncomplete)
			}
		}
	}
	return nil
}

func (s *source) tooFewLevels(seen map[stratum]bool, required []quantity) error {
	lacking := []string{}
	for at := range seen {
		for _, q := range required {
			if s.byTime[0][key{q, at}] == nil {
				lacking = append(lacking, fmt.Sprintf("%s at %s", q, at))
			}
		}
		if at.kind == modelLevel && s.byTime[0][key{airPressure, at}] == nil {
			lacking = append(lacking, fmt.Sprintf("air_pressure at %s", at))
		}
	}
	sort.Strings(lacking)
	if len(lacking) > 6 {
		lacking = append(lacking[:6], fmt.Sprintf("and %d more", len(lacking)-6))
	}
	if len(lacking) == 0 {
		lacking = append(lacking, "a second level")
	}
	return fmt.Errorf("%s: fewer than 2 levels with temperature and wind; missing: %s: %w",
		s.times[0].Format(time.RFC3339), strings.Join(lacking, ", "), ErrIncomplete)
}

// any tells whether a quantity is given on any level at the first time.
func (s *source) any(what quantity) bool {
	for k := range s.byTime[0] {
		if k.what == what && k.at.kind == s.kind {
			return true
		}
	}
	return false
}
