package main

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/ingest/hydro"
	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// Of what becomes evidence; common practice, no source.
const (
	// readingsBack: a rate of rise looks back 72 h and a third more at most.
	readingsBack = 100 * time.Hour
	// forecastsBack: of a forecast what lies further back is over.
	forecastsBack = 12 * time.Hour
	// ownDoubt begins what the source itself, or one value alone, says against it.
	// What only a row of values shows is found anew with every further report.
	ownDoubt = "by its source: "
)

// addTo adds what a report says to evidence for a judgement at a moment. The hours
// before come from earlier reports of the same input: they are added oldest first,
// and doubts about a row of readings (flat, jumping, out of range) are judged over
// all that was added so far. mergeEvidence goes last.
//
// Of lists of warnings and of avalanche danger only the newest report of an input
// and station is added: an older one says what is over.
func (r *report) addTo(e *hold.Evidence, p *programme.Programme, input *programme.Input, at time.Time) {
	for k := range r.series {
		s := &r.series[k]
		if s.Observed {
			addObserved(e, input, s, at)
		} else {
			r.addForecast(e, input, s, at)
		}
	}
	for k := range r.gauges {
		r.addGauge(e, input, &r.gauges[k], at)
	}
	if r.isList {
		e.Feeds = append(e.Feeds, hold.Feed{Name: input.Feed, AsOf: r.asOf, Unreadable: r.unreadable})
		for _, w := range hydro.Stand(r.warnings, at).Current {
			e.Warnings = append(e.Warnings, warningsOf(w, input.Feed)...)
		}
	}
	r.addDangers(e, at)
	for k := range r.sites {
		e.SiteReports = append(e.SiteReports, siteReport(&r.sites[k]))
	}
}

// reading is a value in the unit of its series, with what speaks against it by
// itself.
type reading struct {
	at    time.Time
	value float64
	own   []string
}

// addObserved joins a series with what is there of it already. Where both have a
// value of one time the newer report is right.
func addObserved(e *hold.Evidence, input *programme.Input, s *reportSeries, at time.Time) {
	byTime := map[int64]reading{}
	e.Readings = slices.DeleteFunc(e.Readings, func(r hold.Reading) bool {
		value, comparable := programme.Convert(r.Value, r.Unit, s.unit)
		if r.Unit == s.unit { // one that criteria do not know, too
			value, comparable = r.Value, true
		}
		if r.Forecast || r.Gauge != s.Gauge || r.Quantity != s.quantity || r.Datum != s.Datum || !comparable {
			return false
		}
		own := slices.DeleteFunc(slices.Clone(r.Suspect), func(text string) bool { return !strings.HasPrefix(text, ownDoubt) })
		byTime[r.Time.UnixNano()] = reading{r.Time, value, own}
		return true
	})
	for _, point := range s.Points {
		own := doubtsOf(point)
		if math.IsNaN(point.Value) && len(own) == 0 {
			continue // not measured, which its age will show
		}
		byTime[point.Time.UnixNano()] = reading{point.Time.UTC(), point.Value, own}
	}
	times := slices.Sorted(maps.Keys(byTime))
	row := hydro.Series{Gauge: s.Gauge, Quantity: s.Quantity, Unit: s.Unit, Observed: true}
	for _, t := range times {
		if one := byTime[t]; !math.IsNaN(one.value) {
			row.Points = append(row.Points, hydro.Point{Time: one.at, Value: one.value})
		}
	}
	doubts := hydro.Suspect(row, suspectOptions(input, s))
	for k, t := range times {
		one := byTime[t]
		if k < len(times)-1 && one.at.Before(at.Add(-readingsBack)) {
			continue
		}
		e.Readings = append(e.Readings, hold.Reading{Gauge: s.Gauge, Quantity: s.quantity, Value: s.asGiven(one.value), Unit: s.given, Datum: s.Datum,
			Time: one.at, Suspect: append(one.own, doubtsAt(doubts, one)...)})
	}
}

// asGiven is a value as its source wrote it. Twelve digits are more than any gauge
// has, and less than the conversion there and back leaves right.
func (s *reportSeries) asGiven(value float64) float64 {
	if s.given == s.unit || math.IsNaN(value) {
		return value
	}
	converted, _ := programme.Convert(value, s.unit, s.given)
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(converted, 'g', 12, 64), 64)
	if err != nil {
		return converted
	}
	return rounded
}

// doubtsAt are the doubts about a row that touch one reading.
func doubtsAt(doubts []hydro.Doubt, one reading) []string {
	var list []string
	for _, d := range doubts {
		if math.IsNaN(one.value) || d.Kind == hydro.DoubtNoValue {
			continue
		}
		if d.To.IsZero() || !one.at.Before(d.From) && !one.at.After(d.To) {
			list = append(list, fmt.Sprintf("%s: %s", d.Kind, d.Reason))
		}
	}
	return list
}

// doubtsOf says what the source, or its clock, says against one value.
func doubtsOf(p hydro.Point) []string {
	var list []string
	for _, each := range []struct {
		flag hydro.Flags
		text string
	}{
		{hydro.IceAffected, "ice at the gauge"}, {hydro.EquipmentFail, "its equipment fails"}, {hydro.SourceSuspect, "a qualifier that doubts it or is not known"},
		{hydro.Unreadable, "no number"}, {hydro.TimeDoubtful, "a local time that occurs twice or never"},
	} {
		if !p.Flags.Has(each.flag) {
			continue
		}
		text := ownDoubt + each.text
		if p.Code != "" {
			text += fmt.Sprintf(" (%.40s)", p.Code)
		}
		list = append(list, text)
	}
	return list
}

// suspectOptions are the limits of a series: those of the programme file, and wide
// ones by quantity for what it leaves out. How old a value may be is for the
// criteria to say.
func suspectOptions(input *programme.Input, s *reportSeries) hydro.SuspectOptions {
	o := hydro.DefaultSuspectOptions(s.Quantity, time.Time{})
	o.MaxAge, o.Unit = 0, ""
	for k := range input.Suspect {
		limits := &input.Suspect[k]
		if limits.Gauge != s.Gauge || limits.Quantity != s.quantity {
			continue
		}
		set := func(to *float64, value, zero float64) {
			if converted, ok := programme.Convert(value, limits.Unit, s.unit); ok && !math.IsNaN(value) {
				*to = converted - zero
			}
		}
		// A rate is a difference: of temperatures too, whose zeros differ.
		zero, _ := programme.Convert(0, limits.Unit, s.unit)
		set(&o.Min, limits.Min, 0)
		set(&o.Max, limits.Max, 0)
		set(&o.MaxRisePerHour, limits.MaxRisePerHour, zero)
		set(&o.MaxFallPerHour, limits.MaxFallPerHour, zero)
		if !math.IsNaN(limits.MaxRisePerHour) || !math.IsNaN(limits.MaxFallPerHour) {
			o.MinJump = 0
		}
		if !math.IsNaN(limits.FlatHours) {
			o.FlatFor = time.Duration(limits.FlatHours * float64(time.Hour))
		}
	}
	return o
}

// addForecast adds the values to come. A forecast that does not say when it was
// made was made no later than its first value, nor than the answer.
func (r *report) addForecast(e *hold.Evidence, input *programme.Input, s *reportSeries, at time.Time) {
	issued := s.Issued
	if issued.IsZero() {
		issued = r.asOf
		if len(s.Points) > 0 && s.Points[0].Time.Before(issued) {
			issued = s.Points[0].Time
		}
	}
	o := suspectOptions(input, s)
	o.FlatFor, o.FrozenFor = 0, 0 // a forecast may be flat
	doubts := hydro.Suspect(hydro.Series{Quantity: s.Quantity, Unit: s.Unit, Points: unflagged(s.Points)}, o)
	for _, point := range s.Points {
		own := doubtsOf(point)
		if point.Time.Before(at.Add(-forecastsBack)) || math.IsNaN(point.Value) && len(own) == 0 {
			continue // a gap, which the criteria see
		}
		one := reading{point.Time.UTC(), point.Value, own}
		e.Readings = append(e.Readings, hold.Reading{Gauge: s.Gauge, Quantity: s.quantity, Value: s.asGiven(point.Value), Unit: s.given, Datum: s.Datum,
			Time: one.at, Forecast: true, Issued: issued.UTC(), Suspect: append(own, doubtsAt(doubts, one)...)})
	}
}

// unflagged leaves out points without a value, and what the source says.
func unflagged(points []hydro.Point) []hydro.Point {
	var out []hydro.Point
	for _, p := range points {
		if !math.IsNaN(p.Value) {
			out = append(out, hydro.Point{Time: p.Time, Value: p.Value})
		}
	}
	return out
}

// addGauge adds the official categories of a gauge, and the readings that stand
// beside them.
//
// Where the service knows no category (out of service, not current), that of the
// reading beside it is taken from the service's own thresholds, if all four are
// defined and rise. Where the reading lies in a higher category than the service
// says, both are given, and the higher counts. The forecast category has no time
// of issue: it held when the service was asked, which itself says when it does
// not (fcst_not_current).
func (r *report) addGauge(e *hold.Evidence, input *programme.Input, g *hydro.Gauge, at time.Time) {
	add := func(name string, valid time.Time, forecast bool) {
		c := hold.Category{Gauge: g.ID, Name: name, Time: valid.UTC(), Forecast: forecast}
		if forecast {
			c.Issued = r.asOf
		}
		e.Categories = append(e.Categories, c)
	}
	for _, each := range []struct {
		status   *hydro.GaugeStatus
		forecast bool
	}{{&g.Observed, false}, {&g.Forecast, true}} {
		s := each.status
		if s.Category == "" && s.Valid.IsZero() {
			continue // none is given
		}
		valid := s.Valid
		if valid.IsZero() && each.forecast {
			valid = r.asOf
		}
		official, known := s.Category.Rank()
		byReading, measured := categoryOf(g, s)
		switch {
		case known:
			add(categoryNames[official], valid, each.forecast)
			if measured && byReading > official {
				add(categoryNames[byReading], valid, each.forecast)
			}
		case measured && s.Category != hydro.NotDefined:
			add(categoryNames[byReading], valid, each.forecast)
		default:
			add(cmp.Or(string(s.Category), "not given"), valid, each.forecast)
		}
	}
	// The observation itself, as any other reading of the gauge.
	for _, each := range []struct {
		quantity    hydro.Quantity
		datum, unit string
		value       float64
	}{{hydro.RiverStage, "gauge zero", "ft", g.Observed.StageM}, {hydro.RiverDischarge, "", "kcfs", g.Observed.DischargeM3PerS}} {
		if math.IsNaN(each.value) || g.Observed.Valid.IsZero() {
			continue
		}
		s := hydro.Series{Gauge: g.ID, Quantity: each.quantity, Unit: each.quantity.Unit(), SourceUnit: each.unit, Datum: each.datum, Observed: true,
			Points: []hydro.Point{{Time: g.Observed.Valid, Value: each.value}}}
		row := newSeries(s, quantityName(each.quantity))
		addObserved(e, input, &row, at)
	}
}

// categoryNames are the categories by their rank, as criteria call them.
var categoryNames = []string{"none", "action", "minor", "moderate", "major"}

// categoryOf is the category in which a reading lies by the gauge's thresholds.
func categoryOf(g *hydro.Gauge, s *hydro.GaugeStatus) (rank int, ok bool) {
	best := -1
	for _, each := range []struct {
		of    hydro.Categories
		value float64
	}{{g.Stage, s.StageM}, {g.Discharge, s.DischargeM3PerS}} {
		limits := []*float64{each.of.Action, each.of.Minor, each.of.Moderate, each.of.Major}
		if math.IsNaN(each.value) || slices.Contains(limits, nil) || !slices.IsSortedFunc(limits, func(a, b *float64) int { return cmp.Compare(*a, *b) }) {
			continue
		}
		reached := 0
		for k, limit := range limits {
			if each.value >= *limit {
				reached = k + 1
			}
		}
		best = max(best, reached)
	}
	return best, best >= 0
}

// addDangers adds the danger that holds at the moment. That of a day to come is
// left out, and one that is over says so by its end.
func (r *report) addDangers(e *hold.Evidence, at time.Time) {
	for k := range r.dangers {
		d := &r.dangers[k]
		if d.From.After(at.Add(soonest)) {
			continue
		}
		out := hold.Danger{Zone: d.Zone, Issued: d.From.UTC(), Expires: d.To.UTC()}
		if d.From.IsZero() {
			out.Issued = r.asOf // what the service says when it is asked
		}
		if d.To.IsZero() {
			out.Expires = time.Time{}
		}
		if level, known := d.Highest(); known {
			out.Level = level
		}
		e.Dangers = append(e.Dangers, out)
	}
}

func siteReport(s *hydro.SiteReport) hold.SiteReport {
	out := hold.SiteReport{Site: s.Site, Time: s.Time.UTC(), Faults: slices.Clone(s.Faults)}
	if !s.LastContact.IsZero() {
		out.LastContact = s.LastContact.UTC()
	}
	for _, each := range []struct {
		from float64
		to   **float64
	}{{s.BatteryV, &out.BatteryV}, {s.UnitsLeft, &out.UnitsLeft}} {
		if !math.IsNaN(each.from) {
			*each.to = &each.from
		}
	}
	return out
}

// warningsOf makes a warning of each event of a message that stands.
//
// What replaces what was settled by hydro.Stand, which knows senders, zones and
// codes; references to messages that still stand are not passed on. An event of
// which the code says that it expires (EXP) holds until it does.
func warningsOf(w hydro.Warning, feed string) []hold.Warning {
	head := hold.Warning{ID: w.Identifier, Feed: feed, Status: w.Status, Message: w.MsgType, Sent: utc(w.Sent), Doubts: slices.Clone(w.Doubts)}
	infos := w.In("en")
	if len(infos) == 0 {
		return []hold.Warning{head} // it has no area, which may be anywhere
	}
	var out []hold.Warning
	for k, i := range infos {
		one := head
		if k > 0 {
			one.ID = fmt.Sprintf("%s#%d", w.Identifier, k+1)
		}
		one.Event, one.Onset = i.Event, utc(w.Begins(i))
		if end, known := i.EndsAt(); known {
			one.Ends = utc(end)
		}
		for _, scheme := range slices.Sorted(maps.Keys(i.EventCodes)) {
			for _, code := range i.EventCodes[scheme] {
				if !slices.Contains(one.Codes, code) {
					one.Codes = append(one.Codes, code)
				}
			}
		}
		for _, v := range i.VTEC {
			if v.Action != "EXP" {
				one.VTEC = append(one.VTEC, hold.VTEC{Action: v.Action, Phenomenon: v.Phenomenon, Significance: v.Significance, Office: v.Office, Number: v.Number})
			}
		}
		for _, a := range i.Areas {
			one.Areas = append(one.Areas, areaOf(a))
		}
		out = append(out, one)
	}
	return out
}

// areaOf leaves an area whose outline cannot be read without any: it may be
// anywhere.
func areaOf(a hydro.Area) hold.Area {
	if a.Unbounded() {
		return hold.Area{}
	}
	out := hold.Area{Polygons: a.Polygons}
	for _, c := range a.Circles {
		out.Circles = append(out.Circles, hold.Circle{Centre: c.Centre, RadiusM: c.RadiusM})
	}
	for _, codes := range [][]string{a.UGC(), a.SAME()} {
		for _, code := range codes {
			if code = strings.ToUpper(strings.TrimSpace(code)); !slices.Contains(out.Zones, code) {
				out.Zones = append(out.Zones, code)
			}
		}
	}
	return out
}

func utc(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC()
}

// mergeEvidence takes out what several reports say in the same words: the newest
// of each stays. Everything comes in one order, whatever came first.
func mergeEvidence(e *hold.Evidence) {
	e.Readings = lastOfEach(e.Readings, func(r *hold.Reading) string {
		value := ""
		if r.Forecast { // observed ones are joined already; runs may differ
			value = fmt.Sprint(math.Float64bits(r.Value))
		}
		return strings.Join([]string{r.Gauge, r.Quantity, r.Unit, r.Datum, stamp(r.Time), fmt.Sprint(r.Forecast), stamp(r.Issued), value}, "\x00")
	})
	e.Categories = lastOfEach(e.Categories, func(c *hold.Category) string {
		return strings.Join([]string{c.Gauge, c.Name, stamp(c.Time), fmt.Sprint(c.Forecast), stamp(c.Issued)}, "\x00")
	})
	e.Dangers = lastOfEach(e.Dangers, func(d *hold.Danger) string {
		return strings.Join([]string{d.Zone, fmt.Sprint(d.Level), stamp(d.Issued), stamp(d.Expires)}, "\x00")
	})
	e.SiteReports = lastOfEach(e.SiteReports, func(s *hold.SiteReport) string { return s.Site + "\x00" + stamp(s.Time) })
	e.Feeds = lastOfEach(e.Feeds, func(f *hold.Feed) string { return fmt.Sprint(f.Name, "\x00", stamp(f.AsOf), f.Unreadable) })
	e.Warnings = lastOfEach(e.Warnings, func(w *hold.Warning) string {
		if w.ID == "" {
			return ""
		}
		return fmt.Sprint(w.Feed, "\x00", w.ID, "\x00", stamp(w.Sent), w.Message, w.Status, stamp(w.Onset), stamp(w.Ends), w.VTEC, w.Codes, len(w.Areas), len(w.Doubts))
	})
}

// stamp is a time as a key, to the nanosecond.
func stamp(t time.Time) string { return t.UTC().Format("20060102T150405.000000000") }

// lastOfEach keeps the last of those with one key, in the order of the keys; all
// of those without one, at the end.
func lastOfEach[T any](list []T, key func(*T) string) []T {
	if list == nil {
		return nil
	}
	last := map[string]int{}
	var nameless []T
	for k := range list {
		if name := key(&list[k]); name != "" {
			last[name] = k
		} else {
			nameless = append(nameless, list[k])
		}
	}
	out := make([]T, 0, len(last)+len(nameless))
	for _, name := range slices.Sorted(maps.Keys(last)) {
		out = append(out, list[last[name]])
	}
	return append(out, nameless...)
}
