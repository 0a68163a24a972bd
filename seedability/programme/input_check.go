package programme

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"net/url"
	"reflect"
	"slices"
	"strings"
)

// inputKeys are the keys of inputs that serve suspension criteria, by kind, beside
// those of every such kind. What assessments are made from has those that are
// nowhere in it.
var inputKeys = map[string][]string{
	"gauge":     {"format", "gauges", "time_zone", "table", "json", "suspect", "normals"},
	"warnings":  {"zones", "areas", "feed"},
	"avalanche": {"stations", "zones", "time_zone", "danger"},
	"telemetry": {"telemetry"},
}

var commonInputKeys = []string{"id", "kind", "paths", "source", "base_url", "url", "poll_minutes"}

// checkInputKeys refuses keys that are not of the input's kind.
func (d *decoder) checkInputKeys(input *Input, path string) bool {
	before := len(d.problems)
	for _, f := range fieldsOf(reflect.TypeFor[Input]()) {
		at := path + "." + f.key
		if d.places[at] == nil {
			continue
		}
		of := inputKeys[input.Kind]
		allowed := of != nil && (slices.Contains(commonInputKeys, f.key) || slices.Contains(of, f.key))
		if of == nil {
			allowed = f.key != "url" && f.key != "poll_minutes"
			for _, keys := range inputKeys {
				allowed = allowed && (f.key == "stations" || !slices.Contains(keys, f.key))
			}
		}
		if !allowed {
			d.problemAt(at, "does not belong to an input of the kind %s", input.Kind)
		}
	}
	return len(d.problems) == before
}

func sourceNames(sources []KnownSource) []string {
	var names []string
	for _, source := range sources {
		names = append(names, source.Name)
	}
	return names
}

// checkSafetyInputs checks the inputs of suspension criteria and finds out the
// format of each.
func (d *decoder) checkSafetyInputs(p *Programme, sources []KnownSource, open func(string) ([]byte, error)) {
	feeds := map[string]int{}
	for i := range p.Inputs {
		input, path := &p.Inputs[i], fmt.Sprintf("inputs[%d]", i)
		if !input.IsSafety() {
			continue
		}
		d.checkOrigin(input, path, sources)
		d.checkSections(input, path)
		d.checkGauges(p, input, path, open)
		if input.Kind == "warnings" {
			setText(&input.Feed, input.ID)
			if first, twice := feeds[input.Feed]; twice {
				d.problemAt(path+".feed", "%q is the feed of inputs[%d] already; a list must come from one place, or nobody knows whether it is complete", input.Feed, first)
			}
			feeds[input.Feed] = i
		}
	}
}

// checkOrigin looks at where an input comes from, and sets its format.
func (d *decoder) checkOrigin(input *Input, path string, sources []KnownSource) {
	at := func(key string) string { return path + "." + key }
	refuse := func(key string, given bool, why string) {
		if given {
			d.problemAt(at(key), "%s", why)
		}
	}
	switch {
	case input.Source == SourceBus:
		if input.Kind != "telemetry" {
			d.problemAt(at("source"), "the bus gives telemetry only")
		}
		refuse("url", input.URL != "", "does not belong to what comes over the bus")
		refuse("base_url", input.BaseURL != "", "does not belong to what comes over the bus")
		refuse("poll_minutes", !math.IsNaN(input.PollMinutes), "does not belong to what comes over the bus")
		input.Format = FormatTelemetry
		return
	case input.Source == "":
		refuse("url", input.URL != "", "needs a source that says what it holds, such as gauge-json; files have no address")
		if input.Kind == "gauge" && input.Format == "" {
			d.problemAt(path, "files of readings need the key format")
		}
		if input.Kind == "warnings" && (len(input.Paths) > 1 || strings.ContainsAny(input.Paths[0], `*?[\`)) {
			d.problemAt(at("paths"), "a list of warnings is one file without a pattern: of several nobody knows whether all are there; give an input to each")
		}
		for _, key := range []string{"zones", "areas"} {
			refuse(key, input.Kind == "warnings" && d.places[at(key)] != nil, "belongs to a source that is asked for it")
		}
		refuse("stations", input.Stations != nil, "belongs to a source that is asked for it")
		if input.Format == FormatStageflow && (len(input.Gauges) != 1 || len(input.Paths) != 1 || strings.ContainsAny(input.Paths[0], `*?[\`)) {
			d.problemAt(path, "the file does not name its gauge: give one file and one gauge")
		}
	default:
		refuse("format", input.Format != "", "belongs to files; the source says what it gives")
		index := slices.Index(sourceNames(sources), input.Source)
		if index < 0 {
			break
		}
		input.Format = sources[index].Format
		if sources[index].NeedsURL != (input.URL != "") {
			if input.URL == "" {
				d.problemAt(path, "source %s needs the key url: it has no address of its own", input.Source)
			} else {
				d.problemAt(at("url"), "source %s has an address of its own; a mirror is named by base_url", input.Source)
			}
		}
	}
	if input.Format == "" {
		input.Format = map[string]string{"warnings": FormatAlerts, "avalanche": FormatDanger, "telemetry": FormatTelemetry}[input.Kind]
	}
}

// checkSections asks for the mappings that a format needs and refuses others.
func (d *decoder) checkSections(input *Input, path string) {
	for _, section := range []struct {
		key    string
		given  bool
		needs  []string // formats
		allows []string
	}{
		{"table", input.Table != nil, []string{FormatTable}, nil},
		{"json", input.JSON != nil, []string{FormatJSON}, []string{FormatSnotel}},
		{"danger", input.Danger != nil, []string{FormatDanger}, []string{FormatMapLayer}},
		{"telemetry", input.Telemetry != nil, []string{FormatTelemetry}, nil},
		{"time_zone", input.TimeZone != "", nil, []string{FormatSnotel, FormatMapLayer}},
	} {
		needed := slices.Contains(section.needs, input.Format)
		switch {
		case input.Format == "":
		case needed && !section.given:
			d.problemAt(path, "needs the section %s, which says where things stand in its answers", section.key)
		case section.given && !needed && !slices.Contains(section.allows, input.Format):
			d.problemAt(path+"."+section.key, "does not belong to an input of the format %s", input.Format)
		}
	}
	if input.Format == FormatSnotel && input.TimeZone == "" && input.JSON == nil || input.Format == FormatMapLayer && input.TimeZone == "" && input.Danger == nil {
		d.problemAt(path, "needs the key time_zone: its times do not say theirs")
	}
	if t := input.Table; t != nil {
		if (t.Gauge != "") == (t.GaugeColumn != "") {
			d.problemAt(path+".table", "needs gauge or gauge_column, one of the two")
		}
		for k, column := range t.Values {
			at := fmt.Sprintf("%s.table.values[%d]", path, k)
			if column.Unit == "" && column.UnitColumn == "" {
				d.problemAt(at, "needs unit or unit_column: a value without a unit cannot be judged")
			}
			if (column.WhereColumn != "") != (column.WhereIs != "") {
				d.problemAt(at, "needs both where_column and where_is, or neither")
			}
		}
	}
	for k, m := range input.JSON {
		if (m.Where != "") != (m.WhereIs != "") {
			d.problemAt(fmt.Sprintf("%s.json[%d]", path, k), "needs both where and where_is, or neither")
		}
	}
	if m := input.Danger; m != nil && m.Level == "" && m.Bands == nil {
		d.problemAt(path+".danger", "needs level, or bands")
	}
	if m := input.Danger; m != nil && m.Layout == "" && (m.From != "" || m.To != "") {
		d.problemAt(path+".danger", "from and to need the key layout")
	}
}

// checkGauges looks at what a programme says of its gauges.
func (d *decoder) checkGauges(p *Programme, input *Input, path string, open func(string) ([]byte, error)) {
	if input.Kind != "gauge" {
		return
	}
	if input.Table != nil && input.Table.Gauge != "" {
		if input.Gauges == nil {
			input.Gauges = []string{input.Table.Gauge}
		} else if !slices.Contains(input.Gauges, input.Table.Gauge) {
			d.problemAt(path+".table.gauge", "%q is not one of gauges", input.Table.Gauge)
		}
	}
	if len(input.Gauges) == 0 {
		d.problemAt(path, "needs the key gauges: the identifiers that it gives")
	}
	for k, gauge := range input.Gauges {
		if slices.Contains(input.Gauges[:k], gauge) {
			d.problemAt(fmt.Sprintf("%s.gauges[%d]", path, k), "%q is listed twice", gauge)
		}
	}
	isGauge := func(at, gauge string) {
		if !slices.Contains(input.Gauges, gauge) {
			d.problemAt(at+".gauge", "%q is none of the gauges of this input%s", gauge, suggestion(gauge, input.Gauges))
		}
	}
	for k, limits := range input.Suspect {
		at := fmt.Sprintf("%s.suspect[%d]", path, k)
		isGauge(at, limits.Gauge)
		if slices.ContainsFunc(input.Suspect[:k], func(l GaugeLimits) bool { return l.Gauge == limits.Gauge && l.Quantity == limits.Quantity }) {
			d.problemAt(at, "%s of %s has its limits already", limits.Quantity, limits.Gauge)
		}
		like, known := InputQuantities[limits.Quantity]
		if !known {
			var words []string
			for word := range InputQuantities {
				words = append(words, word)
			}
			slices.Sort(words)
			d.problemAt(at+".quantity", "%q is no quantity%s", limits.Quantity, suggestion(limits.Quantity, words))
		} else if _, ok := Convert(1, limits.Unit, like); !ok {
			d.problemAt(at+".unit", "%q is no unit of %s", limits.Unit, limits.Quantity)
		}
		if limits.Min >= limits.Max {
			d.problemAt(at+".min", "%g does not lie below max %g", limits.Min, limits.Max)
		}
		if math.IsNaN(limits.Min) && math.IsNaN(limits.Max) && math.IsNaN(limits.MaxRisePerHour) && math.IsNaN(limits.MaxFallPerHour) && math.IsNaN(limits.FlatHours) {
			d.problemAt(at, "sets no limit")
		}
	}
	for k := range input.Normals {
		normal, at := &input.Normals[k], fmt.Sprintf("%s.normals[%d]", path, k)
		isGauge(at, normal.Gauge)
		if slices.ContainsFunc(input.Normals[:k], func(n NormalCurve) bool { return n.Gauge == normal.Gauge }) {
			d.problemAt(at, "%s has its normal already", normal.Gauge)
		}
		if _, ok := Convert(1, normal.Unit, "mm"); !ok {
			d.problemAt(at+".unit", "%q is no unit of a depth of water", normal.Unit)
		}
		if open == nil {
			d.problemAt(at+".file", "files cannot be opened here")
			continue
		}
		b, err := open(normal.File)
		if err != nil {
			d.problemAt(at+".file", "%v", err)
			continue
		}
		digest := sha256.Sum256(b)
		p.GeometrySHA256[normal.File] = hex.EncodeToString(digest[:])
		normal.Text = b
	}
}

// placesBelow gives line and column of every value below a key.
func (d *decoder) placesBelow(key string) map[string][2]int {
	below := map[string][2]int{}
	for path, at := range d.places {
		if at != nil && at.Position != nil && (path == key || strings.HasPrefix(path, key+"[") || strings.HasPrefix(path, key+".")) {
			below[path] = [2]int{at.Position.Line, at.Position.Column}
		}
	}
	return below
}

// InputProblem makes a Problem at the place where a value of the section inputs
// stands, such as "inputs[0].table.layout", or the nearest enclosing one: for
// whoever can look at a mapping more closely than this package.
func (p *Programme) InputProblem(path, format string, arguments ...any) Problem {
	problem := Problem{File: p.File, Path: path, Message: fmt.Sprintf(format, arguments...)}
	for where := path; where != ""; where = where[:max(strings.LastIndexAny(where, ".["), 0)] {
		if at, ok := p.inputPlaces[where]; ok {
			problem.Line, problem.Column = at[0], at[1]
			break
		}
	}
	return problem
}

// Host is the server that an input with a URL is asked at, empty without one. The
// rest of an address may hold a key.
func (i *Input) Host() string {
	start := strings.Index(i.URL, "://")
	if start < 0 {
		return ""
	}
	host := i.URL[start+len("://"):]
	if end := strings.IndexAny(host, "/?#{"); end >= 0 {
		host = host[:end]
	}
	return host[strings.LastIndexByte(host, '@')+1:]
}

// keyNames of a query hold secrets with many services; common practice, no source.
var keyNames = []string{"key", "apikey", "api_key", "token", "access_token", "password", "passwd", "secret", "sig", "signature", "auth"}

// holdsKey tells whether a URL seems to hold a secret.
func (i *Input) holdsKey() bool {
	_, query, _ := strings.Cut(i.URL, "?")
	values, _ := url.ParseQuery(query)
	for name := range values {
		if slices.Contains(keyNames, strings.ToLower(name)) {
			return true
		}
	}
	return false
}
