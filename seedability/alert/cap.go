package alert

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// CAPNamespace is that of the Common Alerting Protocol, version 1.2 (OASIS
// Standard, 1 July 2010).
const CAPNamespace = "urn:oasis:names:tc:emergency:cap:1.2"

// capAlert and the types below are the elements in the order of the schema. Only
// those that are used stand here.
type capAlert struct {
	XMLName     xml.Name `xml:"urn:oasis:names:tc:emergency:cap:1.2 alert"`
	Identifier  string   `xml:"identifier"`
	Sender      string   `xml:"sender"`
	Sent        string   `xml:"sent"`
	Status      string   `xml:"status"`
	MsgType     string   `xml:"msgType"`
	Source      string   `xml:"source,omitempty"`
	Scope       string   `xml:"scope"`
	Restriction string   `xml:"restriction"`
	Note        string   `xml:"note,omitempty"`
	References  string   `xml:"references,omitempty"`
	Incidents   string   `xml:"incidents,omitempty"`
	Info        capInfo  `xml:"info"`
}

type capInfo struct {
	Language     string     `xml:"language"`
	Category     []string   `xml:"category"`
	Event        string     `xml:"event"`
	ResponseType string     `xml:"responseType"`
	Urgency      string     `xml:"urgency"`
	Severity     string     `xml:"severity"`
	Certainty    string     `xml:"certainty"`
	Audience     string     `xml:"audience"`
	EventCode    []capValue `xml:"eventCode"`
	Effective    string     `xml:"effective"`
	Onset        string     `xml:"onset,omitempty"`
	Expires      string     `xml:"expires"`
	SenderName   string     `xml:"senderName"`
	Headline     string     `xml:"headline"`
	Description  string     `xml:"description"`
	Instruction  string     `xml:"instruction"`
	Web          string     `xml:"web,omitempty"`
	Contact      string     `xml:"contact,omitempty"`
	Parameter    []capValue `xml:"parameter"`
	Area         []capArea  `xml:"area"`
}

type capValue struct {
	Name  string `xml:"valueName"`
	Value string `xml:"value"`
}

type capArea struct {
	Desc    string   `xml:"areaDesc"`
	Polygon []string `xml:"polygon"`
	Circle  []string `xml:"circle"`
}

// Bounds of a message, so that it stays small whatever the programme.
const (
	maxCAPAreas  = 100
	maxCAPPoints = 500
)

// siteCircleKM is the radius of the circle that stands for a site; common
// practice, no source.
const siteCircleKM = 1

// CAP writes an alert as a message of the Common Alerting Protocol 1.2. It is of
// restricted scope: an alert is for the staff of a programme, and no public
// warning. A rehearsal has the status Exercise. What ends an earlier alert cancels
// it, what replaces one updates it. sender is the identifier of the sender; empty
// for rimeline-<programme>.
func CAP(a Alert, p Programme, sender string) ([]byte, error) {
	if sender == "" {
		sender = "rimeline-" + a.Programme
	}
	m := Text(a, p.Zone)
	references := capReferences(a, sender)
	a = a.cleaned()
	for _, id := range []struct{ name, value string }{{"identifier", a.ID}, {"sender", sender}} {
		if !senderForm.MatchString(id.value) || id.value != clean(id.value, 300) { // CAP 1.2, 3.2.1
			return nil, fmt.Errorf("CAP: %s %.60q must not be empty, nor hold spaces, commas, < or &", id.name, id.value)
		}
	}
	if !yearsOfFour(a.Raised, a.Expires) {
		return nil, fmt.Errorf("CAP: alert %s has no time, or one beyond the year 9999", a.ID)
	}
	c := capAlert{Identifier: a.ID, Sender: sender, Sent: capTime(a.Raised), Status: "Actual", MsgType: capType(&a, references),
		Source: clean("rimeline "+p.ProgramVersion, maxName), Scope: "Restricted", Restriction: "Staff of the seeding programme " + a.Programme,
		References: references, Incidents: capIncident(a.Thread)}
	if a.Exercise {
		c.Status, c.Note = "Exercise", "Exercise "+a.Thread+": nothing of it is real."
	}
	c.Info = capInfo{Language: "en-US", Category: []string{"Met"}, Event: capEvent(&a), ResponseType: capResponse(&a), Urgency: capUrgency(&a),
		Severity: capSeverity(a.Severity), Certainty: capCertainty(&a), Audience: "Staff of the seeding programme " + a.Programme,
		EventCode: []capValue{{"rimeline.kind", string(a.Kind)}}, Effective: capTime(a.Raised), Expires: capTime(a.Expires),
		SenderName: a.ProgrammeName, Headline: m.Short, Description: m.Body, Instruction: a.Caution, Contact: a.Contact}
	if c.Info.SenderName == "" {
		c.Info.SenderName = a.Programme
	}
	if a.Exercise {
		c.Info.Headline = cut(m.Short, maxShort)
		c.Info.Instruction = "EXERCISE. " + a.Caution
	}
	if a.Kind == ServiceFault || a.Kind == ProgrammeBlind || a.Kind == InputsStale {
		c.Info.Category = []string{"Other"}
	}
	if onset := a.Start; yearsOfFour(onset) {
		c.Info.Onset = capTime(onset)
	}
	if len(a.Evidence) > 0 {
		c.Info.Web = a.Evidence[0].URL
	}
	parameter := func(name, value string) {
		if value != "" {
			c.Info.Parameter = append(c.Info.Parameter, capValue{"rimeline." + name, value})
		}
	}
	parameter("programme", a.Programme)
	parameter("thread", a.Thread)
	parameter("change", clean(string(a.Change), 40))
	parameter("level", a.Level)
	if a.Confidence != nil && finite(*a.Confidence) {
		parameter("confidence", strconv.FormatFloat(*a.Confidence, 'f', 2, 64))
	}
	if a.Score != nil && finite(*a.Score) {
		parameter("score", strconv.FormatFloat(*a.Score, 'f', 0, 64))
	}
	c.Info.Area = capAreas(&a, p)
	var b bytes.Buffer
	b.WriteString(xml.Header)
	if err := xml.NewEncoder(&b).Encode(c); err != nil {
		return nil, fmt.Errorf("CAP: %w", err)
	}
	return append(b.Bytes(), '\n'), nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// yearsOfFour: the times can be written with a year of four digits.
func yearsOfFour(times ...time.Time) bool {
	for _, at := range times {
		if y := at.UTC().Year(); at.IsZero() || y < 1000 || y > 9998 {
			return false
		}
	}
	return true
}

// capTime writes a time as CAP wants it (3.3.2): whole seconds, and -00:00 for UTC,
// never Z.
func capTime(at time.Time) string { return at.UTC().Format("2006-01-02T15:04:05") + "-00:00" }

// capReferences are sender,identifier,sent of earlier messages, with spaces between.
func capReferences(a Alert, sender string) string {
	var references []string
	for _, earlier := range a.Supersedes {
		if len(references) < maxList && senderForm.MatchString(earlier.ID) && clean(earlier.ID, 300) == earlier.ID && yearsOfFour(earlier.Raised) {
			references = append(references, sender+","+earlier.ID+","+capTime(earlier.Raised))
		}
	}
	return strings.Join(references, " ")
}

// capType: an Update or a Cancel must name what it updates or cancels.
func capType(a *Alert, references string) string {
	switch {
	case references == "":
		return "Alert"
	case a.Change == ChangeOver:
		return "Cancel"
	}
	return "Update"
}

// capIncident quotes a name that holds spaces (3.2.1, incidents).
func capIncident(thread string) string {
	if strings.ContainsRune(thread, ' ') {
		return `"` + strings.ReplaceAll(thread, `"`, "'") + `"`
	}
	return thread
}

// capEvents are the kinds in words.
var capEvents = map[Kind]string{
	WindowAhead: "Seeding window ahead", WindowOpen: "Seeding window open", WindowClosing: "Seeding window closing",
	HoldRaised: "Seeding hold raised", HoldLifted: "Seeding hold lifted", InputsStale: "Seeding inputs stale",
	ProgrammeBlind: "Seeding programme blind", ServiceFault: "Seeding service fault",
}

func capEvent(a *Alert) string {
	event, known := capEvents[a.Kind]
	if !known {
		event = "Seeding alert"
	}
	if a.Change == ChangeOver && a.Kind != HoldLifted {
		event += ", over"
	}
	return event
}

func capResponse(a *Alert) string {
	switch {
	case a.Kind == HoldLifted, a.Change == ChangeOver && (a.Kind == InputsStale || a.Kind == ProgrammeBlind || a.Kind == ServiceFault):
		return "AllClear"
	case a.Kind == HoldRaised:
		return "Avoid"
	case a.Kind == WindowAhead && a.Change != ChangeOver:
		return "Prepare"
	case a.Kind == WindowOpen: // never Execute: a person decides
		return "Assess"
	}
	return "Monitor"
}

// capUrgency: Immediate, Expected within an hour, Future beyond (3.2.2).
func capUrgency(a *Alert) string {
	switch {
	case a.Change == ChangeOver || a.Kind == HoldLifted:
		return "Past"
	case a.Kind == WindowAhead && a.Start.Sub(a.Raised) > time.Hour:
		return "Future"
	case a.Kind == WindowAhead || a.Kind == WindowClosing:
		return "Expected"
	}
	return "Immediate"
}

func capSeverity(s Severity) string {
	switch s {
	case Severe:
		return "Severe"
	case Moderate:
		return "Moderate"
	case Minor:
		return "Minor"
	}
	return "Unknown"
}

// capCertainty: a window is at most likely, since nobody has seen the ice.
func capCertainty(a *Alert) string {
	switch {
	case a.Kind == HoldRaised && (a.Level == levelNames[levelUnknown] || a.Level == levelNames[levelReview]):
		return "Unknown"
	case (a.Kind == WindowAhead || a.Kind == WindowOpen) && a.Confidence != nil && *a.Confidence >= .5:
		return "Likely"
	case a.Kind == WindowAhead || a.Kind == WindowOpen:
		return "Possible"
	}
	return "Observed"
}

// capAreas are a circle for each site, and the outlines of the targets.
func capAreas(a *Alert, p Programme) []capArea {
	var areas []capArea
	for _, site := range a.Sites {
		if len(areas) >= maxCAPAreas {
			break
		}
		area := capArea{Desc: "Site " + site.Name}
		if onEarth(site.LatitudeDeg, site.LongitudeDeg) {
			area.Circle = []string{capPlace(site.LatitudeDeg, site.LongitudeDeg) + " " + strconv.Itoa(siteCircleKM)}
		}
		areas = append(areas, area)
	}
	for _, target := range p.Targets {
		area := capArea{Desc: "Target " + clean(target.Name, maxName)}
		for _, outline := range target.Outlines {
			if polygon := capPolygon(outline); polygon != "" && len(area.Polygon) < maxCAPAreas {
				area.Polygon = append(area.Polygon, polygon)
			}
		}
		if len(areas) < 2*maxCAPAreas {
			areas = append(areas, area)
		}
	}
	if len(areas) == 0 {
		areas = []capArea{{Desc: "Seeding programme " + a.Programme}}
	}
	return areas
}

func onEarth(latitudeDeg, longitudeDeg float64) bool {
	return math.Abs(latitudeDeg) <= 90 && math.Abs(longitudeDeg) <= 180
}

// capPlace is latitude,longitude (3.3.3: WGS 84, latitude first).
func capPlace(latitudeDeg, longitudeDeg float64) string {
	number := func(x float64) string {
		text := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(x, 'f', 5, 64), "0"), ".")
		if text == "-0" {
			return "0"
		}
		return text
	}
	return number(latitudeDeg) + "," + number(longitudeDeg)
}

// capPolygon is at least four places, the last the first again; empty where the
// outline is none, or has more points than a message should carry.
func capPolygon(outline [][2]float64) string {
	if len(outline) > 0 && outline[0] != outline[len(outline)-1] {
		outline = append(append([][2]float64{}, outline...), outline[0])
	}
	if len(outline) < 4 || len(outline) > maxCAPPoints {
		return ""
	}
	places := make([]string, len(outline))
	for k, point := range outline {
		if !onEarth(point[1], point[0]) {
			return ""
		}
		places[k] = capPlace(point[1], point[0])
	}
	return strings.Join(places, " ")
}
