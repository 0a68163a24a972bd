package hold

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"testing/quick"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/seedability"
	"rimeline/seedability/programme"
)

// feed is everything of one input of the programme everyKind, and the criteria
// that need it. rest picks the entries of the evidence that belong to it.
type feed struct {
	name  string
	needs []string
	of    func(e *Evidence) (list reflect.Value, mine func(i int) bool)
}

func entries[T any](list func(e *Evidence) *[]T, mine func(x *T) bool) func(e *Evidence) (reflect.Value, func(int) bool) {
	return func(e *Evidence) (reflect.Value, func(int) bool) {
		l := list(e)
		return reflect.ValueOf(l).Elem(), func(i int) bool { return mine(&(*l)[i]) }
	}
}

func readingsOf(gauge string, forecast bool) func(e *Evidence) (reflect.Value, func(int) bool) {
	return entries(func(e *Evidence) *[]Reading { return &e.Readings }, func(r *Reading) bool { return r.Gauge == gauge && r.Forecast == forecast })
}

func ratesOf(place, from string) func(e *Evidence) (reflect.Value, func(int) bool) {
	return entries(func(e *Evidence) *[]Precipitation { return &e.Precipitation }, func(p *Precipitation) bool { return p.Place == place && p.From == from })
}

var feeds = []feed{
	{"stage of the creek", []string{"creek"}, readingsOf("g1", false)},
	{"forecast of the creek", []string{"creek"}, readingsOf("g1", true)},
	{"stage", []string{"stage-only"}, readingsOf("g2", false)},
	{"storage", []string{"lake"}, readingsOf("l1", false)},
	{"snow", []string{"pack", "melt"}, readingsOf("s1", false)},
	{"flood category", []string{"creek"}, entries(func(e *Evidence) *[]Category { return &e.Categories }, func(c *Category) bool { return !c.Forecast })},
	{"forecast category", []string{"creek"}, entries(func(e *Evidence) *[]Category { return &e.Categories }, func(c *Category) bool { return c.Forecast })},
	{"radar", []string{"rain"}, ratesOf("basin", "radar")},
	{"radar over the burn", []string{"scar"}, ratesOf("scar", "radar")},
	{"forecast of precipitation", []string{"rain"}, ratesOf("basin", "forecast")},
	{"freezing level", []string{"zero", "melt"}, entries(func(e *Evidence) *[]FreezingLevel { return &e.FreezingLevels }, func(*FreezingLevel) bool { return true })},
	{"wind", []string{"gale"}, entries(func(e *Evidence) *[]Wind { return &e.Winds }, func(*Wind) bool { return true })},
	{"danger", []string{"snowslide"}, entries(func(e *Evidence) *[]Danger { return &e.Dangers }, func(*Danger) bool { return true })},
	{"site", []string{"ready"}, entries(func(e *Evidence) *[]SiteReport { return &e.SiteReports }, func(*SiteReport) bool { return true })},
	{"releases", []string{"amount"}, entries(func(e *Evidence) *[]Released { return &e.Released }, func(*Released) bool { return true })},
	{"list of warnings", []string{"alarms"}, entries(func(e *Evidence) *[]Feed { return &e.Feeds }, func(*Feed) bool { return true })},
	{"path", []string{"alarms"}, entries(func(e *Evidence) *[]Path { return &e.Paths }, func(*Path) bool { return true })},
}

// needy is evidence in which every criterion is clear and needs all of its feeds:
// there is a warning to which the path matters, and for rain on snow (of which
// one half that is known to be absent is enough) both halves are present.
func needy() Evidence {
	e := quiet()
	w := flood()
	w.Areas = []Area{{Polygons: square(-113.5, 44, .1)}}
	e.Warnings = []Warning{w}
	return e
}

// damage spoils what belongs to a feed in one of the ways in which inputs fail.
// Where a struct has no field for a way, it removes the entry.
func damage(e *Evidence, f feed, how int) {
	list, mine := f.of(e)
	kept := reflect.MakeSlice(list.Type(), 0, list.Len())
	for i := range list.Len() {
		entry := reflect.New(list.Type().Elem()).Elem()
		entry.Set(list.Index(i))
		if mine(i) && !spoil(entry, how) {
			continue
		}
		kept = reflect.Append(kept, entry)
	}
	list.Set(kept)
}

// ways in which an input fails.
const (
	isMissing = iota
	isStale
	isFuture
	isTimeless
	isSuspect
	isNoNumber
	isWrongUnit
	ways
)

func spoil(entry reflect.Value, how int) bool {
	field := func(name string) reflect.Value { return entry.FieldByName(name) }
	shift := func(by time.Duration) bool {
		done := false
		for _, name := range []string{"Time", "Issued", "AsOf"} {
			if f := field(name); f.IsValid() && !f.Interface().(time.Time).IsZero() {
				f.Set(reflect.ValueOf(f.Interface().(time.Time).Add(by)))
				done = true
			}
		}
		return done
	}
	switch how {
	case isStale:
		return shift(-200 * time.Hour)
	case isFuture:
		return shift(300 * time.Hour)
	case isTimeless:
		done := false
		for _, name := range []string{"Time", "Issued", "AsOf"} {
			if f := field(name); f.IsValid() {
				f.SetZero()
				done = true
			}
		}
		return done
	case isSuspect:
		if f := field("Suspect"); f.IsValid() {
			f.Set(reflect.ValueOf([]string{"out of range"}))
			return true
		}
	case isNoNumber:
		done := false
		for _, name := range []string{"Value", "MMPerH", "AltitudeM", "SpeedMPerS", "GustMPerS", "FromDeg", "DayG", "SeasonG"} {
			if f := field(name); f.IsValid() {
				f.SetFloat(math.NaN())
				done = true
			}
		}
		return done
	case isWrongUnit:
		if f := field("Unit"); f.IsValid() {
			f.SetString("furlong")
			return true
		}
	}
	return false
}

// outage damages some of the feeds, and names the criteria that suffer.
func outage(e *Evidence, random *rand.Rand, share float64) (suffers map[string]bool) {
	suffers = map[string]bool{}
	for _, f := range feeds {
		if random.Float64() < share {
			damage(e, f, random.IntN(ways))
			for _, criterion := range f.needs {
				suffers[criterion] = true
			}
		}
	}
	if random.Float64() < share/4 {
		e.ManualAsOf = []time.Time{{}, ago(48 * time.Hour), ago(-48 * time.Hour)}[random.IntN(3)]
		suffers["manual"] = true
	}
	return suffers
}

// noHole checks one outage: no criterion that lacks an input is clear, and the
// site does not come to a window, however often it is judged.
func noHole(t *testing.T, p *programme.Programme, seed uint64) bool {
	random := rand.New(rand.NewPCG(seed, 5))
	share := random.Float64() // some outages are small, some large
	e := needy()
	bothHalves := random.IntN(2) == 0
	if bothHalves {
		e.FreezingLevels[0].AltitudeM = 2200 // rain on snow: to be looked at
	}
	suffers := outage(&e, random, share)
	var previous []Result
	for round := range 3 {
		results := Judge(p, e, previous)
		for _, r := range results {
			if !suffers[r.Criterion] || r.Outcome.Holds() {
				continue
			}
			// One half of rain on snow that is known to be absent is enough.
			if r.Criterion == "melt" && !bothHalves && r.Outcome == Clear && r.Inputs[len(r.Inputs)-1].State == "used" {
				continue
			}
			t.Errorf("seed %d, round %d: %s lacks an input and is %s: %s", seed, round, r.Key, r.Outcome, r.Reason)
			return false
		}
		a := assessment()
		a.AsOf = e.At
		a = Apply(a, results)
		state := settled(a)
		holds := slices.DeleteFunc(results, func(r Result) bool { return !r.Outcome.Holds() || len(r.Sites) > 0 && !slices.Contains(r.Sites, "hut") })
		if (state == seedability.StateWindow) != (len(holds) == 0) || len(holds) > 0 && state != seedability.StateHold {
			t.Errorf("seed %d: settled to %s with %d criteria that suspend", seed, state, len(holds))
			return false
		}
		// The outage of the "melt" exception alone leaves a window.
		exempt := len(suffers) == 0 || len(suffers) == 1 && suffers["melt"]
		if state == seedability.StateWindow && !exempt {
			t.Errorf("seed %d: a window in spite of %v", seed, suffers)
			return false
		}
		previous = results
		if round == 1 { // a new programme of mind: forget what was
			previous = nil
		}
	}
	return true
}

func TestNoOutageOpensAWindow(t *testing.T) {
	p := parse(t, everyKind)
	if state := settled(Apply(assessment(), Judge(p, needy(), nil))); state != seedability.StateWindow {
		t.Fatalf("without an outage the site is %s: the property would say nothing", state)
	}
	err := quick.Check(func(seed uint64) bool { return noHole(t, p, seed) }, &quick.Config{MaxCount: 2000})
	if err != nil {
		t.Error(err)
	}
}

// Every feed in every way, each alone: a random search might miss one.
func TestEveryOutageAlone(t *testing.T) {
	p := parse(t, everyKind)
	for _, f := range feeds {
		for how := range ways {
			e := needy()
			e.FreezingLevels[0].AltitudeM = 2200
			damage(&e, f, how)
			results := Judge(p, e, nil)
			if _, err := json.Marshal(results); err != nil {
				t.Errorf("%s, way %d: cannot be published: %v", f.name, how, err)
			}
			for _, criterion := range f.needs {
				if r := of(t, results, criterion); r.Outcome != Unknown && !(r.Outcome == Held && how == isTimeless) {
					t.Errorf("%s, way %d: %s is %s: %s", f.name, how, criterion, r.Outcome, r.Reason)
				}
			}
			if state := settled(Apply(assessment(), results)); state != seedability.StateHold {
				t.Errorf("%s, way %d: %s", f.name, how, state)
			}
		}
	}
	// Nothing at all is known.
	for _, r := range Judge(p, Evidence{At: noon}, nil) {
		byClock := r.Kind == "season" || r.Kind == "hours"
		if (r.Outcome == Unknown) == byClock {
			t.Errorf("nothing known: %s is %s", r.Key, r.Outcome)
		}
	}
	for _, r := range Judge(p, Evidence{}, nil) {
		if r.Outcome != Unknown {
			t.Errorf("not even the time: %s is %s", r.Key, r.Outcome)
		}
	}
}

// stormy is evidence in which every criterion that needs inputs is held.
func stormy() Evidence {
	e := quiet()
	for i := range e.Readings {
		switch r := &e.Readings[i]; {
		case r.Gauge == "g1", r.Gauge == "g2":
			r.Value = 9
		case r.Gauge == "l1":
			r.Value = 9900
		case r.Quantity == QuantitySWE:
			r.Value = 900
		}
	}
	for i := range e.Categories {
		e.Categories[i].Name = "major"
	}
	for i := range e.Precipitation {
		e.Precipitation[i].MMPerH, e.Precipitation[i].LiquidShare = 60, 1
	}
	e.FreezingLevels[0].AltitudeM = 3500
	e.Winds[0].SpeedMPerS, e.Winds[0].GustMPerS, e.Winds[0].FromDeg = 40, 50, 90
	e.Dangers[0].Level = 5
	for i := range e.SiteReports {
		e.SiteReports[i].BatteryV, e.SiteReports[i].UnitsLeft = volts(10), volts(0)
	}
	e.Released[0].DayG, e.Released[0].SeasonG = 500, 9000
	e.Warnings = []Warning{flood()}
	return e
}

// Where all that is known speaks for a hold, losing any part of it, entry by
// entry and in any way, never clears a criterion, from nothing or from before.
func noLoss(t *testing.T, p *programme.Programme, seed uint64) bool {
	random := rand.New(rand.NewPCG(seed, 6))
	e := stormy()
	before := Judge(p, e, nil)
	share := random.Float64()
	value := reflect.ValueOf(&e).Elem()
	for _, name := range []string{"Readings", "Categories", "Precipitation", "FreezingLevels", "Winds", "Dangers", "SiteReports", "Released", "Feeds", "Paths"} {
		list := value.FieldByName(name)
		kept := reflect.MakeSlice(list.Type(), 0, list.Len())
		for i := range list.Len() {
			entry := reflect.New(list.Type().Elem()).Elem()
			entry.Set(list.Index(i))
			if random.Float64() < share && !spoil(entry, random.IntN(ways)) {
				continue
			}
			kept = reflect.Append(kept, entry)
		}
		list.Set(kept)
	}
	random.Shuffle(len(e.Readings), func(i, k int) { e.Readings[i], e.Readings[k] = e.Readings[k], e.Readings[i] })
	for name, previous := range map[string][]Result{"from nothing": nil, "from before": before} {
		for _, r := range Judge(p, e, previous) {
			want := r.Outcome.Holds()
			switch {
			case r.Kind == "season" || r.Kind == "hours" || r.Kind == "manual":
				continue
			case r.Criterion == "melt": // at most to be looked at
				want = r.Outcome != Clear
			}
			if !want {
				t.Errorf("seed %d, %s: %s became %s: %s", seed, name, r.Key, r.Outcome, r.Reason)
				return false
			}
		}
	}
	return true
}

func TestNoLossLiftsAHold(t *testing.T) {
	p := parse(t, everyKind)
	for _, r := range Judge(p, stormy(), nil) {
		if r.Outcome != Held && r.Criterion != "melt" && r.Kind != "season" && r.Kind != "hours" && r.Kind != "manual" {
			t.Errorf("%s is %s in the storm: the property would say little", r.Key, r.Outcome)
		}
	}
	if err := quick.Check(func(seed uint64) bool { return noLoss(t, p, seed) }, &quick.Config{MaxCount: 2000}); err != nil {
		t.Error(err)
	}
}

// FuzzOutage searches for a seed that breaks either property.
func FuzzOutage(f *testing.F) {
	f.Add(uint64(1))
	f.Add(uint64(1 << 40))
	f.Fuzz(func(t *testing.T, seed uint64) {
		p := parse(t, everyKind)
		noHole(t, p, seed)
		noLoss(t, p, seed)
	})
}

// The same arguments give the same results, and arguments are not changed.
func TestJudgeIsPure(t *testing.T) {
	p := parse(t, everyKind)
	e, same := stormy(), stormy()
	first := Judge(p, e, nil)
	kept := slices.Clone(first)
	second := Judge(p, e, first)
	if !reflect.DeepEqual(e, same) || !reflect.DeepEqual(first, kept) {
		t.Error("Judge changed its arguments")
	}
	if third := Judge(p, e, first); !reflect.DeepEqual(second, third) {
		t.Error("the same arguments, other results")
	}
	for k := range second {
		if !reflect.DeepEqual(first[k], second[k]) {
			t.Errorf("%s differs when it is judged again", first[k].Key)
		}
	}
}

func BenchmarkJudge(b *testing.B) {
	p, e := parse(b, everyKind), needy()
	previous := Judge(p, e, nil)
	b.ReportAllocs()
	for b.Loop() {
		Judge(p, e, previous)
	}
}

// A large programme in a bad storm: 100 sites, a target of 5000 positions, 400
// warnings of 200 positions, as many as an active day has in several states.
func BenchmarkWarningsLargeProgramme(b *testing.B) {
	p := parse(b, warningsOnly)
	site, h := p.Sites[0], &p.Holds[0]
	p.Sites, h.SiteIDs = nil, nil
	for k := range 100 {
		site.ID = fmt.Sprintf("s%d", k)
		site.LatitudeDeg = 44 + .005*float64(k)
		p.Sites, h.SiteIDs = append(p.Sites, site), append(h.SiteIDs, site.ID)
	}
	round := func(lon, lat, radius float64, n int) *geom.MultiPolygon {
		ring := make([]geom.Coord, n+1)
		for k := range ring {
			sin, cos := math.Sincos(2 * math.Pi * float64(k%n) / float64(n))
			ring[k] = geom.Coord{lon + radius*cos, lat + radius*sin}
		}
		return geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{{ring}})
	}
	p.Targets[0].Area = round(-114.5, 44, .1, 5000)
	e := quiet()
	path := e.Paths[0]
	for _, id := range h.SiteIDs {
		path.Site = id
		e.Paths = append(e.Paths, path)
	}
	for k := range 400 {
		w := flood()
		w.ID = fmt.Sprintf("w%d", k)
		w.Areas = []Area{{Polygons: round(-116+.1*float64(k%20), 43+.1*float64(k/20), .04, 200)}}
		e.Warnings = append(e.Warnings, w)
	}
	b.ReportAllocs()
	for b.Loop() {
		Judge(p, e, nil)
	}
}
