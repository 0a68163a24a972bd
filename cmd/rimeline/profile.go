package main

import (
	"bufio"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest/sounding"
	"rimeline/seedability/liquid"
	"rimeline/seedability/profile"
)

type profileCommand struct {
	Files []string `arg:"" name:"file" help:"Soundings (text, CSV, JSON, BUFR, BUFKIT, IGRA zip), or model grids with --at."`

	At      string    `placeholder:"LAT,LON" help:"Column of a model grid above this place, north and east positive: 39.5,-106 or --at=-33,151."`
	Time    time.Time `format:"2006-01-02T15:04:05Z07:00" placeholder:"TIME" help:"Only the sounding nearest to this time, or the model at it: 2026-01-14T12:00:00Z."`
	Station string    `placeholder:"ID" help:"Only soundings of this station (identifier or WMO number)."`

	BarrierHeight   *float64 `placeholder:"M" xor:"crest" help:"Crest of the barrier above the ground of the column, in metres."`
	CrestAltitude   *float64 `placeholder:"M" xor:"crest" help:"The same, above sea level."`
	Toward          *float64 `placeholder:"DEG" help:"Direction from the release square across the barrier, clockwise from north: 90 for a ridge to the east."`
	ReleaseHeight   *float64 `placeholder:"M" xor:"release" help:"Release above the ground of the column, in metres; the ground itself if left out."`
	ReleaseAltitude *float64 `placeholder:"M" xor:"release" help:"The same, above sea level."`
	Gap             float64  `default:"1500" placeholder:"M" help:"Widest gap between levels, in metres, that is interpolated across."`
}

func (profileCommand) Help() string {
	return `Reads off soundings and model columns what decides about seeding: where 0, -5, -6, -10, -15 and -20 °C lie (every crossing), condensation level and cloud layers, where supercooled liquid water may be and how much, stability, and whether air from a release site gets over a barrier. Of files with several soundings it gives a line each; --time picks one in full.

Altitudes are metres above sea level. A water path of 1 mm is 1 kg of water above a square metre; 0.05 mm of supercooled liquid counts as present, 0.10 mm as useful. Humidity is over liquid water unless it says ice.

Examples:

    rimeline profile sounding.txt
    rimeline profile sounding.txt --crest-altitude 2600 --toward 70 --release-altitude 1650
    rimeline profile forecast.buf --time 2026-01-14T18:00:00Z
    rimeline profile model.grib2 --at 44.1,-115.2 --barrier-height 900 --toward 90 --json

With --json: an array with one object a sounding or model time: "file" (of a model "files"), "kind" ("sounding" or "model") and "profile"; numbers in SI units named by their keys, null where not derived, and "missing" says why. What could not be read is an object with "error".

Exit status: 0 all went well, 1 a file could not be read or nothing was found in it, 2 wrong usage.`
}

// profileObject is one profile as it is printed.
type profileObject struct {
	File    string           `json:"file,omitempty"`
	Files   []string         `json:"files,omitempty"` // of a model
	Kind    string           `json:"kind,omitempty"`
	Profile *profile.Derived `json:"profile,omitempty"`
	Error   string           `json:"error,omitempty"`
	// about names station, run and anything odd, for people.
	about []string
	when  string
}

// source names the file for people.
func (o *profileObject) source() string {
	switch n := len(o.Files); {
	case n > 2:
		return fmt.Sprintf("%s and %d more files", o.Files[0], n-1)
	case n > 0:
		return strings.Join(o.Files, ", ")
	}
	return o.File
}

// profileLimit bounds what is listed of one run.
const profileLimit = 200000

func (c *profileCommand) Run(env *environment) error {
	place, err := c.check()
	if err != nil {
		return err
	}
	found, errs := c.read(env, place)
	if env.Err() != nil {
		return env.Err()
	}
	out := bufio.NewWriter(env.Stdout)
	if env.JSON {
		list := &listWriter{o: &objectWriter{w: out}}
		for _, o := range found {
			list.add(o)
		}
		for _, err := range errs {
			list.add(profileObject{Error: oneLine(err)})
		}
		list.end()
		fmt.Fprintln(out)
	} else {
		printProfiles(&page{w: out}, found)
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return joinErrors(errs...)
}

// check finds what makes no sense on the command line.
func (c *profileCommand) check() (place grid.LatLon, err error) {
	if c.At != "" {
		if place, err = parsePlace(c.At); err != nil {
			return place, err
		}
	}
	barrier := c.BarrierHeight != nil || c.CrestAltitude != nil
	switch {
	case barrier && c.Toward == nil:
		return place, usageError("a barrier needs --toward, the direction across it")
	case c.Toward != nil && !barrier:
		return place, usageError("--toward needs a barrier: --barrier-height or --crest-altitude")
	case c.Toward != nil && !(*c.Toward >= 0 && *c.Toward <= 360):
		return place, usageError("--toward: degrees clockwise from north, 0 to 360")
	case c.BarrierHeight != nil && !(*c.BarrierHeight > 0 && *c.BarrierHeight <= 9000):
		return place, usageError("--barrier-height: metres above ground, up to 9000")
	case c.ReleaseHeight != nil && !(*c.ReleaseHeight >= 0 && *c.ReleaseHeight <= 9000):
		return place, usageError("--release-height: metres above ground, up to 9000")
	case !(c.Gap > 0 && c.Gap <= 10000):
		return place, usageError("--gap: metres, up to 10000")
	}
	for name, altitude := range map[string]*float64{"--crest-altitude": c.CrestAltitude, "--release-altitude": c.ReleaseAltitude} {
		if altitude != nil && !(*altitude >= -500 && *altitude <= 9000) {
			return place, usageError(name + ": metres above sea level, -500 to 9000")
		}
	}
	return place, nil
}

// derive reads one column as the command line asks.
func (c *profileCommand) derive(column grid.Column) *profile.Derived {
	options := profile.DefaultOptions()
	options.MaximumGapM = c.Gap
	ground := column.SurfaceAltitudeM
	if math.IsNaN(ground) {
		for _, level := range column.Levels {
			if !(level.AltitudeM >= ground) && !math.IsNaN(level.AltitudeM) {
				ground = level.AltitudeM
			}
		}
	}
	above := func(height, altitude *float64) float64 {
		switch {
		case altitude != nil:
			return *altitude
		case height != nil:
			return ground + *height
		}
		return math.NaN()
	}
	options.ReleaseAltitudeM = above(c.ReleaseHeight, c.ReleaseAltitude)
	if c.Toward != nil {
		options.Barrier = &profile.Barrier{
			CrestAltitudeM: above(c.BarrierHeight, c.CrestAltitude), TowardDeg: *c.Toward, ReleaseAltitudeM: math.NaN(),
		}
	}
	derived := profile.Derive(column, options)
	return &derived
}

// read derives every sounding, and the model of all gridded files together.
func (c *profileCommand) read(env *environment, place grid.LatLon) ([]profileObject, []error) {
	var found []profileObject
	var errs []error
	var fields []*grid.Field
	var modelFiles []string
	for _, path := range c.Files {
		contents, err := openContents(env, path)
		switch {
		case err != nil:
			errs = append(errs, err)
		case contents.soundings != nil:
			var ofFile []error
			if found, ofFile = c.readSoundings(env, path, contents, found); len(ofFile) > 0 {
				errs = append(errs, ofFile...)
			}
		case c.At == "":
			errs = append(errs, fmt.Errorf("%s: is gridded (%s): say above which place, with --at LAT,LON", path, contents.kind))
		default:
			want := wanted{places: []grid.LatLon{place}, marginM: columnMarginM, from: c.Time, to: c.Time}
			decoded, err := readModel(env, contents, want)
			if err != nil {
				errs = append(errs, err)
			}
			if len(decoded) == 0 && err == nil {
				errs = append(errs, fmt.Errorf("%s: holds no fields of an atmosphere around %s", path, latLon(place.LatitudeDeg, place.LongitudeDeg)))
			}
			fields = append(fields, decoded...)
			modelFiles = append(modelFiles, path)
		}
		if contents.err != nil {
			errs = append(errs, contents.err)
		}
		contents.close()
		if env.Err() != nil {
			return nil, nil
		}
	}
	if len(fields) > 0 {
		ofModel, err := c.readColumns(fields, place, modelFiles)
		if err != nil {
			errs = append(errs, err)
		}
		found = append(found, ofModel...)
	}
	return found, errs
}

// columnMarginM: a column needs the grid points around it, no more.
const columnMarginM = 1.0

func (c *profileCommand) readSoundings(env *environment, path string, contents *contents, found []profileObject) ([]profileObject, []error) {
	var errs []error
	var nearest *sounding.Report
	var nearestBy time.Duration
	seen, kept := 0, 0
	for report, err := range contents.soundings {
		if env.Err() != nil {
			return found, nil
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		seen++
		if c.Station != "" && c.Station != report.Station.Identifier && c.Station != report.Station.WMONumber {
			continue
		}
		if c.Time.IsZero() {
			if kept++; len(found) < profileLimit {
				found = append(found, c.soundingObject(path, &report))
			}
			continue
		}
		if when := report.Column().Time; !when.IsZero() {
			if by := when.Sub(c.Time).Abs(); nearest == nil || by < nearestBy {
				copied := report
				nearest, nearestBy = &copied, by
			}
		}
	}
	switch {
	case nearest != nil:
		found = append(found, c.soundingObject(path, nearest))
	case seen > 0 && kept == 0:
		errs = append(errs, fmt.Errorf("%s: none of its %s is of the station and has a time as asked for", path, count(seen, "sounding")))
	case seen == 0 && len(errs) == 0 && contents.err == nil:
		errs = append(errs, fmt.Errorf("%s: holds no sounding", path))
	}
	return found, errs
}

func (c *profileCommand) soundingObject(path string, report *sounding.Report) profileObject {
	column := report.Column()
	o := profileObject{File: path, Kind: "sounding", Profile: c.derive(column), when: whenText(column.Time)}
	if column.Time.IsZero() && report.DayOfMonth > 0 {
		o.when = fmt.Sprintf("day %d, %02d UTC", report.DayOfMonth, report.HourUTC)
	}
	if !report.RunTime.IsZero() {
		o.about = append(o.about, fmt.Sprintf("Forecast, run of %s.", whenText(report.RunTime)))
	}
	return o
}

func whenText(t time.Time) string {
	if t.IsZero() {
		return "time not given"
	}
	return t.UTC().Format("2006-01-02 15:04 UTC")
}

// readColumns builds the atmosphere above the place and takes its columns.
func (c *profileCommand) readColumns(fields []*grid.Field, place grid.LatLon, files []string) ([]profileObject, error) {
	// WRF files give all their times; only those around the one asked for count.
	around := &weather{fields: fields}
	around.keepTimes(wanted{from: c.Time, to: c.Time})
	atmosphere, err := grid.BuildAtmosphere(around.fields, grid.AtmosphereOptions{
		Domain: []grid.LatLon{place}, MarginM: columnMarginM, From: c.Time, To: c.Time,
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", strings.Join(files, ", "), err)
	}
	times := atmosphere.Times()
	if !c.Time.IsZero() {
		first, last := atmosphere.TimeRange()
		if c.Time.Before(first) || c.Time.After(last) {
			return nil, fmt.Errorf("%s: the model runs from %s to %s, which leaves out %s", strings.Join(files, ", "), whenText(first), whenText(last), whenText(c.Time))
		}
		times = []time.Time{c.Time}
	}
	var found []profileObject
	for _, at := range times {
		column, ok := atmosphere.ColumnAt(place, at)
		if !ok {
			return found, fmt.Errorf("%s: no column at %s, %s", strings.Join(files, ", "), latLon(place.LatitudeDeg, place.LongitudeDeg), whenText(at))
		}
		column.Label = "model"
		o := profileObject{Files: files, Kind: "model", Profile: c.derive(column), when: whenText(at)}
		if run := atmosphere.ReferenceTime(); !run.IsZero() {
			o.about = append(o.about, fmt.Sprintf("Run of %s, %+.1f h.", whenText(run), at.Sub(run).Hours()))
		}
		o.about = append(o.about, atmosphere.Notes()...)
		found = append(found, o)
	}
	return found, nil
}

// printProfiles prints one profile in full, several of a file as a line each.
func printProfiles(p *page, found []profileObject) {
	for first := 0; first < len(found); {
		next := first + 1
		for next < len(found) && found[next].source() == found[first].source() {
			next++
		}
		if first > 0 {
			p.printf("\n")
		}
		if next-first == 1 {
			printProfile(p, &found[first])
		} else {
			printProfileLines(p, found[first:next])
		}
		first = next
	}
}

// Numbers as people read them; a dash where there is none.
func fixedText(n profile.Number, decimals int) string {
	if !n.Known() {
		return "-"
	}
	return fmt.Sprintf("%.*f", decimals, float64(n))
}

func celsiusText(n profile.Number) string { return fixedText(n-273.15, 1) }

func metresText(n profile.Number) string {
	if !n.Known() {
		return "-"
	}
	return metres(float64(n))
}

// printProfileLines gives one line a profile: a forecast as it develops.
func printProfileLines(p *page, found []profileObject) {
	p.printf("%s: %s. Altitudes in m above sea level; --time TIME shows one in full.\n\n", found[0].source(), count(len(found), found[0].Kind+" profile"))
	header := []string{"STATION", "TIME", "0 °C", "-6 °C", "-15 °C", "CLOUD BASE", "CLOUD TOP", "TOP °C", "LIQUID mm"}
	barrier := found[0].Profile.Barrier != nil
	if barrier {
		header = append(header, "ACROSS m/s", "FROUDE", "PLUME")
	}
	rows := [][]string{header}
	for _, o := range found {
		d := o.Profile
		row := []string{d.Label, o.when, fixedText(d.FreezingLevelAltitudeM, 0)}
		for _, k := range []float64{267.15, 258.15} {
			isotherm, _ := d.Isotherm(k)
			row = append(row, fixedText(isotherm.LowestAltitudeM, 0))
		}
		row = append(row, fixedText(d.Cloud.DeckBaseAltitudeM, 0), fixedText(d.Cloud.DeckTopAltitudeM, 0), celsiusText(d.Cloud.TopTemperatureK), liquidText(d))
		if barrier {
			row = append(row, fixedText(d.Barrier.CrossBarrierMPerS, 1), fixedText(d.Barrier.Froude, 2), string(d.Barrier.Trapping.Verdict))
		}
		rows = append(rows, row)
	}
	p.table("", rows)
	p.printf("\n")
	p.paragraph("0 °C is the highest crossing, the other isotherms the lowest. LIQUID is the first estimate of supercooled water between -6 and -18 °C: the model's own, else 40 % of an adiabatic cloud where humidity over water is 95 %.")
}

// liquidText is the first estimate of the water path in the agent's window.
func liquidText(d *profile.Derived) string {
	for _, estimate := range d.Liquid.Estimates {
		if estimate.AgentKgPerM2.Known() {
			return fixedText(estimate.AgentKgPerM2, 2)
		}
	}
	return "-"
}

// rung is one line of the ladder of altitudes.
type rung struct {
	altitudeM, temperatureK profile.Number
	what                    string
}

func printProfile(p *page, o *profileObject) {
	d := o.Profile
	p.printf("%s, %s", d.Label, o.when)
	if d.LatitudeDeg.Known() && d.LongitudeDeg.Known() {
		p.printf(", %s", latLon(float64(d.LatitudeDeg), float64(d.LongitudeDeg)))
	}
	p.printf("\n%s; %s up to %s. Altitudes in m above sea level.\n", o.source(), count(d.LevelsUsed, "level"), metresText(d.TopAltitudeM))
	for _, note := range append(slices.Clone(o.about), d.Notes...) {
		p.paragraph(note)
	}

	rows := [][]string{{"ALTITUDE", "ABOVE GROUND", "TEMP °C", ""}}
	for _, r := range ladderOf(d) {
		rows = append(rows, []string{metresText(r.altitudeM), metresText(r.altitudeM - d.SurfaceAltitudeM), celsiusText(r.temperatureK), r.what})
	}
	p.table("Levels, from the top down", rows)
	printReadings(p, d)
	printLiquid(p, d)
	printStability(p, d)
	if d.Barrier != nil {
		printBarrier(p, d.Barrier)
	}
	if len(d.Missing) > 0 {
		p.printf("\nNot derived\n")
		for _, missing := range d.Missing {
			p.paragraph(missing)
		}
	}
}

// ladderOf lists the altitudes that matter, highest first.
func ladderOf(d *profile.Derived) []rung {
	var ladder []rung
	add := func(altitude, temperature profile.Number, what string) {
		if altitude.Known() {
			ladder = append(ladder, rung{altitude, temperature, what})
		}
	}
	for _, isotherm := range d.Isotherms {
		name := fmt.Sprintf("%.0f °C", isotherm.AirTemperatureK-273.15)
		n := len(isotherm.CrossingsAltitudeM)
		for k, altitude := range isotherm.CrossingsAltitudeM {
			what := name
			switch {
			case n > 1 && k == n-1:
				what += ", highest crossing"
			case n > 1:
				what += fmt.Sprintf(", crossing %d of %d", k+1, n)
			}
			if profile.Number(altitude) == d.FreezingLevelAltitudeM && isotherm.AirTemperatureK == 273.15 {
				what += ": freezing level"
			}
			add(profile.Number(altitude), profile.Number(isotherm.AirTemperatureK), what)
		}
	}
	add(d.Cloud.DeckTopAltitudeM, d.Cloud.TopTemperatureK, "cloud top")
	if d.Cloud.HighestTopAltitudeM != d.Cloud.DeckTopAltitudeM {
		add(d.Cloud.HighestTopAltitudeM, d.Cloud.HighestTemperatureK, "top of the highest cloud")
	}
	for _, analysis := range d.Cloud.Analyses {
		for _, layer := range analysis.Layers {
			if analysis.Rule == d.Cloud.Rule && layer.BaseAltitudeM == d.Cloud.DeckBaseAltitudeM {
				what := "cloud base"
				if layer.OnGround {
					what = "cloud on the ground"
				}
				add(layer.BaseAltitudeM, layer.BaseTemperatureK, what)
			}
		}
	}
	for _, layer := range d.Liquid.Likely {
		add(layer.TopAltitudeM, layer.TopTemperatureK, "top of likely supercooled liquid")
		add(layer.BaseAltitudeM, layer.BaseTemperatureK, "base of likely supercooled liquid")
	}
	add(d.SurfaceParcel.LCLAltitudeM, d.SurfaceParcel.LCLTemperatureK, "condensation level (LCL) of the lowest air")
	if d.SurfaceParcel.LCLAltitudeM > d.SurfaceParcel.AltitudeM {
		add(d.SurfaceParcel.LDLAltitudeM, profile.Number(math.NaN()), "deposition level (LDL) of the lowest air")
	}
	add(d.MixedParcel.LCLAltitudeM, d.MixedParcel.LCLTemperatureK, "condensation level (LCL) of the mixed lowest 100 hPa")
	if n := len(d.WetBulbZero.CrossingsAltitudeM); n > 0 {
		add(profile.Number(d.WetBulbZero.CrossingsAltitudeM[n-1]), profile.Number(math.NaN()), "wet bulb 0 °C: snow below it melts")
	}
	if d.Barrier != nil {
		add(d.Barrier.CrestAltitudeM, d.Barrier.CrestTemperatureK, "crest of the barrier")
	}
	if d.ReleaseAltitudeM != d.SurfaceAltitudeM {
		add(d.ReleaseAltitudeM, profile.Number(math.NaN()), "release")
	}
	add(d.SurfaceAltitudeM, d.SurfaceParcel.AirTemperatureK, "ground")
	slices.SortStableFunc(ladder, func(a, b rung) int {
		switch {
		case a.altitudeM > b.altitudeM:
			return -1
		case a.altitudeM < b.altitudeM:
			return 1
		}
		return 0
	})
	return ladder
}

// printReadings says in words what the levels mean.
func printReadings(p *page, d *profile.Derived) {
	p.printf("\nFor the agent\n")
	if d.Activation.AltitudeM.Known() {
		p.paragraph(fmt.Sprintf("It may act from %s up, where the air stays at %.0f °C or colder.", metresText(d.Activation.AltitudeM), d.Activation.AirTemperatureK-273.15))
	}
	if d.Cloud.PlumeEntryAltitudeM.Known() {
		p.paragraph(fmt.Sprintf("Air from the release first meets droplet cloud at %s and %s °C.", metresText(d.Cloud.PlumeEntryAltitudeM), celsiusText(d.Cloud.PlumeEntryTemperatureK)))
	}
	if d.Cloud.DeckTopAltitudeM.Known() {
		p.paragraph(fmt.Sprintf("Cloud top is at %s °C; %s of the cloud is colder than 0 °C (rule %s).", celsiusText(d.Cloud.TopTemperatureK), metresText(d.Cloud.ColdDepthM), d.Cloud.Rule))
	}
	for _, at := range d.Isobaric {
		if at.PressurePa == 70000 && at.AltitudeM.Known() {
			wind := "wind not given"
			if at.WindSpeedMPerS.Known() {
				wind = fmt.Sprintf("wind from %s, %s m/s", direction(float64(at.WindFromDeg)), fixedText(at.WindSpeedMPerS, 1))
			}
			p.paragraph(fmt.Sprintf("At 700 hPa (%s): %s °C, %s.", metresText(at.AltitudeM), celsiusText(at.AirTemperatureK), wind))
		}
	}
	for _, isotherm := range d.Isotherms {
		if isotherm.WarmLayer {
			p.paragraph(fmt.Sprintf("There is warm air above colder: %.0f °C is crossed %d times.", isotherm.AirTemperatureK-273.15, len(isotherm.CrossingsAltitudeM)))
		}
	}
	for _, isotherm := range d.Isotherms {
		if isotherm.SurfaceColder {
			p.paragraph(fmt.Sprintf("The ground is already colder than %.0f °C.", isotherm.AirTemperatureK-273.15))
			break
		}
	}
}

func printLiquid(p *page, d *profile.Derived) {
	if len(d.Liquid.Estimates) == 0 {
		return
	}
	rows := [][]string{{"METHOD", "-6 TO -18 °C", "0 TO -25 °C", "QUALITY", "READ FROM"}}
	for _, e := range d.Liquid.Estimates {
		rows = append(rows, []string{e.Method, fixedText(e.AgentKgPerM2, 2) + " mm", fixedText(e.SupercooledKgPerM2, 2) + " mm", fmt.Sprintf("%.2f", e.Quality), e.Reason})
	}
	p.table("Supercooled liquid water (1 mm = 1 kg a square metre)", rows)
	if amount := liquid.AmountOf(float64(d.Liquid.Estimates[0].AgentKgPerM2)); amount != liquid.AmountUnknown {
		p.paragraph(fmt.Sprintf("By the first method: %s (0.05 mm is present, 0.10 mm useful).", amount))
	}
	for _, layer := range d.Liquid.Likely {
		p.paragraph(fmt.Sprintf("Likely (humidity over water 95 %%): %s to %s, %s to %s °C.", metresText(layer.BaseAltitudeM), metresText(layer.TopAltitudeM), celsiusText(layer.BaseTemperatureK), celsiusText(layer.TopTemperatureK)))
	}
	for _, layer := range d.Liquid.Possible {
		p.paragraph(fmt.Sprintf("Possible (90 %%): %s to %s, %s to %s °C.", metresText(layer.BaseAltitudeM), metresText(layer.TopAltitudeM), celsiusText(layer.BaseTemperatureK), celsiusText(layer.TopTemperatureK)))
	}
}

func printStability(p *page, d *profile.Derived) {
	p.printf("\nStability\n")
	for _, inversion := range d.Stability.Inversions {
		if depth := inversion.TopAltitudeM - inversion.BaseAltitudeM; depth >= shownInversionM && inversion.StrengthK >= shownInversionK {
			p.paragraph(fmt.Sprintf("Inversion from %s to %s, %+.1f K.", metres(inversion.BaseAltitudeM), metres(inversion.TopAltitudeM), inversion.StrengthK))
		}
	}
	if d.Stability.MixedLayerTopAltitudeM.Known() {
		p.paragraph(fmt.Sprintf("The air is mixed up to %s (bulk Richardson number 0.25).", metresText(d.Stability.MixedLayerTopAltitudeM)))
	}
	if d.PrecipitableWaterKgPerM2.Known() {
		p.paragraph(fmt.Sprintf("Precipitable water %s mm.", fixedText(d.PrecipitableWaterKgPerM2, 1)))
	}
}

// Thinner and weaker inversions are in the JSON only.
const (
	shownInversionM = 50.0
	shownInversionK = 0.5
)

func printBarrier(p *page, b *profile.BarrierFlow) {
	p.printf("\nTo the barrier, %s above the release, toward %s\n", metresText(b.CrestAltitudeM-b.ReleaseAltitudeM), direction(float64(b.TowardDeg)))
	if b.CrossBarrierMPerS.Known() {
		p.paragraph(fmt.Sprintf("Mean wind from %s, %s m/s; %s m/s across the barrier.", direction(float64(b.WindFromDeg)), fixedText(b.WindSpeedMPerS, 1), fixedText(b.CrossBarrierMPerS, 1)))
	}
	if b.Froude >= profile.MaximumFroude {
		p.paragraph(fmt.Sprintf("Froude number %s or more: the air is hardly stable.", fixedText(b.Froude, 0)))
	} else if b.Froude.Known() {
		p.paragraph(fmt.Sprintf("Froude number %s (%s if all the air were dry; %.0f %% of the layer is saturated).", fixedText(b.Froude, 2), fixedText(b.FroudeDry, 2), 100*float64(b.SaturatedShare)))
	}
	p.paragraph(fmt.Sprintf("A plume from the release: %s.", verdictText(b.Trapping.Verdict)))
	for _, reason := range b.Trapping.Reasons {
		p.printf("      %s\n", reason.Text)
	}
}

func verdictText(verdict profile.TrappingVerdict) string {
	switch verdict {
	case profile.VerdictTrapped:
		return "trapped below the crest"
	case profile.VerdictDoubtful:
		return "doubtful, more likely around the barrier than over it"
	case profile.VerdictLikely:
		return "likely over the crest"
	case profile.VerdictOver:
		return "over the crest"
	}
	return "cannot be judged"
}
