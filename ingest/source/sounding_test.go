package source

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

// bulletinText is an invented sounding in the form of TEMP.
func bulletinText(part string, when time.Time, remark string) []byte {
	return []byte(fmt.Sprintf("USUS45 XVAL %s\nMANVAL\n99999 TT%s %02d%02d1 99999 99850 00502 24005 %s=\n",
		when.Format("021504"), part, when.Day()+50, when.Hour(), remark))
}

func TestBulletinsThatAreOverwritten(t *testing.T) {
	start := at("2026-01-31T12:10:00Z")
	st := newStore(t, start)
	put := func(key, part, when, published, remark string) {
		st.put(key, at(published), bulletinText(part, at(when), remark))
	}
	const mandatory, significant = "us/usus45.kxxx.man.val.txt", "um/umus45.kxxx.sgl.val.txt"
	put("us/usus45.kxxx.man.oth.txt", "AA", "2026-01-31T12:00:00Z", "2026-01-31T12:20:00Z", "")
	put(mandatory, "AA", "2026-01-31T00:00:00Z", "2026-01-31T00:24:00Z", "")
	put(significant, "BB", "2026-01-31T00:00:00Z", "2026-01-31T00:27:00Z", "")
	f := follow(t, st, Need{Source: "temp-gateway", Stations: []string{"KVAL"}})
	got := ids(f.until(at("2026-01-31T12:20:00Z")))
	wantIDs(t, got, []string{"temp-gateway/KVAL/20260131T00Z"})

	// The next ascent, its halves eight minutes apart.
	put(mandatory, "AA", "2026-01-31T12:00:00Z", "2026-01-31T12:24:00Z", "")
	wantIDs(t, ids(f.until(at("2026-01-31T12:31:00Z"))), []string{})
	put(significant, "BB", "2026-01-31T12:00:00Z", "2026-01-31T12:32:00Z", "")
	seen := f.until(at("2026-01-31T13:00:00Z"))
	wantIDs(t, ids(seen), []string{"temp-gateway/KVAL/20260131T12Z"})
	o := seen[0].Object
	if len(o.Parts) != 2 || !o.Complete || !strings.HasSuffix(o.Parts[0].URL, mandatory) || o.Kind != KindSounding {
		t.Errorf("object %+v", o)
	}
	n := Need{Source: "temp-gateway", BaseURL: st.URL, Stations: []string{"KVAL"}}
	if got, err := Fetch(context.Background(), st.client(), o, n); err != nil || len(got.Files) != 2 || !strings.Contains(string(got.Files[0].Bytes), "TTAA") || !strings.Contains(string(got.Files[1].Bytes), "TTBB") {
		t.Errorf("fetched %+v, %v", got.Files, err)
	}

	// A correction of the same ascent is announced again.
	put(significant, "BB", "2026-01-31T12:00:00Z", "2026-01-31T13:10:00Z", "COR")
	wantIDs(t, ids(f.until(at("2026-01-31T13:40:00Z"))), []string{"temp-gateway/KVAL/20260131T12Z"})

	// The first ascent of a month is launched on the last day of the one
	// before. Only half of it comes.
	put(mandatory, "AA", "2026-02-01T00:00:00Z", "2026-01-31T23:50:00Z", "")
	seen = f.until(at("2026-02-01T02:00:00Z"))
	wantIDs(t, ids(seen), []string{"temp-gateway/KVAL/20260201T00Z"})
	if len(seen) == 1 && (seen[0].Complete || seen[0].at.Before(at("2026-02-01T00:20:00Z")) || len(seen[0].Parts) != 1) {
		t.Errorf("half a sounding: %+v", seen[0])
	}
	// The old object's files hold the new ascent by now.
	if _, err := Fetch(context.Background(), st.client(), o, n); !errors.Is(err, ErrReplaced) {
		t.Errorf("error %v, want ErrReplaced", err)
	}
	// A special ascent at an odd hour, and then the other half of the half.
	put(significant, "BB", "2026-02-01T00:00:00Z", "2026-02-01T02:05:00Z", "")
	seen = f.until(at("2026-02-01T02:40:00Z"))
	wantIDs(t, ids(seen), []string{"temp-gateway/KVAL/20260201T00Z"})
	if len(seen) == 1 && !seen[0].Complete {
		t.Error("the whole sounding is called incomplete")
	}
	put(mandatory, "AA", "2026-02-01T06:00:00Z", "2026-02-01T06:24:00Z", "")
	put(significant, "BB", "2026-02-01T06:00:00Z", "2026-02-01T06:27:00Z", "")
	seen = f.until(at("2026-02-01T07:00:00Z"))
	wantIDs(t, ids(seen), []string{"temp-gateway/KVAL/20260201T06Z"})
	// What is no sounding is counted.
	st.put(mandatory, at("2026-02-01T07:10:00Z"), []byte("NOUS42 KXXX 010710\nNO SOUNDING TODAY\n"))
	wantIDs(t, ids(f.until(at("2026-02-01T08:00:00Z"))), []string{})
	if h := f.p.Health(); h.Skipped != 1 {
		t.Errorf("%d skipped, want 1", h.Skipped)
	}
}

// TestOfficesWithoutProductNames: outside of the United States the office is the
// station.
func TestOfficesWithoutProductNames(t *testing.T) {
	st := newStore(t, at("2026-01-21T13:00:00Z"))
	when := at("2026-01-21T12:00:00Z")
	st.put("us/usnu01.xxcc..txt", at("2026-01-21T12:30:00Z"), bulletinText("AA", when, ""))
	st.put("uk/uknu01.xxcc..txt", at("2026-01-21T12:31:00Z"), bulletinText("BB", when, ""))
	f := follow(t, st, Need{Source: "temp-gateway", Stations: []string{"XXCC"}})
	wantIDs(t, ids(f.poll(at("2026-01-21T13:00:00Z"))), []string{"temp-gateway/XXCC/20260121T12Z"})
}

func TestTimeOfABulletin(t *testing.T) {
	// Jackson, Mississippi, 2006-09-22 12 UTC, as the gateway sent it.
	jackson := "USUS44 KJAN 221223\nMANJAN\n72235 TTAA 72121 72235 99000 24416 18006 00089"
	for _, test := range []struct {
		text, now, want string
	}{
		{jackson, "2006-09-22T13:00:00Z", "2006-09-22T12:00:00Z"},
		{jackson, "2006-10-01T13:00:00Z", "2006-09-22T12:00:00Z"},
		{jackson, "2006-09-22T09:00:00Z", "2006-09-22T12:00:00Z"},
		{jackson, "2006-09-22T08:59:00Z", "2006-08-22T12:00:00Z"},
		{"TTBB 5100/ 99999 ", "2025-12-31T23:30:00Z", "2026-01-01T00:00:00Z"},
		{"TTBB 31121 99999 ", "2026-03-01T00:30:00Z", "2026-01-31T12:00:00Z"}, // no 31 February
		{"TTAA 78241 72235 ", "2026-01-21T12:00:00Z", ""},                     // hour 24
		{"TTAA 00121 72235 ", "2026-01-21T12:00:00Z", ""},
		{"TTCC 72121 72235 ", "2026-01-21T12:00:00Z", ""},
		{"", "2026-01-21T12:00:00Z", ""},
	} {
		got, ok := bulletinTime([]byte(test.text), at(test.now))
		if ok != (test.want != "") || ok && !got.Equal(at(test.want)) {
			t.Errorf("%q at %s is of %s, %v, want %q", test.text, test.now, got, ok, test.want)
		}
	}
}

func TestGrowingFiles(t *testing.T) {
	const key = "USM00099999-data-beg%d.txt.zip"
	st := newStore(t, at("2026-01-02T12:00:00Z"))
	st.put(fmt.Sprintf(key, 2025), at("2026-01-02T06:00:00Z"), []byte("a"))
	st.put(fmt.Sprintf("USM00088888-data-beg%d.txt.zip", 2025), at("2025-03-02T06:00:00Z"), []byte("silent since"))
	f := follow(t, st, Need{Source: "igra", Stations: []string{"USM00099999", "usm00088888"}})
	got := f.poll(at("2026-01-02T12:00:00Z"))
	wantIDs(t, ids(got), []string{"igra/USM00099999/20260102T060000Z"})
	if len(got) == 1 && got[0].Parts[0].URL != st.URL+"/"+fmt.Sprintf(key, 2025) {
		t.Errorf("URL %s", got[0].Parts[0].URL)
	}
	wantIDs(t, ids(f.poll(at("2026-01-02T18:00:00Z"))), []string{})
	st.put(fmt.Sprintf(key, 2025), at("2026-01-03T06:00:00Z"), []byte("a, b"))
	wantIDs(t, ids(f.poll(at("2026-01-03T07:00:00Z"))), []string{"igra/USM00099999/20260103T060000Z"})
	st.put(fmt.Sprintf(key, 2026), at("2026-01-04T06:00:00Z"), []byte("b"))
	wantIDs(t, ids(f.poll(at("2026-01-04T07:00:00Z"))), []string{"igra/USM00099999/20260104T060000Z"})
}

func TestCollections(t *testing.T) {
	st := newStore(t, at("2026-01-21T12:00:00Z"))
	st.put("sn.0120.bin", at("2026-01-21T11:50:00Z"), []byte("BUFR1"))
	st.put("sn.0000.bin", at("2026-01-20T23:50:00Z"), []byte("BUFR0"))
	st.put("sn.last", at("2026-01-21T11:50:00Z"), []byte("120"))
	st.put("72999.20260121T1100Z.bufr", at("2026-01-21T11:55:00Z"), []byte("BUFR2"))
	st.put("72998.20260121T1100Z.bufr", at("2026-01-21T11:55:00Z"), []byte("BUFR3"))
	f := follow(t, st, Need{Source: "bufr-gateway", Stations: []string{"72999"}})
	wantIDs(t, ids(f.poll(at("2026-01-21T12:00:00Z"))), []string{"bufr-gateway/72999/20260121T110000Z", "bufr-gateway/sn.0120.bin/20260121T115000Z"})
	if h := f.p.Health(); h.Skipped != 1 {
		t.Errorf("%d skipped, want 1", h.Skipped)
	}
	wantIDs(t, ids(f.poll(at("2026-01-21T12:01:00Z"))), []string{})
	st.put("sn.0000.bin", at("2026-01-21T12:02:00Z"), []byte("BUFR4"))
	wantIDs(t, ids(f.poll(at("2026-01-21T12:03:00Z"))), []string{"bufr-gateway/sn.0000.bin/20260121T120200Z"})
}
