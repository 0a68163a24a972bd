package alert

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net/mail"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"
)

// nasty are names that try to leave their place: header injection, terminal
// escapes, writing from right to left, broken UTF-8, XML, templates, shells.
var nasty = []string{
	"Saddlehorn\r\nBcc: all@example.org\r\n\r\nhello", "a\nb", "a\rb", "a\x00b", "\x1b[2Jgone", "safe\u202eelbaton", "\u2028line\u2029para\u0085nel",
	"\xff\xfe broken", "</description><status>Actual</status>", "]]>&amp;<!--", `"; rm -rf / #`, "$(reboot)`reboot`", "{subject}", "=?utf-8?q?=0D=0ABcc:_x?=", "",
	"Ängelholm Förråd", "雪の山", strings.Repeat("é", 500), strings.Repeat("x", 5000), "a,b<c&d>e", "\u200b\ufeff", "e\u0301" + strings.Repeat("\u0301", 100), "%s%n%d", "..", "--", "😀 site",
}

func nastyAlert(kind Kind, change Change, level, name string) Alert {
	return Alert{ID: "larkspur-20260114T060000Z-x-0123456789ab", Thread: "larkspur-20260114T0600Z", Kind: kind, Change: change, Level: level, Severity: Severe,
		Programme: "larkspur", ProgrammeName: name, Sites: []SiteRef{{ID: name, Name: name, LatitudeDeg: 44, LongitudeDeg: -114, Start: at(1, 0), End: at(2, 0), NotReady: name, Held: name}, {ID: "b", Name: name}},
		Raised: at(0, 0), Expires: at(12, 0), Start: at(1, 0), Best: at(1, 30), End: at(2, 0), Subject: name, Reasons: []string{name, name}, Certainty: name, Stoppers: []string{name},
		LiftedBy: name, Lifts: name, Evidence: []Link{{name, name}, {name, "https://gauges.example/" + name}}, Caution: Caution, AckBy: name, Contact: name, Supersedes: []Reference{{"x", at(0, 0)}, {name, at(0, 0)}}}
}

// checkMessage holds a message to its bounds: nothing unprintable, one line where
// one is promised, and the caution in every channel.
func checkMessage(m Message, exercise bool) error {
	for _, part := range []struct {
		name, text string
		most       int
		lines      bool
	}{{"subject", m.Subject, 78, false}, {"short", m.Short, 160, false}, {"body", m.Body, 1 << 20, true}} {
		if !utf8.ValidString(part.text) || utf8.RuneCountInString(part.text) > part.most || strings.TrimSpace(part.text) == "" {
			return fmt.Errorf("%s of %d characters: %q", part.name, utf8.RuneCountInString(part.text), part.text)
		}
		for _, r := range part.text {
			if !unicode.IsPrint(r) && !(part.lines && r == '\n') {
				return fmt.Errorf("%s holds %q: %q", part.name, r, part.text)
			}
		}
		if strings.Contains(strings.ToUpper(part.text), "EXERCISE") != exercise && exercise {
			return fmt.Errorf("%s does not say that it is an exercise: %q", part.name, part.text)
		}
	}
	if !strings.Contains(m.Short, "permit") || !strings.Contains(m.Body, "Advice only") || !strings.Contains(m.Body, "pyrotechnic") {
		return fmt.Errorf("the caution is missing: %q", m.Short)
	}
	return nil
}

func everyAlert(yield func(Alert) bool) {
	changes := []Change{ChangeNew, ChangeWorse, ChangeLater, ChangeSoon, ChangeOver, ChangeLowered, ChangeRepeat, ChangeEscalated, ChangeAcknowledged, "strange"}
	for _, kind := range append([]Kind{"strange\r\nkind"}, Kinds...) {
		for _, change := range changes {
			for _, level := range []string{"", "review", "unknown", "held"} {
				for _, name := range nasty {
					a := nastyAlert(kind, change, level, name)
					if !yield(a) {
						return
					}
				}
			}
		}
	}
}

func TestNoNameLeavesItsPlace(t *testing.T) {
	s := readSchema(t)
	n := 0
	for a := range everyAlert {
		a.Exercise = n%2 == 0
		a.UnansweredS = (n % 3) * 3000
		n++
		m := Text(a, denver)
		if err := checkMessage(m, a.Exercise); err != nil {
			t.Fatalf("%s %s: %v", a.Kind, a.Change, err)
		}
		if n%7 != 0 {
			continue
		}
		b, err := CAP(a, larkspur, "")
		if err != nil {
			t.Fatal(err)
		}
		if err := s.validate(b); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
		if err := capRules(b); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
		if err := checkMail(letter(a, m, nil)); err != nil {
			t.Fatalf("%v\n%s", err, letter(a, m, nil).Encode())
		}
	}
}

func letter(a Alert, m Message, attachments []Attachment) Mail {
	return Mail{From: mail.Address{Name: a.ProgrammeName, Address: "seeding@larkspur.example"}, To: []mail.Address{{Name: a.ProgrammeName, Address: "duty@larkspur.example"}, {Address: "b@larkspur.example"}}, Alert: a, Message: m, Attachments: attachments}
}

// checkMail reads a mail with the standard library, and finds in it what was put in
// and nothing else.
func checkMail(l Mail) error {
	b := l.Encode()
	for _, text := range strings.Split(strings.TrimSuffix(string(b), "\r\n"), "\r\n") {
		if len(text) > 998 { // RFC 5322, 2.1.1
			return fmt.Errorf("a line of %d bytes", len(text))
		}
		for _, c := range []byte(text) {
			if c == '\r' || c == '\n' || c > 126 || c < 32 && c != '\t' {
				return fmt.Errorf("byte %d in %q", c, text)
			}
		}
	}
	m, err := mail.ReadMessage(strings.NewReader(string(b)))
	if err != nil {
		return err
	}
	allowed := []string{"From", "To", "Subject", "Date", "Message-Id", "In-Reply-To", "References", "Auto-Submitted", "Importance", "Mime-Version", "Content-Type", "Content-Transfer-Encoding"}
	for name, values := range m.Header {
		if !slices.Contains(allowed, name) || len(values) != 1 {
			return fmt.Errorf("header %s: %q", name, values)
		}
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil || subject != strings.ReplaceAll(l.Message.Subject, "=?", "= ?") {
		return fmt.Errorf("subject %q, want %q (%v)", subject, l.Message.Subject, err)
	}
	to, err := m.Header.AddressList("To")
	if err != nil || len(to) != len(l.To) || to[0].Address != l.To[0].Address {
		return fmt.Errorf("to %v (%v)", to, err)
	}
	if from, err := m.Header.AddressList("From"); err != nil || len(from) != 1 || from[0].Address != l.From.Address {
		return fmt.Errorf("from %v (%v)", from, err)
	}
	if date, err := m.Header.Date(); err != nil || !date.Equal(l.Alert.Raised.Truncate(time.Second)) {
		return fmt.Errorf("date %v (%v)", date, err)
	}
	if id := m.Header.Get("Message-Id"); !strings.HasPrefix(id, "<") || !strings.HasSuffix(id, "@larkspur.example>") || strings.ContainsAny(id, " \t") {
		return fmt.Errorf("message id %q", id)
	}
	mediaType, parameters, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil {
		return err
	}
	body := m.Body
	if mediaType == "multipart/mixed" {
		reader := multipart.NewReader(m.Body, parameters["boundary"])
		for k := -1; k < len(l.Attachments); k++ {
			part, err := reader.NextRawPart()
			if err != nil {
				return fmt.Errorf("part %d: %w", k, err)
			}
			if k < 0 {
				text, err := io.ReadAll(quotedprintable.NewReader(part))
				if err != nil {
					return err
				}
				body = strings.NewReader(string(text))
				if !strings.Contains(string(text), "Advice only") {
					return fmt.Errorf("body %q", text)
				}
				continue
			}
			if name := part.FileName(); name == "" || strings.ContainsAny(name, `/\ "`) {
				return fmt.Errorf("file name %q", name)
			}
		}
		if _, err := reader.NextRawPart(); err != io.EOF {
			return fmt.Errorf("a part too many: %v", err)
		}
		return nil
	}
	text, err := io.ReadAll(quotedprintable.NewReader(body))
	if err != nil {
		return err
	}
	if got, want := strings.ReplaceAll(strings.TrimRight(string(text), "\r\n"), "\r\n", "\n"), strings.TrimRight(l.Message.Body, "\n"); len(want) < 2000 && got != want {
		return fmt.Errorf("body %q, want %q", got, want)
	}
	return nil
}

func TestMail(t *testing.T) {
	e := engine(t, dutyConfig())
	s, alerts := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 0))
	_, second := e.Step(s, holds(criterion("slope", OutcomeHeld, "saddlehorn")), at(0, 5))
	a := alerts[0]
	pictures := []Attachment{{"map.png", "image/png", []byte("\x89PNG picture")}, {"../../etc/passwd", "text/html\r\nX: y", []byte("x")}}
	for _, attachments := range [][]Attachment{nil, pictures} {
		if err := checkMail(letter(a, Text(a, denver), attachments)); err != nil {
			t.Error(err)
		}
	}
	read := func(a Alert) mail.Header {
		m, err := mail.ReadMessage(strings.NewReader(string(letter(a, Text(a, denver), nil).Encode())))
		if err != nil {
			t.Fatal(err)
		}
		return m.Header
	}
	one, again, two := read(a), read(a), read(second[0])
	if one.Get("Message-Id") != again.Get("Message-Id") || one.Get("Message-Id") == two.Get("Message-Id") {
		t.Errorf("ids %s, %s, %s", one.Get("Message-Id"), again.Get("Message-Id"), two.Get("Message-Id"))
	}
	if one.Get("References") == "" || one.Get("References") != two.Get("References") || one.Get("In-Reply-To") != two.Get("In-Reply-To") {
		t.Errorf("threads %s and %s", one.Get("References"), two.Get("References"))
	}
}

// What a tired person reads first, in the zone of the programme.
func TestWords(t *testing.T) {
	site := SiteRef{ID: "saddlehorn", Name: "Saddlehorn"}
	for _, test := range []struct {
		a    Alert
		want string
	}{
		{Alert{Kind: HoldRaised, Change: ChangeNew, Level: "held", Subject: "flood warning", Sites: []SiteRef{site, {Name: "Quillback Flat"}}, Raised: at(0, 0)}, "HOLD, do not seed (flood warning): Saddlehorn, Quillback Flat"},
		{Alert{Kind: HoldRaised, Change: ChangeNew, Level: "unknown", Subject: "river", Sites: []SiteRef{site}, Raised: at(0, 0)}, "HOLD, do not seed (river), cannot be judged: Saddlehorn"},
		{Alert{Kind: WindowOpen, Change: ChangeNew, Sites: []SiteRef{site}, Raised: at(8, 0), End: at(9, 30)}, "WINDOW OPEN: Saddlehorn, until 08:30 MST"},
		{Alert{Kind: WindowAhead, Change: ChangeNew, Sites: []SiteRef{site}, Raised: at(8, 0), Start: at(13, 10), End: at(15, 0), Exercise: true}, "EXERCISE Window ahead: Saddlehorn, 12:10-14:00 MST (in 5 h)"},
		{Alert{Kind: HoldLifted, Change: ChangeOver, Subject: "river", Sites: []SiteRef{{Name: "Saddlehorn", Held: "slope"}}, Raised: at(8, 0)}, "Lifted (river), STILL HELD: Saddlehorn"},
		{Alert{Kind: HoldRaised, Change: ChangeRepeat, Level: "held", Subject: "river", Sites: []SiteRef{site}, Raised: at(8, 0), UnansweredS: 1200}, "UNANSWERED 20 min: HOLD, do not seed (river): Saddlehorn"},
		// Clocks go back on 2026-11-01: 01:30 comes twice.
		{Alert{Kind: WindowAhead, Change: ChangeNew, Sites: []SiteRef{site}, Raised: time.Date(2026, 11, 1, 6, 30, 0, 0, time.UTC),
			Start: time.Date(2026, 11, 1, 7, 30, 0, 0, time.UTC), End: time.Date(2026, 11, 1, 8, 30, 0, 0, time.UTC)}, "Window ahead: Saddlehorn, 01:30 MDT-01:30 MST (in 60 min)"},
		// And forward on 2026-03-08: 01:30 to 03:30 is one hour.
		{Alert{Kind: WindowAhead, Change: ChangeNew, Sites: []SiteRef{site}, Raised: time.Date(2026, 3, 8, 7, 30, 0, 0, time.UTC),
			Start: time.Date(2026, 3, 8, 8, 30, 0, 0, time.UTC), End: time.Date(2026, 3, 8, 9, 30, 0, 0, time.UTC)}, "Window ahead: Saddlehorn, 01:30 MST-03:30 MDT (in 60 min)"},
	} {
		if got := Text(test.a, denver).Subject; got != test.want {
			t.Errorf("subject %q, want %q", got, test.want)
		}
	}
	m := Text(Alert{Kind: WindowOpen, Change: ChangeNew, Sites: []SiteRef{site}, Raised: at(8, 0), End: at(9, 30)}, denver)
	if !strings.Contains(m.Body, "Wed 14 Jan 08:30 MST (14 Jan 15:30 UTC)") {
		t.Errorf("body without local and UTC time:\n%s", m.Body)
	}
	// A zone without letters is told by its distance (Asia/Dhaka, +06).
	if got := Text(Alert{Kind: WindowOpen, Sites: []SiteRef{site}, Raised: at(8, 0), End: at(9, 30)}, mustZone("Asia/Dhaka")).Subject; got != "WINDOW OPEN: Saddlehorn, until 21:30 UTC+06:00" {
		t.Errorf("subject %q", got)
	}
	// A link of acknowledgement stands where it is seen.
	if body := m.WithAck("https://x.example/?token=1").Body; strings.Index(body, "token=1") > 200 {
		t.Errorf("body\n%s", body)
	}
}

// FuzzText: whatever stands in an alert, words, mail and CAP keep their form.
func FuzzText(f *testing.F) {
	s := readSchema(f)
	for k, name := range nasty {
		f.Add(name, nasty[(k+7)%len(nasty)], uint8(k), uint8(k*3), int64(k)*1e9, int64(0), 44.0, .5)
	}
	f.Add("x", "y", uint8(1), uint8(2), int64(-1<<62), int64(1<<62), math.NaN(), math.Inf(1))
	levels := []string{"", "review", "unknown", "held"}
	changes := []Change{ChangeNew, ChangeWorse, ChangeLater, ChangeSoon, ChangeOver, ChangeLowered, ChangeRepeat, ChangeEscalated, ChangeAcknowledged, "strange"}
	f.Fuzz(func(t *testing.T, name, other string, kind, change uint8, raised, start int64, latitude, confidence float64) {
		a := nastyAlert(Kinds[int(kind)%len(Kinds)], changes[int(change)%len(changes)], levels[int(kind)%4], name)
		a.Reasons, a.Sites[1].Name, a.Thread = []string{other}, other, other
		a.Raised, a.Start, a.End = time.Unix(raised%1e11, 0), time.Unix(start%1e11, 0), time.Unix(start%1e11+3600, 0)
		a.Sites[0].LatitudeDeg, a.Confidence, a.Score = latitude, &confidence, &latitude
		a.Exercise, a.UnansweredS = change%2 == 0, int(kind)*100
		m := Text(a, denver)
		if err := checkMessage(m, a.Exercise); err != nil {
			t.Fatal(err)
		}
		if y := a.Raised.UTC().Year(); y >= 1000 && y <= 9999 {
			if err := checkMail(letter(a, m, []Attachment{{other, other, []byte(other)}}[:min(len(other), 1)])); err != nil {
				t.Fatal(err)
			}
		}
		b, err := CAP(a, larkspur, "")
		if err != nil {
			return
		}
		if err := s.validate(b); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
		if err := capRules(b); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
	})
}

// FuzzStep: whatever comes in as JSON, a step neither panics nor loses a hold.
func FuzzStep(f *testing.F) {
	for _, ev := range storm()[:40] {
		b, err := json.Marshal(ev.in)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, int64(0))
	}
	f.Add([]byte(`{"Holds":{"holds":[{"criterion":"a|b","outcome":"held","sites":["\u0000"]}],"complete":true}}`), int64(-1e6))
	f.Add([]byte(`{"Ack":{"alert":""}}`), int64(1e9))
	// Moments that JSON cannot carry once they are in UTC.
	for _, moment := range []string{"9999-12-31T23:59:59-14:00", "0000-01-01T00:00:00+14:00"} {
		f.Add([]byte(`{"Health":{"worker":"w","state":"ok","stale":[{"id":"radar","newest":"`+moment+`"}]}}`), int64(700))
		f.Add([]byte(`{"Outlook":{"programme":"larkspur","site":{"id":"saddlehorn"},"issued_at":"`+moment+`","windows":[{"start":"`+moment+`","end":"`+moment+`"}]}}`), int64(60))
		f.Add([]byte(`{"Outlook":{"programme":"larkspur","site":{"id":"saddlehorn"},"issued_at":"2026-01-14T06:00:00Z","windows":[{"start":"2026-01-14T07:00:00Z","best":"`+moment+`","end":"`+moment+`"}]}}`), int64(60))
		f.Add([]byte(`{"Assessment":{"programme":"larkspur","site":{"id":"saddlehorn"},"as_of":"`+moment+`","state":"window","standing":{"state":"window","ahead":{"start":"2026-01-14T05:00:00Z","end":"`+moment+`"}}}}`), int64(60))
		f.Add([]byte(`{"Assessment":{"programme":"larkspur","site":{"id":"saddlehorn"},"as_of":"2026-01-14T06:00:00Z","state":"window","standing":{"state":"window","ahead":{"start":"2026-01-14T05:00:00Z","end":"`+moment+`"}}}}`), int64(60))
		f.Add([]byte(`{"Release":{"programme":"larkspur","site":"saddlehorn","grams":1,"start":"`+moment+`","end":"`+moment+`"}}`), int64(60))
	}
	e := engine(f, dutyConfig())
	begun, _ := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 0))
	f.Fuzz(func(t *testing.T, b []byte, seconds int64) {
		var in Input
		if json.Unmarshal(b, &in) != nil {
			return
		}
		now := stormStart.Add(time.Duration(seconds%1e8) * time.Second)
		s, alerts := e.Step(begun, in, now)
		if _, err := json.Marshal(s); err != nil {
			t.Fatalf("state: %v", err)
		}
		if due := e.Next(s); !due.IsZero() && !due.After(s.Now) {
			t.Fatalf("after %s something is due at %s", s.Now, due)
		}
		for _, a := range alerts {
			if _, err := json.Marshal(a); err != nil {
				t.Fatalf("alert: %v", err)
			}
			if err := checkMessage(Text(a, denver), false); err != nil {
				t.Fatal(err)
			}
		}
		if in.Holds == nil && !s.look().held["saddlehorn"] {
			t.Fatal("the hold is forgotten")
		}
		e.Step(s, Input{}, now.Add(time.Hour))
	})
}
