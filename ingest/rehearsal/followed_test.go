package rehearsal_test

import (
	"context"
	"fmt"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/feed"
	"rimeline/ingest/grib"
	"rimeline/ingest/level2"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/rehearsal"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
	"rimeline/ingest/source"
)

var start = time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)

// follower polls every source of a store as the service does.
type follower struct {
	t        *testing.T
	scenario *rehearsal.Scenario
	store    *rehearsal.Store
	clock    atomic.Pointer[time.Time]
	client   *feed.Client
	needs    map[string]source.Need
	pollers  map[string]*source.Poller
}

func follow(t *testing.T, names ...string) *follower {
	return followScenario(t, rehearsal.NewScenario(start, 1), names...)
}

func followScenario(t *testing.T, scenario *rehearsal.Scenario, names ...string) *follower {
	f := &follower{t: t, scenario: scenario, needs: map[string]source.Need{}, pollers: map[string]*source.Poller{}}
	f.set(start)
	var err error
	f.store, err = rehearsal.NewStore(rehearsal.StoreOptions{Scenario: f.scenario, Now: func() time.Time { return *f.clock.Load() }, Points: 5, SpacingM: 20e3, RadiusM: 30e3})
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(f.store)
	t.Cleanup(server.Close)
	f.client = feed.New(feed.Options{PerHost: 8, PerHostPerSecond: 1e6, Attempts: 1})
	t.Cleanup(f.client.CloseIdleConnections)
	urls := f.store.BaseURLs(server.URL)
	if len(names) == 0 {
		for name := range urls {
			names = append(names, name)
		}
	}
	for _, name := range names {
		need := source.Need{Source: name, BaseURL: urls[name]}
		s, ok := source.Find(name)
		if !ok {
			t.Fatalf("there is no source %s", name)
		}
		switch s.Kind {
		case source.KindRadar:
			need.Stations = []string{f.scenario.Radar().ID}
		case source.KindSounding:
			for _, station := range f.scenario.SoundingStations() {
				need.Stations = append(need.Stations, station.ID)
			}
		}
		gauge := f.scenario.RiverGauge()
		switch name {
		case "usgs-iv":
			need.Stations = []string{gauge.USGS}
		case "nwps-gauge", "nwps-stageflow":
			need.Stations = []string{gauge.LID}
		case "nws-alerts":
			need.Areas = []string{"XV"}
		case "gauge-table":
			need.URL = "https://records.vantry.invalid/tallow.csv"
		case "telemetry-json":
			need.URL = "https://sites.vantry.invalid/telemetry.json"
		}
		f.needs[name] = need
		if f.pollers[name], err = source.NewPoller(f.client, need); err != nil {
			t.Fatal(err)
		}
	}
	return f
}

func (f *follower) set(at time.Time) { f.clock.Store(&at) }

type inProcess struct{}

func (inProcess) DecodeBUFR(_ context.Context, message []byte) (bufr.Decoded, error) {
	decoded, err := lib.DecodeBUFR(message, 0)
	decoded.MarkReplications()
	return decoded, err
}

// decode reads what was fetched with the program's own decoders.
func (f *follower) decode(o source.Object, got source.Fetched) error {
	ctx := f.t.Context()
	switch o.Kind {
	case source.KindModel:
		if len(got.Missing) > 0 {
			return fmt.Errorf("missing %v", got.Missing)
		}
		for _, file := range got.Files {
			fields, err := grib.Decode(ctx, file.Name, file.Bytes, grib.Options{})
			if err != nil {
				return err
			}
			levels := map[string]int{}
			for _, field := range fields {
				if !field.ReferenceTime.Equal(o.ReferenceTime) || !field.ValidTime.Equal(o.ValidTime) {
					return fmt.Errorf("%s: field of run %v for %v", o.ID, field.ReferenceTime, field.ValidTime)
				}
				levels[field.ShortName]++
			}
			for _, name := range []string{"HGT", "TMP", "SPFH", "UGRD", "VGRD", "VVEL"} {
				if levels[name] < 25 {
					return fmt.Errorf("%d levels of %s", levels[name], name)
				}
			}
		}
	case source.KindRadar:
		var chunks []level2.Chunk
		for _, file := range got.Files {
			chunks = append(chunks, level2.Chunk{Name: file.Name, Bytes: file.Bytes})
		}
		volume, err := level2.DecodeChunks(ctx, chunks, level2.Options{})
		if err != nil {
			return err
		}
		if volume.Radar != f.scenario.Radar().ID || !volume.Time.Equal(o.ReferenceTime) || o.Complete && (len(volume.Sweeps) != 7 || !volume.Complete) {
			return fmt.Errorf("%s of %v with %d sweeps", volume.Radar, volume.Time, len(volume.Sweeps))
		}
	case source.KindMosaic:
		mosaics, err := mosaic.Decode(ctx, got.Files[0].Name, got.Files[0].Bytes, mosaic.Options{})
		if err != nil {
			return err
		}
		if len(mosaics) != 1 || !mosaics[0].Time.Equal(o.ReferenceTime) || mosaics[0].Product.Quantity != mosaic.CompositeReflectivity {
			return fmt.Errorf("%d mosaics", len(mosaics))
		}
	case source.KindSatellite:
		granule, err := satellite.Decode(ctx, got.Files[0].Name, got.Files[0].Bytes, satellite.Options{})
		if err != nil {
			return err
		}
		if granule.Platform != "G18" || granule.Start.Sub(o.ReferenceTime).Abs() > time.Second || !strings.Contains(o.Product, string(granule.Product)) {
			return fmt.Errorf("%s of %s at %v", granule.Product, granule.Platform, granule.Start)
		}
	case source.KindGauge, source.KindWarnings, source.KindTelemetry:
		_, err := readPage(o.Source, got.Files[0].Bytes)
		return err
	case source.KindSounding:
		var all []byte
		for _, file := range got.Files {
			all = append(all, file.Bytes...)
		}
		var reports []sounding.Report
		var err error
		if o.Source == "bufr-gateway" {
			reports, err = sounding.DecodeBUFR(ctx, o.ID, all, inProcess{})
		} else {
			reports, err = sounding.DecodeAt(o.ID, all, *f.clock.Load())
		}
		if err != nil {
			return err
		}
		if len(reports) != 1 || len(reports[0].Levels) < 15 || reports[0].Time.Sub(o.ReferenceTime).Abs() > time.Hour || len(reports[0].Validate()) > 0 {
			return fmt.Errorf("%d reports, %+v", len(reports), reports)
		}
	}
	return nil
}

// Every minute of two hours, every source is polled, and what is new is fetched
// and decoded: nothing comes before its time, and everything within a minute.
func TestSourcesFollowTheStore(t *testing.T) {
	if testing.Short() {
		t.Skip("two hours of every source")
	}
	f := follow(t)
	foundKeys := map[string]time.Time{} // source and URL path
	counts := map[string]int{}
	_, outage := f.scenario.Outage()
	begin := outage.Add(40 * time.Minute)
	end := begin.Add(2 * time.Hour)
	for now := begin; !now.After(end); now = now.Add(time.Minute) {
		f.set(now)
		for name, poller := range f.pollers {
			objects, err := poller.Poll(t.Context(), now)
			if err != nil {
				t.Fatalf("%s at %v: %v", name, now, err)
			}
			for _, o := range objects {
				counts[name]++
				if o.Published.After(now) || !o.Complete {
					t.Errorf("%s at %v: published %v, complete %v", o.ID, now, o.Published, o.Complete)
				}
				got, err := source.Fetch(t.Context(), f.client, o, f.needs[name])
				if err != nil {
					t.Errorf("%s: %v", o.ID, err)
					continue
				}
				if err := f.decode(o, got); err != nil {
					t.Errorf("%s: %v", o.ID, err)
				}
				for _, part := range o.Parts {
					base := f.needs[name].BaseURL
					foundKeys[name+" "+strings.TrimPrefix(part.URL, base+"/")] = now
				}
			}
		}
	}
	missed := 0
	for _, p := range f.store.Schedule(begin, end.Add(-time.Minute)) {
		unfinished := p.Source == "nexrad-chunks" && p.At.After(end.Add(-6*time.Minute))
		if strings.HasSuffix(p.Key, ".idx") || unfinished {
			continue
		}
		if _, ok := foundKeys[p.Source+" "+p.Key]; !ok {
			if missed++; missed < 10 {
				t.Errorf("%s: %s of %v was not found", p.Source, p.Key, p.At)
			}
		}
	}
	for _, least := range []struct {
		name string
		n    int
	}{{"hrrr", 38}, {"nexrad", 24}, {"nexrad-chunks", 24}, {"mrms", 60}, {"goes-west", 24 + 24 + 12}, {"temp-gateway", 1}, {"bufr-gateway", 1},
		{"usgs-iv", 24}, {"nwps-gauge", 24}, {"nwps-stageflow", 12}, {"nws-alerts", 120}, {"gauge-table", 12}, {"telemetry-json", 120}} {
		if counts[least.name] < least.n {
			t.Errorf("%s: %d objects in two hours, want %d", least.name, counts[least.name], least.n)
		}
	}
}

// The outage is met by errors, and what was not measured meanwhile is not found
// later; what waited is.
func TestSourcesThroughTheOutage(t *testing.T) {
	f := follow(t, "hrrr", "nexrad-chunks", "mrms", "goes-west")
	from, to := f.scenario.Outage()
	last := map[string]time.Time{}
	waited := 0
	for now := from.Add(-10 * time.Minute); now.Before(to.Add(20 * time.Minute)); now = now.Add(time.Minute) {
		f.set(now)
		away := !now.Before(from) && now.Before(to)
		for name, poller := range f.pollers {
			objects, err := poller.Poll(t.Context(), now)
			if (err != nil) != away {
				t.Errorf("%s at %v: %v, outage %v", name, now, err, away)
			}
			if away && len(objects) > 0 {
				t.Errorf("%s at %v: %d objects in the outage", name, now, len(objects))
			}
			for _, o := range objects {
				if name == "hrrr" {
					if o.Published.Sub(to).Abs() < 15*time.Second {
						waited++
					}
					continue
				}
				if !o.ReferenceTime.Before(from) && o.ReferenceTime.Before(to) {
					t.Errorf("%s was measured in the outage", o.ID)
				}
				if o.Complete && o.ReferenceTime.After(last[name]) {
					last[name] = o.ReferenceTime
				}
			}
		}
	}
	for name, at := range last {
		if at.Before(to) {
			t.Errorf("%s: nothing new after the outage, the last of %v", name, at)
		}
	}
	if waited == 0 || len(last) != 3 {
		t.Errorf("%d model hours waited, %v", waited, last)
	}
}

// The truth and what the program makes of it, by the way of the satellite: the
// parallax undone, places show the top that is above them.
func TestSatelliteSeesTheTopsAboveTheirPlaces(t *testing.T) {
	f := follow(t, "goes-west")
	var tops satellite.CloudTops
	now := start.Add(4 * time.Hour)
	f.set(now)
	objects, err := f.pollers["goes-west"].Poll(t.Context(), now)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range objects {
		got, err := source.Fetch(t.Context(), f.client, o, f.needs["goes-west"])
		if err != nil {
			t.Fatal(err)
		}
		granule, err := satellite.Decode(t.Context(), o.ID, got.Files[0].Bytes, satellite.Options{})
		if err != nil {
			t.Fatal(err)
		}
		tops.Add(granule)
	}
	plane := rehearsal.PlaneOf(f.scenario)
	hours := tops.Phase.Start.Add(78 * time.Second).Sub(f.scenario.StartTime()).Hours()
	n, right, cloudy, near := 0, 0, 0, 0
	for x := -20e3; x <= 20e3; x += 2e3 {
		for y := -20e3; y <= 20e3; y += 2e3 {
			want := f.scenario.CloudTop(x, y, hours)
			got, ok := tops.Above(plane.Place(x, y), satellite.Look{GroundAltitudeM: f.scenario.TerrainM(x, y), AssumedTopM: want.AltitudeM})
			if !ok {
				continue
			}
			n++
			if got.Phase == grid.CloudTopPhase(want.Phase) {
				right++
				if want.Phase != rehearsal.ClearSky {
					cloudy++
					if d := got.HeightM - want.AltitudeM; d < 200 && d > -200 {
						near++
					}
				}
			}
		}
	}
	t.Logf("%d places, phase right at %d, of %d cloudy ones height within 200 m at %d", n, right, cloudy, near)
	if n < 300 || right*10 < n*9 || cloudy < 50 || near*10 < cloudy*9 {
		t.Error("the tops are not above their places")
	}
}
