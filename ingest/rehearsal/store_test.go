package rehearsal

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// fakeClock is a rehearsal's clock that stands until it is set.
type fakeClock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *fakeClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *fakeClock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = t
}

type served struct {
	*Store
	clock *fakeClock
	root  string
}

func serve(t testing.TB, o StoreOptions) served {
	t.Helper()
	clock := &fakeClock{t: benchStart}
	o.Now = clock.now
	if o.Scenario == nil {
		o.Scenario = NewScenario(benchStart, 1)
	}
	store, err := NewStore(o)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(store)
	t.Cleanup(server.Close)
	return served{store, clock, server.URL}
}

// afterOutage is when the stores have answered again for so long.
func (s served) afterOutage(by time.Duration) time.Time {
	_, to := s.scenario.Outage()
	return to.Add(by)
}

// small is a store whose objects cost little.
func small(t testing.TB) served {
	return serve(t, StoreOptions{Points: 5, SpacingM: 20e3, RadiusM: 30e3})
}

func ask(t testing.TB, method, url string, header ...string) (*http.Response, []byte) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	for k := 0; k+1 < len(header); k += 2 {
		r.Header.Set(header[k], header[k+1])
	}
	client := &http.Client{Transport: &http.Transport{DisableCompression: true, DisableKeepAlives: true}}
	answer, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer, b
}

// bucketListing is read without any code of the store.
type bucketListing struct {
	XMLName               xml.Name `xml:"http://s3.amazonaws.com/doc/2006-03-01/ ListBucketResult"`
	Name, Prefix          string
	KeyCount, MaxKeys     int
	IsTruncated           bool
	NextContinuationToken string
	Contents              []struct {
		Key, ETag, StorageClass string
		Size                    int64
		LastModified            time.Time
	}
	CommonPrefixes []struct{ Prefix string }
}

func (l bucketListing) keys() (keys []string) {
	for _, c := range l.Contents {
		keys = append(keys, c.Key)
	}
	for _, p := range l.CommonPrefixes {
		keys = append(keys, p.Prefix)
	}
	return keys
}

func listed(t testing.TB, url string) (l bucketListing) {
	t.Helper()
	answer, b := ask(t, "GET", url)
	if answer.StatusCode != 200 {
		t.Fatalf("%s: %s %s", url, answer.Status, b)
	}
	if err := xml.Unmarshal(b, &l); err != nil {
		t.Fatalf("%s: %v in %s", url, err, b)
	}
	return l
}

func TestModelRunAppearsHourByHour(t *testing.T) {
	s := small(t)
	base := s.BaseURLs(s.root)["hrrr"]
	prefix := "?list-type=2&prefix=hrrr." + benchStart.Format("20060102") + "/conus/hrrr.t12z.wrfprsf"
	for _, test := range []struct {
		minutes float64
		want    int // hours whose file is there
	}{{49.9, 0}, {50, 1}, {50 + 115./60, 2}, {85, 19}} {
		s.clock.set(benchStart.Add(time.Duration(test.minutes * float64(time.Minute))))
		files := 0
		if from, _ := s.scenario.Outage(); !s.clock.now().Before(from) {
			t.Fatal("the outage comes too early for this test")
		}
		for _, c := range listed(t, base+"/"+prefix).Contents {
			if strings.HasSuffix(c.Key, ".grib2") {
				files++
			}
			if c.LastModified.After(s.clock.now()) {
				t.Errorf("%s is of %s, after now", c.Key, c.LastModified)
			}
		}
		if files != test.want {
			t.Errorf("after %g minutes %d hours, want %d", test.minutes, files, test.want)
		}
	}
	// Runs from before the start are there at the start, and none to come.
	s.clock.set(benchStart)
	if l := listed(t, base+"?list-type=2&delimiter=/&prefix=hrrr."+benchStart.Format("20060102")+"/"); len(l.CommonPrefixes) != 1 {
		t.Errorf("%v", l.keys())
	}
	l := listed(t, base+"?list-type=2&prefix=hrrr."+benchStart.Format("20060102")+"/conus/")
	runs := map[string]int{}
	for _, key := range l.keys() {
		runs[key[strings.Index(key, ".t")+1:][:4]]++
	}
	if len(runs) != 4 || runs["t08z"] != 38 || runs["t11z"] == 0 || runs["t11z"] >= 38 || runs["t12z"] != 0 {
		t.Errorf("runs at the start: %v", runs)
	}
}

func TestListingByPages(t *testing.T) {
	s := small(t)
	s.clock.set(s.afterOutage(time.Hour))
	base := s.BaseURLs(s.root)["hrrr"] + "?list-type=2"
	all := listed(t, base).keys()
	if len(all) < 100 {
		t.Fatalf("%d keys", len(all))
	}
	var paged []string
	next, pages := base+"&max-keys=37", 0
	for next != "" {
		l := listed(t, next)
		if l.KeyCount != len(l.keys()) || l.KeyCount > 37 || l.MaxKeys != 37 || l.IsTruncated != (l.NextContinuationToken != "") {
			t.Fatalf("page %d: %d keys of %d, truncated %v, token %q", pages, l.KeyCount, l.MaxKeys, l.IsTruncated, l.NextContinuationToken)
		}
		paged = append(paged, l.keys()...)
		if next, pages = "", pages+1; l.IsTruncated {
			next = base + "&max-keys=37&continuation-token=" + l.NextContinuationToken
		}
	}
	if fmt.Sprint(paged) != fmt.Sprint(all) || pages != (len(all)+36)/37 {
		t.Errorf("%d keys on %d pages, want %d", len(paged), pages, len(all))
	}
	if after := listed(t, base+"&start-after="+all[40]).keys(); fmt.Sprint(after) != fmt.Sprint(all[41:]) {
		t.Errorf("after %s: %d keys, want %d", all[40], len(after), len(all)-41)
	}
	// Prefixes count as entries, and a token may stand on one.
	chunks := s.BaseURLs(s.root)["nexrad-chunks"] + "?list-type=2&delimiter=/&prefix=" + s.scenario.Radar().ID + "/"
	numbers := listed(t, chunks).keys()
	one := listed(t, chunks+"&max-keys=1")
	if len(numbers) < 20 || len(one.keys()) != 1 || !one.IsTruncated {
		t.Fatalf("%v, %v", numbers, one.keys())
	}
	two := listed(t, chunks+"&max-keys=1&continuation-token="+one.NextContinuationToken)
	if fmt.Sprint(two.keys()) != fmt.Sprint(numbers[1:2]) {
		t.Errorf("second page %v, want %v", two.keys(), numbers[1:2])
	}
	wraps := strings.Join(numbers, " ")
	if site := s.scenario.Radar().ID; !strings.Contains(wraps, site+"/999/") || !strings.Contains(wraps, site+"/1/") || strings.Contains(wraps, "/0/") || strings.Contains(wraps, "/1000/") {
		t.Errorf("volume numbers %s", wraps)
	}
	for query, status := range map[string]int{"&max-keys=x": 400, "&continuation-token=%25": 400, "&encoding-type=xml": 400} {
		if answer, _ := ask(t, "GET", base+query); answer.StatusCode != status {
			t.Errorf("%s: %s", query, answer.Status)
		}
	}
	if l := listed(t, base+"&max-keys=0"); len(l.keys()) != 0 || l.IsTruncated {
		t.Errorf("no keys wanted: %v, %v", l.keys(), l.IsTruncated)
	}
}

// RFC 9110, sections 13 and 14.
func TestRangesAndConditions(t *testing.T) {
	s := small(t)
	s.clock.set(s.afterOutage(time.Hour))
	url := s.BaseURLs(s.root)["hrrr"] + "/hrrr." + benchStart.Format("20060102") + "/conus/hrrr.t12z.wrfprsf02.grib2"
	answer, whole := ask(t, "GET", url)
	etag, modified := answer.Header.Get("ETag"), answer.Header.Get("Last-Modified")
	if answer.StatusCode != 200 || int64(len(whole)) != answer.ContentLength || etag == "" || modified != benchStart.Add(50*time.Minute+230*time.Second).Format(http.TimeFormat) {
		t.Fatalf("%s, %d of %d bytes, %s, %s", answer.Status, len(whole), answer.ContentLength, etag, modified)
	}
	if date := answer.Header.Get("Date"); date != s.clock.now().Format(http.TimeFormat) {
		t.Errorf("date %s", date)
	}
	head, nothing := ask(t, "HEAD", url)
	if head.ContentLength != int64(len(whole)) || len(nothing) != 0 || head.Header.Get("ETag") != etag || head.Header.Get("Accept-Ranges") != "bytes" {
		t.Errorf("HEAD: %v", head.Header)
	}
	size := len(whole)
	for _, test := range []struct {
		name   string
		header []string
		status int
		want   []byte
	}{
		{"range", []string{"Range", "bytes=100-299"}, 206, whole[100:300]},
		{"open range", []string{"Range", fmt.Sprintf("bytes=%d-", size-7)}, 206, whole[size-7:]},
		{"suffix", []string{"Range", "bytes=-4"}, 206, []byte("7777")},
		{"past the end", []string{"Range", fmt.Sprintf("bytes=%d-", size)}, 416, nil},
		{"range of the same", []string{"Range", "bytes=0-3", "If-Range", etag}, 206, []byte("GRIB")},
		{"range of another", []string{"Range", "bytes=0-3", "If-Range", `"other"`}, 200, whole},
		{"not modified", []string{"If-None-Match", etag}, 304, []byte{}},
		{"modified", []string{"If-None-Match", `"other"`}, 200, whole},
		{"not modified since", []string{"If-Modified-Since", modified}, 304, []byte{}},
	} {
		answer, b := ask(t, "GET", url, test.header...)
		if answer.StatusCode != test.status || test.want != nil && !bytes.Equal(b, test.want) {
			t.Errorf("%s: %s, %d bytes", test.name, answer.Status, len(b))
		}
		if test.status == 206 && !strings.HasSuffix(answer.Header.Get("Content-Range"), fmt.Sprintf("/%d", size)) {
			t.Errorf("%s: %s", test.name, answer.Header.Get("Content-Range"))
		}
	}
	for method, status := range map[string]int{"GET": 404, "HEAD": 404, "PUT": 403, "DELETE": 403} {
		answer, b := ask(t, method, url+".gone")
		if answer.StatusCode != status || method == "GET" && !bytes.Contains(b, []byte("<Code>NoSuchKey</Code>")) || method == "PUT" && !bytes.Contains(b, []byte("<Code>AccessDenied</Code>")) {
			t.Errorf("%s: %s %s", method, answer.Status, b)
		}
	}
}

func TestOutage(t *testing.T) {
	s := small(t)
	from, to := s.scenario.Outage()
	urls := s.BaseURLs(s.root)
	for _, at := range []time.Time{from, from.Add(time.Minute), to.Add(-time.Nanosecond)} {
		s.clock.set(at)
		for name, key := range s.pageKeys() {
			if answer, _ := ask(t, "GET", urls[name]+"/"+key); answer.StatusCode != 503 {
				t.Errorf("%s at %s: %s", name, at, answer.Status)
			}
		}
		for name, url := range urls {
			if answer, _ := ask(t, "GET", url+"/?list-type=2"); answer.StatusCode != 503 {
				t.Errorf("%s at %s: %s", name, at, answer.Status)
			}
		}
	}
	s.clock.set(to)
	for name, url := range urls {
		key := "?list-type=2&max-keys=1"
		if page, ok := s.pageKeys()[name]; ok {
			key = page
		}
		if answer, _ := ask(t, "GET", url+"/"+key); answer.StatusCode != 200 {
			t.Errorf("%s after: %s", name, answer.Status)
		}
	}
	if during := s.Schedule(from, to); len(during) > 0 {
		t.Errorf("published meanwhile: %v", during[0])
	}
	// What radars and satellites saw in the outage is never published; model
	// hours wait.
	waiting := 0
	for _, p := range s.Schedule(to, to.Add(4*time.Minute)) {
		if p.Source == "hrrr" && p.At.Equal(to) {
			waiting++
		}
	}
	if waiting == 0 {
		t.Error("no model hour waited for the end of the outage")
	}
	for _, p := range s.Schedule(to, s.scenario.End().Add(time.Hour)) {
		if p.Source != "mrms" {
			continue
		}
		name := p.Key[strings.LastIndex(p.Key, "_")+1:]
		at, err := time.Parse("20060102-150405.grib2.gz", name)
		if err != nil {
			t.Fatal(err)
		}
		if at.Before(to) && !at.Before(from) {
			t.Errorf("%s was measured in the outage", p.Key)
		}
	}
	// A volume that the outage cut has no end.
	ends := map[string]bool{}
	starts := map[string]bool{}
	for _, p := range s.Schedule(benchStart, s.scenario.End()) {
		if p.Source == "nexrad-chunks" {
			volume := p.Key[:strings.LastIndex(p.Key, "/")]
			ends[volume] = ends[volume] || strings.HasSuffix(p.Key, "-E")
			starts[volume] = starts[volume] || strings.HasSuffix(p.Key, "-S")
		}
	}
	// The numbers go on as if nothing had been lost.
	if n := len(starts); n < 80 || !starts[s.scenario.Radar().ID+"/"+fmt.Sprint((firstVolume+7+n-2)%999+1)] || starts[s.scenario.Radar().ID+"/"+fmt.Sprint((firstVolume+7+n-1)%999+1)] {
		t.Errorf("%d volumes", n)
	}
	cut := 0
	for volume := range starts {
		if !ends[volume] {
			cut++
		}
	}
	if cut != 1 {
		t.Errorf("%d volumes without an end", cut)
	}
}

func TestDirectories(t *testing.T) {
	s := small(t)
	s.clock.set(benchStart.Add(time.Hour))
	temp, bulletins := s.BaseURLs(s.root)["temp-gateway"], s.BaseURLs(s.root)["bufr-gateway"]
	station := s.scenario.SoundingStations()[0]
	name := "usus46." + strings.ToLower(station.ID) + ".man." + strings.ToLower(station.ID[1:]) + ".txt"
	_, page := ask(t, "GET", temp+"/us/")
	if !bytes.Contains(page, []byte(`<a href="`+name+`">`+name+`</a>`)) || !bytes.Contains(page, []byte("<title>Index of /data/raw/us</title>")) {
		t.Errorf("%s", page)
	}
	if _, page = ask(t, "GET", temp+"/"); !bytes.Contains(page, []byte(`href="us/"`)) || !bytes.Contains(page, []byte(`href="um/"`)) || !bytes.Contains(page, []byte(`href="bufr/"`)) {
		t.Errorf("%s", page)
	}
	if _, page = ask(t, "GET", bulletins); !bytes.Contains(page, []byte(station.ID+"."+benchStart.Format("20060102T1504Z")+".bufr")) { // redirected
		t.Errorf("%s", page)
	}
	// Overwritten in place.
	answer, before := ask(t, "GET", temp+"/us/"+name)
	s.clock.set(s.afterOutage(2 * time.Hour))
	again, after := ask(t, "GET", temp+"/us/"+name)
	if bytes.Equal(before, after) || answer.Header.Get("ETag") == again.Header.Get("ETag") || !bytes.Contains(before, []byte("141200")) || !bytes.Contains(after, []byte("141500")) {
		t.Errorf("%s then %s", before, after)
	}
	if answer, _ := ask(t, "GET", temp+"/us/gone.txt"); answer.StatusCode != 404 {
		t.Error(answer.Status)
	}
}

// Two stores of one seed serve the same bytes, whatever is asked first; another
// seed serves others.
func TestSameSeedSameBytes(t *testing.T) {
	a, b := small(t), small(t)
	c := serve(t, StoreOptions{Scenario: NewScenario(benchStart, 2), Points: 5, SpacingM: 20e3, RadiusM: 30e3})
	at := benchStart.Add(15 * time.Minute)
	for _, s := range []served{a, b, c} {
		s.clock.set(s.afterOutage(time.Hour))
	}
	differs := map[string]bool{}
	last := map[string]Published{}
	for _, p := range a.Schedule(at, at.Add(20*time.Minute)) {
		last[p.Source] = p
	}
	for source := range a.BaseURLs("") {
		p, ok := last[source]
		if !ok {
			continue
		}
		first, one := ask(t, "GET", a.BaseURLs(a.root)[source]+"/"+p.Key)
		second, two := ask(t, "GET", b.BaseURLs(b.root)[source]+"/"+p.Key)
		if first.StatusCode != 200 || !bytes.Equal(one, two) || first.Header.Get("ETag") != second.Header.Get("ETag") || len(one) == 0 {
			t.Errorf("%s: %s, %d and %d bytes", p.Key, first.Status, len(one), len(two))
		}
		if other, three := ask(t, "GET", c.BaseURLs(c.root)[source]+"/"+p.Key); other.StatusCode == 200 && !bytes.Equal(one, three) {
			differs[source] = true
		}
	}
	if len(last) != len(a.BaseURLs("")) || len(differs) == 0 {
		t.Errorf("%d sources, of which another seed changes %v", len(last), differs)
	}
}

// Many at once, with so little room that everything is made again and again.
func TestManyAtOnce(t *testing.T) {
	s := serve(t, StoreOptions{Points: 5, SpacingM: 20e3, RadiusM: 30e3, MaxBytes: 50e3})
	at := s.afterOutage(20 * time.Minute)
	s.clock.set(at)
	objects := s.Schedule(at.Add(-6*time.Minute), at)
	if len(objects) < 20 {
		t.Fatalf("%d objects", len(objects))
	}
	want := make([][]byte, len(objects))
	for k, p := range objects {
		_, want[k] = ask(t, "GET", s.BaseURLs(s.root)[p.Source]+"/"+p.Key)
	}
	var group sync.WaitGroup
	for n := range 4 {
		group.Add(1)
		go func() {
			defer group.Done()
			for k := range objects {
				k = (k*(2*n+1) + n) % len(objects)
				p := objects[k]
				if answer, b := ask(t, "GET", s.BaseURLs(s.root)[p.Source]+"/"+p.Key); answer.StatusCode != 200 || !bytes.Equal(b, want[k]) {
					t.Errorf("%s: %s, %d bytes, want %d", p.Key, answer.Status, len(b), len(want[k]))
				}
			}
		}()
	}
	group.Wait()
	s.vault.mu.Lock()
	defer s.vault.mu.Unlock()
	total := 0
	for _, b := range want {
		total += len(b)
	}
	// What was just made is kept, however large it is.
	if s.vault.used > s.vault.budget+150e3 || total < 400e3 {
		t.Errorf("%d bytes are kept of %d, %d allowed", s.vault.used, total, s.vault.budget)
	}
}

// Made ahead, nothing is made when it is asked for; and nothing is published
// for all that.
func TestPrepare(t *testing.T) {
	s := small(t)
	s.clock.set(s.afterOutage(time.Hour))
	now := s.clock.now()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		s.Prepare(ctx, 3*time.Minute)
		close(done)
	}()
	all := func(from, to time.Time) (made, n int) {
		for _, shelf := range s.shelves {
			for _, o := range shelf.objects {
				if !o.published.Before(from) && o.published.Before(to) {
					n++
					if s.vault.made(o.batch) {
						made++
					}
				}
			}
		}
		return made, n
	}
	for made, n := all(now, now.Add(3*time.Minute)); made < n; made, n = all(now, now.Add(3*time.Minute)) {
		time.Sleep(10 * time.Millisecond) // the test's own deadline ends it
	}
	if made, n := all(now.Add(15*time.Minute), now.Add(time.Hour)); made > 0 || n == 0 {
		t.Errorf("%d of %d objects are made an hour ahead", made, n)
	}
	for _, p := range s.Schedule(now.Add(time.Second), now.Add(3*time.Minute)) {
		if _, page := pageHosts[p.Source]; page || p.Source == "temp-gateway" {
			continue // there is an older one
		}
		if answer, _ := ask(t, "HEAD", s.BaseURLs(s.root)[p.Source]+"/"+p.Key); answer.StatusCode != 404 {
			t.Errorf("%s before its time: %s", p.Key, answer.Status)
		}
	}
	s.clock.set(now.Add(20 * time.Minute))
	for made, n := all(now.Add(20*time.Minute), now.Add(22*time.Minute)); made < n; made, n = all(now.Add(20*time.Minute), now.Add(22*time.Minute)) {
		time.Sleep(10 * time.Millisecond)
	}
	cancel()
	<-done
}

// A writer that panics leaves nobody waiting.
func TestWriterThatPanics(t *testing.T) {
	v := newVault(1000)
	bad := single("bad", func() ([]byte, error) { panic("out of ink") })
	for range 2 {
		func() {
			defer func() {
				if recover() == nil {
					t.Error("no panic")
				}
			}()
			_, _ = v.get(bad)
		}()
	}
}

func TestStoreOptions(t *testing.T) {
	s := NewScenario(benchStart, 1)
	for _, o := range []StoreOptions{{}, {Scenario: s, Points: 1}, {Scenario: s, SpacingM: -1}, {Scenario: s, RadiusM: 1e6}} {
		if _, err := NewStore(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
