package main

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest/level2"
)

// maxFirstChunkBytes: the chunk that begins a volume holds no radials and is of
// a few kilobytes.
const maxFirstChunkBytes = 64 << 10

func openLevel2(env *environment, in *inputFile) (*contents, error) {
	b, err := in.all()
	if err != nil {
		return nil, err
	}
	volume, err := level2.Decode(env, in.path, b, level2.Options{})
	if volume == nil {
		return nil, err
	}
	return &contents{volume: volume, err: err}, nil
}

// inputGroup is what one object of the output stands for: a file, or the chunks
// of one radar volume.
type inputGroup struct {
	paths []string
	// chunks is nil for a file of its own.
	chunks *level2.Assembler
	err    error
}

func (g *inputGroup) open(env *environment) (*contents, error) {
	if len(g.paths) == 1 {
		return openContents(env, g.paths[0])
	}
	volume, err := g.chunks.Volume()
	if volume == nil {
		return &contents{kind: kindLevel2}, joinErrors(err, g.err)
	}
	return &contents{kind: kindLevel2, volume: volume, err: joinErrors(err, g.err)}, nil
}

// groupInputs puts real-time chunks of one radar volume together, in the place
// of the first of them.
func groupInputs(env *environment, paths []string) []*inputGroup {
	var groups []*inputGroup
	for _, path := range paths {
		var b []byte
		isChunk := false
		if env.Err() == nil {
			b, isChunk = readChunk(path)
		}
		if !isChunk {
			groups = append(groups, &inputGroup{paths: []string{path}})
			continue
		}
		joined := false
		for _, g := range groups {
			if g.chunks == nil {
				continue
			}
			err := g.chunks.Add(env, level2.Chunk{Name: path, Bytes: b})
			if errors.Is(err, level2.ErrOtherVolume) {
				continue
			}
			// What is damaged is told by the volume.
			g.paths, joined = append(g.paths, path), true
			break
		}
		if !joined {
			g := &inputGroup{paths: []string{path}, chunks: level2.NewAssembler(level2.Options{})}
			// What is damaged is told when the file or the volume is read.
			_ = g.chunks.Add(env, level2.Chunk{Name: path, Bytes: b})
			groups = append(groups, g)
		}
	}
	return groups
}

// readChunk reads a file that may be a chunk: one that begins with a record, or
// a short one with the header of a volume.
func readChunk(path string) ([]byte, bool) {
	in, err := openInput(path)
	if err != nil {
		return nil, false
	}
	defer in.close()
	if !level2.IsChunk(in.head) && !(level2.Sniff(in.head) && in.size <= maxFirstChunkBytes) {
		return nil, false
	}
	b, err := in.all()
	return b, err == nil && in.err == nil
}

// volumeObject is one radar volume as inspect prints it.
type volumeObject struct {
	Station     *string       `json:"station"`
	Time        *string       `json:"time"`
	Lat         *float64      `json:"lat"`
	Lon         *float64      `json:"lon"`
	HeightM     *float64      `json:"height_m"`       // of the antenna above sea level
	TowerM      *float64      `json:"tower_height_m"` // of the antenna above ground
	BeamDeg     *float64      `json:"beamwidth_deg"`
	Pattern     *int          `json:"volume_coverage_pattern"`
	Complete    bool          `json:"complete"`
	Notes       []string      `json:"notes,omitempty"`
	Sweeps      []sweepObject `json:"sweeps"`
	sweepTables []*grid.Sweep
}

type sweepObject struct {
	Number       int                     `json:"number"`
	Mode         string                  `json:"mode,omitempty"` // none is "azimuth_surveillance"
	ElevationDeg *float64                `json:"elevation_deg"`
	TargetDeg    *float64                `json:"target_elevation_deg"`
	StartTime    *string                 `json:"start_time"`
	EndTime      *string                 `json:"end_time"`
	Complete     bool                    `json:"complete"`
	Radials      int                     `json:"radials"`
	NyquistMPerS *float64                `json:"nyquist_velocity_m_s"`
	UnambiguousM *float64                `json:"unambiguous_range_m"`
	Moments      map[string]momentObject `json:"moments"`
}

type momentObject struct {
	Field          string   `json:"field,omitempty"` // its name in the file, where another
	Units          string   `json:"units"`
	Gates          int      `json:"gates"` // the largest of the sweep
	FirstGateM     *float64 `json:"first_gate_m"`
	GateSpacingM   *float64 `json:"gate_spacing_m"`
	Min            *float64 `json:"min"`
	Max            *float64 `json:"max"`
	Mean           *float64 `json:"mean"`
	Valid          int      `json:"valid"`
	BelowThreshold int      `json:"below_threshold"`
	RangeFolded    int      `json:"range_folded"`
	NotCovered     int      `json:"not_covered"`
}

// rounded drops what the float32 of a file has beyond its own digits.
func rounded(value float64) *float64 {
	if value == 0 || math.IsNaN(value) || math.IsInf(value, 0) {
		return known(value)
	}
	exact, _ := strconv.ParseFloat(strconv.FormatFloat(value, 'g', 9, 64), 64)
	return &exact
}

func describeVolume(v *grid.Volume) volumeObject {
	o := volumeObject{
		Station: textOrNil(v.Radar), Time: timeText(v.Time), Lat: rounded(v.Antenna.LatitudeDeg), Lon: rounded(v.Antenna.LongitudeDeg),
		HeightM: rounded(v.Antenna.AltitudeM), TowerM: rounded(v.TowerHeightM), BeamDeg: rounded(v.BeamwidthDeg),
		Complete: v.Complete, Notes: v.Notes, Sweeps: make([]sweepObject, 0, len(v.Sweeps)), sweepTables: v.Sweeps,
	}
	if v.VolumeCoveragePattern != 0 {
		o.Pattern = &v.VolumeCoveragePattern
	}
	for _, s := range v.Sweeps {
		sweep := sweepObject{
			Number: s.Number, Mode: string(s.Mode), ElevationDeg: rounded(s.ElevationDeg), TargetDeg: rounded(s.TargetElevationDeg), StartTime: timeText(s.Start),
			EndTime: timeText(s.End), Complete: s.Complete, Radials: len(s.Radials), NyquistMPerS: rounded(s.NyquistVelocityMPerS),
			UnambiguousM: rounded(s.UnambiguousRangeM), Moments: make(map[string]momentObject, len(s.Moments)),
		}
		for _, m := range s.Moments {
			statistics := m.Statistics()
			sweep.Moments[m.Name] = momentObject{
				Field: fieldOf(m), Units: m.Units, Gates: m.Gates, FirstGateM: rounded(m.FirstGateM), GateSpacingM: rounded(m.GateSpacingM),
				Min: rounded(statistics.Min), Max: rounded(statistics.Max), Mean: rounded(statistics.Mean), Valid: statistics.Valid,
				BelowThreshold: statistics.BelowThreshold, RangeFolded: statistics.RangeFolded, NotCovered: statistics.NotCovered,
			}
		}
		o.Sweeps = append(o.Sweeps, sweep)
	}
	return o
}

// fieldOf is what a file calls a moment, where that is not its name.
func fieldOf(m *grid.Moment) string {
	if m.FieldName == m.Name {
		return ""
	}
	return m.FieldName
}

// writeVolume adds the keys of a volume to the object of its file.
func writeVolume(o *objectWriter, v *grid.Volume) {
	d := describeVolume(v)
	for _, entry := range []struct {
		key   string
		value any
	}{
		{"station", d.Station}, {"time", d.Time}, {"lat", d.Lat}, {"lon", d.Lon}, {"height_m", d.HeightM}, {"tower_height_m", d.TowerM},
		{"beamwidth_deg", d.BeamDeg}, {"volume_coverage_pattern", d.Pattern}, {"complete", d.Complete},
	} {
		o.key(entry.key)
		o.value(entry.value)
	}
	if len(d.Notes) > 0 {
		o.key("notes")
		o.value(d.Notes)
	}
	o.key("sweeps")
	list := &listWriter{o: o, indent: "    "}
	for _, sweep := range d.Sweeps {
		list.add(sweep)
	}
	list.end()
}

func orDash(text *string) string {
	if text == nil {
		return "-"
	}
	return *text
}

func printVolume(p *page, path, kind string, v *grid.Volume) {
	d := describeVolume(v)
	p.printf("%s: %s, station %s, %s", path, kind, orDash(d.Station), orDash(d.Time))
	if d.Lat != nil && d.Lon != nil {
		p.printf(", %s", latLon(*d.Lat, *d.Lon))
	}
	if d.HeightM != nil {
		p.printf(", antenna %s above sea level", metres(*d.HeightM))
	}
	if d.Pattern != nil {
		p.printf(", coverage pattern %d", *d.Pattern)
	}
	state := "complete"
	if !d.Complete {
		state = "not complete"
	}
	p.printf(", %s, %s\n", count(len(d.Sweeps), "sweep"), state)
	for _, note := range d.Notes {
		p.paragraph(note)
	}
	if len(d.Sweeps) == 0 {
		return
	}
	rows := [][]string{{"#", "ELEVATION °", "START", "RADIALS", "MOMENT", "GATES", "FIRST m", "SPACING m", "MIN", "MEAN", "MAX", "UNITS", "VALID", "BELOW", "FOLDED"}}
	for k, s := range d.Sweeps {
		for j, m := range d.sweepTables[k].Moments {
			row := []string{"", "", "", ""}
			if j == 0 {
				row = []string{strconv.Itoa(s.Number), shortOrDash(s.ElevationDeg), "-", strconv.Itoa(s.Radials)}
				if start := d.sweepTables[k].Start; !start.IsZero() {
					row[2] = start.Format(time.TimeOnly)
				}
				if !s.Complete {
					row[3] += " (not complete)"
				}
			}
			o := s.Moments[m.Name]
			rows = append(rows, append(row, m.Name, strconv.Itoa(o.Gates), shortOrDash(o.FirstGateM), shortOrDash(o.GateSpacingM),
				shortOrDash(o.Min), shortOrDash(o.Mean), shortOrDash(o.Max), o.Units, strconv.Itoa(o.Valid), strconv.Itoa(o.BelowThreshold), strconv.Itoa(o.RangeFolded)))
		}
	}
	p.table("", rows)
}

func shortOrDash(value *float64) string {
	if value == nil {
		return "-"
	}
	return short(*value)
}

// gateObject is one gate of the column above a place.
type gateObject struct {
	Number         int      `json:"number"` // of the sweep
	ElevationDeg   *float64 `json:"elevation_deg"`
	Time           *string  `json:"time"`
	Moment         string   `json:"moment"`
	Units          string   `json:"units"`
	RangeM         *float64 `json:"range_m"`
	HeightM        *float64 `json:"height_m"` // centre of the beam above sea level
	BeamHalfWidthM *float64 `json:"beam_half_width_m"`
	TemperatureK   *float64 `json:"temperature_k"` // null unless a file gave temperatures
	Value          *float64 `json:"value"`         // null unless the state is "echo"
	State          string   `json:"state"`
}

// columnAbove lists the gates over a place: moment by moment, upwards.
func columnAbove(v *grid.Volume, place grid.LatLon, temperatureK func(altitudeM float64) float64) []gateObject {
	gates := []gateObject{}
	done := map[string]bool{}
	for _, s := range v.Sweeps {
		for _, m := range s.Moments {
			if done[m.Name] {
				continue
			}
			done[m.Name] = true
			column := v.ColumnAbove(place, m.Name, nil)
			for _, g := range column.Gates {
				o := gateObject{
					Number: v.Sweeps[g.Sweep].Number, ElevationDeg: rounded(g.ElevationDeg), Time: timeText(g.Time), Moment: m.Name, Units: m.Units,
					RangeM: metreOrNil(g.RangeM), HeightM: metreOrNil(g.AltitudeM), BeamHalfWidthM: metreOrNil(g.HalfWidthM),
					Value: rounded(float64(g.Value)), State: g.Sight.String(),
				}
				if temperatureK != nil {
					o.TemperatureK = tidy(temperatureK(g.AltitudeM))
				}
				gates = append(gates, o)
			}
		}
	}
	return gates
}

// metreOrNil rounds a length of the radar's geometry to a tenth of a metre.
func metreOrNil(value float64) *float64 { return known(math.Round(value*10) / 10) }

func printColumnAbove(p *page, path string, place grid.LatLon, v *grid.Volume, gates []gateObject) {
	away, azimuth := grid.DistanceM(v.Antenna.LatLon, place), grid.AzimuthDeg(v.Antenna.LatLon, place)
	p.printf("%s at %s, ", path, latLon(place.LatitudeDeg, place.LongitudeDeg))
	if math.IsNaN(away) {
		p.printf("place of the radar unknown\n")
		return
	}
	p.printf("%s from the radar in %.0f°\n", kilometres(away), azimuth)
	rows := [][]string{{"MOMENT", "HEIGHT m", "HALF-WIDTH m", "TEMP °C", "VALUE", "UNITS", "STATE", "SWEEP", "ELEVATION °", "TIME"}}
	for _, g := range gates {
		temperature := "-"
		if g.TemperatureK != nil {
			temperature = strconv.FormatFloat(*g.TemperatureK-273.15, 'f', 1, 64)
		}
		when := "-"
		if g.Time != nil {
			_, when, _ = strings.Cut(*g.Time, "T")
			when, _, _ = strings.Cut(strings.TrimSuffix(when, "Z"), ".")
		}
		rows = append(rows, []string{g.Moment, wholeOrDash(g.HeightM), wholeOrDash(g.BeamHalfWidthM), temperature, shortOrDash(g.Value), g.Units, g.State, strconv.Itoa(g.Number), shortOrDash(g.ElevationDeg), when})
	}
	p.table("", rows)
}

func wholeOrDash(value *float64) string {
	if value == nil {
		return "-"
	}
	return strconv.FormatFloat(*value, 'f', 0, 64)
}

// temperaturesAbove reads the air above a place from model output or soundings.
func temperaturesAbove(env *environment, paths []string, place grid.LatLon, around time.Time) (func(altitudeM float64) float64, error) {
	if len(paths) == 0 {
		return nil, nil
	}
	w, err := readWeather(env, paths, wanted{places: []grid.LatLon{place}, marginM: columnMarginM, from: around, to: around})
	if err != nil {
		return nil, err
	}
	column, err := w.columnAt(place, around)
	if err != nil {
		return nil, joinErrors(append(w.errs, err)...)
	}
	return func(altitudeM float64) float64 {
		level, ok := column.AtAltitude(altitudeM)
		if !ok {
			return math.NaN()
		}
		return level.AirTemperatureK
	}, joinErrors(w.errs...)
}

// modelHoldFor: the state of a model is taken to last this long before its first
// and after its last time; common practice, no source.
const modelHoldFor = 90 * time.Minute

// maxSoundingAge: an ascent counts for half the day that two ascents share.
const maxSoundingAge = 12 * time.Hour

// columnAt is that of the model where there is one, else the sounding nearest in
// time, wherever it was taken.
func (w *weather) columnAt(place grid.LatLon, at time.Time) (grid.Column, error) {
	if len(w.fields) > 0 {
		atmosphere, err := grid.BuildAtmosphere(w.fields, grid.AtmosphereOptions{HoldFor: modelHoldFor})
		if err != nil {
			return grid.Column{}, err
		}
		if column, ok := atmosphere.ColumnAt(place, at); ok {
			return column, nil
		}
		return grid.Column{}, fmt.Errorf("temperatures: the model does not reach %s at %s", latLon(place.LatitudeDeg, place.LongitudeDeg), at.Format(time.RFC3339))
	}
	var nearest grid.Column
	by := time.Duration(math.MaxInt64)
	for k := range w.soundings {
		column := w.soundings[k].Column()
		if away := column.Time.Sub(at).Abs(); !column.Time.IsZero() && away < by {
			nearest, by = column, away
		}
	}
	if by > maxSoundingAge {
		return grid.Column{}, fmt.Errorf("temperatures: no sounding within %v of %s", maxSoundingAge, at.Format(time.RFC3339))
	}
	return nearest, nil
}

// sampleVolume is sample for a radar volume.
func (c *sampleCommand) sampleVolume(env *environment, found *contents, place grid.LatLon) error {
	v := found.volume
	temperatureK, err := temperaturesAbove(env, c.Temperatures, place, v.Time)
	if env.Err() != nil {
		return env.Err()
	}
	errs := []error{found.err, err}
	gates := columnAbove(v, place, temperatureK)
	if len(gates) == 0 {
		errs = append(errs, fmt.Errorf("%s: has no gate above any place: no sweeps, or the place of the radar is unknown", c.Files[0]))
	}
	out := bufio.NewWriter(env.Stdout)
	if c.Table {
		printColumnAbove(&page{w: out}, c.Files[0], place, v, gates)
	} else {
		list := &listWriter{o: &objectWriter{w: out}}
		for _, g := range gates {
			list.add(g)
		}
		list.end()
		fmt.Fprintln(out)
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return joinErrors(errs...)
}
