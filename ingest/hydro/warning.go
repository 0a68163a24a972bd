package hydro

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

// The words of CAP 1.2, section 3.2.1, that Standing asks for.
const (
	StatusActual = "Actual"
	MsgAlert     = "Alert"
	MsgUpdate    = "Update"
	MsgCancel    = "Cancel"
	MsgAck       = "Ack"
	MsgError     = "Error"
)

// Warning is one message of a warning service, the same type whether it came as
// CAP XML or as GeoJSON of api.weather.gov. Words are those of CAP 1.2.
type Warning struct {
	Identifier string
	Sender     string
	Sent       time.Time // zero unknown
	Status     string    // Actual, Exercise, System, Test, Draft
	MsgType    string    // Alert, Update, Cancel, Ack, Error
	Scope      string    // Public, Restricted, Private; "" where the source has none
	Source     string
	Note       string
	Codes      []string
	Incidents  string
	References []Reference
	Infos      []Info // at least one but for Cancel, Ack and Error
	// Doubts say what could not be read or contradicts itself. A warning with
	// doubts is never left out; whoever judges it must assume the worse.
	Doubts []string
}

// Reference names an earlier message. Sent is zero where it cannot be read.
type Reference struct {
	Sender, Identifier string
	Sent               time.Time
}

// Info is one event in one language. A message may have several: languages of
// the same event, or parts of it with their own time, severity and area.
type Info struct {
	Language      string // "en-US" where none is given (CAP 1.2, section 3.2.2)
	Categories    []string
	Event         string
	ResponseTypes []string
	Urgency       string // Immediate, Expected, Future, Past, Unknown
	Severity      string // Extreme, Severe, Moderate, Minor, Unknown
	Certainty     string // Observed, Likely, Possible, Unlikely, Unknown
	Audience      string
	EventCodes    map[string][]string // "SAME": WSW, "NationalWeatherService": ...

	Effective, Onset, Expires time.Time // zero unknown
	// Ends is when the event ends: "ends" of api.weather.gov, the parameter
	// eventEndingTime of the NWS, or the end in the VTEC. Zero unknown.
	Ends time.Time
	// UntilFurtherNotice: the VTEC says that no end is known.
	UntilFurtherNotice bool

	SenderName, Headline, Description, Instruction string
	Web, Contact                                   string
	Parameters                                     map[string][]string
	VTEC                                           []VTEC
	HVTEC                                          []HVTEC
	Areas                                          []Area
}

// Area is where an Info holds: the union of its polygons and circles, and the
// zones of its codes.
type Area struct {
	Description string
	Polygons    *geom.MultiPolygon // degrees, X longitude; nil where there is none
	Circles     []Circle
	Geocodes    map[string][]string // "UGC": WAZ568; "SAME": 053033
	AltitudeM   float64             // above mean sea level, NaN unknown
	CeilingM    float64             // NaN unknown
	// OutlineUnread: a polygon or circle was there but cannot be read. The area
	// must then be taken to be anywhere.
	OutlineUnread bool
}

// Circle is a disc of an Area.
type Circle struct {
	Centre  grid.LatLon
	RadiusM float64
}

// doubt adds one.
func (w *Warning) doubt(format string, args ...any) {
	switch {
	case len(w.Doubts) < maxNotes:
		w.Doubts = append(w.Doubts, fmt.Sprintf(format, args...))
	case len(w.Doubts) == maxNotes:
		w.Doubts = append(w.Doubts, "further doubts left out")
	}
}

// Begins is when the event begins: onset, else the begin in the VTEC, else
// effective, else sent (CAP 1.2, section 3.2.2: effective defaults to sent, and
// an onset that is not given is taken as the effective time).
func (w Warning) Begins(i Info) time.Time {
	switch {
	case !i.Onset.IsZero():
		return i.Onset
	case len(i.VTEC) > 0 && !i.VTEC[0].Begins.IsZero():
		return i.VTEC[0].Begins
	case !i.Effective.IsZero():
		return i.Effective
	}
	return w.Sent
}

// EndsAt is when the event ends, and whether that is known.
//
// Ends it is, where given: NWS Instruction 10-1703, section 1.7, lets the
// product expire hours before the event does, since a new product is to follow,
// and sometimes after it. Only a message that knows no end of the event ends
// with Expires (CAP 1.2, section 3.2.2). "Until further notice" has no end even
// where the product has expired.
func (i Info) EndsAt() (time.Time, bool) {
	switch {
	case !i.Ends.IsZero():
		return i.Ends, true
	case i.UntilFurtherNotice:
		return time.Time{}, false
	case !i.Expires.IsZero():
		return i.Expires, true
	}
	return time.Time{}, false
}

// UGC lists the zone and county codes of the area (Universal Geographic Code,
// NWS Instruction 10-1702).
func (a Area) UGC() []string { return a.Geocodes["UGC"] }

// SAME lists the county codes, which CAP 1.1 of the NWS called FIPS6.
func (a Area) SAME() []string {
	if same := a.Geocodes["SAME"]; len(same) > 0 {
		return same
	}
	return a.Geocodes["FIPS6"]
}

// Unbounded says that no outline and no code tells where the area is, or that
// its outline could not be read.
func (a Area) Unbounded() bool {
	codes := 0
	for _, c := range a.Geocodes {
		codes += len(c)
	}
	return a.OutlineUnread || codes == 0 && a.Polygons == nil && len(a.Circles) == 0
}

// In gives the infos of a language by its first part ("en"); all of them where
// none is in it.
func (w Warning) In(language string) []Info {
	var out []Info
	want, _, _ := strings.Cut(strings.ToLower(language), "-")
	for _, i := range w.Infos {
		if have, _, _ := strings.Cut(strings.ToLower(i.Language), "-"); have == want {
			out = append(out, i)
		}
	}
	if len(out) == 0 {
		return w.Infos
	}
	return out
}

// zones are all UGC of a message, sorted, without repeats.
func (w Warning) zones() []string {
	var all []string
	for _, i := range w.Infos {
		for _, a := range i.Areas {
			all = append(all, a.UGC()...)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// complete works out what both encodings share: VTEC, end, and checks.
func (w *Warning) complete(i *Info) {
	for _, text := range i.Parameters["VTEC"] {
		events, hydrologic, err := ParseVTEC(text)
		if err != nil {
			w.doubt("VTEC: %v", err)
		}
		i.VTEC, i.HVTEC = append(i.VTEC, events...), append(i.HVTEC, hydrologic...)
	}
	for _, v := range i.VTEC {
		if v.Action != "ROU" && v.Action != "CAN" && v.Action != "UPG" && v.Ends.IsZero() {
			i.UntilFurtherNotice = true
		}
	}
	var ends []time.Time
	if !i.Ends.IsZero() {
		ends = append(ends, i.Ends)
	}
	for _, text := range i.Parameters["eventEndingTime"] {
		t, err := parseRFC3339(text)
		if err != nil {
			w.doubt("eventEndingTime: %v", err)
			continue
		}
		ends = append(ends, t)
	}
	if !i.UntilFurtherNotice {
		for _, v := range i.VTEC {
			if v.Action != "ROU" && v.Action != "CAN" && v.Action != "UPG" || len(i.VTEC) == 1 {
				ends = append(ends, v.Ends)
			}
		}
	}
	for _, t := range ends {
		if t.IsZero() {
			continue
		}
		if !i.Ends.IsZero() && !t.Equal(i.Ends) {
			w.doubt("the end of the event stands as %s and as %s; the later is taken", i.Ends.Format(time.RFC3339), t.Format(time.RFC3339))
		}
		if t.After(i.Ends) {
			i.Ends = t
		}
	}
	if i.UntilFurtherNotice && !i.Ends.IsZero() {
		w.doubt("the VTEC says until further notice, the message %s", i.Ends.Format(time.RFC3339))
		i.Ends = time.Time{}
	}
	for _, each := range []struct {
		name, value string
		words       []string
	}{
		{"urgency", i.Urgency, []string{"Immediate", "Expected", "Future", "Past", "Unknown"}},
		{"severity", i.Severity, []string{"Extreme", "Severe", "Moderate", "Minor", "Unknown"}},
		{"certainty", i.Certainty, []string{"Observed", "Likely", "Possible", "Unlikely", "Unknown", "Very Likely"}},
	} {
		if !slices.Contains(each.words, each.value) {
			w.doubt("%s %q is none of CAP 1.2", each.name, clip(each.value))
		}
	}
	if i.Event == "" {
		w.doubt("no event is named")
	}
	if i.Language == "" {
		i.Language = "en-US"
	}
	if len(i.Areas) == 0 {
		w.doubt("no area is given")
	}
}

// completeHead checks what stands above the infos.
func (w *Warning) completeHead() {
	for _, each := range []struct {
		name, value string
		words       []string
	}{
		{"status", w.Status, []string{"Actual", "Exercise", "System", "Test", "Draft"}},
		{"msgType", w.MsgType, []string{"Alert", "Update", "Cancel", "Ack", "Error"}},
		{"scope", w.Scope, []string{"", "Public", "Restricted", "Private"}},
	} {
		if !slices.Contains(each.words, each.value) {
			w.doubt("%s %q is none of CAP 1.2", each.name, clip(each.value))
		}
	}
	if w.Identifier == "" {
		w.doubt("no identifier is given")
	}
	if w.Sender == "" {
		w.doubt("no sender is given")
	}
	if w.Sent.IsZero() && len(w.Doubts) == 0 {
		w.doubt("no time of sending is given")
	}
	if len(w.Infos) == 0 && (w.MsgType == MsgAlert || w.MsgType == MsgUpdate) {
		w.doubt("a message of type %s has no info", w.MsgType)
	}
}
