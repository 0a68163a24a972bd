package main

import (
	"math"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability/programme"
)

// siteTruth is what an invented storm held for one site, known from its formulas
// alone.
type siteTruth struct {
	site    string
	windows []truthWindow
	// releases are the minutes that were looked at, one after the other from the
	// start of the storm.
	releases []truthRelease
}

// truthWindow is a stretch of releases that work: the first, the one that meets
// most liquid, and the last.
type truthWindow struct{ open, best, close time.Time }

// truthRelease says what would have become of agent released at a time.
type truthRelease struct {
	at    time.Time
	works bool
	why   string // why not, or what it met
	// pathKgPerM2 is the mean liquid water path between -6 and -18 °C while the
	// crystals grew.
	pathKgPerM2 float64
}

// The criterion of the truth. It is plainer than an assessment: one mean plume, no
// ensemble, no weights. Common practice, no source, except where one is named.
const (
	truthEvery = time.Minute
	truthStep  = 20 * time.Second
	// A plume over mountains fills some 600 m above ground by and by; its middle is
	// at half of that in the end, and more than half way there after a quarter of an
	// hour.
	truthMixedHeightM = 300.0
	truthMixing       = 17 * time.Minute
	// truthOnsetK and truthLiquidKgPerM3: colder than -6 °C agent works, in cloud
	// of 0.02 g m-3 and more.
	truthOnsetK        = 273.15 - 6
	truthColdestK      = 273.15 - 18
	truthLiquidKgPerM3 = 2e-5
	// truthPathKgPerM2 is what just stands out of the noise of a radiometer, 0.02 to
	// 0.03 mm.
	truthPathKgPerM2 = .027
	truthGrowth      = 20 * time.Minute
	truthFallMPerS   = 1.0
	truthLongest     = 120 * time.Minute
	// Nature does the work where tops are colder than -30 °C, or echo between 0
	// and -20 °C exceeds 30 dBZ.
	truthIcedTopK = 273.15 - 30
	truthIcedDBZ  = 30.0
	// An inversion deeper than this between release and crest keeps the plume down.
	truthInversionM = 100.0
)

// truthOf judges every minute of the storm at every site.
func truthOf(s *rehearsal.Scenario, p *programme.Programme) []siteTruth {
	all := make([]siteTruth, len(p.Sites))
	eachOf(len(p.Sites), func(k int) {
		site := &p.Sites[k]
		t := siteTruth{site: site.ID}
		plume := newTruePlume(s, p, site)
		for at := s.Start(); !at.After(s.End()); at = at.Add(truthEvery) {
			t.releases = append(t.releases, plume.release(at))
		}
		t.windows = windowsOf(t.releases)
		all[k] = t
	})
	return all
}

// eachOf calls work for 0 to n-1 at once.
func eachOf(n int, work func(k int)) {
	done := make(chan struct{})
	for k := range n {
		go func() {
			defer func() { done <- struct{}{} }()
			work(k)
		}()
	}
	for range n {
		<-done
	}
}

// windowsOf finds the stretches of releases that work.
func windowsOf(releases []truthRelease) []truthWindow {
	var windows []truthWindow
	var most float64
	open := false
	for _, r := range releases {
		if !r.works {
			open = false
			continue
		}
		if !open {
			windows, most, open = append(windows, truthWindow{open: r.at}), 0, true
		}
		w := &windows[len(windows)-1]
		w.close = r.at
		if r.pathKgPerM2 > most {
			most, w.best = r.pathKgPerM2, r.at
		}
	}
	return windows
}

// truePlume is the middle of the plume of one site in the true storm.
type truePlume struct {
	storm   *rehearsal.Scenario
	plane   rehearsal.Plane
	targets []*programme.Target
	crestM  float64
	// Where the release is.
	xM, yM, altitudeM float64
}

func newTruePlume(s *rehearsal.Scenario, p *programme.Programme, site *programme.Site) *truePlume {
	t := &truePlume{storm: s, plane: rehearsal.PlaneOf(s), targets: p.TargetsOf(site), crestM: math.NaN()}
	t.xM, t.yM = t.plane.XY(site.Place())
	t.altitudeM = s.TerrainM(t.xM, t.yM) + site.ReleaseHeightM
	if barrier := p.BarrierOf(site); barrier != nil {
		t.crestM = barrier.CrestAltitudeM
	}
	return t
}

func (t *truePlume) hours(at time.Time) float64 { return at.Sub(t.storm.StartTime()).Hours() }

// release follows the plume of one moment: air that rises and is mixed until it is
// cold enough in cloud, then crystals that grow and fall.
func (t *truePlume) release(at time.Time) truthRelease {
	r := truthRelease{at: at}
	if t.trapped(at) {
		r.why = "an inversion lies over the release"
		return r
	}
	x, y, z, now := t.xM, t.yM, t.altitudeM, at
	var active time.Time
	var sum float64
	var columns int
	dt := truthStep.Seconds()
	for ; now.Sub(at) < truthLongest; now = now.Add(truthStep) {
		hours := t.hours(now)
		air := t.storm.At(x, y, z, hours)
		if active.IsZero() {
			liquid := air.CloudLiquidKgPerKg * air.PressurePa / (287.05 * air.AirTemperatureK)
			if air.AirTemperatureK <= truthOnsetK && liquid >= truthLiquidKgPerM3 {
				active = now
			}
		}
		rise := air.UpwardMPerS
		if active.IsZero() || now.Sub(active) <= truthGrowth {
			// Air, and crystals as long as they are small.
			if lack := truthMixedHeightM - (z - t.storm.TerrainM(x, y)); lack > 0 {
				rise += lack / truthMixing.Seconds()
			}
		} else {
			rise -= truthFallMPerS
		}
		if age := now.Sub(active); !active.IsZero() && age <= truthGrowth && int(age/truthStep)%3 == 0 {
			path, iced := t.column(x, y, hours)
			if iced != "" {
				r.why = iced
				return r
			}
			sum, columns = sum+path, columns+1
		}
		x, y, z = x+air.EastwardMPerS*dt, y+air.NorthwardMPerS*dt, z+rise*dt
		if groundM := t.storm.TerrainM(x, y); z < groundM+1 {
			if !active.IsZero() && now.Sub(active) > truthGrowth {
				break
			}
			z = groundM + 1
		}
	}
	switch {
	case active.IsZero():
		r.why = "no supercooled liquid colder than -6 °C on the way"
		return r
	case columns > 0:
		r.pathKgPerM2 = sum / float64(columns)
	}
	if r.pathKgPerM2 < truthPathKgPerM2 {
		r.why = "too little liquid"
		return r
	}
	landing := t.plane.Place(x, y)
	for _, target := range t.targets {
		if target.Contains(landing) {
			r.works, r.why = true, "falls in "+target.Name
			return r
		}
	}
	r.why = "falls outside of the targets"
	return r
}

// trapped looks for rising temperature between release and crest.
func (t *truePlume) trapped(at time.Time) bool {
	const stepM = 20.0
	hours, deepM := t.hours(at), 0.0
	below := t.storm.At(t.xM, t.yM, t.altitudeM, hours).AirTemperatureK
	for z := t.altitudeM + stepM; z <= t.crestM; z += stepM {
		k := t.storm.At(t.xM, t.yM, z, hours).AirTemperatureK
		if k > below {
			if deepM += stepM; deepM > truthInversionM {
				return true
			}
		} else {
			deepM = 0
		}
		below = k
	}
	return false
}

// column is the liquid water path that the agent can use, and whether the cloud
// makes its own ice. Its top is where the cloud of the droplets ends: cirrus above
// it does not count.
func (t *truePlume) column(x, y, hours float64) (pathKgPerM2 float64, iced string) {
	const stepM, cloudKgPerKg = 60.0, 1e-5
	liquidBelow := false
	for z := t.storm.TerrainM(x, y) + stepM/2; z < 9000; z += stepM {
		air := t.storm.At(x, y, z, hours)
		cloudy := air.CloudLiquidKgPerKg+air.CloudIceKgPerKg >= cloudKgPerKg
		liquidBelow = liquidBelow || cloudy && air.CloudLiquidKgPerKg > 0
		if air.AirTemperatureK < 253.15 && !(liquidBelow && cloudy) {
			break
		}
		if air.AirTemperatureK < truthIcedTopK {
			return 0, "the cloud makes its own ice: its top is too cold"
		}
		if air.AirTemperatureK <= 273.15 && air.AirTemperatureK >= 253.15 && t.storm.ReflectivityDBZ(x, y, z, hours) > truthIcedDBZ {
			return 0, "the cloud makes its own ice: its echo is too strong"
		}
		if air.AirTemperatureK <= truthOnsetK && air.AirTemperatureK >= truthColdestK {
			pathKgPerM2 += air.CloudLiquidKgPerKg * air.PressurePa / (287.05 * air.AirTemperatureK) * stepM
		}
	}
	return pathKgPerM2, ""
}
