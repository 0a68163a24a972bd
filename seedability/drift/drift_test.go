package drift

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
)

const (
	footM         = 0.3048
	nauticalMileM = 1852.0
	mileM         = 1609.344
)

// simple describes a box of one wind, over flat or rolling ground.
type simple struct {
	wind        grid.Wind
	temperature func(altitudeM float64) float64
	cloud       func(altitudeM float64) float64 // kg per kg; nil for none
	humidity    float64                         // relative, over water
	terrain     func(grid.LatLon) float64
	columns     int
	stepDeg     float64
	heightsM    []float64
}

// sea-level density everywhere, so that ice falls at its table speed.
func (s simple) box(t testing.TB) *grid.Atmosphere {
	t.Helper()
	if s.columns == 0 {
		s.columns = 61
	}
	if s.stepDeg == 0 {
		s.stepDeg = 0.05
	}
	a, err := grid.NewAtmosphere(grid.Analytic{
		Grid: around(s.columns, s.columns, s.stepDeg), Times: hourly(6), HeightsM: s.heightsM, TerrainAltitudeM: s.terrain,
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			kelvin := s.temperature(p.AltitudeM)
			state := grid.State{Wind: s.wind, AirTemperatureK: kelvin, PressurePa: 1.225 * 287.05 * kelvin}
			if s.cloud != nil {
				state.CloudLiquidKgPerKg = s.cloud(p.AltitudeM)
			}
			if s.humidity > 0 {
				// Specific humidity by the Magnus form; good enough to be
				// clearly moist or clearly dry.
				celsius := kelvin - 273.15
				vapour := s.humidity * 611.2 * math.Exp(17.62*celsius/(243.12+celsius))
				state.SpecificHumidity = 0.622 * vapour / state.PressurePa
			}
			return state
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// certain are options without chance: every particle the same.
func certain() Options {
	o := DefaultOptions()
	o.Members = 8
	o.Turbulence.MountainFactor = 0
	o.Perturbation = Perturbation{}
	o.ActivationWarmestK, o.ActivationColdestK = 273.15-6, 273.15-6
	o.GrowthShortest, o.GrowthMode, o.GrowthLongest = 20*time.Minute, 20*time.Minute, 20*time.Minute
	o.FallSpeedFactor = 1
	return o
}

func everywhere(value float64) func(float64) float64 { return func(float64) float64 { return value } }

func lapse(kelvinAt0, perM float64) func(float64) float64 {
	return func(altitudeM float64) float64 { return kelvinAt0 - perM*altitudeM }
}

var site = grid.LatLon{LatitudeDeg: 40, LongitudeDeg: -107}

func run(t testing.TB, flow Flow, r Release, o Options) Ensemble {
	t.Helper()
	if r.Place == (grid.LatLon{}) {
		r.Place = site
	}
	if r.Start.IsZero() {
		r.Start = noon
	}
	e, err := Run(context.Background(), flow, r, o)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func near(t *testing.T, what string, got, want, tolerance float64, source string) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g ± %g (%s)", what, got, want, tolerance, source)
	}
}

// plain hides everything of a box but Flow.
type plain struct{ Flow }

// TestByHand: wind 10 m/s from the west, rising 0.5 m/s, ground at 1500 m,
// release at 1510 m and -5 °C, 6.5 K/km, activation at -6 °C, cloud everywhere,
// density of sea level.
//
//	activation  1 K / 0.0065 = 153.85 m higher, after 307.7 s, 3.077 km on
//	nucleation  3.6 exp(0.135 x 2.5) min = 302.7 s, until 610.4 s, at 1815.2 m
//	growth      1200 s: air rises 600 m, ice falls 120 + 540 = 660 m through it,
//	            until 1810.4 s, at 1755.2 m
//	fall        255.2 m at 1.0 - 0.5 m/s: 510.4 s, lands after 2320.8 s, 23.208 km on
func TestByHand(t *testing.T) {
	box := simple{
		wind: grid.Wind{EastwardMPerS: 10, UpwardMPerS: 0.5}, temperature: lapse(273.15-5+0.0065*1510, 0.0065),
		cloud: everywhere(3e-4), terrain: func(grid.LatLon) float64 { return 1500 },
	}.box(t)
	const source = "by hand, see above"
	for name, flow := range map[string]Flow{"box": box, "any flow": plain{box}} {
		for _, scheme := range []Scheme{Petterssen, RungeKutta4} {
			o := certain()
			o.Scheme = scheme
			e := run(t, flow, Release{HeightAboveGroundM: 10}, o)
			for _, m := range e.Members {
				if !m.Activated || m.Fate != Landed {
					t.Fatalf("%s: activated %v, %v", name, m.Activated, m.Fate)
				}
				near(t, name+": activation time", m.Activation.Time.Sub(noon).Seconds(), 307.7, 0.3, source)
				near(t, name+": activation way", grid.DistanceM(site, m.Activation.Place), 3077, 4, source)
				near(t, name+": activation altitude", m.Activation.AltitudeM, 1663.85, 0.2, source)
				near(t, name+": activation temperature", m.Activation.AirTemperatureK, 267.15, 1e-3, source)
				near(t, name+": activation liquid", m.Activation.LiquidKgPerM3, 3e-4*1.225, 1e-6, source)
				near(t, name+": nucleation delay", m.NucleationDelay.Seconds(), 302.7, 0.1, source)
				near(t, name+": landing time", m.End.Time.Sub(noon).Seconds(), 2320.8, 1.5, source)
				near(t, name+": landing way", grid.DistanceM(site, m.End.Place), 23208, 20, source)
				near(t, name+": landing altitude", m.End.AltitudeM, 1500, 0.01, source)
				near(t, name+": landing latitude", m.End.Place.LatitudeDeg, 40, 1e-4, "carried along the parallel")
				// Cloud at sub-zero temperatures all the way.
				near(t, name+": liquid exposure", m.LiquidExposureKgSPerM3, 3e-4*1.225*2320.8, 3e-4*1.225*61, "liquid times time, to one step")
			}
		}
	}
}

// TestEveryFate: a flow for each, and fates always sum to the members.
func TestEveryFate(t *testing.T) {
	cold, inCloud := lapse(273.15-8, 0), everywhere(3e-4)
	west := grid.Wind{EastwardMPerS: 10}
	for _, test := range []struct {
		name    string
		air     simple
		options func(*Options)
		want    Fate
	}{
		{"cold cloud", simple{wind: west, temperature: cold, cloud: inCloud, humidity: 1}, nil, Landed},
		{"warm cloud", simple{wind: west, temperature: everywhere(275), cloud: inCloud}, nil, TooWarm},
		{"cold dry air", simple{wind: west, temperature: cold}, nil, NoLiquid},
		{"warm below the crest", simple{wind: west, temperature: everywhere(275), cloud: inCloud},
			func(o *Options) { o.CrestAltitudeM = 1000 }, Trapped},
		{"small box", simple{wind: west, temperature: cold, cloud: inCloud, columns: 3, stepDeg: 0.02}, nil, LeftSide},
		{"strong updraught", simple{wind: grid.Wind{EastwardMPerS: 2, UpwardMPerS: 3}, temperature: cold, cloud: inCloud}, nil, LeftTop},
		{"updraught that carries", simple{wind: grid.Wind{EastwardMPerS: 2, UpwardMPerS: 1}, temperature: cold, cloud: inCloud}, nil, RanOutOfTime},
		{"thin cloud high over dry air", simple{wind: west, temperature: cold, humidity: 0.3,
			cloud: func(m float64) float64 { return map[bool]float64{true: 3e-4}[m > 1500] }}, nil, Sublimated},
	} {
		o := certain()
		if test.options != nil {
			test.options(&o)
		}
		release := Release{HeightAboveGroundM: 10}
		if test.want == Sublimated {
			release.HeightAboveGroundM = 2000
		}
		e := run(t, test.air.box(t), release, o)
		if got := e.Count(test.want); got != o.Members {
			t.Errorf("%s: %v, want all %q", test.name, e.Counts(), test.want)
		}
		if p := e.TargetProbability(func(grid.LatLon) bool { return true }); p.P != map[bool]float64{true: 1}[test.want == Landed] {
			t.Errorf("%s: %g inside a target that is everywhere", test.name, p.P)
		}
	}
	// Released too late for the box to last.
	e := run(t, simple{wind: west, temperature: cold}.box(t), Release{Start: noon.Add(4*time.Hour + 30*time.Minute)}, certain())
	if e.Count(RanOutOfTime) != 8 {
		t.Errorf("at the end of the box's time: %v", e.Counts())
	}
}

// TestNoParticleIsLost: with all chance at work, over a ridge, fates sum to the
// members at every site.
func TestNoParticleIsLost(t *testing.T) {
	o := DefaultOptions()
	o.Members = 64
	ensembles, err := RunAll(context.Background(), storm(t), sites(100), o)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[Fate]int{}
	for _, e := range ensembles {
		sum := 0
		for _, fate := range Fates() {
			sum += e.Count(fate)
			seen[fate] += e.Count(fate)
		}
		if sum != o.Members || len(e.Members) != o.Members {
			t.Errorf("%s: fates sum to %d of %d", e.Release.Site, sum, o.Members)
		}
		for k, m := range e.Members {
			if m.End.Time.Before(m.Released) || m.Activated && m.End.Time.Before(m.Activation.Time) {
				t.Errorf("%s: member %d ends before it begins: %+v", e.Release.Site, k, m)
			}
			if m.Fate == Landed && (!m.Activated || math.Abs(m.End.HeightAboveGroundM) > 0.01) {
				t.Errorf("%s: member %d landed %g m above ground, activated %v", e.Release.Site, k, m.End.HeightAboveGroundM, m.Activated)
			}
		}
	}
	if seen[Landed] == 0 {
		t.Errorf("nothing landed: %v", seen)
	}
}

// TestSameSeedSameBytes: on one core and on two, in pieces and whole.
func TestSameSeedSameBytes(t *testing.T) {
	atmosphere := storm(t)
	bytes := func(workers, sitesAtOnce int, seed uint64) string {
		o := DefaultOptions()
		o.Members, o.Workers, o.Seed = 50, workers, seed
		var all []Ensemble
		for from := 0; from < 10; from += sitesAtOnce {
			ensembles, err := RunAll(context.Background(), atmosphere, sites(10)[from:from+sitesAtOnce], o)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, ensembles...)
		}
		b, err := json.Marshal(all)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	want := bytes(1, 10, 1)
	if bytes(2, 10, 1) != want || bytes(2, 1, 1) != want || bytes(7, 5, 1) != want {
		t.Error("results depend on the number of workers or on the cut of the work")
	}
	if bytes(1, 10, 2) == want {
		t.Error("results do not depend on the seed")
	}
}

// TestGroupsOfAnySizeGiveTheSame: particles that are followed at once do not
// touch each other, with either scheme, with divided steps, and where a state of
// the box begins at the very moment of a release.
func TestGroupsOfAnySizeGiveTheSame(t *testing.T) {
	atmosphere := storm(t)
	release := sites(1)[0]
	for _, c := range []struct {
		scheme Scheme
		minute int
		burn   time.Duration
		divide float64
	}{{Petterssen, 7, 4 * time.Minute, 1}, {Petterssen, 60, 0, 10}, {RungeKutta4, 60, 0, 1}} {
		o := DefaultOptions()
		o.Members, o.MaxDuration, o.Scheme = 61, 90*time.Minute, c.scheme
		o.MaxCourant /= c.divide
		o.Turbulence.prepare()
		release.Start, release.Burn = noon.Add(time.Duration(c.minute)*time.Minute), c.burn
		results := func(size int) string {
			var j job
			if err := j.open(newMedium(atmosphere, release.Place), release, &o); err != nil {
				t.Fatal(err)
			}
			j.allocate()
			newWorker(&o, size).follow(context.Background(), &j, 0, o.Members)
			j.close()
			b, err := json.Marshal(j.ensemble)
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		want := results(1)
		for _, size := range []int{2, 3, 8, 100} {
			if results(size) != want {
				t.Errorf("%+v: a group of %d gives other results than one particle at a time", c, size)
			}
		}
	}
}

// TestTargetProbability: directions scatter by a Gaussian of 10 degrees, the
// target is all within 10 degrees of the mean: erf(1/sqrt 2) = 0.6827 hit.
func TestTargetProbability(t *testing.T) {
	box := simple{wind: grid.Wind{EastwardMPerS: 10}, temperature: everywhere(263), cloud: everywhere(3e-4), humidity: 1}.box(t)
	o := certain()
	o.Members = 10000
	o.Perturbation.DirectionSDDeg = 10
	e := run(t, box, Release{}, o)
	if e.Count(Landed) != o.Members {
		t.Fatalf("%v", e.Counts())
	}
	plane := planeAround(site)
	p := e.TargetProbability(func(p grid.LatLon) bool {
		x, y, _ := plane.plane(p)
		return math.Abs(math.Atan2(y, x)) < 10*rad
	})
	near(t, "probability", p.P, 0.6827, 0.015, "erf(1/sqrt 2), n = 10000")
	near(t, "standard error", p.StandardError, 0.00465, 0.0001, "sqrt(P(1-P)/n)")
	// Turned clockwise is positive: from the west to the north-west wind.
	for _, m := range e.Members[:50] {
		x, y, _ := plane.plane(m.End.Place)
		near(t, "direction", -math.Atan2(y, x)/rad, m.Draw.DirectionDeg, 0.3, "the member's own draw")
	}
	ellipse, ok := e.LandingEllipse()
	if !ok {
		t.Fatal("no ellipse")
	}
	// The scatter is across the wind, so the long axis lies north to south.
	landing, _ := e.MeanLanding()
	way := grid.DistanceM(site, landing.Place)
	near(t, "major axis", ellipse.SemiMajorM, way*math.Sin(10*rad), 0.03*way*math.Sin(10*rad), "distance times sine of the scatter")
	if bearing := ellipse.MajorBearingDeg; bearing > 3 && bearing < 177 {
		t.Errorf("major axis at %g degrees, want north to south", bearing)
	}
	if ellipse.SemiMinorM > 0.2*ellipse.SemiMajorM {
		t.Errorf("minor axis %g m, major %g m", ellipse.SemiMinorM, ellipse.SemiMajorM)
	}
}

// TestTerrainIsNeverCrossed: a wall of 1200 m within 6 km, and a wind that does
// not know of it.
func TestTerrainIsNeverCrossed(t *testing.T) {
	box := simple{
		wind: grid.Wind{EastwardMPerS: 20}, temperature: lapse(283, 0.0065), columns: 61, stepDeg: 0.03,
		terrain: func(p grid.LatLon) float64 {
			x := (p.LongitudeDeg + 106.9) * 85.2 // km
			return 1500 + 1200*math.Exp(-x*x/8) + 150*math.Sin(p.LatitudeDeg*200)
		},
	}.box(t)
	o := DefaultOptions()
	o.Members = 300
	o.MaxDuration = 40 * time.Minute
	medium := newMedium(box, site)
	var j job
	if err := j.open(medium, Release{Place: site, Start: noon}, &o); err != nil {
		t.Fatal(err)
	}
	o.Turbulence.prepare()
	j.allocate()
	newWorker(&o, groupSize).follow(context.Background(), &j, 0, o.Members)
	air, crossed := medium.newAir(), 0
	for member := range o.Members {
		for n := range j.lengths[member] {
			s := j.tracks[member*j.records+n]
			terrainM, _ := air.TerrainAltitudeM(s.x, s.y)
			if float64(s.altitudeM) < terrainM-0.01 || s.heightM < minHeightM-0.01 {
				t.Fatalf("member %d, step %d: %g m, ground %g m", member, n, s.altitudeM, terrainM)
			}
			if s.x > medium.lonX(-106.8) {
				crossed++
			}
		}
	}
	if crossed == 0 {
		t.Error("nothing came past the wall: the test tests nothing")
	}
}

// lonX is the plane x of a longitude at the site's latitude.
func (m *medium) lonX(longitudeDeg float64) float64 {
	x, _, _ := m.plane(grid.LatLon{LatitudeDeg: 40, LongitudeDeg: longitudeDeg})
	return x
}

// TestWellMixed: particles let go at the ground end up evenly through the
// mixing depth, whatever the shear of the wind; K is full to two thirds of it.
func TestWellMixed(t *testing.T) {
	for name, wind := range map[string]func(heightM float64) float64{
		"uniform": func(float64) float64 { return 10 },
		"sheared": func(heightM float64) float64 { return 2 + 10*math.Min(heightM, 300)/300 },
	} {
		a, err := grid.NewAtmosphere(grid.Analytic{
			Grid: around(9, 9, 1), Times: hourly(7), HeightsM: []float64{0, 50, 100, 200, 300, 400, 500, 600, 700, 800, 900, 1000, 2000},
			StateAt: func(p grid.Position, heightM float64, _ time.Time) grid.State {
				return grid.State{Wind: grid.Wind{EastwardMPerS: wind(heightM) / 10}, AirTemperatureK: 288 - 0.00975*p.AltitudeM, PressurePa: 9e4}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		o := DefaultOptions()
		o.Members, o.MaxDuration = 4000, 6*time.Hour
		o.Turbulence.LengthM *= 10 // K as in ten times this wind
		e := run(t, a, Release{}, o)
		var bins [4]int
		for _, m := range e.Members {
			if k := int(m.End.HeightAboveGroundM / 100); k < len(bins) {
				bins[k]++
			}
		}
		mean := float64(bins[0]+bins[1]+bins[2]+bins[3]) / 4
		for k, n := range bins {
			if math.Abs(float64(n)-mean) > 0.12*mean {
				t.Errorf("%s: %d to %d m holds %d, mean %.0f (well-mixed condition, ± 12 %% with 4000 particles and steps of 60 s)", name, k*100, k*100+100, n, mean)
			}
		}
	}
}

func TestCancelledAndOutside(t *testing.T) {
	box := simple{wind: grid.Wind{EastwardMPerS: 10}, temperature: everywhere(260)}.box(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, box, Release{Place: site, Start: noon}, certain()); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	for _, r := range []Release{
		{Site: "far", Place: grid.LatLon{LatitudeDeg: 50, LongitudeDeg: 7}, Start: noon},
		{Site: "early", Place: site, Start: noon.Add(-time.Second)},
		{Site: "late", Place: site, Start: noon.Add(5 * time.Hour), Burn: time.Minute},
	} {
		_, err := Run(context.Background(), box, r, certain())
		if !errors.Is(err, ErrNoRelease) || !strings.Contains(err.Error(), r.Site) {
			t.Errorf("%s: %v", r.Site, err)
		}
	}
	for name, spoil := range map[string]func(*Options){
		"members":  func(o *Options) { o.Members = 0 },
		"step":     func(o *Options) { o.Step = 2 * time.Minute },
		"duration": func(o *Options) { o.MaxDuration = 0 },
		"growth":   func(o *Options) { o.GrowthMode = time.Minute },
		"speed":    func(o *Options) { o.FallSpeedMPerS = math.NaN() },
		"warm":     func(o *Options) { o.ActivationWarmestK = 280 },
		"courant":  func(o *Options) { o.MaxCourant = math.NaN() },
		"depth":    func(o *Options) { o.Turbulence.MixingDepthM = 0 },
	} {
		o := DefaultOptions()
		spoil(&o)
		if _, err := Run(context.Background(), box, Release{Place: site, Start: noon}, o); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	var zero Options
	if _, err := Run(context.Background(), box, Release{Place: site, Start: noon}, zero); err == nil {
		t.Error("zero options accepted")
	}
}

// TestDraws: means and spreads of what members are given.
func TestDraws(t *testing.T) {
	o := DefaultOptions()
	p := newParticle(&o)
	const n = 40000
	var direction, direction2, speed, speed2, threshold, growth, logFall, logFall2 float64
	for k := range n {
		p.source.Seed(o.Seed, uint64(k))
		d := draw(p.random, &o)
		direction, direction2 = direction+d.DirectionDeg/n, direction2+d.DirectionDeg*d.DirectionDeg/n
		speed, speed2 = speed+d.SpeedFactor/n, speed2+(d.SpeedFactor-1)*(d.SpeedFactor-1)/n
		threshold += (d.ActivationTemperatureK - 273.15) / n
		growth += d.GrowthTime.Minutes() / n
		logFall, logFall2 = logFall+math.Log(d.FallSpeedMPerS)/n, logFall2+math.Pow(math.Log(d.FallSpeedMPerS), 2)/n
		if d.GrowthTime < 8*time.Minute || d.GrowthTime > 30*time.Minute || d.ActivationTemperatureK > 268.15 || d.ActivationTemperatureK < 265.15 {
			t.Fatalf("%+v", d)
		}
	}
	near(t, "direction, mean", direction, 0, 0.2, "four standard errors")
	near(t, "direction, sd", math.Sqrt(direction2), 10, 0.15, "asked for")
	near(t, "speed, mean", speed, 1, 0.003, "asked for")
	near(t, "speed, sd", math.Sqrt(speed2), 0.15, 0.0025, "asked for")
	near(t, "activation, mean", threshold, -6.5, 0.02, "uniform from -5 to -8")
	near(t, "growth, mean", growth, (8+20+30)/3.0, 0.1, "mean of the triangular distribution")
	near(t, "fall speed, median", math.Exp(logFall), 1.0, 0.01, "lognormal")
	near(t, "fall speed, factor", math.Exp(math.Sqrt(logFall2)), 1.4, 0.01, "lognormal")
}

func TestRelation(t *testing.T) {
	plane := planeAround(site)
	at := func(x, y float64) grid.LatLon { p, _ := plane.place(x*1000, y*1000); return p }
	e := Ensemble{Release: Release{Place: site}}
	for _, p := range []grid.LatLon{at(5, 0), at(15, 0), at(15, 1), at(30, 0), at(15, 9), at(15, -9)} {
		e.Members = append(e.Members, Member{Fate: Landed, Activated: true, End: Event{Place: p}})
	}
	e.Members = append(e.Members, Member{Fate: NoLiquid})
	inside := func(p grid.LatLon) bool {
		x, y, _ := plane.plane(p)
		return x > 10e3 && x < 20e3 && math.Abs(y) < 5e3
	}
	want := Relation{Inside: 2, Short: 1, Over: 1, Beside: 2, NotLanded: 1}
	if got := e.RelativeTo([]grid.LatLon{at(10, -5), at(20, -5), at(20, 5), at(10, 5)}, inside); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	q, ok := quantiles([]float64{5, 1, 2, 4, 3})
	if !ok || q != (Quantiles{1.4, 3, 4.6}) {
		t.Errorf("quantiles %v (linear between order statistics)", q)
	}
}

// TestSteps: a minute is divided where the air moves more than half a cell.
func TestSteps(t *testing.T) {
	for _, c := range []struct {
		wind    grid.Wind
		stepDeg float64
		want    int // steps a minute
	}{
		// Cells of 0.05 degrees are 4.26 km from west to east at 40 N.
		{grid.Wind{EastwardMPerS: 10}, 0.05, 1},                // 600 m: 0.14 cells
		{grid.Wind{EastwardMPerS: 60}, 0.05, 2},                // 3600 m: 0.85 cells
		{grid.Wind{NorthwardMPerS: 20}, 0.01, 3},               // 1200 m of 1112: 1.08 cells
		{grid.Wind{EastwardMPerS: 1, UpwardMPerS: 3}, 0.05, 4}, // 180 m of 100: 1.8 layers
	} {
		o := certain()
		o.MaxDuration = 3 * time.Minute
		e := run(t, simple{wind: c.wind, temperature: everywhere(260), stepDeg: c.stepDeg}.box(t), Release{}, o)
		if got := e.Members[0].Steps; got != 3*c.want {
			t.Errorf("%+v on %g degrees: %d steps in 3 min, want %d", c.wind, c.stepDeg, got, 3*c.want)
		}
	}
}

// TestAirSlidesAlongTheGround: where the model's wind would cross the ground,
// still air follows it closely instead of bouncing off.
func TestAirSlidesAlongTheGround(t *testing.T) {
	box := simple{
		wind: grid.Wind{EastwardMPerS: 10}, temperature: lapse(283, 0.0065), stepDeg: 0.03,
		terrain: func(p grid.LatLon) float64 { return 1500 + 6000*math.Max(p.LongitudeDeg+107, 0) }, // 7 % upwards
	}.box(t)
	o := certain()
	o.MaxDuration = 20 * time.Minute
	e := run(t, box, Release{HeightAboveGroundM: 5}, o)
	for _, p := range e.Track {
		if p.HeightAboveGroundM < minHeightM-0.01 || p.HeightAboveGroundM > 5.01 {
			t.Fatalf("after %s %g m above ground", p.Age, p.HeightAboveGroundM)
		}
	}
	if last := e.Track[len(e.Track)-1]; last.AltitudeM < 1500+500 {
		t.Errorf("risen to %g m only", last.AltitudeM)
	}
}

// TestSublimationNeedsOneDeepLayer: two dry layers of 400 m with a moist one
// between do not cost a crystal its life, one of 800 m does.
func TestSublimationNeedsOneDeepLayer(t *testing.T) {
	for _, c := range []struct {
		moistFrom, moistTo float64
		want               Fate
	}{{900, 1300, Landed}, {1700, 1800, Sublimated}} {
		a, err := grid.NewAtmosphere(grid.Analytic{
			Grid: around(61, 61, 0.05), Times: hourly(6),
			HeightsM: []float64{10, 100, 495, 505, 890, 905, 1295, 1310, 1690, 1705, 1795, 1810, 1990, 2010, 3000},
			StateAt: func(p grid.Position, heightM float64, _ time.Time) grid.State {
				s := grid.State{Wind: grid.Wind{EastwardMPerS: 5}, AirTemperatureK: 263.15, PressurePa: 1.225 * 287.05 * 263.15}
				relative := 0.3
				if heightM > 1700 || heightM > c.moistFrom && heightM < c.moistTo || heightM < 500 {
					relative = 1
				}
				s.SpecificHumidity = 0.622 * 286 * relative / s.PressurePa // 2.86 hPa: saturation at -10 °C
				if heightM > 1700 {
					s.CloudLiquidKgPerKg = 3e-4
				}
				return s
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		e := run(t, a, Release{HeightAboveGroundM: 2200}, certain())
		if e.Count(c.want) != 8 {
			t.Errorf("moist from %g to %g m: %v, want %v", c.moistFrom, c.moistTo, e.Counts(), c.want)
		}
	}
}
