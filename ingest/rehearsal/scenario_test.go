package rehearsal

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"rimeline/grid"
)

var (
	stormStart = time.Date(2026, 2, 3, 6, 0, 0, 0, time.UTC)
	_          = []Weather{Storm{}, &Scenario{}}
)

// somewhere draws points of the domain, and altitudes above ground with hours of
// the storm.
func somewhere(w Weather, n int) func(yield func(xy [2]float64, zh [2]float64) bool) {
	random := rand.New(rand.NewPCG(1, 2))
	return func(yield func(xy [2]float64, zh [2]float64) bool) {
		for range n {
			x, y := random.Float64()*140e3-70e3, random.Float64()*100e3-50e3
			ground := w.TerrainM(x, y)
			if !yield([2]float64{x, y}, [2]float64{ground + 20 + random.Float64()*(9000-ground), random.Float64()*9 - .5}) {
				return
			}
		}
	}
}

// dp/dz = -p g / (R T) for dry air, by differences; the terms of moisture are left
// out of this storm.
func TestScenarioIsHydrostatic(t *testing.T) {
	s := NewScenario(stormStart, 1)
	const step = 5.0
	for xy, zh := range somewhere(s, 3000) {
		x, y, z, hours := xy[0], xy[1], zh[0], zh[1]
		if math.Abs(z-lapseBendM) < 2*step || math.Abs(z-poolTopM) < 2*step {
			continue
		}
		low, middle, high := s.At(x, y, z-step, hours), s.At(x, y, z, hours), s.At(x, y, z+step, hours)
		got := (high.PressurePa - low.PressurePa) / (2 * step)
		want := -middle.PressurePa * 9.80665 / (287.05 * middle.AirTemperatureK)
		if math.Abs(got/want-1) > 1e-4 {
			t.Fatalf("at %.0f m, hour %.2f: dp/dz %.6f Pa/m, hydrostatic %.6f", z, hours, got, want)
		}
		if back := s.AltitudeOfPressureM(x, y, middle.PressurePa, hours); math.Abs(back-z) > .01 {
			t.Fatalf("%.0f Pa lies at %.3f m, found at %.3f m", middle.PressurePa, z, back)
		}
	}
}

// At the ground the wind blows along it: w = u dh/dx + v dh/dy.
func TestScenarioWindFollowsTheGround(t *testing.T) {
	s := NewScenario(stormStart, 1)
	const step = 10.0
	steepest := 0.0
	for xy, zh := range somewhere(s, 2000) {
		x, y, hours := xy[0], xy[1], zh[1]
		air := s.At(x, y, s.TerrainM(x, y), hours)
		want := air.EastwardMPerS*(s.TerrainM(x+step, y)-s.TerrainM(x-step, y))/(2*step) +
			air.NorthwardMPerS*(s.TerrainM(x, y+step)-s.TerrainM(x, y-step))/(2*step)
		if math.Abs(air.UpwardMPerS-want) > 1e-3 {
			t.Fatalf("w %.4f m/s at the ground, the slope wants %.4f", air.UpwardMPerS, want)
		}
		steepest = max(steepest, want)
	}
	if steepest < .3 {
		t.Errorf("the strongest ascent is %.2f m/s: the ridge lifts nothing", steepest)
	}
}

// Saturated over water where there are droplets (Magnus form of WMO-No. 8, value
// from memory), and never above that.
func TestScenarioHumidity(t *testing.T) {
	s := NewScenario(stormStart, 1)
	inCloud := 0
	for xy, zh := range somewhere(s, 20000) {
		x, y, z, hours := xy[0], xy[1], zh[0], zh[1]
		air := s.At(x, y, z, hours)
		c := air.AirTemperatureK - 273.15
		e := air.SpecificHumidity * air.PressurePa / (.62199 + .37801*air.SpecificHumidity)
		saturation := e / (611.2 * math.Exp(17.62*c/(243.12+c)))
		switch {
		case air.CloudLiquidKgPerKg > 0 && math.Abs(saturation-1) > 1e-6, saturation > 1+1e-6, saturation < .2:
			t.Fatalf("at %.0f m, hour %.2f: %.4f of saturation, liquid %g, ice %g", z, hours, saturation, air.CloudLiquidKgPerKg, air.CloudIceKgPerKg)
		case air.CloudLiquidKgPerKg < 0, air.CloudIceKgPerKg < 0, air.SnowKgPerKg < 0, air.CloudLiquidKgPerKg > 1e-3:
			t.Fatalf("condensate %+v", air)
		case air.CloudLiquidKgPerKg > 0:
			inCloud++
		}
	}
	if inCloud < 300 {
		t.Errorf("only %d points in cloud", inCloud)
	}
}

// The plane against the projection of package grid, which is held to PROJ.
func TestPlaneIsLambertConformal(t *testing.T) {
	s := NewScenario(stormStart, 1)
	plane, middle := PlaneOf(s), s.Middle()
	projection, err := grid.NewLambertConformal(grid.LambertConformal{Earth: grid.Sphere(6371229),
		StandardParallel1Deg: middle.LatitudeDeg, StandardParallel2Deg: middle.LatitudeDeg, OriginLatitudeDeg: middle.LatitudeDeg, CentralMeridianDeg: middle.LongitudeDeg})
	if err != nil {
		t.Fatal(err)
	}
	for x, y := range map[float64]float64{0: 0, 60e3: -40e3, -55e3: 30e3, 10e3: 90e3} {
		at := plane.Place(x, y)
		if wantX, wantY, ok := projection.Forward(at); !ok || math.Hypot(wantX-x, wantY-y) > .01 {
			t.Errorf("%.0f, %.0f is at %v, where the projection has %.2f, %.2f", x, y, at, wantX, wantY)
		}
		if backX, backY := plane.XY(at); math.Hypot(backX-x, backY-y) > .001 {
			t.Errorf("%.0f, %.0f comes back as %.4f, %.4f", x, y, backX, backY)
		}
	}
}

// Echo keeps its shape and moves with its line, at the speed of the wind at the
// altitude that is said to carry it.
func TestScenarioEchoMovesWithTheWind(t *testing.T) {
	s := NewScenario(stormStart, 1)
	const minutes = 10.0
	eastM, northM := onPlane(lineSpeedMPerS*minutes*60, 0)
	compared := 0
	for xy, zh := range somewhere(s, 5000) {
		x, y, hours := xy[0], xy[1], zh[1]
		before := s.ReflectivityDBZ(x, y, 3000, hours)
		after := s.ReflectivityDBZ(x+eastM, y+northM, 3000, hours+minutes/60)
		if !(before > 14) { // not the orographic echo, which stands
			continue
		}
		compared++
		if math.Abs(after-before) > .01 {
			t.Fatalf("%.2f dBZ at hour %.2f, %.2f ten minutes later and downwind", before, hours, after)
		}
	}
	if compared < 100 {
		t.Errorf("only %d places with a band", compared)
	}
	air := s.At(0, 0, 3170, 5)
	if speed := math.Hypot(air.EastwardMPerS, air.NorthwardMPerS); math.Abs(speed-lineSpeedMPerS) > .1 {
		t.Errorf("the wind at 3170 m is %.2f m/s, the lines move with %.1f", speed, lineSpeedMPerS)
	}
}

// What the episodes say of themselves.
func TestScenarioEpisodes(t *testing.T) {
	s := NewScenario(stormStart, 1)
	x, y := onPlane(slopeM, 3e3)
	hours := func(at time.Time) float64 { return at.Sub(s.Start()).Hours() }
	kinds := map[string]int{}
	for _, e := range s.Episodes() {
		kinds[e.Kind]++
		if e.From.Before(s.Start()) || e.To.After(s.End()) || !e.To.After(e.From) {
			t.Errorf("%s from %s to %s", e.Name, e.From, e.To)
		}
		middle := hours(e.From.Add(e.To.Sub(e.From) / 2))
		coldestLiquidK, mostLiquid, mostDBZ := 300.0, 0.0, -99.0
		for z := s.TerrainM(x, y); z < 9000; z += 20 {
			air := s.At(x, y, z, middle)
			if air.CloudLiquidKgPerKg > 1e-5 {
				coldestLiquidK = min(coldestLiquidK, air.AirTemperatureK)
			}
			mostLiquid = max(mostLiquid, air.CloudLiquidKgPerKg)
			if dBZ := s.ReflectivityDBZ(x, y, z, middle); dBZ > mostDBZ && air.AirTemperatureK < 273.15 && air.AirTemperatureK > 253.15 {
				mostDBZ = dBZ
			}
		}
		top := s.CloudTop(x, y, middle)
		switch e.Kind {
		case EpisodeInversion:
			rise := s.At(x, y, poolTopM, middle).AirTemperatureK - s.At(x, y, poolTopM-300, middle).AirTemperatureK
			if rise < 1 {
				t.Errorf("inversion of %.1f K", rise)
			}
		case EpisodeWarmBand:
			if coldestLiquidK < 273.15-5 || mostLiquid < 1e-4 || top.AirTemperatureK < 273.15-5 {
				t.Errorf("warm band: liquid up to %g kg/kg, down to %.1f K, top %+v", mostLiquid, coldestLiquidK, top)
			}
		case EpisodeGoodBand:
			if coldestLiquidK > 273.15-12 || mostLiquid < 1e-4 || mostDBZ > 25 || mostDBZ < 18 {
				t.Errorf("%s: liquid up to %g kg/kg, down to %.1f K, echo %.0f dBZ", e.Name, mostLiquid, coldestLiquidK, mostDBZ)
			}
		case EpisodeFront:
			if d := s.At(x, y, 2500, hours(e.From)).AirTemperatureK - s.At(x, y, 2500, hours(e.To)).AirTemperatureK; d < 5 {
				t.Errorf("the front cools the air by %.1f K", d)
			}
		case EpisodeIcedOver:
			if top.Phase != Ice || top.AirTemperatureK > 273.15-35 || mostDBZ < 30 || mostDBZ > 40 || mostLiquid < 1e-4 {
				t.Errorf("iced over: top %+v, echo %.0f dBZ, liquid %g kg/kg", top, mostDBZ, mostLiquid)
			}
		case EpisodeOutage:
			if from, to := s.Outage(); from != e.From || to != e.To || to.Sub(from) != 20*time.Minute {
				t.Errorf("outage %s to %s, episode %s to %s", from, to, e.From, e.To)
			}
		}
	}
	if kinds[EpisodeGoodBand] != 2 || len(kinds) != 9 {
		t.Errorf("kinds of episode %v", kinds)
	}
}

// Runs are wrong by 25 minutes at first and by less from run to run; the truth is
// what they come to.
func TestScenarioForecasts(t *testing.T) {
	for _, seed := range []int64{1, 2, 3, 4, 5} {
		s := NewScenario(stormStart, seed)
		last := math.Inf(1)
		for run := -1; run <= 7; run++ {
			f := s.Forecast(s.Start().Add(time.Duration(run) * time.Hour)).(*Scenario)
			if again := s.Forecast(s.Start().Add(time.Duration(run) * time.Hour)).(*Scenario); *again != *f {
				t.Fatal("the same run is not the same twice")
			}
			worst := 0.0
			for k := range s.bands {
				worst = max(worst, 60*math.Abs(f.bands[k].slopeHours-s.bands[k].slopeHours))
			}
			least, most := .74*runErrorMinutes(float64(run)), 1.01*runErrorMinutes(float64(run))
			if worst < least || worst > most || run == -1 && worst < 18 || run >= 2 && worst > 5 {
				t.Errorf("seed %d, run of hour %d: bands are %.1f min off", seed, run, worst)
			}
			if worst > last+1 {
				t.Errorf("seed %d, run of hour %d is %.1f min off, the one before %.1f", seed, run, worst, last)
			}
			last = worst
			if f.StartTime() != s.StartTime() || f.Middle() != s.Middle() || f.TerrainM(1e3, 2e3) != s.TerrainM(1e3, 2e3) {
				t.Error("a forecast is of another place or time")
			}
		}
	}
}

func TestScenarioSeeds(t *testing.T) {
	x, y := onPlane(slopeM, 3e3)
	a, b := NewScenario(stormStart, 1), NewScenario(stormStart, 2)
	if *a != *NewScenario(stormStart, 1) {
		t.Error("the same seed gives another storm")
	}
	if a.ReflectivityDBZ(x, y, 2500, 4) == b.ReflectivityDBZ(x, y, 2500, 4) {
		t.Error("another seed gives the same texture")
	}
}

func BenchmarkScenarioReflectivity(b *testing.B) {
	s := NewScenario(stormStart, 1)
	k := 0
	for b.Loop() {
		k++
		s.ReflectivityDBZ(float64(k%97)*2e3-90e3, float64(k%89)*2e3-80e3, 1500+float64(k%41)*100, float64(k%7)+.3)
	}
}

func BenchmarkScenarioAt(b *testing.B) {
	s := NewScenario(stormStart, 1)
	k := 0
	for b.Loop() {
		k++
		s.At(float64(k%97)*2e3-90e3, float64(k%89)*2e3-80e3, 1500+float64(k%41)*100, float64(k%7)+.3)
	}
}
