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
	// SpreadM is the root mean square horizontal distance from Place,
	// AltitudeSpreadM the standard deviation of altitude.
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

// meanTrack sums in the order of the members, so that the result does not
// depend on who computed them.
func (j *job) meanTrack() []TrackPoint {
	var track []TrackPoint
	for n := range j.records {
		var count, activated int
		var x, y, z, z2, height, temperature, liquid float64
		for member, length := range j.lengths {
			if n >= length {
				continue
			}
			s := &j.tracks[member*j.records+n]
			count++
			if s.activated {
				activated++
			}
			altitudeM := float64(s.altitudeM)
			x, y, z, z2 = x+s.x, y+s.y, z+altitudeM, z2+altitudeM*altitudeM
			height, temperature, liquid = height+float64(s.heightM), temperature+float64(s.temperatureK), liquid+float64(s.liquidKgPerM3)
		}
		if count == 0 {
			break
		}
		share := 1 / float64(count)
		x, y, z = x*share, y*share, z*share
		metric := j.medium.metric(x, y)
		var square float64
		for member, length := range j.lengths {
			if n < length {
				s := &j.tracks[member*j.records+n]
				e, north := metric.Metres(s.x-x, s.y-y)
				square += e*e + north*north
			}
		}
		place, _ := j.medium.place(x, y)
		track = append(track, TrackPoint{
			Age: time.Duration(n) * j.options.Step, Place: place, AltitudeM: z, HeightAboveGroundM: height * share,
			AirTemperatureK: temperature * share, LiquidKgPerM3: liquid * share,
			SpreadM: math.Sqrt(square * share), AltitudeSpreadM: math.Sqrt(math.Max(z2*share-z*z, 0)),
			Aloft: count, Activated: activated,
		})
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
