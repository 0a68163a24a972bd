package pages

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"rimeline/cmd/internal/pages/invented"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/message"
)

// night is the shape of what the fuzz target reads.
type night struct {
	Score      *seedability.Assessment `json:"score"`
	Outlook    *seedability.Outlook    `json:"outlook"`
	Advice     *alert.Advice           `json:"advice"`
	Holds      *message.Holds          `json:"holds"`
	Conditions *message.Conditions     `json:"conditions"`
	Alert      *alert.Alert            `json:"alert"`
	Delivery   *alert.Delivery         `json:"delivery"`
	Ack        *message.Ack            `json:"ack"`
}

// Whatever JSON fits the types makes pages whose tags fit, with the script and the
// state that they should have, and no more than a bound of bytes.
func FuzzPages(f *testing.F) {
	s, err := invented.New("larkspur", 6)
	if err != nil {
		f.Fatal(err)
	}
	for _, id := range []string{"saddlehorn", "far-larch"} {
		a, o := s.Scores[id], s.Outlooks[id]
		a.Path = a.Path[:min(len(a.Path), 12)]
		o.Releases = o.Releases[:8]
		one := night{Score: &a, Outlook: &o, Holds: &s.Holds, Conditions: &s.Conditions, Alert: &s.Alerts[1], Delivery: &s.Deliveries[1], Ack: &s.Acks[0]}
		if advice, ok := s.Advices[id]; ok {
			one.Advice = &advice
		}
		b, err := json.Marshal(one)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	for _, text := range []string{`{}`, `{"score":{"path":[{"minutes":10,"latitude_deg":89.9,"longitude_deg":-180,"altitude_m":1e300},{"minutes":1e300,"latitude_deg":-90,"longitude_deg":360,"altitude_m":-4e4}]}}`,
		`{"outlook":{"releases":[{"release_time":"0001-01-01T00:00:00Z","state":"window","score":1e308},{"release_time":"9999-12-31T23:59:59Z","state":"quiet"}],"windows":[{"start":"9999-12-31T23:59:59Z"}]}}`,
		`{"holds":{"results":[{"outcome":"held","inputs":[{"value":-1e308,"maximum_age_minutes":1e308}]}]}}`} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var one night
		if len(text) > 1<<20 || json.Unmarshal(text, &one) != nil {
			return
		}
		p := &Programme{File: s.Programme, Holds: one.Holds, Conditions: one.Conditions, AlertsRead: true}
		site := &Site{ID: "saddlehorn", Score: one.Score, Outlook: one.Outlook, Advice: one.Advice}
		p.Sites = []*Site{site}
		if one.Alert != nil {
			a := Alert{Alert: *one.Alert}
			if one.Delivery != nil {
				a.Deliveries = append(a.Deliveries, *one.Delivery)
			}
			if one.Ack != nil {
				a.Acks = append(a.Acks, *one.Ack)
			}
			p.Alerts = []Alert{a}
		}
		b := Board{Now: invented.Night, Programmes: []*Programme{p}}
		for name, page := range allPages(t, b) {
			if len(page) > 4<<20 {
				t.Fatalf("%s: %d bytes", name, len(page))
			}
			if strings.Count(page, "<script") > 1 || strings.Contains(page, "ZgotmplZ") || strings.Contains(page, "NaN") || strings.Contains(page, "+Inf") {
				t.Fatalf("%s: escaped into what it should not", name)
			}
			elements(t, name, page)
		}
		state := p.verdictOf(site, p.resultsAt(b.Now), b.Now).State
		if one.Holds == nil && state != seedability.StateHold {
			t.Fatalf("criteria that nobody judged, and the site is %s", state)
		}
	})
}

// The saved corpus is there: a target without it looks at little.
func TestFuzzCorpus(t *testing.T) {
	saved, err := filepath.Glob("testdata/fuzz/FuzzPages/*")
	if err != nil || len(saved) == 0 {
		t.Fatalf("no saved corpus: %v", err)
	}
	for _, name := range saved {
		b, err := os.ReadFile(name)
		if err != nil || !slices.Contains(strings.Split(string(b), "\n"), "go test fuzz v1") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
