package pages

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/xml"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/cmd/internal/pages/invented"
	"rimeline/seedability/alert"
	"rimeline/seedability/programme"
)

func storm(t testing.TB) *invented.Storm {
	t.Helper()
	s, err := invented.New("larkspur", 6)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// boardOf puts an invented night on a board.
func boardOf(s *invented.Storm) Board {
	p := &Programme{File: s.Programme, Holds: &s.Holds, Conditions: &s.Conditions, AlertsRead: true}
	for k := range s.Programme.Sites {
		id := s.Programme.Sites[k].ID
		site := &Site{ID: id}
		if a, ok := s.Scores[id]; ok {
			site.Score = &a
		}
		if o, ok := s.Outlooks[id]; ok {
			site.Outlook = &o
		}
		if a, ok := s.Advices[id]; ok {
			site.Advice, site.AdviceAt = &a, invented.Night
		}
		p.Sites = append(p.Sites, site)
	}
	for _, a := range slices.Backward(s.Alerts) {
		one := Alert{Alert: a}
		for _, ack := range s.Acks {
			if ack.Alert == a.ID {
				one.Acks = append(one.Acks, ack)
			}
		}
		for _, d := range s.Deliveries {
			if d.AlertID == a.ID {
				one.Deliveries = append(one.Deliveries, d)
			}
		}
		p.Alerts = append(p.Alerts, one)
	}
	return Board{Now: invented.Night, Programmes: []*Programme{p}}
}

// allPages of a board, by name.
func allPages(t testing.TB, b Board) map[string]string {
	t.Helper()
	out := map[string]string{}
	add := func(name string, body []byte, err error) {
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = string(body)
	}
	p := b.Programmes[0]
	body, err := Overview("", b, "")
	add("overview", body, err)
	body, err = Overview("../", b, p.File.ID)
	add("programme", body, err)
	body, err = Holds("../", b, p)
	add("holds", body, err)
	body, err = Alerts("../", b, p)
	add("alerts", body, err)
	body, err = Criteria("../", p.File, b.Exercise, false)
	add("criteria", body, err)
	body, err = Criteria("", p.File, b.Exercise, true)
	add("criteria alone", body, err)
	for _, s := range p.Sites {
		body, known, err := Evidence("../", b, p, s.ID)
		if !known {
			t.Fatalf("no evidence of %s", s.ID)
		}
		add("evidence "+s.ID, body, err)
	}
	ack := AckPage{Alert: "x", To: "duty", Token: "a.b.c.d"}
	if len(p.Alerts) > 0 {
		ack.Known = &p.Alerts[0]
	}
	body, err = AckForm("", b, p, ack)
	add("ack form", body, err)
	body, err = AckDone("", b, p, ack, "Imogen Tarn")
	add("ack done", body, err)
	body, err = ProblemPage("", "There is no such page", "No programme or site.", "Look elsewhere.")
	add("problem", body, err)
	return out
}

var (
	scriptText = regexp.MustCompile(`(?s)<script>(.*?)</script>`)
	styleText  = regexp.MustCompile(`(?s)<style>(.*?)</style>`)
)

// A browser runs and applies exactly what the policy names: CSP level 3, section
// 6.7.3.3, takes the digest of the text between the tags.
func TestPolicyFitsThePages(t *testing.T) {
	sum := func(text string) string {
		digest := sha256.Sum256([]byte(text))
		return "'sha256-" + base64.StdEncoding.EncodeToString(digest[:]) + "'"
	}
	for name, page := range allPages(t, boardOf(storm(t))) {
		scripts, styles := scriptText.FindAllStringSubmatch(page, -1), styleText.FindAllStringSubmatch(page, -1)
		if len(styles) != 1 || !strings.Contains(Policy, "style-src "+sum(styles[0][1])+";") {
			t.Errorf("%s: %d styles, or another than the policy names", name, len(styles))
		}
		if len(scripts) > 1 || strings.Count(page, "<script") != len(scripts) {
			t.Errorf("%s: %d scripts", name, strings.Count(page, "<script"))
		}
		for _, s := range scripts {
			if !strings.Contains(Policy, "script-src "+sum(s[1])+";") {
				t.Errorf("%s: a script that the policy does not name", name)
			}
		}
		// Nothing that the policy would refuse, and nothing from elsewhere.
		rest := scriptText.ReplaceAllString(styleText.ReplaceAllString(page, ""), "")
		for _, bad := range []string{` style="`, "javascript:", "http://", "https://", "//cdn", "@import", "<iframe", "<object", "<img"} {
			if strings.Contains(rest, bad) {
				t.Errorf("%s: has %q", name, bad)
			}
		}
		if handler := regexp.MustCompile(`\son[a-z]+=`).FindString(rest); handler != "" {
			t.Errorf("%s: has %q", name, handler)
		}
		if strings.Contains(styles[0][1], "http") || strings.Contains(styles[0][1], "url(") && strings.Count(styles[0][1], "url(") != strings.Count(styles[0][1], "url(#") {
			t.Errorf("%s: the style reaches elsewhere", name)
		}
	}
	for _, part := range []string{"default-src 'none'", "base-uri 'none'", "frame-ancestors 'none'", "form-action 'self'"} {
		if !strings.Contains(Policy, part) {
			t.Errorf("the policy lacks %s", part)
		}
	}
	if strings.Contains(Policy, "unsafe") || strings.Contains(Policy, "*") {
		t.Errorf("the policy is too wide: %s", Policy)
	}
}

// element of a page, as far as tests look.
type element struct {
	name string
	at   map[string]string
	text string
	path []string // of its ancestors
}

// elements reads a page. encoding/xml knows the void elements of HTML and reads
// boolean attributes when it is not strict; tags that do not fit are errors.
func elements(t testing.TB, name, page string) []*element {
	t.Helper()
	page = scriptText.ReplaceAllString(styleText.ReplaceAllString(page, "<style></style>"), "<script></script>")
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var out, open []*element
	for {
		token, err := d.Token()
		if err == io.EOF {
			if len(open) > 0 {
				t.Errorf("%s: <%s> is not closed", name, open[len(open)-1].name)
			}
			return out
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			e := &element{name: x.Name.Local, at: map[string]string{}}
			for _, o := range open {
				e.path = append(e.path, o.name)
			}
			for _, a := range x.Attr {
				key := a.Name.Local
				if a.Name.Space != "" {
					key = a.Name.Space + ":" + key
				}
				if _, twice := e.at[key]; twice {
					t.Errorf("%s: <%s> has %s twice", name, e.name, key)
				}
				e.at[key] = a.Value
			}
			out, open = append(out, e), append(open, e)
		case xml.EndElement:
			if len(open) == 0 || open[len(open)-1].name != x.Name.Local {
				t.Fatalf("%s: </%s> closes nothing", name, x.Name.Local)
			}
			open = open[:len(open)-1]
		case xml.CharData:
			for _, o := range open {
				o.text += string(x)
			}
		}
	}
}

// What people with a screen reader or a keyboard need, as WCAG 2.2 asks: language
// (3.1.1), title (2.4.2), landmarks and headings (1.3.1, 2.4.6), a way past the top
// (2.4.1), names of fields and pictures (1.1.1, 1.3.1, 4.1.2), heads of tables (1.3.1).
func TestPagesCanBeReadOtherwise(t *testing.T) {
	for name, page := range allPages(t, boardOf(storm(t))) {
		if !strings.HasPrefix(page, "<!DOCTYPE html>") {
			t.Errorf("%s: no doctype", name)
		}
		all := elements(t, name, page)
		ids, count := map[string]bool{}, map[string]int{}
		level := 0
		for _, e := range all {
			count[e.name]++
			if id := e.at["id"]; id != "" {
				if ids[id] {
					t.Errorf("%s: id %q twice", name, id)
				}
				ids[id] = true
			}
			if len(e.name) == 2 && e.name[0] == 'h' && e.name[1] >= '1' && e.name[1] <= '6' {
				next := int(e.name[1] - '0')
				if next > level+1 {
					t.Errorf("%s: <%s> %q follows a heading of level %d", name, e.name, strings.TrimSpace(e.text), level)
				}
				level = next
				if strings.TrimSpace(e.text) == "" {
					t.Errorf("%s: empty heading", name)
				}
			}
		}
		if all[0].name != "html" || all[0].at["lang"] != "en" {
			t.Errorf("%s: no language", name)
		}
		for what, n := range map[string]int{"h1": 1, "main": 1, "footer": 1, "title": -1} {
			if got := count[what]; n >= 0 && got != n || got == 0 {
				t.Errorf("%s: %d times <%s>", name, got, what)
			}
		}
		if name != "criteria alone" && (count["nav"] != 1 || count["header"] < 1) {
			t.Errorf("%s: no landmarks", name)
		}
		for _, e := range all {
			for _, key := range []string{"aria-labelledby", "for"} {
				if id := e.at[key]; id != "" && !ids[id] {
					t.Errorf("%s: <%s %s=%q> names nothing", name, e.name, key, id)
				}
			}
			if href := e.at["href"]; strings.HasPrefix(href, "#") && !ids[href[1:]] {
				t.Errorf("%s: %s leads nowhere", name, href)
			}
			switch e.name {
			case "th":
				if e.at["scope"] == "" {
					t.Errorf("%s: <th> %q without scope", name, e.text)
				}
			case "time":
				if _, err := time.Parse(time.RFC3339, e.at["datetime"]); err != nil {
					t.Errorf("%s: %v", name, err)
				}
			case "input":
				if e.at["type"] != "hidden" && !strings.Contains(page, `for="`+e.at["id"]+`"`) {
					t.Errorf("%s: a field without a label", name)
				}
			case "svg":
				if e.at["aria-hidden"] != "true" && (e.at["role"] != "img" || e.at["aria-labelledby"] == "") {
					t.Errorf("%s: a picture without a name", name)
				}
			case "a":
				if strings.TrimSpace(e.text) == "" {
					t.Errorf("%s: a link without words to %s", name, e.at["href"])
				}
			case "table":
				if !slices.ContainsFunc(all, func(x *element) bool { return x.name == "thead" }) {
					t.Errorf("%s: a table without heads", name)
				}
			case "button":
				if e.at["type"] != "submit" {
					t.Errorf("%s: a button that does nothing", name)
				}
			}
			if e.at["tabindex"] == "0" && e.at["aria-label"]+e.at["aria-labelledby"] == "" {
				t.Errorf("%s: a place for the keyboard without a name", name)
			}
		}
	}
}

// A state is never colour alone: each has its word beside a shape of its own.
func TestStatesAreWordsAndShapes(t *testing.T) {
	page := allPages(t, boardOf(storm(t)))["overview"]
	shapes := map[string]string{}
	for _, match := range regexp.MustCompile(`(?s)<symbol id="s-([a-z]+)"[^>]*>(.*?)</symbol>`).FindAllStringSubmatch(page, -1) {
		for name, shape := range shapes {
			if shape == match[2] {
				t.Errorf("%s and %s have one shape", name, match[1])
			}
		}
		shapes[match[1]] = match[2]
	}
	for _, state := range []string{"quiet", "building", "window", "hold", "blind"} {
		if shapes[state] == "" {
			t.Errorf("%s has no shape", state)
		}
		if !strings.Contains(page, `<use href="#s-`+state+`"/></svg>`+state+`</span>`) {
			t.Errorf("%s does not stand as a word beside its shape", state)
		}
	}
	for _, outcome := range []string{"clear", "review", "unknown"} {
		if shapes[outcome] == "" {
			t.Errorf("%s has no shape", outcome)
		}
	}
}

// What anybody could write into a message or a programme file stays text, and does
// not turn the direction of writing.
func TestHostileText(t *testing.T) {
	const evil = "\"'><script>alert(1)</script><!--\u202e\u2066\x1b[2J\r\n\x00</title></textarea></style></svg>{{.}}"
	spoil := func(v reflect.Value) {
		spoilTexts(v, evil, map[string]bool{"ID": true, "AlertID": true, "State": true})
	}
	s := storm(t)
	for id, a := range s.Scores {
		a = invented.Clone(a)
		spoil(reflect.ValueOf(&a))
		s.Scores[id] = a
	}
	for id, o := range s.Outlooks {
		o = invented.Clone(o)
		spoil(reflect.ValueOf(&o))
		s.Outlooks[id] = o
	}
	for id, a := range s.Advices {
		a = invented.Clone(a)
		spoil(reflect.ValueOf(&a))
		s.Advices[id] = a
	}
	spoil(reflect.ValueOf(&s.Holds))
	spoil(reflect.ValueOf(&s.Conditions))
	for k := range s.Alerts {
		spoil(reflect.ValueOf(&s.Alerts[k]))
	}
	for k := range s.Deliveries {
		spoil(reflect.ValueOf(&s.Deliveries[k]))
	}
	spoil(reflect.ValueOf(&s.Acks))
	for k := range s.Programme.Sites {
		s.Programme.Sites[k].Name = evil
	}
	for k := range s.Programme.Targets {
		s.Programme.Targets[k].Name = evil
	}
	for k := range s.Programme.Holds {
		h := &s.Programme.Holds[k]
		h.Name, h.Source, h.Note, h.MayLift = evil, evil, evil, []string{evil}
	}
	s.Programme.Name, s.Programme.File, s.Programme.Timezone, s.Programme.Manager.Name, s.Programme.Manager.Licence = evil, evil, evil, evil, evil
	b := boardOf(s)
	b.Programmes[0].Problems = []string{evil}
	b.Programmes[0].Sites[0].Problem = evil
	pages := allPages(t, b)
	body, err := AckForm("", b, b.Programmes[0], AckPage{Alert: evil, To: evil, Token: evil, Name: evil, Problem: evil})
	if err != nil {
		t.Fatal(err)
	}
	pages["ack evil"] = string(body)
	if body, err = AckDone("", b, b.Programmes[0], AckPage{Alert: evil, To: evil}, evil); err != nil {
		t.Fatal(err)
	}
	pages["done evil"] = string(body)
	if body, err = ProblemPage("", evil, evil, evil); err != nil {
		t.Fatal(err)
	}
	pages["problem evil"] = string(body)
	met := 0
	for name, page := range pages {
		elements(t, name, page) // whatever stands in it, the tags fit
		if n := strings.Count(page, "<script"); n > 1 || strings.Contains(page, "<script>alert") {
			t.Errorf("%s: %d scripts", name, n)
		}
		for _, bad := range []string{"\u202e", "\u2066", "\x1b", "\x00", "ZgotmplZ", "<!--", "<no value>", "%!"} {
			if strings.Contains(page, bad) {
				t.Errorf("%s: has %q", name, bad)
			}
		}
		met += strings.Count(page, "&lt;script&gt;alert(1)")
	}
	if met < 200 {
		t.Errorf("the text was met %d times: is this test still looking?", met)
	}
}

// spoilTexts sets every text within a value but those of some fields.
func spoilTexts(v reflect.Value, text string, keep map[string]bool) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			spoilTexts(v.Elem(), text, keep)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			return
		}
		for k := range v.NumField() {
			if f := v.Type().Field(k); f.IsExported() && !keep[f.Name] {
				spoilTexts(v.Field(k), text, keep)
			}
		}
	case reflect.Slice:
		for k := range v.Len() {
			spoilTexts(v.Index(k), text, keep)
		}
	case reflect.Map:
		if v.Type().Elem().Kind() == reflect.String {
			for _, key := range v.MapKeys() {
				v.SetMapIndex(key, reflect.ValueOf(text))
			}
		}
		if v.Type().Elem().Kind() == reflect.Int && v.Len() > 0 {
			v.SetMapIndex(reflect.ValueOf(text), reflect.ValueOf(3))
		}
	case reflect.String:
		if v.CanSet() {
			v.SetString(text)
		}
	}
}

// Long lists and long texts end somewhere.
func TestPagesAreBounded(t *testing.T) {
	s := storm(t)
	const id = "saddlehorn"
	a := invented.Clone(s.Scores[id])
	long := strings.Repeat("long ", 1<<14)
	for len(a.Path) < 1<<16 {
		a.Path = append(a.Path, a.Path[:min(len(a.Path), 1<<16-len(a.Path))]...)
	}
	for range 5000 {
		a.Notes, a.Cautions, a.Inputs = append(a.Notes, long), append(a.Cautions, long), append(a.Inputs, a.Inputs[0])
		a.Bands, a.Score.Components, a.Transport.Targets = append(a.Bands, a.Bands[0]), append(a.Score.Components, a.Score.Components[0]), append(a.Transport.Targets, a.Transport.Targets[0])
		a.Score.Caps, a.Confidence.Reasons, a.Transport.Trapped = append(a.Score.Caps, a.Score.Caps...), append(a.Confidence.Reasons, long), append(a.Transport.Trapped, long)
	}
	s.Scores[id] = a
	o := invented.Clone(s.Outlooks[id])
	for range 12 {
		o.Releases, o.Windows, o.Gone = append(o.Releases, o.Releases...), append(o.Windows, o.Windows...), append(o.Gone, o.Windows...)
	}
	s.Outlooks[id] = o
	for len(s.Holds.Results) < 20000 {
		s.Holds.Results = append(s.Holds.Results, s.Holds.Results...)
	}
	for range 9 {
		s.Alerts = append(s.Alerts, s.Alerts...)
	}
	b := boardOf(s)
	b.Programmes[0].Alerts[0].Alert.Reasons = slices.Repeat([]string{long}, 5000)
	for name, page := range allPages(t, b) {
		if len(page) > 3<<20 {
			t.Errorf("%s: %d bytes", name, len(page))
		}
	}
}

// What every page owes its readers.
func TestEveryPageHasItsCaution(t *testing.T) {
	b := boardOf(storm(t))
	b.Exercise = true
	for name, page := range allPages(t, b) {
		if !strings.Contains(page, "Advice only. The permit, the licensed operator and local code decide") {
			t.Errorf("%s: no caution", name)
		}
		if !strings.Contains(page, "EXERCISE. Nothing on this page is real.") && name != "problem" {
			t.Errorf("%s: not marked as an exercise", name)
		}
		if name != "problem" && !strings.Contains(page, "<title>EXERCISE") {
			t.Errorf("%s: its title is not marked as an exercise", name)
		}
	}
}

// says looks for words, whatever stands between them in tags.
func says(t *testing.T, page string, wants ...string) {
	t.Helper()
	text, missing := visible(page), false
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not on the page %.60q", want, text)
			missing = true
		}
	}
	if missing && testing.Verbose() {
		t.Log(text)
	}
}

var tags = regexp.MustCompile(`<[^>]*>`)

// visible is the text of a page, with single blanks.
func visible(page string) string {
	page = styleText.ReplaceAllString(scriptText.ReplaceAllString(page, ""), "")
	text := strings.NewReplacer("&#39;", "'", "&#34;", `"`, "&amp;", "&", "&lt;", "<", "&gt;", ">").Replace(tags.ReplaceAllString(page, " "))
	return strings.NewReplacer(" ,", ",", " .", ".", " ;", ";", "( ", "(", " )", ")", " :", ":").Replace(strings.Join(strings.Fields(text), " "))
}

func TestOverviewSays(t *testing.T) {
	page := allPages(t, boardOf(storm(t)))["overview"]
	says(t, page, "1 window open – All sites", "22:42 MST / 05:42 UTC", "Larkspur Valley winter programme (invented)",
		"1 window Saddlehorn Bench", "1 building Quillback Flat", "2 hold Tamarack Ridge, Far Larch", "1 blind Moth Hollow", "1 quiet Tin Kettle",
		"held Ridge wind (Tamarack Ridge; since 22:41 MST / 05:41 UTC) Wind at tamarack by station 31 m/s reaches the limit of 20 m/s",
		"cannot be judged Site is ready (Far Larch", "review Snow water (all sites, for Quill Creek",
		"blind The newest assessment is of 77 min ago and counts for nothing – – none foreseen",
		"in 2 h 28 min Wed 01:10 MST / 08:10 UTC to Wed 03:24 MST / 10:24 UTC, best Wed 02:17 MST / 09:17 UTC; score 78",
		"UNANSWERED 15 min: WINDOW OPEN: Saddlehorn Bench", "nobody has answered yet", "answered by Imogen Tarn",
		"radar KXYZ 6 min ago", "fresh", "sounding XLRK 00 UTC 5 h 42 min ago 17:00 MST / 00:00 UTC ageing", "criteria made here 60 s ago")
	// The held site's window is not called open without a but.
	says(t, page, "on hold; by the outlook alone open, 98 min left")
}

func TestEvidenceSays(t *testing.T) {
	pages := allPages(t, boardOf(storm(t)))
	says(t, pages["evidence saddlehorn"], "WINDOW – Saddlehorn Bench", "Score 74.0 stays at or above 60.0.", "Held back by aim: 62 % lands in Upper Larkspur basin, 22 % short of it",
		"100 × √(opportunity 0.88 × share that lands in a target 0.62) = 74.0", "Score of 100 74 Sure, 0 to 1 0.73",
		"liquid water What the agent turns into ice. Without it nothing happens. 0.09 mm supercooled liquid water path", "model, 102 min ago", "not known probability that a band",
		"thresholds worth 0 at 0.02, 0.5 at 0.05, 0.8 at 0.1, 1 at 0.2 mm. Boe and Super",
		"freshness: how recent the inputs are 1.00", "agreement: how well independent sources agree 0.81",
		"The agent acts 18 min after release (80 % between 14 and 25 min), in the mean 11 km ENE of the site", "94 % of the members get there",
		"Its ice reaches the ground 47 min after release (80 % between 38 and 61 min)", "Upper Larkspur basin 62 % (± 5) 62 22 4 3", "91 landed (91 %), 6 found no liquid (6 %), 3 left the domain at its side (3 %)",
		"are not drawn", "Band 3 (28 dBZ at most, 80 % sure) is over the zone from 23:22 MST / 06:22 UTC",
		"Before anything else a person must look: Snow water.", "10 units, one begun every 4 min, from 22:57 MST / 05:57 UTC to 23:37 MST / 06:37 UTC; 160 g of agent in all",
		"A suggestion to the licensed operator, who decides. Not a command.", "daily limit of the site: 200 g, 32 g used, 168 g left",
		"Public warnings (Saddlehorn Bench)", "KXYZ20260114_053600_V06", strings.Repeat("0e", 32)+" Programme file larkspur.yaml", "12 min later than the 03 UTC run said",
		"Silver-iodide flares and generators are pyrotechnic and chemical devices")
	says(t, pages["evidence tamarack"], "HOLD – Tamarack Ridge", "Now on hold: nothing should be released in the windows below.", "held Ridge wind: Wind at tamarack",
		"Would lift it: a value below 19 m/s; then a person lifts it. May lift it: licensed manager.")
	says(t, pages["evidence moth-hollow"], "BLIND – Moth Hollow", "Blind is not quiet: look for yourself")
	says(t, pages["evidence far-larch"], "HOLD – Far Larch", "The message has no path, so there is no drift path and no section.", "No member finds supercooled water", "no recent model")
	for _, name := range []string{"evidence saddlehorn", "evidence tamarack"} {
		for _, want := range []string{`href="saddlehorn.json"`, `href="saddlehorn.geojson"`, `id="map-title"`, `id="section-title"`, `id="outlook-title"`} {
			want = strings.ReplaceAll(want, "saddlehorn", strings.TrimPrefix(name, "evidence "))
			if !strings.Contains(pages[name], want) {
				t.Errorf("%s: no %s", name, want)
			}
		}
	}
}

func TestHoldsSays(t *testing.T) {
	page := allPages(t, boardOf(storm(t)))["holds"]
	says(t, page, "2 held 1 cannot be judged 1 review 10 clear", "Judged 22:41 MST / 05:41 UTC (60 s ago), after: gauge larkspur-bridge of 05:33 UTC",
		"Would lift it a value below 19 m/s; then a person lifts it May lift it licensed manager", "Ends by itself Wed 00:17 MST / 07:17 UTC (in 95 min)",
		"wind at tamarack by station: 31.0 m/s, used, 22:34 MST / 05:34 UTC (8 min ago), at most 60 min old", "report of far-larch: stale",
		"Code of Colorado Regulations", "precipitation, highest Upper Larkspur basin radar 2.2 mm/h, 82 % of the place seen", "forecast, highest of 2 times 3.1 mm/h, 0 % of it rain",
		"wind Tamarack Ridge station 23 m/s, gusts 31, from W (260°)", "the radar does not see the south-eastern 18 %", "Nothing is set or lifted on this page")
	if held, clear := strings.Index(page, "c-gale"), strings.Index(page, "c-creek"); held < 0 || clear < held {
		t.Errorf("the worst is not first: %d, %d", held, clear)
	}
}

func TestAlertsSays(t *testing.T) {
	s := storm(t)
	says(t, allPages(t, boardOf(s))["alerts"], "The last 4, the newest first.", "WINDOW OPEN: Saddlehorn Bench, until Wed 00:20 MST", "22:24 MST / 05:24 UTC (18 min ago); window open; repeated, step 1 of escalation",
		"answered by Imogen Tarn, 21:50 MST / 04:50 UTC (52 min ago), by command", "pager: retrying, 22:11 MST / 05:11 UTC; 503 Service Unavailable", "Nobody has answered yet.")
	b := boardOf(s)
	b.Programmes[0].Alerts = nil
	says(t, allPages(t, b)["alerts"], "No alert is on record.")
	b.Programmes[0].AlertsRead = false
	says(t, allPages(t, b)["alerts"], "The record of alerts could not be read. That none is listed does not mean that there was none.")
	says(t, allPages(t, b)["overview"], "The record of alerts could not be read.")
}

func TestCriteriaSays(t *testing.T) {
	s := storm(t)
	pages := allPages(t, boardOf(s))
	for _, name := range []string{"criteria", "criteria alone"} {
		says(t, pages[name], "Suspension criteria Larkspur Valley winter programme (invented) (larkspur)", "SHA-256 "+s.Programme.SHA256, "1. Larkspur Creek (creek) river Sites all Targets all Suspends stage at or above 2.4 m Review stage at or above 2 m",
			"Lifted by licensed manager, duty meteorologist, when its cause is gone", "2. Ridge wind (gale) wind Sites tamarack", "Note The burner's stand is not made for more.",
			"Approved by the licensed manager of the programme Name Imogen Tarn Licence number WM-0000 Date Signature", "The permit, the licensed operator, local code and any order of an authority prevail over this page")
	}
	if alone := styleText.ReplaceAllString(pages["criteria alone"], ""); strings.Contains(alone, "href=\"..") || strings.Contains(alone, "icon.svg") || strings.Contains(alone, "<script") {
		t.Error("the page that stands alone leads elsewhere")
	}
	if !strings.Contains(style, "@media print") || !strings.Contains(style, "@page") {
		t.Error("no style for paper")
	}
	none := programme.Programme{ID: "bare", Name: "Bare", File: "bare.yaml", Timezone: "UTC"}
	body, err := Criteria("", &none, false, true)
	if err != nil {
		t.Fatal(err)
	}
	says(t, string(body), "nothing suspends seeding but holds that a person sets")
}

// The form is the only place of the token, and acknowledges by POST alone.
func TestAckForm(t *testing.T) {
	b := boardOf(storm(t))
	p := b.Programmes[0]
	body, err := AckForm("", b, p, AckPage{Alert: p.Alerts[0].Alert.ID, To: "duty-mail", Token: "tok.en", Known: &p.Alerts[0]})
	if err != nil {
		t.Fatal(err)
	}
	page := string(body)
	if strings.Count(page, "tok.en") != 1 || !strings.Contains(page, `<input type="hidden" name="token" value="tok.en">`) || !strings.Contains(page, `<form method="post" action="ack"`) {
		t.Error("the token is elsewhere than in the form")
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "http-equiv") {
		t.Error("the form needs a script, or is read again")
	}
	says(t, page, "Do you take care of this alert?", "WINDOW OPEN: Saddlehorn Bench", "“reader of duty-mail”", "No hold is lifted, nothing is released.")
	if body, err = AckDone("", b, p, AckPage{Alert: "x", To: "duty-mail", Token: "tok.en", Known: &p.Alerts[2]}, "Imogen Tarn"); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(body), "tok.en") {
		t.Error("the token is on the page after it")
	}
	says(t, string(body), "Imogen Tarn takes care of it, 22:42 MST / 05:42 UTC", "That lifts no hold and opens no window.")
}

func TestAlertWithoutAnything(t *testing.T) {
	b := boardOf(storm(t))
	p := b.Programmes[0]
	p.Alerts = []Alert{{Alert: alert.Alert{Kind: "rumour"}}}
	for name, page := range allPages(t, b) {
		if strings.Contains(page, "0001-01-01") {
			t.Errorf("%s: shows a time that is none", name)
		}
	}
}
