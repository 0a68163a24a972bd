package hydro

import (
	"math"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
)

// Categories are the heights (or discharges) at which the National Weather
// Service calls a flood action, minor, moderate and major. nil: not defined.
type Categories struct {
	Action, Minor, Moderate, Major *float64
}

// FloodCategory is the official word for the state of a gauge.
type FloodCategory string

// The categories of the NWPS, in the order of their weight, and what it says
// where it knows none. Any other word means that the category is not known.
const (
	NoFlooding    FloodCategory = "no_flooding"
	Action        FloodCategory = "action"
	MinorFlood    FloodCategory = "minor"
	ModerateFlood FloodCategory = "moderate"
	MajorFlood    FloodCategory = "major"
	NotDefined    FloodCategory = "not_defined" // the gauge has no categories
)

// Rank orders categories: 0 no flooding, 1 action, 2 minor, 3 moderate, 4
// major. It is -1 and false where the category is not known, as for
// obs_not_current, fcst_not_current, out_of_service and not_defined.
func (f FloodCategory) Rank() (int, bool) {
	switch f {
	case NoFlooding, "low_threshold":
		return 0, true
	case Action:
		return 1, true
	case MinorFlood:
		return 2, true
	case ModerateFlood:
		return 3, true
	case MajorFlood:
		return 4, true
	}
	return -1, false
}

// GaugeStatus is what the NWPS says of a gauge, observed or at the forecast
// maximum.
type GaugeStatus struct {
	Category        FloodCategory // "" where the reply has none
	Valid           time.Time     // zero where there is none
	StageM          float64       // NaN unknown
	DischargeM3PerS float64       // NaN unknown
}

// Gauge is one forecast point of the National Water Prediction Service.
type Gauge struct {
	ID, USGSID, Name string
	Place            grid.LatLon
	TimeZone         string     // as written
	Stage            Categories // m above gauge zero
	Discharge        Categories // m3 s-1
	Observed         GaugeStatus
	Forecast         GaugeStatus
	InService        bool
	Notes            []string
}

// nwpsMissing are the values that stand for none: -999 in observations and
// forecasts, -9999 in categories, -999900 for the SHEF code of missing flow.
func nwpsMissing(v float64) bool { return v == -999 || v == -9999 || v == -999900 || v == -999999 }

// DecodeNWPSGauge reads one gauge of the National Water Prediction Service
// (api.water.noaa.gov/nwps/v1/gauges/{id}). Heights are in m, discharges in
// m3 s-1. A category that the service gives as -9999 is nil. Categories that do
// not rise, and a status without a category, are noted.
//
// Errors are *ingest.FormatError.
func DecodeNWPSGauge(file string, b []byte) (Gauge, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return Gauge{}, err
	}
	root, err := parseJSON(c, b)
	if err != nil {
		return Gauge{}, err
	}
	g := Gauge{Place: nowhere(), ID: root.member("lid").str()}
	if g.ID == "" {
		return Gauge{}, c.fail(ingest.ErrUnsupported, root.offset, "is no gauge of the NWPS: it has no lid%s", said(root))
	}
	g.USGSID, g.Name, g.TimeZone = root.member("usgsId").str(), root.member("name").str(), root.member("timeZone").str()
	latitude, _ := root.member("latitude").number()
	longitude, _ := root.member("longitude").number()
	g.Place, _ = placeAt(latitude, longitude)
	service := root.at("inService", "enabled")
	g.InService = service == nil || service.kind == kindBool && service.truth
	if !g.InService {
		g.Notes = append(g.Notes, "out of service: "+root.at("inService", "message").str())
	}

	flood := root.member("flood")
	categories := flood.member("categories")
	read := func(name, unitName string, q Quantity) (Categories, error) {
		out := Categories{}
		stated := flood.member(unitName)
		for _, each := range []struct {
			name string
			to   **float64
		}{{"action", &out.Action}, {"minor", &out.Minor}, {"moderate", &out.Moderate}, {"major", &out.Major}} {
			n := categories.at(each.name, name)
			if n.absent() {
				continue
			}
			v, ok := n.number()
			if !ok {
				return out, c.fail(ingest.ErrCorrupt, n.offset, "category %s: %s is no number", each.name, name)
			}
			if nwpsMissing(v) {
				continue
			}
			u, ok := converter(q, stated.str())
			if !ok {
				return out, c.fail(ingest.ErrCorrupt, stated.place(flood), "%s %q is no unit of %s", unitName, clip(stated.str()), q)
			}
			v = u.si(v)
			*each.to = &v
		}
		last := math.Inf(-1)
		for _, v := range []*float64{out.Action, out.Minor, out.Moderate, out.Major} {
			if v == nil {
				continue
			}
			if *v < last {
				g.Notes = append(g.Notes, "the "+name+" categories do not rise from action to major")
			}
			last = *v
		}
		return out, nil
	}
	if g.Stage, err = read("stage", "stageUnits", RiverStage); err != nil {
		return Gauge{}, err
	}
	if g.Discharge, err = read("flow", "flowUnits", RiverDischarge); err != nil {
		return Gauge{}, err
	}
	if g.Stage == (Categories{}) && g.Discharge == (Categories{}) {
		g.Notes = append(g.Notes, "no flood category is defined")
	}
	if g.Observed, err = nwpsStatus(c, root.at("status", "observed"), root); err != nil {
		return Gauge{}, err
	}
	if g.Forecast, err = nwpsStatus(c, root.at("status", "forecast"), root); err != nil {
		return Gauge{}, err
	}
	for name, s := range map[string]GaugeStatus{"observed": g.Observed} {
		if _, known := s.Category.Rank(); !known {
			g.Notes = append(g.Notes, "the "+name+" flood category is not known: "+string(s.Category))
		}
	}
	return g, nil
}

func nwpsStatus(c cursor, n, within *node) (GaugeStatus, error) {
	s := GaugeStatus{StageM: math.NaN(), DischargeM3PerS: math.NaN()}
	if n.absent() {
		return s, nil
	}
	s.Category = FloodCategory(strings.ToLower(n.member("floodCategory").str()))
	// The service writes 0001-01-01T00:00:00Z, Go's zero time, for none.
	if at := n.member("validTime"); !at.absent() && at.str() != "" {
		t, err := parseRFC3339(at.str())
		if err != nil {
			return s, c.fail(ingest.ErrCorrupt, at.offset, "validTime: %v", err)
		}
		s.Valid = t
	}
	for _, each := range [][2]string{{"primary", "primaryUnit"}, {"secondary", "secondaryUnit"}} {
		v, ok := n.member(each[0]).number()
		if !ok || nwpsMissing(v) {
			continue
		}
		stated := n.member(each[1])
		if u, ok := converter(RiverStage, stated.str()); ok {
			s.StageM = u.si(v)
		} else if u, ok := converter(RiverDischarge, stated.str()); ok {
			s.DischargeM3PerS = u.si(v)
		} else {
			return s, c.fail(ingest.ErrCorrupt, stated.place(n), "%s %q is no unit of stage or discharge", each[1], clip(stated.str()))
		}
	}
	return s, nil
}

// DecodeNWPSStageflow reads observed and forecast stage and flow of one gauge
// (api.water.noaa.gov/nwps/v1/gauges/{id}/stageflow, and its parts /observed
// and /forecast). The reply does not name the gauge: gauge does. Stage is in m
// above gauge zero, discharge in m3 s-1; -999 is missing.
//
// Where the forecast does not name a unit, that of the observations in the same
// reply is taken and noted; where neither does, it is refused.
//
// Errors are *ingest.FormatError.
func DecodeNWPSStageflow(file, gauge string, b []byte) ([]Series, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return nil, err
	}
	root, err := parseJSON(c, b)
	if err != nil {
		return nil, err
	}
	observed, forecast := root.member("observed"), root.member("forecast")
	if root.member("data") != nil { // one part alone
		if strings.HasPrefix(root.member("pedts").str(), "H") && len(root.member("pedts").str()) == 5 && root.member("pedts").str()[3] == 'F' {
			forecast = root
		} else {
			observed = root
		}
	}
	if observed.absent() && forecast.absent() {
		return nil, c.fail(ingest.ErrUnsupported, root.offset, "has neither observed nor forecast%s", said(root))
	}
	var out []Series
	for _, part := range []*node{observed, forecast} {
		if part.absent() {
			continue
		}
		series, err := nwpsPart(c, gauge, part, observed, part == observed)
		if err != nil {
			return nil, err
		}
		out = append(out, series...)
	}
	return out, nil
}

func nwpsPart(c cursor, gauge string, part, other *node, observed bool) ([]Series, error) {
	data := part.member("data").list()
	if len(data) > maxPoints {
		return nil, c.fail(ingest.ErrUnsupported, part.offset, "has more than %d values", maxPoints)
	}
	var issued time.Time
	if at := part.member("issuedTime"); at.str() != "" {
		t, err := parseRFC3339(at.str())
		if err != nil {
			return nil, c.fail(ingest.ErrCorrupt, at.offset, "issuedTime: %v", err)
		}
		issued = t
	}
	var out []Series
	for _, which := range []string{"primary", "secondary"} {
		s := Series{Gauge: gauge, Place: nowhere(), Agency: "NWPS", Observed: observed, Issued: issued}
		s.SourceUnit = part.member(which + "Units").str()
		if s.SourceUnit == "" {
			if s.SourceUnit = other.member(which + "Units").str(); s.SourceUnit != "" {
				s.note("the forecast names no %sUnits; %s of the observations is taken", which, s.SourceUnit)
			}
		}
		any := false
		for _, n := range data {
			if v, ok := n.member(which).number(); ok && !nwpsMissing(v) {
				any = true
			}
		}
		u, ok := converter(RiverStage, s.SourceUnit)
		s.Quantity, s.Datum = RiverStage, "gauge zero"
		if !ok {
			u, ok = converter(RiverDischarge, s.SourceUnit)
			s.Quantity, s.Datum = RiverDischarge, ""
		}
		if !ok {
			if !any {
				continue // a gauge without flow has no unit for it either
			}
			return nil, c.fail(ingest.ErrCorrupt, part.offset, "%sUnits %q is no unit of stage or discharge", which, clip(s.SourceUnit))
		}
		s.Unit = s.Quantity.Unit()
		s.Points = make([]Point, 0, len(data))
		for _, n := range data {
			at := n.member("validTime")
			t, err := parseRFC3339(at.str())
			if err != nil {
				return nil, c.fail(ingest.ErrCorrupt, at.place(n), "validTime: %v", err)
			}
			p := Point{Time: t, Value: math.NaN(), Flags: Missing}
			if v, ok := n.member(which).number(); ok && !nwpsMissing(v) {
				p.Value, p.Flags = u.si(v), 0
			}
			s.Points = append(s.Points, p)
		}
		s.sorted()
		out = append(out, s)
	}
	return out, nil
}
