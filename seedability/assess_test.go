package seedability

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability/agent"
	"rimeline/seedability/drift"
	"rimeline/seedability/profile"
)

var start = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)

// slab is an atmosphere that can be computed by hand: ground at 3000 m, wind
// of 10 m/s to the east, 0 °C at 1500 m and 6.5 K/km, and a cloud of 0.2 g/m3
// from 2500 to 4000 m.
func slab(t *testing.T, change func(*grid.State, float64)) *grid.Atmosphere {
	t.Helper()
	air, err := grid.NewAtmosphere(grid.Analytic{
		Grid: &grid.Grid{Name: "latitude_longitude", Projection: grid.LatLonProjection{}, NI: 41, NJ: 21,
			X: grid.Axis{First: -115.5, Step: .05}, Y: grid.Axis{First: 43.5, Step: .05}},
		Times:            []time.Time{start, start.Add(6 * time.Hour)},
		TerrainAltitudeM: func(grid.LatLon) float64 { return 3000 },
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			s := grid.State{Wind: grid.Wind{EastwardMPerS: 10}}
			s.AirTemperatureK = 273.15 - .0065*(p.AltitudeM-1500)
			s.PressurePa = 84556 * math.Pow(s.AirTemperatureK/273.15, 9.80665/(287.05*.0065))
			// 88 % over water by the Magnus form of WMO-No. 8 (value from memory).
			c := s.AirTemperatureK - 273.15
			s.SpecificHumidity = .622 * .88 * 611.2 * math.Exp(17.62*c/(243.12+c)) / s.PressurePa
			if p.AltitudeM >= 2500 && p.AltitudeM <= 4000 {
				s.CloudLiquidKgPerKg = .2e-3 / (s.PressurePa / (287.05 * s.AirTemperatureK))
			}
			if change != nil {
				change(&s, p.AltitudeM)
			}
			return s
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return air
}

// east is a target: everything in a range of longitude.
type east struct{ from, upTo float64 }

func (east) TargetID() string   { return "east" }
func (east) TargetName() string { return "East" }
func (e east) Contains(p grid.LatLon) bool {
	return p.LongitudeDeg >= e.from && p.LongitudeDeg < e.upTo
}
func (e east) Outline() []grid.LatLon {
	return []grid.LatLon{{LatitudeDeg: 43.6, LongitudeDeg: e.from}, {LatitudeDeg: 44.4, LongitudeDeg: e.from}, {LatitudeDeg: 44.4, LongitudeDeg: e.upTo}, {LatitudeDeg: 43.6, LongitudeDeg: e.upTo}}
}

func slabSite(target Target) Site {
	return Site{ID: "here", Name: "Here", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115}, AltitudeM: math.NaN(), ReleaseHeightM: 10,
		Barrier: &profile.Barrier{CrestAltitudeM: 3300, TowardDeg: 90, ReleaseAltitudeM: math.NaN()},
		Agent:   Agent{RateGPerS: 20. / 3600, Yield: agent.ContactField(), NucleationTimeS: math.NaN()}, Targets: []Target{target}}
}

func component(t *testing.T, a Assessment, name string) Component {
	t.Helper()
	for _, c := range a.Score.Components {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no component %s", name)
	return Component{}
}

func TestAssessSlabByHand(t *testing.T) {
	a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start, start, Evidence{Atmosphere: slab(t, nil), ModelLabel: "slab"}, DefaultMethod())
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, got *float64, want, tolerance float64) {
		t.Helper()
		if got == nil {
			t.Errorf("%s: not known, want %v", what, want)
		} else if math.Abs(*got-want) > tolerance {
			t.Errorf("%s: got %v, want %v within %v", what, *got, want, tolerance)
		}
	}
	// The plume stays near the ground of 3000 m: -9.75 °C, less what it is mixed
	// upwards (up to the mixing depth of 600 m, 3.9 K).
	temperature := component(t, a, ComponentTemperature)
	check("temperature", temperature.Input, -11, 1.4)
	if *temperature.Input > -9.7 {
		t.Errorf("temperature %v is warmer than the ground", *temperature.Input)
	}
	// 0.2 g/m3 over the 1000 m from ground to top, all between -6 and -18 °C,
	// times the quality of model liquid.
	check("liquid", component(t, a, ComponentLiquid).Input, .7*.2, .008) // half a level of the box above the top
	check("cloud top", component(t, a, ComponentCloudTop).Input, -.0065*2500, .7)
	check("cloud depth", component(t, a, ComponentCloudDepth).Input, 1000, 110)
	check("cross-barrier wind", component(t, a, ComponentCrossBarrierWind).Input, 10, .01)
	// Dry air of 6.5 K/km at about 263 K: N2 = g/T (g/cp - 6.5e-3) = 1.213e-4,
	// Fr = 10 / (0.01101 x 290 m) = 3.13.
	check("Froude number", component(t, a, ComponentDelivery).Input, 3.13, .06)
	// Everything lands, and all of it east of the site: P = 1, S = 100 sqrt(O).
	check("target probability", a.Score.TargetProbability, 1, 0)
	check("score", a.Score.Value, 100*math.Sqrt(*a.Score.Opportunity), 1e-9)
	// By hand: activated at once or nearly, nucleation 2-3 min, growth 8 to 30 min
	// while falling ever faster, down at 1 m/s from at most some hundred metres.
	check("landing", a.Transport.LandingMinutes.Q50, 15, 12)
	if lands := a.Transport.Landing; lands == nil || math.Abs(lands.BearingDeg-90) > 3 {
		t.Errorf("landing %+v, want due east", lands)
	}
	// 10 m/s for 10 min; the error of the mean of 256 members with 15 % is 1 %.
	here := slabSite(east{}).Place
	if d := grid.DistanceM(here, grid.LatLon{LatitudeDeg: a.Path[10].LatitudeDeg, LongitudeDeg: a.Path[10].LongitudeDeg}); math.Abs(d-6000) > 240 {
		t.Errorf("after 10 min the plume is %.0f m away, want 6000", d)
	}
	if got := a.Levels.IsothermsM["-10"]; math.Abs(got-(1500+10/.0065)) > 2 {
		t.Errorf("-10 °C at %v m, want %v", got, 1500+10/.0065)
	}
	sum := 0
	for _, n := range a.Transport.Fates {
		sum += n
	}
	if sum != a.Transport.Members {
		t.Errorf("fates sum to %d of %d members", sum, a.Transport.Members)
	}
}

func TestAssessSameInputsSameBytes(t *testing.T) {
	var first []byte
	for range 2 {
		a, err := Assess(context.Background(), "p", slabSite(east{-115, -114.8}), start, start, Evidence{Atmosphere: slab(t, nil), ModelLabel: "slab"}, DefaultMethod())
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = b
		} else if !bytes.Equal(first, b) {
			t.Error("two assessments of the same inputs differ")
		}
	}
}

func TestAssessWithoutLiquidIsZero(t *testing.T) {
	dry := slab(t, func(s *grid.State, _ float64) { s.CloudLiquidKgPerKg, s.SpecificHumidity = 0, 1e-4 })
	a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start, start, Evidence{Atmosphere: dry}, DefaultMethod())
	if err != nil {
		t.Fatal(err)
	}
	if a.Score.Value == nil || *a.Score.Value != 0 || a.State != StateQuiet {
		t.Errorf("without liquid: state %s, score %v; want quiet and 0", a.State, a.Score.Value)
	}
	if n := a.Transport.Fates[drift.NoLiquid.String()] + a.Transport.Fates[drift.Trapped.String()]; n != a.Transport.Members {
		t.Errorf("%d of %d members found no liquid, want all: %v", n, a.Transport.Members, a.Transport.Fates)
	}
}

func TestAssessTrappedUnderInversion(t *testing.T) {
	// 4 K warmer from 3100 to 3300 m: an inversion below the crest.
	inverted := slab(t, func(s *grid.State, altitudeM float64) {
		s.AirTemperatureK += 4 * math.Min(1, math.Max(0, (altitudeM-3100)/150))
	})
	a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start, start, Evidence{Atmosphere: inverted}, DefaultMethod())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Transport.Trapped) == 0 || *component(t, a, ComponentDelivery).Value != 0 || *a.Score.Value != 0 {
		t.Errorf("under an inversion: trapped %v, score %v; want reasons and 0", a.Transport.Trapped, *a.Score.Value)
	}
}

func TestAssessOldModelIsBlind(t *testing.T) {
	a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start, start.Add(20*time.Hour), Evidence{Atmosphere: slab(t, nil)}, DefaultMethod())
	if err != nil {
		t.Fatal(err)
	}
	if a.State != StateBlind {
		t.Errorf("20 h after the model's start: %s, want blind", a.State)
	}
}

func TestAssessOutsideIsAnError(t *testing.T) {
	site := slabSite(east{-115, -113.6})
	site.Place.LatitudeDeg = 50
	if _, err := Assess(context.Background(), "p", site, start, start, Evidence{Atmosphere: slab(t, nil)}, DefaultMethod()); !errors.Is(err, drift.ErrNoRelease) {
		t.Errorf("a site outside of the model: %v, want ErrNoRelease", err)
	}
}

// A sounding that agrees with the model raises confidence, one that does not
// lowers it, and one of yesterday does neither.
func TestSoundingAgreement(t *testing.T) {
	air := slab(t, nil)
	ascent := func(offsetK float64, at time.Time) Sounding {
		c := grid.Column{Label: "ascent", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115}, SurfaceAltitudeM: 3000, Time: at}
		for altitudeM := 3000.; altitudeM < 8000; altitudeM += 250 {
			l := grid.MissingLevel()
			l.AltitudeM, l.AirTemperatureK = altitudeM, 273.15-.0065*(altitudeM-1500)+offsetK
			l.PressurePa = 84556 * math.Pow((273.15-.0065*(altitudeM-1500))/273.15, 9.80665/(287.05*.0065))
			l.DewPointK = l.AirTemperatureK - 8
			l.EastwardMPerS, l.NorthwardMPerS = 10, 0
			c.Levels = append(c.Levels, l)
		}
		return Sounding{Column: c}
	}
	confidence := func(soundings ...Sounding) float64 {
		a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start.Add(time.Hour), start.Add(time.Hour), Evidence{Atmosphere: air, Soundings: soundings}, DefaultMethod())
		if err != nil {
			t.Fatal(err)
		}
		return a.Confidence.Agreement
	}
	alone, agrees, differs, old := confidence(), confidence(ascent(0, start.Add(30*time.Minute))), confidence(ascent(6, start.Add(30*time.Minute))), confidence(ascent(0, start.Add(-30*time.Hour)))
	if !(differs < alone && alone < agrees) || agrees < .99 || old != alone {
		t.Errorf("agreement: alone %.2f, confirmed %.2f, contradicted %.2f, with an old sounding %.2f", alone, agrees, differs, old)
	}
}

func TestSettleOutlook(t *testing.T) {
	outlook := []Assessment{{State: StateQuiet}, {State: StateBlind}, {State: StateWindow, ReleaseTime: start}, {State: StateQuiet}}
	SettleOutlook(outlook)
	for k, want := range []State{StateBuilding, StateBlind, StateWindow, StateQuiet} {
		if outlook[k].State != want {
			t.Errorf("release %d: %s, want %s", k, outlook[k].State, want)
		}
	}
}

func TestFreshness(t *testing.T) {
	model := Ageings["model"]
	for _, test := range []struct {
		hours, want float64
	}{{0, 1}, {3, 1}, {7.5, .5}, {12, 0}, {30, 0}, {-1, 0}, {-.05, 1}} {
		if got := model.Freshness(time.Duration(test.hours * float64(time.Hour))); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("model %v h old: freshness %v, want %v", test.hours, got, test.want)
		}
	}
}
