package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest/sounding"
)

type inspectCommand struct {
	Files []string `arg:"" name:"file" help:"Files to look at: GRIB2, BUFR, netCDF, soundings, radar volumes and their chunks; gzip is undone."`
}

func (inspectCommand) Help() string {
	return `Shows what each file holds: every field with its level, times, grid, packing and the range of its values, or every sounding with its levels, or every sweep of a radar volume with its moments. Real-time chunks of one radar volume that are named together make one object, in any order. What a file is, is told from its bytes, not its name. Values stand in the unit shown. A file that cannot be read, or not to its end, is named, and the others are still read.

Examples:

    rimeline inspect model.grib2
    rimeline inspect --json model.grib2 sounding.txt
    rimeline inspect --json chunks/20260114-060512-*
    rimeline inspect --json model.nc | jq '.[].messages[] | select(.name == "air_temperature")'

With --json: an array with one object a file, each with "file", "kind" and "messages", or "station", "time", "lat", "lon", "height_m" and "levels" (several soundings: "soundings"), or, of a radar volume, "station", "time", "lat", "lon", "height_m" (the antenna above sea level), "volume_coverage_pattern", "complete" and "sweeps" (of chunks also "files"), and "error" where something could not be read. Missing numbers are null.

Exit status: 0 all files were read, 1 one could not be, or not to its end, 2 wrong usage.`
}

func (c *inspectCommand) Run(env *environment) error {
	out := bufio.NewWriter(env.Stdout)
	show := inspectText
	if env.JSON {
		show = inspectJSON
		fmt.Fprint(out, "[")
	}
	failed := false
	for k, group := range groupInputs(env, c.Files) {
		if env.JSON && k > 0 {
			fmt.Fprint(out, ",")
		} else if !env.JSON && k > 0 {
			fmt.Fprintln(out)
		}
		err := show(env, out, group)
		if env.Err() != nil {
			break
		}
		if err != nil {
			failed = true
			env.warn("%s", strings.ReplaceAll(err.Error(), "\n", "\nrimeline: "))
		}
		if err := out.Flush(); err != nil {
			return err
		}
	}
	if env.JSON { // closed after a signal too, so that it can be read
		fmt.Fprintln(out, "\n]")
	}
	if err := out.Flush(); err != nil {
		return err
	}
	if env.Err() != nil {
		return env.Err()
	}
	if failed {
		return errReported
	}
	return nil
}

// messageObject is one field as inspect prints it.
type messageObject struct {
	Number        int      `json:"number"`
	Name          string   `json:"name"`
	Parameter     string   `json:"parameter"`
	LevelType     string   `json:"level_type"`
	Level         *float64 `json:"level"`
	LevelUnits    *string  `json:"level_units"`
	LevelTop      *float64 `json:"level_top,omitempty"` // second surface of a layer
	Units         string   `json:"units"`
	ReferenceTime *string  `json:"reference_time"`
	ValidTime     *string  `json:"valid_time"`
	IntervalStart *string  `json:"interval_start,omitempty"`
	CellMethod    string   `json:"cell_method,omitempty"`
	Member        *int     `json:"member,omitempty"`
	Grid          *string  `json:"grid"`
	NI            int      `json:"ni"`
	NJ            int      `json:"nj"`
	Packing       string   `json:"packing"`
	Min           *float64 `json:"min"`
	Max           *float64 `json:"max"`
	Mean          *float64 `json:"mean"`
	Missing       *int     `json:"missing"` // null where the values could not be decoded
	Error         string   `json:"error,omitempty"`
}

// describeField fills in all but the statistics.
func describeField(f *grid.Field) messageObject {
	m := messageObject{
		Number: f.Number, Name: fieldName(f), Parameter: f.Parameter, LevelType: f.Level.Type,
		Level: known(f.Level.Value), LevelTop: known(f.Level.SecondValue), Units: f.Units,
		ReferenceTime: timeText(f.ReferenceTime), ValidTime: timeText(f.ValidTime), IntervalStart: timeText(f.IntervalStart),
		CellMethod: f.CellMethod, Packing: f.Packing, LevelUnits: textOrNil(f.Level.Units),
	}
	if f.Grid != nil {
		m.Grid, m.NI, m.NJ = textOrNil(f.Grid.Name), f.Grid.NI, f.Grid.NJ
	}
	if f.Member >= 0 {
		member := f.Member
		m.Member = &member
	}
	return m
}

func (m *messageObject) setStatistics(s grid.Statistics) {
	m.Min, m.Max, m.Mean, m.Missing = known(s.Min), known(s.Max), known(s.Mean), &s.Missing
}

// fieldName is the CF standard name, else the short name, else whatever there is.
func fieldName(f *grid.Field) string {
	for _, name := range []string{f.StandardName, f.ShortName, f.LongName} {
		if name != "" {
			return name
		}
	}
	return f.Parameter
}

func textOrNil(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

// timeText is RFC 3339 in UTC, nil where the time is not known.
func timeText(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	text := t.UTC().Format(time.RFC3339Nano)
	return &text
}

// eachField decodes the fields of a file one after the other into the same
// memory, and goes on after one that cannot be decoded. The error joins theirs.
func eachField(env *environment, found *contents, visit func(header *grid.Field, decoded *grid.Field, err error)) error {
	var memory []float32
	var errs []error
	for k := range found.headers {
		decoded, err := found.field(env, k, fieldOptions{Values: memory})
		if env.Err() != nil {
			return env.Err()
		}
		if err != nil {
			errs = append(errs, err)
		} else if cap(decoded.Values) > cap(memory) {
			memory = decoded.Values[:0]
		}
		visit(&found.headers[k], decoded, err)
	}
	return joinErrors(errs...)
}

// objectWriter writes one JSON object key by key, a list of values a line each.
type objectWriter struct {
	w   io.Writer
	sep string
	err error
}

func (o *objectWriter) printf(format string, arguments ...any) {
	if o.err == nil {
		_, o.err = fmt.Fprintf(o.w, format, arguments...)
	}
}

func (o *objectWriter) value(v any) {
	b, err := json.Marshal(v)
	if err != nil {
		o.err = joinErrors(o.err, err)
		return
	}
	o.printf("%s", b)
}

func (o *objectWriter) key(name string) {
	o.printf("%s\n    %q: ", o.sep, name)
	o.sep = ","
}

// listWriter writes a list, a value a line.
type listWriter struct {
	o      *objectWriter
	indent string
	n      int
}

func (l *listWriter) add(v any) {
	if l.n == 0 {
		l.o.printf("[")
	} else {
		l.o.printf(",")
	}
	l.n++
	l.o.printf("\n%s  ", l.indent)
	l.o.value(v)
}

func (l *listWriter) end() {
	if l.n == 0 {
		l.o.printf("[]")
	} else {
		l.o.printf("\n%s]", l.indent)
	}
}

// inspectJSON writes the object of one file. The error says what could not be read.
func inspectJSON(env *environment, w io.Writer, group *inputGroup) error {
	found, err := group.open(env)
	defer found.close()
	o := &objectWriter{w: w}
	o.printf("\n  {")
	o.key("file")
	o.value(group.paths[0])
	if len(group.paths) > 1 {
		o.key("files")
		o.value(group.paths)
	}
	o.key("kind")
	o.value(found.kind)
	errs := []error{err}
	if err == nil && found.field != nil {
		o.key("messages")
		list := &listWriter{o: o, indent: "    "}
		errs = append(errs, found.err, eachField(env, found, func(header, decoded *grid.Field, err error) {
			m := describeField(header)
			if err != nil {
				m.Error = oneLine(err)
			} else {
				m.setStatistics(decoded.Statistics())
			}
			list.add(m)
		}))
		list.end()
	}
	if err == nil && found.soundings != nil {
		errs = append(errs, found.err, writeSoundings(env, o, found))
	}
	if err == nil && found.volume != nil {
		errs = append(errs, found.err)
		writeVolume(o, found.volume)
	}
	all := joinErrors(errs...)
	if all != nil {
		o.key("error")
		o.value(oneLine(all))
	}
	o.printf("\n  }")
	return joinErrors(all, o.err)
}

// soundingObject is one sounding as inspect prints it.
type soundingObject struct {
	Station *string       `json:"station"`
	Time    *string       `json:"time"`
	Lat     *float64      `json:"lat"`
	Lon     *float64      `json:"lon"`
	HeightM *float64      `json:"height_m"`
	Format  string        `json:"format"`
	Name    string        `json:"name,omitempty"`
	RunTime *string       `json:"run_time,omitempty"`
	Notes   []string      `json:"notes,omitempty"`
	Levels  []levelObject `json:"levels"`
}

type levelObject struct {
	PressurePa      *float64 `json:"pressure_pa"`
	HeightM         *float64 `json:"height_m"`
	AirTemperatureK *float64 `json:"air_temperature_k"`
	DewPointK       *float64 `json:"dew_point_k"`
	WindFromDeg     *float64 `json:"wind_from_deg"`
	WindSpeedMPerS  *float64 `json:"wind_speed_m_s"`
}

func describeSounding(r *sounding.Report) soundingObject {
	s := soundingObject{
		Station: textOrNil(r.Station.Identifier), Time: timeText(r.Time), Lat: tidy(r.Station.Place.LatitudeDeg),
		Lon: tidy(r.Station.Place.LongitudeDeg), HeightM: tidy(r.Station.AltitudeM), Format: string(r.Format),
		Name: r.Station.Name, RunTime: timeText(r.RunTime), Notes: r.Notes, Levels: make([]levelObject, 0, len(r.Levels)),
	}
	if s.Station == nil {
		s.Station = textOrNil(r.Station.WMONumber)
	}
	for _, level := range r.Levels {
		s.Levels = append(s.Levels, levelObject{
			PressurePa: tidy(level.PressurePa), HeightM: tidy(level.GeopotentialHeightM),
			AirTemperatureK: tidy(level.AirTemperatureK), DewPointK: tidy(level.DewPointK),
			WindFromDeg: tidy(level.WindFromDeg), WindSpeedMPerS: tidy(level.WindSpeedMPerS),
		})
	}
	return s
}

// tidy drops the noise that conversion to SI leaves beyond the ninth decimal
// (267.84999999999997 K); formats of soundings have three decimals at most,
// positions six.
func tidy(value float64) *float64 { return known(math.Round(value*1e9) / 1e9) }

// writeSoundings writes one sounding into the object itself and several into a
// list. A record of a station may be long, so they are written as they come.
func writeSoundings(env *environment, o *objectWriter, found *contents) error {
	var first *soundingObject
	var list *listWriter
	var errs []error
	for report, err := range found.soundings {
		if env.Err() != nil {
			return env.Err()
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		described := describeSounding(&report)
		switch {
		case first == nil:
			first = &described
		case list == nil:
			o.key("soundings")
			list = &listWriter{o: o, indent: "    "}
			list.add(*first)
			list.add(described)
		default:
			list.add(described)
		}
	}
	if list != nil {
		list.end()
	} else if first != nil {
		for _, entry := range []struct {
			key   string
			value any
		}{
			{"station", first.Station}, {"time", first.Time}, {"lat", first.Lat}, {"lon", first.Lon}, {"height_m", first.HeightM},
			{"format", first.Format}, {"name", first.Name}, {"run_time", first.RunTime}, {"notes", first.Notes},
		} {
			if entry.value == "" {
				continue
			}
			if notes, ok := entry.value.([]string); ok && len(notes) == 0 {
				continue
			}
			if entry.key == "run_time" && first.RunTime == nil {
				continue
			}
			o.key(entry.key)
			o.value(entry.value)
		}
		o.key("levels")
		levels := &listWriter{o: o, indent: "    "}
		for _, level := range first.Levels {
			levels.add(level)
		}
		levels.end()
	}
	return joinErrors(errs...)
}

// inspectText prints one file for people.
func inspectText(env *environment, w io.Writer, group *inputGroup) error {
	path := group.paths[0]
	if n := len(group.paths); n > 1 {
		path = fmt.Sprintf("%s and %d chunks more", path, n-1)
	}
	found, err := group.open(env)
	defer found.close()
	if err != nil {
		fmt.Fprintf(w, "%s: could not be read\n", path)
		return err
	}
	p := &page{w: w}
	errs := []error{found.err}
	switch {
	case found.field != nil && len(found.headers) == 0 && found.err != nil:
		p.printf("%s: %s, could not be read\n", path, found.kind)
	case found.field != nil:
		p.printf("%s: %s, %s\n", path, found.kind, count(len(found.headers), "field"))
		rows := [][]string{{"#", "NAME", "LEVEL", "VALID", "MIN", "MEAN", "MAX", "UNITS", "MISSING", "GRID", "PACKING"}}
		errs = append(errs, eachField(env, found, func(header, decoded *grid.Field, err error) {
			row := []string{
				strconv.Itoa(header.Number), fieldName(header), levelText(header.Level), validText(header),
			}
			if err != nil {
				row = append(row, "-", "-", "-", header.Units, "-")
			} else {
				s := decoded.Statistics()
				row = append(row, short(s.Min), short(s.Mean), short(s.Max), header.Units, strconv.Itoa(s.Missing))
			}
			rows = append(rows, append(row, gridText(header.Grid), strings.Replace(header.Packing, "grid point data, ", "", 1)))
		}))
		if len(found.headers) > 0 {
			p.table("", rows)
		}
	}
	if found.volume != nil {
		printVolume(p, path, found.kind, found.volume)
	}
	if found.soundings != nil {
		n := 0
		for report, err := range found.soundings {
			if env.Err() != nil {
				return env.Err()
			}
			if err != nil {
				errs = append(errs, err)
				continue
			}
			if n++; n > 1 {
				p.printf("\n")
			}
			printSounding(p, path, found.kind, &report)
		}
		if n == 0 {
			p.printf("%s: %s, no sounding\n", path, found.kind)
		}
	}
	return joinErrors(append(errs, p.err)...)
}

// levelText is a level in the units that forecasters use.
func levelText(l grid.Level) string {
	name := l.Type
	if math.IsNaN(l.Value) {
		return name
	}
	value, second, units := l.Value, l.SecondValue, l.Units
	if units == "Pa" {
		value, second, units = value/100, second/100, "hPa"
	}
	text := short(value)
	if !math.IsNaN(second) {
		text += " to " + short(second)
	}
	if units != "" && units != "1" {
		text += " " + units
	}
	if name == "isobaric surface" || name == "air_pressure" {
		return text
	}
	return text + ", " + name
}

// validText is the valid time, and the lead time from the start of the run.
func validText(f *grid.Field) string {
	if f.ValidTime.IsZero() {
		return "-"
	}
	text := f.ValidTime.UTC().Format("2006-01-02 15:04Z")
	if !f.ReferenceTime.IsZero() {
		text += fmt.Sprintf(" +%sh", short(f.ValidTime.Sub(f.ReferenceTime).Hours()))
	}
	if f.CellMethod != "" {
		text += " " + f.CellMethod
	}
	return text
}

func gridText(g *grid.Grid) string {
	switch {
	case g == nil:
		return ""
	case g.NI == 0:
		return g.Name
	case g.Name == "":
		return fmt.Sprintf("%dx%d", g.NI, g.NJ)
	}
	return fmt.Sprintf("%s %dx%d", g.Name, g.NI, g.NJ)
}

// short prints a number with at most six digits.
func short(value float64) string {
	if math.IsNaN(value) {
		return "-"
	}
	return strconv.FormatFloat(value, 'g', 6, 64)
}

func printSounding(p *page, path, kind string, r *sounding.Report) {
	s := describeSounding(r)
	orDash := func(text *string) string {
		if text == nil {
			return "-"
		}
		return *text
	}
	p.printf("%s: %s (%s), station %s, %s", path, kind, r.Format, orDash(s.Station), orDash(s.Time))
	if s.Lat != nil && s.Lon != nil {
		p.printf(", %s", latLon(*s.Lat, *s.Lon))
	}
	if s.HeightM != nil {
		p.printf(", %s above sea level", metres(*s.HeightM))
	}
	p.printf(", %s\n", count(len(r.Levels), "level"))
	for _, note := range r.Notes {
		p.paragraph(note)
	}
	rows := [][]string{{"hPa", "HEIGHT m", "TEMP °C", "DEW POINT °C", "WIND FROM °", "SPEED m/s"}}
	fixed := func(value float64, decimals int) string {
		if math.IsNaN(value) {
			return "-"
		}
		return strconv.FormatFloat(value, 'f', decimals, 64)
	}
	for _, l := range r.Levels {
		rows = append(rows, []string{
			fixed(l.PressurePa/100, 1), fixed(l.GeopotentialHeightM, 0), fixed(l.AirTemperatureK-273.15, 1),
			fixed(l.DewPointK-273.15, 1), fixed(l.WindFromDeg, 0), fixed(l.WindSpeedMPerS, 1),
		})
	}
	p.table("", rows)
}
