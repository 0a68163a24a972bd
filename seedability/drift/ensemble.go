package drift

import (
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

// Ensemble is what became of one release.
type Ensemble struct {
	Release Release
	Seed    uint64
	Members []Member
	// Track is the mean way of the particles still aloft, one point a step.
	Track []TrackPoint
}

// TrackPoint is the mean over the particles aloft at one age.
type TrackPoint struct {
	// Age since a particle's own release.
	Age                time.Duration
	Place              grid.LatLon
	AltitudeM          float64
	HeightAboveGroundM float64
	AirTemperatureK    float64
	LiquidKgPerM3      float64
	// SpreadM is the root mean square horizontal distance from Place (in the
	// metric of the site), AltitudeSpreadM the standard deviation of altitude.
	SpreadM, AltitudeSpreadM float64
	// Aloft is how many particles this is the mean of; Activated how many of
	// them had been activated.
	Aloft, Activated int
}

// Time is the moment of a track point for agent released in the middle of the
// burn.
func (e *Ensemble) Time(p TrackPoint) time.Time {
	return e.Release.Start.Add(e.Release.Burn / 2).Add(p.Age)
}

// sums over the particles aloft at one age.
type sums struct {
	count, activated                    int
	x, y, z, z2, height, kelvin, liquid float64
	square                              float64
}

// meanTrack sums in the order of the members, so that the result does not
// depend on who computed them.
func (j *job) meanTrack() []TrackPoint {
	all := make([]sums, j.records)
	longest := 0
	for member, length := range j.lengths {
		longest = max(longest, length)
		for n, s := range j.tracks[member*j.records : member*j.records+length] {
			a := &all[n]
			a.count++
			if s.activated {
				a.activated++
			}
			altitudeM := float64(s.altitudeM)
			a.x, a.y, a.z, a.z2 = a.x+s.x, a.y+s.y, a.z+altitudeM, a.z2+altitudeM*altitudeM
			a.height, a.kelvin, a.liquid = a.height+float64(s.heightM), a.kelvin+float64(s.temperatureK), a.liquid+float64(s.liquidKgPerM3)
		}
	}
	all = all[:longest]
	for n := range all {
		a := &all[n]
		share := 1 / float64(a.count)
		a.x, a.y, a.z, a.z2 = a.x*share, a.y*share, a.z*share, a.z2*share
		a.height, a.kelvin, a.liquid = a.height*share, a.kelvin*share, a.liquid*share
	}
	for member, length := range j.lengths {
		for n, s := range j.tracks[member*j.records : member*j.records+length] {
			e, north := j.metric.Metres(s.x-all[n].x, s.y-all[n].y)
			all[n].square += e*e + north*north
		}
	}
	track := make([]TrackPoint, longest)
	for n, a := range all {
		place, _ := j.medium.place(a.x, a.y)
		track[n] = TrackPoint{
			Age: time.Duration(n) * j.options.Step, Place: place, AltitudeM: a.z, HeightAboveGroundM: a.height,
			AirTemperatureK: a.kelvin, LiquidKgPerM3: a.liquid,
			SpreadM: math.Sqrt(a.square / float64(a.count)), AltitudeSpreadM: math.Sqrt(max(a.z2-a.z*a.z, 0)),
			Aloft: a.count, Activated: a.activated,
		}
	}
	return track
}

// Count of the members with a fate.
func (e *Ensemble) Count(fate Fate) int {
	n := 0
	for k := range e.Members {
		if e.Members[k].Fate == fate {
			n++
		}
	}
	return n
}

// Counts of all fates; they sum to the members.
func (e *Ensemble) Counts() map[Fate]int {
	counts := map[Fate]int{}
	for k := range e.Members {
		counts[e.Members[k].Fate]++
	}
	return counts
}

// ActivatedShare is the fraction of the members that met cold enough
// supercooled liquid.
func (e *Ensemble) ActivatedShare() float64 {
	n := 0
	for k := range e.Members {
		if e.Members[k].Activated {
			n++
		}
	}
	return float64(n) / float64(max(len(e.Members), 1))
}

// Quantiles of a distribution: a tenth of it lies below Q10, half below Q50.
type Quantiles struct{ Q10, Q50, Q90 float64 }

// quantiles interpolates linearly between the order statistics (Hyndman and
// Fan 1996, type 7); false without values.
func quantiles(values []float64) (Quantiles, bool) {
	if len(values) == 0 {
		return Quantiles{}, false
	}
	slices.Sort(values)
	at := func(p float64) float64 {
		position := p * float64(len(values)-1)
		k := min(int(position), len(values)-1)
		if k == len(values)-1 {
			return values[k]
		}
		return values[k] + (position-float64(k))*(values[k+1]-values[k])
	}
	return Quantiles{at(0.1), at(0.5), at(0.9)}, true
}

// LandingDelays are the quantiles of the time from the start of the release to
// landing, seconds, over the members that landed; false where none did.
func (e *Ensemble) LandingDelays() (Quantiles, bool) {
	var delays []float64
	for k := range e.Members {
		if m := &e.Members[k]; m.Fate == Landed {
			delays = append(delays, m.End.Time.Sub(e.Release.Start).Seconds())
		}
	}
	return quantiles(delays)
}

// ActivationDelays are the same to activation, over the activated members.
func (e *Ensemble) ActivationDelays() (Quantiles, bool) {
	var delays []float64
	for k := range e.Members {
		if m := &e.Members[k]; m.Activated {
			delays = append(delays, m.Activation.Time.Sub(e.Release.Start).Seconds())
		}
	}
	return quantiles(delays)
}

// MeanActivation is the centre of where particles were activated: places,
// altitudes, temperatures and liquid averaged, Time their mean. False where
// none was.
func (e *Ensemble) MeanActivation() (Event, bool) {
	var events []Event
	for k := range e.Members {
		if e.Members[k].Activated {
			events = append(events, e.Members[k].Activation)
		}
	}
	return meanEvent(events)
}

// MeanLanding is the same for landing.
func (e *Ensemble) MeanLanding() (Event, bool) {
	var events []Event
	for k := range e.Members {
		if e.Members[k].Fate == Landed {
			events = append(events, e.Members[k].End)
		}
	}
	return meanEvent(events)
}

func meanEvent(events []Event) (Event, bool) {
	if len(events) == 0 {
		return Event{}, false
	}
	plane := planeAround(events[0].Place)
	n := float64(len(events))
	var x, y, seconds float64
	mean := Event{}
	for k := range events {
		ex, ey, _ := plane.plane(events[k].Place)
		x, y = x+ex/n, y+ey/n
		seconds += events[k].Time.Sub(events[0].Time).Seconds() / n
		mean.AltitudeM += events[k].AltitudeM / n
		mean.HeightAboveGroundM += events[k].HeightAboveGroundM / n
		mean.AirTemperatureK += events[k].AirTemperatureK / n
		mean.LiquidKgPerM3 += events[k].LiquidKgPerM3 / n
	}
	mean.Place, _ = plane.place(x, y)
	mean.Time = events[0].Time.Add(time.Duration(math.Round(seconds*1000)) * time.Millisecond)
	return mean, true
}

func planeAround(place grid.LatLon) tangentPlane {
	return tangentPlane{place, math.Cos(place.LatitudeDeg * rad)}
}

// Ellipse of places: the centroid and the standard deviations along the two
// principal axes.
type Ellipse struct {
	Centre                 grid.LatLon
	SemiMajorM, SemiMinorM float64 // one standard deviation each
	// MajorBearingDeg is the direction of the major axis, clockwise from north,
	// 0 to 180.
	MajorBearingDeg float64
	Members         int
}

// LandingEllipse of the members that landed; false where fewer than two did.
func (e *Ensemble) LandingEllipse() (Ellipse, bool) {
	mean, ok := e.MeanLanding()
	n := e.Count(Landed)
	if !ok || n < 2 {
		return Ellipse{}, false
	}
	plane := planeAround(mean.Place)
	var xx, xy, yy float64
	for k := range e.Members {
		if m := &e.Members[k]; m.Fate == Landed {
			x, y, _ := plane.plane(m.End.Place)
			xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
		}
	}
	xx, xy, yy = xx/float64(n-1), xy/float64(n-1), yy/float64(n-1)
	middle, radius := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	bearing := 90 - 0.5*math.Atan2(2*xy, xx-yy)/rad
	return Ellipse{
		Centre: mean.Place, SemiMajorM: math.Sqrt(middle + radius), SemiMinorM: math.Sqrt(math.Max(middle-radius, 0)),
		MajorBearingDeg: math.Mod(bearing+180, 180), Members: n,
	}, true
}

// Probability is a share of members with its sampling error.
type Probability struct {
	P             float64
	StandardError float64 // sqrt(P (1-P) / n)
	Inside        int
	Members       int
}

// TargetProbability is the share of all members that landed where contains
// says yes.
func (e *Ensemble) TargetProbability(contains func(grid.LatLon) bool) Probability {
	p := Probability{Members: len(e.Members)}
	for k := range e.Members {
		if m := &e.Members[k]; m.Fate == Landed && contains(m.End.Place) {
			p.Inside++
		}
	}
	if p.Members > 0 {
		n := float64(p.Members)
		p.P = float64(p.Inside) / n
		p.StandardError = math.Sqrt(p.P * (1 - p.P) / n)
	}
	return p
}

// Relation counts where landed members came down as seen along the drift.
type Relation struct {
	Inside, Short, Over, Beside int
	// NotLanded is the rest of the members.
	NotLanded int
}

// RelativeTo tells whether members landed inside a target, short of it, past it
// or beside it. The direction is that from the release to the centre of the
// landings; short and over mean before and behind all of the outline along this
// direction.
func (e *Ensemble) RelativeTo(outline []grid.LatLon, contains func(grid.LatLon) bool) Relation {
	landing, ok := e.MeanLanding()
	if !ok || len(outline) == 0 {
		return Relation{NotLanded: len(e.Members)}
	}
	plane := planeAround(e.Release.Place)
	dx, dy, _ := plane.plane(landing.Place)
	along := func(p grid.LatLon) float64 {
		x, y, _ := plane.plane(p)
		return x*dx + y*dy
	}
	near, far := math.Inf(1), math.Inf(-1)
	for _, vertex := range outline {
		near, far = math.Min(near, along(vertex)), math.Max(far, along(vertex))
	}
	var r Relation
	for k := range e.Members {
		m := &e.Members[k]
		switch {
		case m.Fate != Landed:
			r.NotLanded++
		case contains(m.End.Place):
			r.Inside++
		case along(m.End.Place) < near:
			r.Short++
		case along(m.End.Place) > far:
			r.Over++
		default:
			r.Beside++
		}
	}
	return r
}
