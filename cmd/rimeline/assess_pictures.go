package main

import (
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	drawing "rimeline/seedability/page"
)

// title of a picture.
func (j *assessJob) title(r result) string {
	score := "no score"
	if r.assessment.Score.Value != nil {
		score = fmt.Sprintf("score %.0f", *r.assessment.Score.Value)
	}
	return fmt.Sprintf("%s, release %s: %s (%s)", r.site.Name, r.assessment.ReleaseTime.Format("2006-01-02 15:04 UTC"), r.assessment.State, score)
}

// mapOf collects what the map shows.
func (j *assessJob) mapOf(r result) drawing.Map {
	a := r.assessment
	m := drawing.Map{Title: j.title(r), Site: r.site.Place(), SiteName: r.site.Name, TerrainM: j.evidence.Atmosphere.TerrainAltitudeM}
	for _, step := range a.Path {
		m.Path = append(m.Path, drawing.MapPoint{Place: grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}, Minutes: step.Minutes})
	}
	m.Landings = append(m.Landings, a.Landings...)
	for _, target := range j.programme.TargetsOf(r.site) {
		outline := drawing.Outline{Name: target.Name, Contains: target.Contains}
		for _, rings := range (servedTarget{target}).rings() {
			outline.Rings = append(outline.Rings, rings...)
		}
		m.Targets = append(m.Targets, outline)
	}
	return m
}

// sectionOf samples the air above the mean path.
func (j *assessJob) sectionOf(r result) drawing.Section {
	a, air := r.assessment, j.evidence.Atmosphere
	nan := math.NaN()
	s := drawing.Section{Title: j.title(r), ActivationKM: nan, ActivationM: nan, LandingKM: nan}
	// The mean path stops where the last member lands; walked and timed, it is
	// the section's axis, carried on a little beyond.
	type point struct {
		place grid.LatLon
		km    float64
		at    time.Time
	}
	var points []point
	add := func(place grid.LatLon, at time.Time) {
		km := 0.0
		if n := len(points); n > 0 {
			km = points[n-1].km + grid.DistanceM(points[n-1].place, place)/1000
			if km-points[n-1].km < .05 {
				return
			}
		}
		points = append(points, point{place, km, at})
	}
	highest, lowest := -math.MaxFloat64, math.MaxFloat64
	for _, step := range a.Path {
		place := grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}
		at := a.ReleaseTime.Add(time.Duration(step.Minutes * float64(time.Minute)))
		before := len(points)
		add(place, at)
		if len(points) > before || before == 0 {
			s.Path = append(s.Path, drawing.SectionPoint{DistanceKM: points[len(points)-1].km, AltitudeM: step.AltitudeM,
				LowM: step.AltitudeM - step.AltitudeSpreadM, HighM: step.AltitudeM + step.AltitudeSpreadM, Minutes: step.Minutes})
		}
		highest = math.Max(highest, step.AltitudeM+step.AltitudeSpreadM)
	}
	if len(points) < 2 {
		// The plume hardly moved: show the air around the site all the same.
		site := r.site.Place()
		points = []point{{site, 0, a.ReleaseTime}, {grid.LatLon{LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg + .02}, 2, a.ReleaseTime}}
		s.Path = nil
	}
	// Carried on straight ahead, so that what lies beyond the landing is seen.
	if last := points[len(points)-1]; len(s.Path) > 1 {
		course := grid.AzimuthDeg(points[max(0, len(points)-10)].place, last.place)
		ahead := min(.3*last.km, 15)
		for step := 1.0; step <= 8; step++ {
			place := grid.Destination(last.place, course, step/8*ahead*1000)
			if _, ok := air.TerrainAltitudeM(place); ok {
				add(place, last.at)
			}
		}
	}
	for _, p := range points {
		terrainM, ok := air.TerrainAltitudeM(p.place)
		if !ok {
			terrainM = nan
		} else {
			lowest, highest = math.Min(lowest, terrainM), math.Max(highest, terrainM)
		}
		s.DistanceKM, s.TerrainM = append(s.DistanceKM, p.km), append(s.TerrainM, terrainM)
	}
	bottom, top := math.Floor((lowest-150)/100)*100, math.Ceil((highest+2200)/500)*500
	for altitudeM := bottom; altitudeM <= top; altitudeM += 50 {
		temperatures, liquids := make([]float64, len(points)), make([]float64, len(points))
		for i, p := range points {
			temperatures[i], liquids[i] = nan, nan
			if state, ok := air.StateAt(grid.Position{LatLon: p.place, AltitudeM: altitudeM}, p.at); ok && altitudeM >= s.TerrainM[i] {
				temperatures[i], liquids[i] = state.AirTemperatureK-273.15, state.CloudLiquidKgPerM3()*1000
			}
		}
		s.AltitudeM = append(s.AltitudeM, altitudeM)
		s.AirTemperatureC, s.LiquidGPerM3 = append(s.AirTemperatureC, temperatures), append(s.LiquidGPerM3, liquids)
	}
	along := func(minutes *float64) float64 {
		if minutes == nil {
			return nan
		}
		at := a.ReleaseTime.Add(time.Duration(*minutes * float64(time.Minute)))
		for _, p := range points {
			if !p.at.Before(at) {
				return p.km
			}
		}
		return points[len(points)-1].km
	}
	s.ActivationKM, s.LandingKM = along(a.Transport.ActivationMinutes.Q50), along(a.Transport.LandingMinutes.Q50)
	if e := a.Transport.Activation; e != nil {
		s.ActivationM = e.AltitudeM
	}
	for _, target := range j.programme.TargetsOf(r.site) {
		open := -1.0
		for _, p := range points {
			switch in := target.Contains(p.place); {
			case in && open < 0:
				open = p.km
			case !in && open >= 0:
				s.Targets = append(s.Targets, drawing.Stretch{Name: target.Name, FromKM: open, UpToKM: p.km})
				open = -1
			}
		}
		if last := points[len(points)-1].km; open >= 0 && last > open {
			s.Targets = append(s.Targets, drawing.Stretch{Name: target.Name, FromKM: open, UpToKM: last})
		}
	}
	return s
}
