package rehearsal

import (
	"encoding/json"
	"slices"
	"strings"
	"time"
)

// The JSON of api.weather.gov as its answers of December 2025 have it: GeoJSON, one
// feature a message, with the same members in the same order.
type alertList struct {
	Context  [2]any         `json:"@context"`
	Type     string         `json:"type"`
	Features []alertFeature `json:"features"`
	Title    string         `json:"title"`
	Updated  string         `json:"updated"`
}

type alertFeature struct {
	ID         string          `json:"id"`
	Type       string          `json:"type"`
	Geometry   *alertGeometry  `json:"geometry"`
	Properties alertProperties `json:"properties"`
}

type alertGeometry struct {
	Type        string         `json:"type"`
	Coordinates [][][2]float64 `json:"coordinates"`
}

type alertProperties struct {
	AtID          string           `json:"@id"`
	AtType        string           `json:"@type"`
	ID            string           `json:"id"`
	AreaDesc      string           `json:"areaDesc"`
	Geocode       alertGeocode     `json:"geocode"`
	AffectedZones []string         `json:"affectedZones"`
	References    []alertReference `json:"references"`
	Sent          string           `json:"sent"`
	Effective     string           `json:"effective"`
	Onset         string           `json:"onset"`
	Expires       string           `json:"expires"`
	Ends          string           `json:"ends"`
	Status        string           `json:"status"`
	MessageType   string           `json:"messageType"`
	Category      string           `json:"category"`
	Severity      string           `json:"severity"`
	Certainty     string           `json:"certainty"`
	Urgency       string           `json:"urgency"`
	Event         string           `json:"event"`
	Sender        string           `json:"sender"`
	SenderName    string           `json:"senderName"`
	Headline      string           `json:"headline"`
	Description   string           `json:"description"`
	Instruction   *string          `json:"instruction"`
	Response      string           `json:"response"`
	Parameters    lists            `json:"parameters"`
	Scope         string           `json:"scope"`
	Code          string           `json:"code"`
	Language      string           `json:"language"`
	Web           string           `json:"web"`
	EventCode     alertEventCode   `json:"eventCode"`
}

type alertGeocode struct {
	SAME []string `json:"SAME"`
	UGC  []string `json:"UGC"`
}

type alertEventCode struct {
	SAME                   []string `json:"SAME"`
	NationalWeatherService []string `json:"NationalWeatherService"`
}

type alertReference struct {
	AtID       string `json:"@id"`
	Identifier string `json:"identifier"`
	Sender     string `json:"sender"`
	Sent       string `json:"sent"`
}

// lists is an object of lists of texts that keeps its order.
type lists []struct {
	name   string
	values []string
}

func (l *lists) add(name string, values ...string) {
	*l = append(*l, struct {
		name   string
		values []string
	}{name, values})
}

// MarshalJSON writes the members in their order.
func (l lists) MarshalJSON() ([]byte, error) {
	b := []byte{'{'}
	for k, member := range l {
		if k > 0 {
			b = append(b, ',')
		}
		name, err := json.Marshal(member.name)
		if err != nil {
			return nil, err
		}
		values, err := json.Marshal(member.values)
		if err != nil {
			return nil, err
		}
		b = append(append(append(b, name...), ':'), values...)
	}
	return append(b, '}'), nil
}

const (
	alertsAt = "https://api.weather.gov/alerts/"
	zonesAt  = "https://api.weather.gov/zones/"
)

func mountain(at time.Time) string { return at.In(localTime).Format("2006-01-02T15:04:05-07:00") }

// alerts is the answer of alerts/active, a list that last changed at a time: of some states or zones, of a status, of
// kinds of messages; empty: all.
func (s *Scenario) alerts(now, changed time.Time, states, zones, statuses, kinds []string) ([]byte, error) {
	list := alertList{Type: "FeatureCollection", Features: []alertFeature{}, Title: "Current watches, warnings, and advisories"}
	list.Context = [2]any{"https://geojson.org/geojson-ld/geojson-context.jsonld", json.RawMessage(`{"@version":"1.1","wx":"https://api.weather.gov/ontology#","@vocab":"https://api.weather.gov/ontology#"}`)}
	if named := slices.Concat(states, zones); len(named) > 0 {
		list.Title += " for " + strings.Join(named, ", ")
	}
	list.Updated = changed.UTC().Format("2006-01-02T15:04:05+00:00")
	fits := func(value string, wanted []string) bool {
		return len(wanted) == 0 || slices.ContainsFunc(wanted, func(w string) bool { return strings.EqualFold(w, value) })
	}
	for _, m := range s.listed(now) {
		if m.inArea(states, zones) && fits(m.status, statuses) && fits(m.kind, kinds) {
			list.Features = append(list.Features, s.feature(m))
		}
	}
	return json.MarshalIndent(list, "", "    ")
}

func (s *Scenario) feature(m warningMessage) alertFeature {
	id := s.identifier(m.key)
	p := alertProperties{AtID: alertsAt + id, AtType: "wx:Alert", ID: id, AreaDesc: m.area, Geocode: alertGeocode{m.counties, m.zones},
		References: []alertReference{}, Sent: mountain(m.sent), Effective: mountain(m.sent), Onset: mountain(m.onset), Expires: mountain(m.expires), Ends: mountain(m.ends),
		Status: m.status, MessageType: m.kind, Category: "Met", Severity: m.severity, Certainty: m.certainty, Urgency: m.urgency, Event: m.event,
		Sender: warningSender, SenderName: warningSenderName, Headline: m.headline(), Description: inventedText + m.body, Response: m.response,
		Scope: "Public", Code: "IPAWSv1.0", Language: "en-US", Web: "http://www.weather.gov", EventCode: alertEventCode{[]string{m.same}, []string{m.nws}}}
	for _, zone := range m.zones {
		p.AffectedZones = append(p.AffectedZones, zonesAt+m.zoneKind+"/"+zone)
	}
	if m.instruction != "" {
		p.Instruction = &m.instruction
	}
	// A message references all that came before it of the same event.
	all := s.warningMessages()
	for key := m.replaces; key != ""; {
		old := all[slices.IndexFunc(all, func(o warningMessage) bool { return o.key == key })]
		oldID := s.identifier(old.key)
		p.References = append(p.References, alertReference{alertsAt + oldID, oldID, warningSender, mountain(old.sent)})
		key = old.replaces
	}
	slices.Reverse(p.References)
	p.Parameters.add("AWIPSidentifier", m.product)
	p.Parameters.add("WMOidentifier", m.wmo+" "+warningOffice+" "+m.sent.UTC().Format("021504"))
	p.Parameters.add("NWSheadline", m.lead)
	for _, more := range m.more {
		p.Parameters.add(more[0], more[1])
	}
	p.Parameters.add("BLOCKCHANNEL", "EAS", "NWEM", "CMAS")
	if m.same != "NWS" {
		p.Parameters.add("EAS-ORG", "WXR")
	}
	p.Parameters.add("VTEC", m.vtec())
	p.Parameters.add("eventEndingTime", mountain(m.ends))
	f := alertFeature{ID: alertsAt + id, Type: "Feature", Properties: p}
	if len(m.polygon) > 0 {
		f.Geometry = &alertGeometry{"Polygon", [][][2]float64{append(slices.Clone(m.polygon), m.polygon[0])}}
	}
	return f
}
