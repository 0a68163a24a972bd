package rehearsal_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/testfiles"
)

// tree is JSON that keeps the order of its members.
type tree struct {
	kind    string // object, list, text, number, truth, null
	names   []string
	members []*tree // of an object or a list
	text    string
}

func parsed(t *testing.T, b []byte) *tree {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	var read func() *tree
	read = func() *tree {
		token, err := d.Token()
		if err != nil {
			t.Fatal(err)
		}
		switch token := token.(type) {
		case json.Delim:
			node := &tree{kind: map[json.Delim]string{'{': "object", '[': "list"}[token]}
			for d.More() {
				if node.kind == "object" {
					name, err := d.Token()
					if err != nil {
						t.Fatal(err)
					}
					node.names = append(node.names, name.(string))
				}
				node.members = append(node.members, read())
			}
			if _, err := d.Token(); err != nil {
				t.Fatal(err)
			}
			return node
		case string:
			return &tree{kind: "text", text: token}
		case json.Number:
			return &tree{kind: "number", text: token.String()}
		case bool:
			return &tree{kind: "truth"}
		}
		return &tree{kind: "null"}
	}
	return read()
}

// at walks down by names; nil where there is nothing.
func (n *tree) at(names ...string) *tree {
	for _, name := range names {
		if n == nil {
			return nil
		}
		k := slices.Index(n.names, name)
		if k < 0 {
			return nil
		}
		n = n.members[k]
	}
	return n
}

// shape collects, below a path, what kinds of values and which members were seen.
type shape struct {
	kinds map[string]map[string]bool // by path
	order map[string][]string        // members of an object at a path, in order
}

func shapeOf(n *tree, s *shape, path string) {
	if s.kinds == nil {
		s.kinds, s.order = map[string]map[string]bool{}, map[string][]string{}
	}
	if s.kinds[path] == nil {
		s.kinds[path] = map[string]bool{}
	}
	s.kinds[path][n.kind] = true
	for k, member := range n.members {
		below := path + "[]"
		if n.kind == "object" {
			below = path + "." + n.names[k]
			if !slices.Contains(s.order[path], n.names[k]) {
				s.order[path] = append(s.order[path], n.names[k])
			}
		}
		shapeOf(member, s, below)
	}
}

// fits tells what of a shape the other has not: a member, or a kind of value.
func (s *shape) fits(other *shape) (strange []string) {
	for path, kinds := range s.kinds {
		seen, ok := other.kinds[path]
		if !ok {
			strange = append(strange, path+" is not in the real file")
			continue
		}
		for kind := range kinds {
			if !seen[kind] {
				strange = append(strange, fmt.Sprintf("%s is %s, in the real file %v", path, kind, seen))
			}
		}
	}
	slices.Sort(strange)
	return strange
}

func (f *follower) raw(now time.Time, name, key string) []byte {
	f.t.Helper()
	f.set(now)
	r, err := http.NewRequestWithContext(f.t.Context(), "GET", f.needs[name].BaseURL+"/"+key, nil)
	if err != nil {
		f.t.Fatal(err)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		f.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != 200 {
		f.t.Fatalf("%s: %s %v", key, answer.Status, err)
	}
	return b
}

// The lists of warnings have the members of a real list, in its order, with values
// of the same kinds and forms.
func TestWarningsLookLikeRealOnes(t *testing.T) {
	real := parsed(t, testfiles.Read(t, "hydro/nws.alerts.west.20251215T2155Z.geojson"))
	f := follow(t, "nws-alerts")
	var theirs, ours shape
	for k, name := range real.names {
		if name == "@saved" { // added by whoever saved it
			real.names, real.members = slices.Delete(real.names, k, k+1), slices.Delete(real.members, k, k+1)
			break
		}
	}
	shapeOf(real, &theirs, "")
	withEnds := slices.IndexFunc(real.at("features").members, func(n *tree) bool { return n.at("properties", "ends") != nil })
	order := real.at("features").members[withEnds].at("properties").names
	var parameters []string // of the flash flood warning, and those that others have
	for _, feature := range real.at("features").members {
		if feature.at("properties", "event").text == "Flash Flood Warning" {
			parameters = feature.at("properties", "parameters").names
		}
	}
	forms := map[string]*regexp.Regexp{
		"id":   regexp.MustCompile(`^urn:oid:2\.49\.0\.1\.[0-9]{3}\.0\.[0-9a-f]{40}\.[0-9]{3}\.[0-9]$`),
		"sent": regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}[+-][0-9]{2}:00$`),
		"headline": regexp.MustCompile(`^.+ issued [A-Z][a-z]+ [0-9]{1,2} at [0-9]{1,2}:[0-9]{2}[AP]M [A-Z]ST until [A-Z][a-z]+ [0-9]{1,2} at ` +
			`[0-9]{1,2}:[0-9]{2}[AP]M [A-Z]ST by NWS .+$`),
	}
	for _, name := range []string{"effective", "onset", "expires", "ends"} {
		forms[name] = forms["sent"]
	}
	vtec := regexp.MustCompile(`^/[OT]\.[A-Z]{3}\.[A-Z]{4}\.[A-Z]{2}\.[A-Z]\.[0-9]{4}\.[0-9]{6}T[0-9]{4}Z-[0-9]{6}T[0-9]{4}Z/$`)
	wmo := regexp.MustCompile(`^[A-Z]{4}[0-9]{2} [A-Z]{4} [0-9]{6}$`)
	check := func(whose string, list *tree, head []string) {
		if !slices.Equal(list.names, head) {
			t.Errorf("%s: members %v, real %v", whose, list.names, head)
		}
		for _, feature := range list.at("features").members {
			p := feature.at("properties")
			for name, form := range forms {
				if text := p.at(name); text != nil && text.kind == "text" && !form.MatchString(text.text) {
					t.Errorf("%s: %s is %q", whose, name, text.text)
				}
			}
			if code := p.at("parameters", "VTEC"); code != nil && !vtec.MatchString(code.members[0].text) {
				t.Errorf("%s: VTEC %q", whose, code.members[0].text)
			}
			if code := p.at("parameters", "WMOidentifier"); !wmo.MatchString(code.members[0].text) {
				t.Errorf("%s: WMO heading %q", whose, code.members[0].text)
			}
			if !strings.HasSuffix(feature.at("id").text, "/alerts/"+p.at("id").text) || p.at("@id").text != feature.at("id").text {
				t.Errorf("%s: ids %s, %s, %s", whose, feature.at("id").text, p.at("@id").text, p.at("id").text)
			}
		}
	}
	// The forms fit the real file too, but for headlines of what has no end.
	headlines := forms["headline"]
	delete(forms, "headline")
	check("real", real, real.names)
	forms["headline"] = headlines
	lists := 0
	for minutes := 0; minutes < 480; minutes += 20 {
		now := start.Add(time.Duration(minutes) * time.Minute)
		if from, to := f.scenario.Outage(); !now.Before(from) && now.Before(to) {
			continue
		}
		lists++
		list := parsed(t, f.raw(now, "nws-alerts", "alerts/active?area=XV"))
		check(fmt.Sprintf("%d min", minutes), list, real.names)
		shapeOf(list, &ours, "")
		for _, feature := range list.at("features").members {
			if got := feature.at("properties").names; !slices.Equal(got, order) {
				t.Fatalf("%d min: members %v, real %v", minutes, got, order)
			}
			names := feature.at("properties", "parameters").names
			k := 0
			for _, name := range parameters { // ours are some of them, in their order
				if k < len(names) && names[k] == name {
					k++
				}
			}
			if k != len(names) {
				t.Errorf("%d min: parameters %v, real %v", minutes, names, parameters)
			}
		}
	}
	strange := ours.fits(&theirs)
	// No real list at hand has a message without instruction as null.
	strange = slices.DeleteFunc(strange, func(s string) bool { return strings.HasPrefix(s, ".features[].properties.instruction is null") })
	if len(strange) > 0 || lists < 20 {
		t.Errorf("%d lists: %s", lists, strings.Join(strange, "\n"))
	}
}

// Gauges and readings have no member that real answers have not, and values of the
// same kinds.
func TestGaugesLookLikeRealOnes(t *testing.T) {
	f := follow(t, "usgs-iv", "nwps-gauge", "nwps-stageflow")
	now := start.Add(200 * time.Minute)
	for _, test := range []struct{ name, key, real string }{
		{"usgs-iv", "nwis/iv/?format=json&sites=00990100&parameterCd=00060&period=PT12H", "hydro/usgs.iv.13206000.20230113.json"},
		{"nwps-gauge", "nwps/v1/gauges/SLWX1", "hydro/nwps.ACRT2.gauge.json"},
		{"nwps-stageflow", "nwps/v1/gauges/SLWX1/stageflow", "hydro/nwps.ACRT2.stageflow.json"},
	} {
		t.Run(test.name, func(t *testing.T) {
			var theirs, ours shape
			shapeOf(parsed(t, testfiles.Read(t, test.real)), &theirs, "")
			shapeOf(parsed(t, f.raw(now, test.name, test.key)), &ours, "")
			// The real forecast was shortened: it names no primary unit and no pedts, as
			// the observations in the same answer do.
			for _, name := range []string{"pedts", "primaryName", "primaryUnits", "secondaryName"} {
				if theirs.kinds[".forecast."+name] == nil && theirs.kinds[".observed."+name] != nil {
					theirs.kinds[".forecast."+name] = theirs.kinds[".observed."+name]
				}
			}
			if strange := ours.fits(&theirs); len(strange) > 0 {
				t.Error(strings.Join(strange, "\n"))
			}
			for path, names := range ours.order {
				var common []string
				for _, name := range theirs.order[path] {
					if slices.Contains(names, name) {
						common = append(common, name)
					}
				}
				got := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return !slices.Contains(common, name) })
				if !slices.Equal(got, common) {
					t.Errorf("%s: members %v, real %v", path, got, common)
				}
			}
		})
	}
}
