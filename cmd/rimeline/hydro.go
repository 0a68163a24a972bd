package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/crop"
	"rimeline/ingest/hydro"
	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// report is what one answer of an input for suspension criteria says: readings,
// states of gauges, warnings, avalanche danger, or reports of sites.
type report struct {
	// asOf is up to when it holds: when it was asked for, when a file was last
	// written, when a message was sent. Never when somebody came round to read it.
	asOf time.Time

	series []reportSeries
	gauges []hydro.Gauge
	// warnings of a list; isList is set where the answer is one, even without any.
	warnings []hydro.Warning
	isList   bool
	// unreadable counts what of the list could not be read, or is missing.
	unreadable int
	dangers    []hydro.Danger
	sites      []hydro.SiteReport
	// notes say what was missing or doubtful, one sentence each.
	notes []string
}

// reportSeries is a series by the name of its quantity in criteria. unit is that of
// its values by a name that criteria know, given that of the source: a reading goes
// to the criteria as its source wrote it, so that one at a limit is at the limit.
type reportSeries struct {
	hydro.Series
	quantity, unit, given string
}

// Of what is taken from an answer; common practice, no source.
const (
	// seriesBack: older points say nothing of today, not even whether a gauge
	// stands still.
	seriesBack = 30 * 24 * time.Hour
	maxNotes   = 50
)

func (r *report) note(format string, arguments ...any) {
	switch text := fmt.Sprintf(format, arguments...); {
	case len(r.notes) < maxNotes && !slices.Contains(r.notes, text):
		r.notes = append(r.notes, text)
	case len(r.notes) == maxNotes:
		r.notes = append(r.notes, "further notes left out")
	}
}

// decodeReport reads the files of one answer of an input, or the data of one
// message of telemetry, as the programme says. asOf is up to when it holds: the
// valid time of the input's record, not the time at which it was fetched.
//
// An answer that cannot be read at all is an error, an *ingest.FormatError mostly.
// One of which parts can be read is a report with notes: what is not in it is
// missing, and what is missing is unknown to the criteria. A list of warnings
// counts what it lacks.
func decodeReport(p *programme.Programme, input *programme.Input, raw []crop.RawFile, asOf time.Time) (*report, error) {
	if len(raw) == 0 {
		return nil, &ingest.FormatError{File: input.ID, Detail: "no file", Err: ingest.ErrTruncated}
	}
	r := &report{asOf: asOf.UTC()}
	decode, known := map[string]func(*programme.Programme, *programme.Input, string, crop.RawFile) error{
		programme.FormatUSGS: r.usgs, programme.FormatNWPSGauge: r.nwpsGauge, programme.FormatStageflow: r.stageflow,
		programme.FormatTable: r.table, programme.FormatJSON: r.json, programme.FormatSnotel: r.snotel,
		programme.FormatDanger: r.danger, programme.FormatMapLayer: r.danger, programme.FormatTelemetry: r.telemetry,
	}[input.Format]
	switch {
	case input.Format == programme.FormatAlerts:
		if err := r.alerts(raw); err != nil {
			return nil, err
		}
	case !known:
		return nil, fmt.Errorf("input %s: answers of the format %q cannot be read", input.ID, input.Format)
	default:
		var failed []error
		for _, file := range raw {
			station, name := stationOf(file.Name)
			if err := decode(p, input, station, crop.RawFile{Name: name, Bytes: file.Bytes}); err != nil {
				failed = append(failed, err)
				r.note("%v", err)
			}
		}
		if len(failed) == len(raw) {
			return nil, errors.Join(failed...)
		}
	}
	r.tidy(p, input)
	return r, nil
}

// rawName is the name of a file in a crop: of a station's own page the station
// stands before it, since not every answer says whose it is.
func rawName(station, file string) string {
	file = strings.ReplaceAll(file, "/", "_")
	if station == "" {
		return file
	}
	return station + "/" + file
}

func stationOf(name string) (station, file string) {
	if at := strings.LastIndexByte(name, '/'); at >= 0 {
		return name[:at], name[at+1:]
	}
	return "", name
}

func (r *report) usgs(_ *programme.Programme, _ *programme.Input, _ string, file crop.RawFile) error {
	all, err := hydro.DecodeUSGS(file.Name, file.Bytes)
	if err != nil {
		return err
	}
	for _, s := range all {
		r.add(s, quantityName(s.Quantity))
	}
	return nil
}

func (r *report) nwpsGauge(_ *programme.Programme, _ *programme.Input, _ string, file crop.RawFile) error {
	gauge, err := hydro.DecodeNWPSGauge(file.Name, file.Bytes)
	if err != nil {
		return err
	}
	r.gauges = append(r.gauges, gauge)
	for _, text := range gauge.Notes {
		r.note("gauge %s: %s", gauge.ID, text)
	}
	return nil
}

func (r *report) stageflow(_ *programme.Programme, input *programme.Input, station string, file crop.RawFile) error {
	if station == "" && len(input.Gauges) == 1 {
		station = input.Gauges[0]
	}
	if station == "" {
		return fmt.Errorf("%s: it does not say of which gauge it is", file.Name)
	}
	all, err := hydro.DecodeNWPSStageflow(file.Name, station, file.Bytes)
	if err != nil {
		return err
	}
	for _, s := range all {
		r.add(s, quantityName(s.Quantity))
	}
	return nil
}

// table reads each column of values by itself, so that one that does not fit
// leaves the others.
func (r *report) table(_ *programme.Programme, input *programme.Input, _ string, file crop.RawFile) error {
	var failed []error
	for k := range input.Table.Values {
		column := &input.Table.Values[k]
		all, err := hydro.DecodeTable(file.Name, file.Bytes, tableMapping(input.Table, column))
		if err != nil {
			failed = append(failed, err)
			r.note("%s: column %s: %v", file.Name, column.Column, err)
			continue
		}
		for _, s := range all {
			r.add(s, column.Quantity)
		}
	}
	if len(failed) == len(input.Table.Values) {
		return failed[0]
	}
	return nil
}

func (r *report) json(_ *programme.Programme, input *programme.Input, _ string, file crop.RawFile) error {
	return r.mapped(input.JSON, file)
}

func (r *report) snotel(_ *programme.Programme, input *programme.Input, _ string, file crop.RawFile) error {
	mappings := input.JSON
	if mappings == nil {
		mappings = snotelMappings(input.TimeZone)
	}
	return r.mapped(mappings, file)
}

func (r *report) mapped(mappings []programme.JSONMapping, file crop.RawFile) error {
	var failed []error
	for k := range mappings {
		m := &mappings[k]
		all, err := hydro.DecodeJSON(file.Name, file.Bytes, jsonMapping(m))
		if err != nil {
			failed = append(failed, err)
			r.note("%s: %s: %v", file.Name, m.Quantity, err)
			continue
		}
		for _, s := range all {
			r.add(s, m.Quantity)
		}
	}
	if len(failed) == len(mappings) {
		return failed[0]
	}
	return nil
}

func (r *report) danger(_ *programme.Programme, input *programme.Input, _ string, file crop.RawFile) error {
	mapping := input.Danger
	if mapping == nil {
		mapping = mapLayerMapping(input.TimeZone)
	}
	all, err := hydro.DecodeAvalanche(file.Name, file.Bytes, dangerMapping(mapping))
	if err != nil {
		return err
	}
	for _, d := range all {
		if input.Zones != nil && !slices.Contains(input.Zones, d.Zone) {
			continue
		}
		r.dangers = append(r.dangers, d)
		for _, text := range d.Notes {
			r.note("zone %s: %s", d.Zone, text)
		}
	}
	return nil
}

func (r *report) telemetry(p *programme.Programme, input *programme.Input, _ string, file crop.RawFile) error {
	all, err := hydro.DecodeTelemetry(file.Name, file.Bytes, telemetryMapping(input.Telemetry))
	if err != nil {
		return err
	}
	for _, s := range all {
		if p.Site(s.Site) == nil {
			r.note("%s: a report of %.40q, which is no site of the programme", file.Name, s.Site)
			continue
		}
		r.sites = append(r.sites, s)
		for _, text := range s.Notes {
			r.note("site %s: %s", s.Site, text)
		}
	}
	return nil
}

// alerts reads a list of warnings, which may have several pages. What cannot be
// read of it is counted: a list with a gap is not known to be without a warning.
func (r *report) alerts(raw []crop.RawFile) error {
	r.isList = true
	for k, file := range raw {
		warnings, err := hydro.DecodeAlerts(file.Name, file.Bytes)
		if err != nil && emptyEnvelope(file.Bytes) {
			err = nil
		}
		r.warnings = append(r.warnings, warnings...)
		for _, one := range parts(err) {
			if errors.Is(one, hydro.ErrMorePages) && k < len(raw)-1 {
				continue // here it is
			}
			if k == 0 && len(warnings) == 0 && !errors.Is(one, hydro.ErrMorePages) {
				return err
			}
			r.unreadable++
			r.note("%v", one)
		}
	}
	for _, w := range r.warnings {
		for _, doubt := range w.Doubts {
			r.note("warning %.80s: %s", w.Identifier, doubt)
		}
	}
	return nil
}

// emptyEnvelope tells that XML is an envelope of CAP messages in which there are
// none: an element alerts without any child, or an EDXLDistribution (OASIS EDXL-DE
// 1.0) without content, value from memory. Any other XML without messages may be
// anything, such as a page that says that the service is down.
func emptyEnvelope(b []byte) bool {
	decoder := xml.NewDecoder(bytes.NewReader(b))
	root, depth := "", 0
	for {
		token, err := decoder.Token()
		if err != nil {
			return errors.Is(err, io.EOF) && root != ""
		}
		switch t := token.(type) {
		case xml.StartElement:
			name := strings.ToLower(t.Name.Local)
			switch {
			case root == "" && (name == "alerts" || name == "edxldistribution"):
				root = name
			case depth == 0, root == "alerts", name == "contentobject":
				return false
			}
			depth++
		case xml.EndElement:
			depth--
		case xml.CharData:
			if depth <= 1 && len(bytes.TrimSpace(t)) > 0 && root != "edxldistribution" {
				return false
			}
		case xml.Directive:
			return false
		}
	}
}

// parts of a joined error.
func parts(err error) []error {
	if err == nil {
		return nil
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	return []error{err}
}

// add takes a series under the name that criteria call it by.
func (r *report) add(s hydro.Series, quantity string) {
	for _, text := range s.Notes {
		r.note("gauge %s: %s: %s", s.Gauge, quantity, text)
	}
	if oldest := r.asOf.Add(-seriesBack); s.Observed && len(s.Points) > 0 && s.Points[0].Time.Before(oldest) {
		first, _ := slices.BinarySearchFunc(s.Points, oldest, func(p hydro.Point, at time.Time) int { return p.Time.Compare(at) })
		s.Points = s.Points[min(first, len(s.Points)-1):]
	}
	r.series = append(r.series, newSeries(s, quantity))
}

func newSeries(s hydro.Series, quantity string) reportSeries {
	out := reportSeries{s, quantity, criterionUnit(s.Unit), s.SourceUnit}
	if _, ok := programme.Convert(1, out.given, out.unit); !ok {
		out.given = out.unit
	}
	return out
}

// tidy keeps what the input is there for, adds the normals, and says what is
// missing.
func (r *report) tidy(p *programme.Programme, input *programme.Input) {
	if input.Kind != "gauge" {
		return
	}
	wanted := func(gauge string) bool { return slices.Contains(input.Gauges, gauge) }
	kept := map[string]bool{}
	r.series = slices.DeleteFunc(r.series, func(s reportSeries) bool {
		if !wanted(s.Gauge) {
			r.note("readings of %.40q, which is none of the gauges of input %s", s.Gauge, input.ID)
			return true
		}
		kept[s.Gauge] = kept[s.Gauge] || len(s.Points) > 0
		return false
	})
	r.gauges = slices.DeleteFunc(r.gauges, func(g hydro.Gauge) bool {
		if !wanted(g.ID) {
			r.note("the state of %.40q, which is none of the gauges of input %s", g.ID, input.ID)
			return true
		}
		kept[g.ID] = true
		return false
	})
	for _, gauge := range input.Gauges {
		// A page of one station of several says nothing of the others.
		if !kept[gauge] && len(kept) == 0 {
			r.note("no reading of gauge %s", gauge)
		}
	}
	for k := range input.Normals {
		r.addNormal(p, &input.Normals[k])
	}
}

// addNormal puts the normal of its day beside every snow water equivalent, and
// that of 1 April.
func (r *report) addNormal(p *programme.Programme, normal *programme.NormalCurve) {
	curve, err := hydro.DecodeCurve(normal.File, normal.Text, curveMapping(normal))
	if err != nil {
		r.note("normal of %s: %v", normal.Gauge, err)
		return
	}
	in := p.Location
	if in == nil {
		in = time.UTC
	}
	for _, s := range r.series {
		if s.Gauge != normal.Gauge || s.quantity != hold.QuantitySWE || !s.Observed {
			continue
		}
		ofDay, ofApril := s, s
		ofDay.Points, ofApril.Points = nil, nil
		for _, at := range s.Points {
			local := at.Time.In(in)
			if at.Flags.Has(hydro.DateOnly) {
				// It stands at midnight by the source's clock; the normal is that of the day.
				noon := at.Time.Add(12 * time.Hour).In(in)
				local = time.Date(noon.Year(), noon.Month(), noon.Day(), 0, 0, 0, 0, in)
			}
			april := time.Date(local.Year(), time.April, 1, 0, 0, 0, 0, in)
			ofDay.Points = append(ofDay.Points, hydro.Point{Time: at.Time, Value: curve.At(local)})
			ofApril.Points = append(ofApril.Points, hydro.Point{Time: at.Time, Value: curve.At(april)})
		}
		ofDay.quantity, ofApril.quantity = hold.QuantityNormalSWE, hold.QuantityApril1SWE
		r.series = append(r.series, ofDay, ofApril)
	}
}
