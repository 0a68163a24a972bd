package evaluate

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

var midnight = time.Date(2026, 1, 14, 0, 0, 0, 0, time.UTC)

// at is so many minutes after midnight.
func at(minutes int) time.Time { return midnight.Add(time.Duration(minutes) * time.Minute) }

func span(from, to int) Span { return Span{at(from), at(to)} }

var day = span(0, 1440)

func ExampleOperate() {
	o, _ := Operate(SiteRecord{
		Site: "Larkmoor", Period: Span{at(0), at(1440)},
		Windows:  []Span{{at(60), at(180)}, {at(600), at(660)}},
		Releases: []Span{{at(70), at(100)}, {at(590), at(610)}},
		Holds:    []Span{{at(90), at(120)}},
	})
	fmt.Println(o)
	// Output: Larkmoor: 2 windows offered 180 min: 30 held, 30 used, 120 missed; 2 releases of 50 min, 1 of them with 10 min outside windows; 1 RELEASES WITH 10 MIN DURING A HOLD
}

func TestOperate(t *testing.T) {
	for _, test := range []struct {
		name   string
		record SiteRecord
		want   Operation
	}{
		{"nothing", SiteRecord{}, Operation{}},
		{"missed", SiteRecord{Windows: []Span{span(10, 40)}}, Operation{Windows: 1, WindowsOpen: 1, OfferedMinutes: 30, MissedMinutes: 30}},
		{"used in part", SiteRecord{Windows: []Span{span(10, 40)}, Releases: []Span{span(0, 20)}},
			Operation{Windows: 1, WindowsOpen: 1, WindowsUsed: 1, Releases: 1, OfferedMinutes: 30, UsedMinutes: 10, MissedMinutes: 20, ReleaseMinutes: 20, OutsideMinutes: 10, ReleasesOutside: 1}},
		{"two units at once", SiteRecord{Windows: []Span{span(10, 40)}, Releases: []Span{span(10, 30), span(20, 40)}},
			Operation{Windows: 1, WindowsOpen: 1, WindowsUsed: 1, Releases: 2, OfferedMinutes: 30, UsedMinutes: 30, ReleaseMinutes: 30}},
		{"held throughout", SiteRecord{Windows: []Span{span(10, 40)}, Holds: []Span{span(0, 60)}, Releases: []Span{span(15, 20)}},
			Operation{Windows: 1, Holds: 1, Releases: 1, OfferedMinutes: 30, HeldMinutes: 30, ReleaseMinutes: 5, HoldReleaseMinutes: 5, ReleasesInHold: 1}},
		{"release ends as the hold begins", SiteRecord{Windows: []Span{span(0, 60)}, Holds: []Span{span(30, 60)}, Releases: []Span{span(10, 30)}},
			Operation{Windows: 1, WindowsOpen: 1, WindowsUsed: 1, Holds: 1, Releases: 1, OfferedMinutes: 60, HeldMinutes: 30, UsedMinutes: 20, MissedMinutes: 10, ReleaseMinutes: 20}},
		{"still going, and before the period", SiteRecord{Windows: []Span{{at(-100), time.Time{}}}, Holds: []Span{{at(1400), time.Time{}}}, Releases: []Span{span(-50, -10), span(-10, 10)}},
			Operation{Windows: 1, WindowsOpen: 1, WindowsUsed: 1, Holds: 1, Releases: 1, OfferedMinutes: 1440, HeldMinutes: 40, UsedMinutes: 10, MissedMinutes: 1390, ReleaseMinutes: 10}},
		{"invalid", SiteRecord{Windows: []Span{span(40, 10), {time.Time{}, at(5)}}, Releases: []Span{span(5, 5)}}, Operation{Invalid: 2}},
		{"outside and held", SiteRecord{Holds: []Span{span(0, 30)}, Releases: []Span{span(10, 50)}},
			Operation{Holds: 1, Releases: 1, ReleaseMinutes: 40, OutsideMinutes: 40, ReleasesOutside: 1, HoldReleaseMinutes: 20, ReleasesInHold: 1}},
	} {
		test.record.Period = day
		got, err := Operate(test.record)
		if err != nil {
			t.Fatal(err)
		}
		written(t, got)
		share := got.UsedShare
		got.UsedShare, test.want.Period = Value{}, got.Period
		if got != test.want {
			t.Errorf("%s:\n got %#v\nwant %#v", test.name, got, test.want)
		}
		if share.Known() != (got.UsedMinutes+got.MissedMinutes > 0) {
			t.Errorf("%s: share %v", test.name, share)
		}
	}
	for _, period := range []Span{{}, {at(10), at(10)}, {at(10), at(5)}, {at(0), time.Time{}}, {at(0), midnight.AddDate(200, 0, 0)}, {at(0), time.Date(10001, 1, 1, 0, 0, 0, 0, time.UTC)}} {
		o, err := Operate(SiteRecord{Site: "x", Period: period})
		if err == nil || !strings.Contains(err.Error(), `site "x"`) {
			t.Errorf("period %v: %v", period, err)
		}
		if _, err := json.Marshal(o); err != nil {
			t.Errorf("period %v: %v", period, err)
		}
	}
}

func TestOperateMinuteByMinute(t *testing.T) {
	// Against a count over every minute of the day.
	random := rand.New(rand.NewPCG(3, 1))
	var all []Operation
	var offered, held, used, missed, released, outside, inHold int
	for range 300 {
		some := func() (s []Span) {
			for range random.IntN(6) {
				from := random.IntN(1500) - 30
				s = append(s, span(from, from+random.IntN(200)))
			}
			return s
		}
		r := SiteRecord{Period: day, Windows: some(), Releases: some(), Holds: some()}
		in := func(all []Span, minute int) bool {
			for _, s := range all {
				if !at(minute).Before(s.Start) && at(minute).Before(s.End) {
					return true
				}
			}
			return false
		}
		var want Operation
		for m := range 1440 {
			w, x, h := in(r.Windows, m), in(r.Releases, m), in(r.Holds, m)
			for _, c := range []struct {
				to  *float64
				sum *int
				yes bool
			}{
				{&want.OfferedMinutes, &offered, w}, {&want.HeldMinutes, &held, w && h}, {&want.UsedMinutes, &used, w && x && !h}, {&want.MissedMinutes, &missed, w && !x && !h},
				{&want.ReleaseMinutes, &released, x}, {&want.OutsideMinutes, &outside, x && !w}, {&want.HoldReleaseMinutes, &inHold, x && h},
			} {
				if c.yes {
					*c.to++
					*c.sum++
				}
			}
		}
		got := must(Operate(r))
		if got.OfferedMinutes != want.OfferedMinutes || got.HeldMinutes != want.HeldMinutes || got.UsedMinutes != want.UsedMinutes || got.MissedMinutes != want.MissedMinutes ||
			got.ReleaseMinutes != want.ReleaseMinutes || got.OutsideMinutes != want.OutsideMinutes || got.HoldReleaseMinutes != want.HoldReleaseMinutes {
			t.Fatalf("%+v:\n got %+v\nwant %+v", r, got, want)
		}
		if got.OfferedMinutes != got.HeldMinutes+got.UsedMinutes+got.MissedMinutes {
			t.Fatalf("parts do not sum: %+v", got)
		}
		all = append(all, got)
	}
	total := TotalOperation(all)
	if total.OfferedMinutes != float64(offered) || total.UsedMinutes != float64(used) || total.MissedMinutes != float64(missed) || total.HeldMinutes != float64(held) ||
		total.ReleaseMinutes != float64(released) || total.OutsideMinutes != float64(outside) || total.HoldReleaseMinutes != float64(inHold) || total.Period != day {
		t.Errorf("%+v", total)
	}
	check(t, "share", total.UsedShare.Float(), float64(used)/float64(used+missed), 1e-12, "definition")
	written(t, total)
	written(t, TotalOperation(nil))
}

func TestLeadAndDelay(t *testing.T) {
	l := LeadTimesOf([]Announced{{at(600), at(480)}, {at(600), at(585)}, {at(600), at(610)}, {Start: at(600)}, {Announced: at(1)}})
	if l.Unannounced != 1 || l.Late != 1 || l.Minutes.Counts != (Counts{Used: 3, Invalid: 1}) {
		t.Errorf("%+v", l)
	}
	check(t, "median", l.Minutes.Median.Float(), 15, 0, "by hand")
	check(t, "least", l.Minutes.Min.Float(), -10, 0, "by hand")
	check(t, "mean", l.Minutes.Mean.Float(), 125./3, 1e-12, "by hand")
	for _, w := range l.Within {
		if want := map[float64]float64{15: .5, 30: .25, 60: .25}[w.Minutes]; w.Share.Float() != want {
			t.Errorf("%v minutes ahead: %v, want %v", w.Minutes, w.Share, want)
		}
	}
	written(t, l)
	a := AcknowledgementsOf([]Raised{{at(0), at(2)}, {at(0), at(8)}, {at(0), at(45)}, {Raised: at(0)}, {at(5), at(1)}, {}})
	if a.Unanswered != 1 || a.Minutes.Counts != (Counts{Used: 3, Invalid: 2}) {
		t.Errorf("%+v", a)
	}
	check(t, "median", a.Minutes.Median.Float(), 8, 0, "by hand")
	for _, w := range a.Within {
		if want := map[float64]float64{1: 0, 5: .25, 10: .5, 15: .5, 30: .5, 60: .75}[w.Minutes]; w.Share.Float() != want {
			t.Errorf("within %v minutes: %v, want %v", w.Minutes, w.Share, want)
		}
	}
	written(t, a)
	if l, a := LeadTimesOf(nil), AcknowledgementsOf(nil); l.Within[0].Share.Known() || a.Within[0].Share.Known() || l.Minutes.Median.Known() {
		t.Errorf("of nothing: %v, %v", l, a)
	}
}
