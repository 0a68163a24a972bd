package hydro

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/testfiles"
)

// Invented messages of an invented office; noon is when it all is judged.
var noon = time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC)

type change func(*Warning)

func message(identifier string, changes ...change) Warning {
	w := Warning{Identifier: identifier, Sender: "office@larkmoor.example", Sent: noon.Add(-3 * time.Hour), Status: StatusActual, MsgType: MsgAlert, Scope: "Public",
		Infos: []Info{{Language: "en-US", Event: "Flood Warning", Urgency: "Expected", Severity: "Severe", Certainty: "Likely",
			Effective: noon.Add(-3 * time.Hour), Onset: noon.Add(-2 * time.Hour), Expires: noon.Add(2 * time.Hour),
			Areas: []Area{{Geocodes: map[string][]string{"UGC": {"LMZ001", "LMZ002"}}}}}}}
	for _, c := range changes {
		c(&w)
	}
	return w
}

func msgType(k string) change { return func(w *Warning) { w.MsgType = k } }
func status(s string) change  { return func(w *Warning) { w.Status = s } }
func sent(hours float64) change {
	return func(w *Warning) { w.Sent = noon.Add(time.Duration(hours * float64(time.Hour))) }
}
func expires(hours float64) change {
	return func(w *Warning) { w.Infos[0].Expires = noon.Add(time.Duration(hours * float64(time.Hour))) }
}
func ends(hours float64) change {
	return func(w *Warning) { w.Infos[0].Ends = noon.Add(time.Duration(hours * float64(time.Hour))) }
}
func zonesOf(codes ...string) change {
	return func(w *Warning) { w.Infos[0].Areas = []Area{{Geocodes: map[string][]string{"UGC": codes}}} }
}
func refers(old ...Warning) change {
	return func(w *Warning) {
		for _, o := range old {
			w.References = append(w.References, Reference{o.Sender, o.Identifier, o.Sent})
		}
	}
}
func code(text string) change {
	return func(w *Warning) {
		w.Infos[0].Parameters = map[string][]string{"VTEC": {text}}
		w.complete(&w.Infos[0])
		w.Doubts = nil
	}
}

// vtec writes a code of a Flood Warning with its end, hours from noon; 0 is
// until further notice.
func vtec(action string, number int, endHours float64) change {
	end := "000000T0000Z"
	if endHours != 0 {
		end = noon.Add(time.Duration(endHours * float64(time.Hour))).Format("060102T1504Z")
	}
	return code(fmt.Sprintf("/O.%s.KLMR.FL.W.%04d.000000T0000Z-%s/", action, number, end))
}

func names(all []Warning) string {
	var out []string
	for _, w := range all {
		out = append(out, w.Identifier)
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

func (s Standing) lists() map[string][]Warning {
	return map[string][]Warning{"current": s.Current, "superseded": s.Superseded, "cancelled": s.Cancelled, "ended": s.Ended, "not actual": s.NotActual, "notices": s.Notices, "repeated": s.Repeated}
}

func (s Standing) count() int {
	n := 0
	for _, l := range s.lists() {
		n += len(l)
	}
	return n
}

// Rules of CAP 1.2, section 3.2.1 (status, msgType, references) and 3.2.2
// (effective, onset, expires), and of NWS Instruction 10-1703, 1.7 and 2.1.2.
func TestStanding(t *testing.T) {
	old := message("old", sent(-5))
	coded := message("old", sent(-5), vtec("NEW", 7, 6))
	tests := []struct {
		name  string
		in    []Warning
		where map[string]string // list: identifiers; what is not named is current
		doubt string            // of a current one
	}{
		{"alone", []Warning{old}, nil, ""},
		{"expired", []Warning{message("a", expires(-0.01))}, map[string]string{"ended": "a"}, ""},
		{"expires this moment", []Warning{message("a", expires(0))}, map[string]string{"ended": "a"}, ""},
		{"expires in a second", []Warning{message("a", expires(1.0/3600))}, nil, ""},
		{"the product expired, the event goes on", []Warning{message("a", expires(-1), ends(5))}, nil, ""},
		{"the event ended, the product goes on", []Warning{message("a", expires(2), ends(-1))}, map[string]string{"ended": "a"}, ""},
		{"not yet begun", []Warning{message("a", func(w *Warning) { w.Infos[0].Onset = noon.Add(time.Hour) })}, nil, ""},
		{"no end at all", []Warning{message("a", func(w *Warning) { w.Infos[0].Expires = time.Time{} })}, nil, "neither when it ends"},
		{"until further notice, expired", []Warning{message("a", expires(-20), vtec("CON", 7, 0))}, nil, "no other has come"},
		{"until further notice", []Warning{message("a", vtec("CON", 7, 0))}, nil, ""},
		{"test, exercise, draft, system", []Warning{message("a", status("Test")), message("b", status("Exercise")), message("c", status("Draft")), message("d", status("System"))},
			map[string]string{"not actual": "a b c d"}, ""},
		{"a status that is none", []Warning{message("a", status("actual"))}, nil, ""},
		{"test by its VTEC", []Warning{message("a", code("/T.NEW.KLMR.FL.W.0007.000000T0000Z-260115T1800Z/"))}, map[string]string{"not actual": "a"}, ""},
		{"update", []Warning{old, message("new", msgType(MsgUpdate), refers(old))}, map[string]string{"superseded": "old"}, ""},
		{"update listed first", []Warning{message("new", msgType(MsgUpdate), refers(old)), old}, map[string]string{"superseded": "old"}, ""},
		{"cancel", []Warning{old, message("new", msgType(MsgCancel), refers(old))}, map[string]string{"cancelled": "old", "notices": "new"}, ""},
		{"cancel without info", []Warning{old, message("new", msgType(MsgCancel), refers(old), func(w *Warning) { w.Infos = nil })}, map[string]string{"cancelled": "old", "notices": "new"}, ""},
		{"an alert with references takes nobody's place", []Warning{old, message("new", refers(old))}, nil, ""},
		{"test cancel", []Warning{old, message("new", msgType(MsgCancel), status("Test"), refers(old))}, map[string]string{"not actual": "new"}, ""},
		{"exercise update", []Warning{old, message("new", msgType(MsgUpdate), status("Exercise"), refers(old))}, map[string]string{"not actual": "new"}, ""},
		{"error and ack do not cancel", []Warning{old, message("e", msgType(MsgError), refers(old)), message("k", msgType(MsgAck), refers(old))}, map[string]string{"notices": "e k"}, ""},
		{"cancel by another sender", []Warning{old, message("new", msgType(MsgCancel), refers(old), func(w *Warning) { w.Sender = "someone@else.example" })}, map[string]string{"notices": "new"}, ""},
		{"reference to another sender's message of that name", []Warning{old, message("new", msgType(MsgCancel), refers(old), func(w *Warning) { w.References[0].Sender = "someone@else.example" })}, map[string]string{"notices": "new"}, ""},
		{"reference with another time", []Warning{old, message("new", msgType(MsgCancel), refers(old), func(w *Warning) { w.References[0].Sent = noon })}, map[string]string{"notices": "new"}, ""},
		{"reference whose time is not known", []Warning{old, message("new", msgType(MsgCancel), refers(old), func(w *Warning) { w.References[0].Sent = time.Time{} })}, map[string]string{"notices": "new"}, ""},
		{"neither the message's nor the reference's time is known", []Warning{message("old", func(w *Warning) { w.Sent = time.Time{} }), message("new", msgType(MsgCancel), refers(message("old", func(w *Warning) { w.Sent = time.Time{} })))}, map[string]string{"notices": "new"}, ""},
		{"VTEC: no zones", []Warning{message("old", sent(-5), vtec("NEW", 7, 6), zonesOf()), message("new", vtec("CON", 7, 6), zonesOf())}, nil, ""},
		{"VTEC: cancelled by a message of no known status", []Warning{coded, message("new", msgType(MsgCancel), status("actual"), vtec("CAN", 7, 6))}, map[string]string{"notices": "new"}, ""},
		{"cancel older than what it cancels", []Warning{old, message("new", msgType(MsgCancel), sent(-6), refers(old))}, map[string]string{"notices": "new"}, ""},
		{"cancel that is still to be sent", []Warning{old, message("new", msgType(MsgCancel), sent(1), refers(old))}, map[string]string{"notices": "new"}, ""},
		{"update of itself", []Warning{message("a", msgType(MsgUpdate), func(w *Warning) { w.References = []Reference{{w.Sender, w.Identifier, w.Sent}} })}, nil, ""},
		{"chain", []Warning{old, message("b", msgType(MsgUpdate), sent(-4), refers(old)), message("c", msgType(MsgUpdate), sent(-3), refers(old, message("b", sent(-4))))}, map[string]string{"superseded": "b old"}, ""},
		{"chain with its middle lost", []Warning{old, message("c", msgType(MsgUpdate), refers(message("b", sent(-4))))}, nil, ""},
		{"part cancelled, part goes on", []Warning{old, message("con", msgType(MsgUpdate), refers(old), zonesOf("LMZ001")), message("can", msgType(MsgCancel), refers(old), zonesOf("LMZ002"))},
			map[string]string{"superseded": "old", "notices": "can"}, ""},
		{"part cancelled, the rest has not come", []Warning{old, message("can", msgType(MsgCancel), refers(old), zonesOf("LMZ002"))}, map[string]string{"notices": "can"}, "no message has come for LMZ001"},
		{"repeated", []Warning{old, old, message("b")}, map[string]string{"repeated": "old"}, ""},
		{"same name, another text", []Warning{old, message("old", sent(-5), expires(5))}, nil, ""},
		{"from the future", []Warning{message("a", sent(1))}, nil, "still to come"},
		{"a minute ahead", []Warning{message("a", sent(1.0/60))}, nil, ""},

		{"VTEC: continued without references", []Warning{coded, message("new", vtec("CON", 7, 6))}, map[string]string{"superseded": "old"}, ""},
		{"VTEC: another number", []Warning{coded, message("new", vtec("CON", 8, 6))}, nil, ""},
		{"VTEC: another sender", []Warning{coded, message("new", vtec("CON", 7, 6), func(w *Warning) { w.Sender = "x" })}, nil, ""},
		{"VTEC: fewer zones", []Warning{coded, message("new", vtec("CON", 7, 6), zonesOf("LMZ001"))}, nil, ""},
		{"VTEC: more zones", []Warning{coded, message("new", vtec("EXA", 7, 6), zonesOf("LMZ001", "LMZ002", "LMZ003"))}, map[string]string{"superseded": "old"}, ""},
		{"VTEC: cancelled in an Update", []Warning{coded, message("new", msgType(MsgUpdate), vtec("CAN", 7, 6))}, map[string]string{"cancelled": "new old"}, ""},
		{"VTEC: cancelled by a test", []Warning{coded, message("new", msgType(MsgUpdate), status("Test"), vtec("CAN", 7, 6))}, map[string]string{"not actual": "new"}, ""},
		{"VTEC: cancelled later", []Warning{coded, message("new", sent(1), msgType(MsgCancel), vtec("CAN", 7, 6))}, map[string]string{"notices": "new"}, ""},
		{"VTEC: upgraded", []Warning{message("watch", sent(-5), code("/O.NEW.KLMR.WS.A.0001.260115T1200Z-260116T0000Z/")),
			message("warning", code("/O.UPG.KLMR.WS.A.0001.260115T1200Z-260116T0000Z/ /O.NEW.KLMR.WS.W.0003.260115T1200Z-260116T0600Z/"))}, map[string]string{"superseded": "watch"}, ""},
		{"VTEC: says that it will expire", []Warning{coded, message("new", vtec("EXP", 7, 1))}, map[string]string{"superseded": "old"}, ""},
		{"VTEC: has expired", []Warning{coded, message("new", vtec("EXP", 7, -0.1))}, map[string]string{"superseded": "old", "ended": "new"}, ""},
		{"VTEC: routine", []Warning{message("a", code("/O.ROU.KLMR.HY.S.0000.000000T0000Z-000000T0000Z/"))}, map[string]string{"notices": "a"}, ""},
		{"VTEC: the same number a year before", []Warning{message("old", sent(-24*330), vtec("NEW", 7, 6)), message("new", vtec("CON", 7, 6))}, nil, ""},
	}
	for _, test := range tests {
		s := Stand(test.in, noon)
		if s.count() != len(test.in) {
			t.Errorf("%s: %d of %d warnings come out", test.name, s.count(), len(test.in))
		}
		want := map[string]string{}
		for list, ids := range test.where {
			want[list] = ids
		}
		var rest []string
		for _, w := range test.in {
			elsewhere := false
			for _, ids := range test.where {
				elsewhere = elsewhere || slices.Contains(strings.Fields(ids), w.Identifier)
			}
			if !elsewhere {
				rest = append(rest, w.Identifier)
			}
		}
		if test.name == "repeated" {
			rest = append(rest, "old")
		}
		slices.Sort(rest)
		want["current"] = strings.Join(rest, " ")
		for list, got := range s.lists() {
			if names(got) != want[list] {
				t.Errorf("%s: %s is %q, want %q", test.name, list, names(got), want[list])
			}
		}
		var doubts []string
		for _, w := range s.Current {
			doubts = append(doubts, w.Doubts...)
		}
		if test.doubt == "" && len(doubts) > 0 || test.doubt != "" && !hasNote(doubts, test.doubt) {
			t.Errorf("%s: doubts %q, want %q", test.name, doubts, test.doubt)
		}
		for _, w := range test.in {
			if len(w.Doubts) > 0 {
				t.Errorf("%s: the doubt was written into the caller's warning", test.name)
			}
		}
	}
}

// Only the infos that have not ended stay.
func TestStandingInfos(t *testing.T) {
	w := message("a", expires(-1))
	later := w.Infos[0]
	later.Event, later.Expires = "Flood Watch", noon.Add(time.Hour)
	w.Infos = append(w.Infos, later)
	w.Doubts = append(make([]string, 0, 4), "one")
	got := Current([]Warning{w}, noon)
	got[0].doubt("two")
	if w.Doubts[:2][1] != "" {
		t.Error("a doubt was written into the caller's warning")
	}
	if len(got) != 1 || len(got[0].Infos) != 1 || got[0].Infos[0].Event != "Flood Watch" || len(w.Infos) != 2 {
		t.Errorf("got %+v", got)
	}
}

// The real list of 2025-12-15 21:55Z is one of active warnings: all of
// them stand at its own time, and each leaves when its own end says.
func TestStandingOfARealList(t *testing.T) {
	all, err := DecodeAlerts("west", testfiles.Read(t, "hydro/nws.alerts.west.20251215T2155Z.geojson"))
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2025, 12, 15, 21, 55, 0, 0, time.UTC)
	s := Stand(all, at)
	if len(s.Current) != 102 || s.count() != 102 {
		t.Errorf("%d of 102 stand: superseded %d, ended %d, cancelled %d", len(s.Current), len(s.Superseded), len(s.Ended), len(s.Cancelled))
	}
	counts := map[string]int{}
	for _, w := range s.Current {
		counts[w.Infos[0].Event]++
	}
	// Counts as the list of test files has them.
	for event, want := range map[string]int{"High Wind Watch": 25, "High Wind Warning": 21, "Flood Warning": 14, "Wind Advisory": 14, "Flood Watch": 9, "Winter Storm Watch": 6,
		"Air Stagnation Advisory": 3, "Fire Weather Watch": 2, "Air Quality Alert": 2} {
		if counts[event] != want {
			t.Errorf("%d %s, want %d", counts[event], event, want)
		}
	}
	// A month on, only what is until further notice stands, each with a doubt.
	for _, w := range Current(all, at.AddDate(0, 1, 0)) {
		if !w.Infos[0].UntilFurtherNotice || len(w.Doubts) == 0 {
			t.Errorf("%s %s still stands: %q", w.Identifier, w.Infos[0].Event, w.Doubts)
		}
	}
	// grep -c '000000T0000Z/"' in the file gives 9 codes without an end.
	if n := len(Current(all, at.AddDate(0, 1, 0))); n != 9 {
		t.Errorf("%d stand until further notice, want 9", n)
	}
}

// Whatever comes in, comes out once; order does not matter; and what is left out
// of the input never makes another message less current.
func TestStandingProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	pick := func(words ...string) string { return words[random.IntN(len(words))] }
	for range 2000 {
		var all []Warning
		for n := range 2 + random.IntN(6) {
			w := message(fmt.Sprint("m", n), sent(-float64(random.IntN(8))), expires(float64(random.IntN(6)-2)), msgType(pick(MsgAlert, MsgUpdate, MsgUpdate, MsgCancel, MsgAck)),
				status(pick("Actual", "Actual", "Actual", "Test")), zonesOf(pick("LMZ001", "LMZ002"), pick("LMZ001", "LMZ003")))
			if random.IntN(2) == 0 {
				vtec(pick("NEW", "CON", "EXT", "CAN", "EXP"), 1+random.IntN(2), float64(random.IntN(6)-2))(&w)
			}
			for _, o := range all {
				if random.IntN(3) == 0 {
					refers(o)(&w)
				}
			}
			all = append(all, w)
		}
		s := Stand(all, noon)
		if s.count() != len(all) {
			t.Fatalf("%d of %d", s.count(), len(all))
		}
		shuffled := slices.Clone(all)
		random.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		if got, want := names(Stand(shuffled, noon).Current), names(s.Current); got != want {
			t.Fatalf("in another order %q are current, not %q", got, want)
		}
		gone := random.IntN(len(all))
		fewer := slices.Delete(slices.Clone(all), gone, gone+1)
		current := strings.Fields(names(Current(fewer, noon)))
		for _, id := range strings.Fields(names(s.Current)) {
			if id != all[gone].Identifier && !slices.Contains(current, id) {
				t.Fatalf("%s is current among all, but not without %s", id, all[gone].Identifier)
			}
		}
	}
}
