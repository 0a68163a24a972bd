package pages

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
)

// luminance and contrast as WCAG 2.2 defines them ("relative luminance", "contrast
// ratio").
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	var part [3]int
	if n, err := fmt.Sscanf(colour, "#%02x%02x%02x", &part[0], &part[1], &part[2]); n != 3 || err != nil {
		t.Fatalf("colour %q: %v", colour, err)
	}
	sum := 0.
	for k, weight := range []float64{.2126, .7152, .0722} {
		c := float64(part[k]) / 255
		if c <= .04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (math.Max(la, lb) + .05) / (math.Min(la, lb) + .05)
}

func TestContrastFormula(t *testing.T) {
	for _, test := range []struct {
		a, b   string
		want   float64
		source string
	}{
		{"#000000", "#ffffff", 21, "WCAG 2.2: ratios range from 1 to 21"},
		{"#ffffff", "#ffffff", 1, "WCAG 2.2: ratios range from 1 to 21"},
		{"#767676", "#ffffff", 4.54, "value from memory: the lightest grey on white that passes 4.5"},
		{"#ff0000", "#ffffff", 4.00, "value from memory: pure red on white"},
	} {
		if got := contrast(t, test.a, test.b); math.Abs(got-test.want) > .005 {
			t.Errorf("%s on %s: %.3f, want %.2f (%s)", test.a, test.b, got, test.want, test.source)
		}
	}
}

// schemes are the colours of the style by light, dark and paper.
func schemes(t *testing.T) map[string]map[string]string {
	t.Helper()
	out := map[string]map[string]string{}
	blocks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(style, -1)
	if len(blocks) != 3 {
		t.Fatalf("%d lists of colours, want light, dark and paper", len(blocks))
	}
	for k, name := range []string{"light", "dark", "paper"} {
		out[name] = map[string]string{}
		for _, v := range regexp.MustCompile(`--([a-z]+): (#[0-9a-f]{6});`).FindAllStringSubmatch(blocks[k][1], -1) {
			out[name][v[1]] = v[2]
		}
	}
	return out
}

// Text has 4.5 to 1 against what it stands on (WCAG 2.2, 1.4.3), marks 3 to 1 (1.4.11).
func TestContrastOfTheStyle(t *testing.T) {
	all := schemes(t)
	for name, colours := range all {
		for variable := range all["light"] {
			if colours[variable] == "" {
				t.Errorf("%s has no colour %s", name, variable)
			}
		}
		check := func(a, b string, least float64) {
			if got := contrast(t, colours[a], colours[b]); got < least {
				t.Errorf("%s: %s on %s has %.2f, want %.1f", name, a, b, got, least)
			}
		}
		for _, text := range []string{"ink", "soft", "link", "quiet", "building", "window", "hold", "blind", "clear", "review", "unknown", "target"} {
			check(text, "page", 4.5)
			check(text, "panel", 4.5)
		}
		for _, ground := range []string{"window", "hold", "blind", "link"} {
			check("on", ground, 4.5)
		}
		for _, mark := range []string{"path", "water", "window", "hold", "blind", "building", "quiet"} {
			check(mark, "panel", 3)
		}
		for _, fill := range []string{"soft", "window", "building", "hold"} {
			check(fill, "sunk", 3) // of bars
		}
		check("ink", "ground", 4.5)
	}
	// The tint behind a row is at most a sixth of its colour: text on it too.
	mix := regexp.MustCompile(`color-mix\(in srgb, var\(--([a-z]+)\) ([0-9]+)%, transparent\)`).FindAllStringSubmatch(style, -1)
	if len(mix) == 0 {
		t.Fatal("no tinted rows: is this test still looking?")
	}
	for _, m := range mix {
		var percent float64
		fmt.Sscan(m[2], &percent)
		for _, name := range []string{"light", "dark"} {
			colours := all[name]
			tinted := blend(t, colours[m[1]], colours["panel"], percent/100)
			for _, text := range []string{"ink", "soft", "link", m[1]} {
				if got := contrast(t, colours[text], tinted); got < 4.5 {
					t.Errorf("%s: %s on the tint of %s has %.2f", name, text, m[1], got)
				}
			}
		}
	}
}

func blend(t *testing.T, over, under string, share float64) string {
	t.Helper()
	var a, b [3]int
	for _, c := range []struct {
		text string
		into *[3]int
	}{{over, &a}, {under, &b}} {
		if _, err := fmt.Sscanf(c.text, "#%02x%02x%02x", &c.into[0], &c.into[1], &c.into[2]); err != nil {
			t.Fatal(err)
		}
	}
	part := func(k int) int { return int(math.Round(share*float64(a[k]) + (1-share)*float64(b[k]))) }
	return fmt.Sprintf("#%02x%02x%02x", part(0), part(1), part(2))
}

// Every colour stands in the lists, so that the test above sees it; what has the
// focus is seen; motion is only for those who want it.
func TestStyleKeepsToItsLists(t *testing.T) {
	rest := regexp.MustCompile(`(?s):root \{.*?\}`).ReplaceAllString(style, "")
	rest = regexp.MustCompile(`(?s)@media print \{.*`).ReplaceAllString(rest, "")
	for _, colour := range regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(`).FindAllString(rest, -1) {
		t.Errorf("%s stands beside the lists of colours", colour)
	}
	for _, used := range regexp.MustCompile(`var\(--([a-z]+)\)`).FindAllStringSubmatch(style, -1) {
		if schemes(t)["light"][used[1]] == "" {
			t.Errorf("--%s is in no list", used[1])
		}
	}
	if !strings.Contains(style, ":focus-visible { outline: 3px solid") || strings.Contains(strings.ReplaceAll(style, "main:focus { outline: none; }", ""), "outline: none") {
		t.Error("what has the focus is not seen")
	}
	if strings.Contains(style, "animation") || strings.Contains(style, "transition") {
		t.Error("something moves")
	}
}

// What templates ask for by class is in the style.
func TestClassesAreStyled(t *testing.T) {
	loose := map[string]bool{"small": true, "in": true, "rowof-quiet": true}
	for name, page := range allPages(t, boardOf(storm(t))) {
		for _, e := range elements(t, name, page) {
			for class := range strings.FieldsSeq(e.at["class"]) {
				if !loose[class] && !regexp.MustCompile(`\.`+regexp.QuoteMeta(class)+`\b`).MatchString(style) {
					t.Errorf("%s: <%s class=%q>: no style for %s", name, e.name, e.at["class"], class)
				}
			}
		}
	}
}
