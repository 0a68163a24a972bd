package source

import (
	"fmt"
	"slices"
	"testing"
	"time"
)

// turn is one volume of an invented radar: pieces every 5 s from its start.
type turn struct {
	number int
	start  string
	pieces int   // numbers 1 to this, the last one ends the volume
	lost   []int // never stored
	noEnd  bool  // the last one is stored as an intermediate
}

func (v turn) put(st *store, station string) {
	start := at(v.start)
	for n := 1; n <= v.pieces; n++ {
		kind := "I"
		switch {
		case n == 1:
			kind = "S"
		case n == v.pieces && !v.noEnd:
			kind = "E"
		}
		if slices.Contains(v.lost, n) {
			continue
		}
		key := fmt.Sprintf("%s/%d/%s-%03d-%s", station, v.number, start.Format("20060102-150405"), n, kind)
		st.put(key, start.Add(time.Duration(n)*5*time.Second), []byte(key))
	}
}

func TestVolumesInPieces(t *testing.T) {
	for _, test := range []struct {
		name  string
		old   []turn // stored before the first poll, at 12:00
		turns []turn
		want  []string // ID, pieces, complete
	}{
		{
			name: "one after the other",
			old:  []turn{{41, "2026-01-21T11:50:00Z", 49, nil, false}, {42, "2026-01-21T11:55:00Z", 49, nil, false}},
			turns: []turn{{43, "2026-01-21T12:00:10Z", 49, nil, false}, {44, "2026-01-21T12:05:10Z", 50, nil, false},
				{45, "2026-01-21T12:10:10Z", 49, nil, false}},
			want: []string{"20260121T115000Z 49 true", "20260121T115500Z 49 true", "20260121T120010Z 49 true", "20260121T120510Z 50 true", "20260121T121010Z 49 true"},
		},
		{
			name: "the numbers wrap, also over midnight of their names",
			old:  []turn{{998, "2026-01-21T11:55:00Z", 49, nil, false}},
			turns: []turn{{999, "2026-01-21T12:00:10Z", 49, nil, false}, {1, "2026-01-21T12:05:10Z", 49, nil, false},
				{2, "2026-01-21T12:10:10Z", 49, nil, false}},
			want: []string{"20260121T115500Z 49 true", "20260121T120010Z 49 true", "20260121T120510Z 49 true", "20260121T121010Z 49 true"},
		},
		{
			name: "a volume without an end is announced when the next one begins",
			old:  []turn{{7, "2026-01-21T11:55:00Z", 49, nil, false}},
			turns: []turn{{8, "2026-01-21T12:00:10Z", 30, nil, true}, {9, "2026-01-21T12:05:10Z", 49, nil, false},
				{10, "2026-01-21T12:10:10Z", 49, nil, false}},
			want: []string{"20260121T115500Z 49 true", "20260121T120010Z 30 false", "20260121T120510Z 49 true", "20260121T121010Z 49 true"},
		},
		{
			name:  "a piece that is lost is waited for, not for ever",
			old:   []turn{{7, "2026-01-21T11:55:00Z", 49, nil, false}},
			turns: []turn{{8, "2026-01-21T12:00:10Z", 49, []int{12}, false}, {9, "2026-01-21T12:05:10Z", 49, nil, false}},
			want:  []string{"20260121T115500Z 49 true", "20260121T120010Z 48 false", "20260121T120510Z 49 true"},
		},
		{
			name: "what an earlier turn of the ring left below a number",
			old: []turn{{42, "2026-01-21T11:55:00Z", 49, nil, false}, {43, "2026-01-18T02:00:00Z", 60, nil, false},
				{44, "2026-01-18T02:05:00Z", 60, nil, false}},
			turns: []turn{{43, "2026-01-21T12:00:10Z", 49, nil, false}, {44, "2026-01-21T12:05:10Z", 49, nil, false}},
			want:  []string{"20260121T115500Z 49 true", "20260121T120010Z 49 true", "20260121T120510Z 49 true"},
		},
		{
			name:  "numbers are skipped",
			old:   []turn{{42, "2026-01-21T11:55:00Z", 49, nil, false}},
			turns: []turn{{60, "2026-01-21T12:02:10Z", 49, nil, false}, {61, "2026-01-21T12:07:10Z", 49, nil, false}, {62, "2026-01-21T12:12:10Z", 49, nil, false}},
			want:  []string{"20260121T115500Z 49 true", "20260121T120210Z 49 true", "20260121T120710Z 49 true", "20260121T121210Z 49 true"},
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			st := newStore(t, at("2026-01-21T12:00:00Z"))
			ended := map[string]time.Time{}
			for _, v := range append(test.old, test.turns...) {
				v.put(st, "XVAL")
				ended["nexrad-chunks/XVAL/"+stamp(at(v.start))] = at(v.start).Add(time.Duration(v.pieces) * 5 * time.Second)
			}
			f := follow(t, st, Need{Source: "nexrad-chunks", Stations: []string{"XVAL"}})
			seen := f.until(at("2026-01-21T12:40:00Z"))
			var got []string
			for _, o := range seen {
				got = append(got, fmt.Sprintf("%s %d %v", stamp(o.ReferenceTime), len(o.Parts), o.Complete))
				if want := "nexrad-chunks/XVAL/" + stamp(o.ReferenceTime); o.ID != want || o.Station != "XVAL" {
					t.Errorf("ID %s, want %s", o.ID, want)
				}
				for k := 1; k < len(o.Parts); k++ {
					if o.Parts[k].URL <= o.Parts[k-1].URL {
						t.Errorf("pieces out of order: %s after %s", o.Parts[k].URL, o.Parts[k-1].URL)
					}
				}
				delay := o.at.Sub(ended[o.ID])
				late := 40 * time.Second
				if test.name == "numbers are skipped" {
					late = 9 * time.Minute // searched after 6 minutes of silence
				}
				if !o.Complete {
					late = 4 * time.Minute // until the next one begins
				}
				if o.ReferenceTime.After(at("2026-01-21T12:00:00Z")) && (delay < 0 || delay > late) {
					t.Errorf("%s was announced %v after its end", o.ID, delay)
				}
			}
			wantIDs(t, got, test.want)
			t.Logf("%d requests in 40 minutes", st.asked())
		})
	}
}

// TestTheNewestVolumeIsFound in a full ring whose join is anywhere, and in one
// with a gap, by few listings.
func TestTheNewestVolumeIsFound(t *testing.T) {
	now := at("2026-01-21T12:00:00Z")
	for _, test := range []struct{ newest, many int }{
		{1, 999}, {2, 999}, {500, 999}, {998, 999}, {999, 999},
		{1, 400}, {85, 415}, {415, 415}, {600, 30}, {999, 1}, {3, 2},
	} {
		st := newStore(t, now)
		for k := range test.many {
			number := (test.newest-k+lastVolume*2-1)%lastVolume + 1
			turn{number, now.Add(-time.Duration(k)*5*time.Minute - 5*time.Minute).Format(time.RFC3339), 2, nil, false}.put(st, "XVAL")
		}
		f := follow(t, st, Need{Source: "nexrad-chunks", Stations: []string{"XVAL"}, LookBack: 12 * time.Minute})
		var want []string
		for k := min(test.many, 2) - 1; k >= 0; k-- {
			want = append(want, "nexrad-chunks/XVAL/"+stamp(now.Add(-time.Duration(k)*5*time.Minute-5*time.Minute)))
		}
		wantIDs(t, ids(f.poll(now)), want)
		if n := st.asked(); n > 20 {
			t.Errorf("newest %d of %d: %d requests", test.newest, test.many, n)
		}
	}
}

func TestARadarThatIsNotThere(t *testing.T) {
	st := newStore(t, at("2026-01-21T12:00:00Z"))
	f := follow(t, st, Need{Source: "nexrad-chunks", Stations: []string{"XVAL"}})
	if seen := f.until(at("2026-01-21T13:00:00Z")); len(seen) != 0 {
		t.Errorf("announced %v", ids(seen))
	}
	if n := st.asked(); n > 60 {
		t.Errorf("%d requests in an hour for a radar that is not there", n)
	}
}
