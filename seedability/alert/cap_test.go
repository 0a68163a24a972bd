package alert

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// capRules are what the standard says beyond its schema (CAP 1.2, 3.2 and 3.3).
func capRules(b []byte) error {
	n, err := parseStrict(b)
	if err != nil {
		return err
	}
	text := func(parent *node, name string) string {
		for _, c := range parent.Children {
			if c.XMLName.Local == name {
				return c.Text
			}
		}
		return ""
	}
	for _, name := range []string{"identifier", "sender"} { // 3.2.1
		if value := text(n, name); value == "" || strings.ContainsAny(value, " ,<&") {
			return fmt.Errorf("%s %q", name, value)
		}
	}
	if !strings.HasSuffix(text(n, "sent"), "-00:00") { // 3.3.2
		return fmt.Errorf("sent %q is not UTC as -00:00", text(n, "sent"))
	}
	if text(n, "scope") == "Restricted" && text(n, "restriction") == "" { // 3.2.1
		return fmt.Errorf("restricted without a restriction")
	}
	references := strings.Fields(text(n, "references"))
	if msgType := text(n, "msgType"); (msgType != "Alert") != (len(references) > 0) {
		return fmt.Errorf("%s with %d references", msgType, len(references))
	}
	for _, reference := range references {
		if len(strings.Split(reference, ",")) != 3 {
			return fmt.Errorf("reference %q", reference)
		}
	}
	if text(n, "status") == "Exercise" && text(n, "note") == "" {
		return fmt.Errorf("an exercise without its name in note")
	}
	for _, info := range n.Children {
		if info.XMLName.Local != "info" {
			continue
		}
		if headline := text(info, "headline"); utf8.RuneCountInString(headline) > 160 { // 3.2.2
			return fmt.Errorf("headline of %d characters", utf8.RuneCountInString(headline))
		}
		for _, area := range info.Children {
			if area.XMLName.Local != "area" {
				continue
			}
			for _, c := range area.Children {
				switch c.XMLName.Local {
				case "polygon": // 3.2.4: at least four, the last the first
					places := strings.Fields(c.Text)
					if len(places) < 4 || places[0] != places[len(places)-1] {
						return fmt.Errorf("polygon %q", c.Text)
					}
					for _, place := range places {
						if err := capPlaceRule(place); err != nil {
							return err
						}
					}
				case "circle":
					place, radius, ok := strings.Cut(c.Text, " ")
					if _, err := strconv.ParseFloat(radius, 64); !ok || err != nil {
						return fmt.Errorf("circle %q", c.Text)
					}
					if err := capPlaceRule(place); err != nil {
						return err
					}
				}
			}
		}
	}
	return nil
}

func capPlaceRule(place string) error {
	latitude, longitude, ok := strings.Cut(place, ",")
	y, errY := strconv.ParseFloat(latitude, 64)
	x, errX := strconv.ParseFloat(longitude, 64)
	if !ok || errX != nil || errY != nil || y < -90 || y > 90 || x < -180 || x > 180 {
		return fmt.Errorf("place %q", place)
	}
	return nil
}

// Every alert of the storm, and of the storm as a rehearsal, is a valid message.
func TestCAPOfTheStorm(t *testing.T) {
	s := readSchema(t)
	for _, exercise := range []bool{false, true} {
		p := larkspur
		p.Exercise = exercise
		e, err := New(dutyConfig(), p)
		if err != nil {
			t.Fatal(err)
		}
		_, alerts := play(t, e, storm(), at(8, 0), false)
		types := map[string]int{}
		for k, a := range alerts {
			b, err := CAP(a, p, "seeding@larkspur.example")
			if err != nil {
				t.Fatal(err)
			}
			if folder := os.Getenv("CAP_OUT"); folder != "" {
				if err := os.WriteFile(fmt.Sprintf("%s/storm-%v-%d.true.xml", folder, exercise, k), b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if err := s.validate(b); err != nil {
				t.Errorf("%s: %v\n%s", line(a), err, b)
			}
			if err := capRules(b); err != nil {
				t.Errorf("%s: %v\n%s", line(a), err, b)
			}
			text := string(b)
			if strings.Contains(text, "<status>Exercise</status>") != exercise || strings.Contains(text, "EXERCISE") != exercise {
				t.Errorf("%s: exercise %v\n%s", line(a), exercise, text)
			}
			for _, word := range []string{"Alert", "Update", "Cancel"} {
				if strings.Contains(text, "<msgType>"+word+"</msgType>") {
					types[word]++
				}
			}
			if a.Kind == HoldLifted && !strings.Contains(text, "<msgType>Cancel</msgType>") {
				t.Errorf("a lifted hold does not cancel: %s", text)
			}
		}
		if types["Alert"] == 0 || types["Update"] == 0 || types["Cancel"] == 0 {
			t.Errorf("types %v", types)
		}
	}
}

// Outlines that are open are closed; what is none is left out.
func TestCAPPolygon(t *testing.T) {
	for _, test := range []struct {
		outline [][2]float64
		want    string
	}{
		{[][2]float64{{-114, 44}, {-113, 44}, {-113, 45}}, "44,-114 44,-113 45,-113 44,-114"},
		{[][2]float64{{-114, 44}, {-113, 44}, {-113, 45}, {-114, 44}}, "44,-114 44,-113 45,-113 44,-114"},
		{[][2]float64{{-114, 44}, {-113, 44}}, ""},
		{[][2]float64{{-114, 44}, {-113, 91}, {-113, 45}}, ""},
		{nil, ""},
	} {
		if got := capPolygon(test.outline); got != test.want {
			t.Errorf("%v: %q, want %q", test.outline, got, test.want)
		}
	}
}

func TestCAPRefuses(t *testing.T) {
	good := Alert{ID: "a", Programme: "p", Raised: at(0, 0), Expires: at(1, 0)}
	if _, err := CAP(good, larkspur, ""); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Alert) string{
		"no id":     func(a *Alert) string { a.ID = ""; return "" },
		"id":        func(a *Alert) string { a.ID = "a b"; return "" },
		"no time":   func(a *Alert) string { a.Raised = time.Time{}; return "" },
		"far time":  func(a *Alert) string { a.Expires = time.Date(12026, 1, 1, 0, 0, 0, 0, time.UTC); return "" },
		"sender":    func(a *Alert) string { return "a,b" },
		"programme": func(a *Alert) string { a.Programme = "p q"; return "" },
	} {
		a := good
		sender := change(&a)
		if b, err := CAP(a, larkspur, sender); err == nil {
			t.Errorf("%s: taken: %s", name, b)
		}
	}
}
