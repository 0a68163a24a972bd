package rehearsal

import "math"

const (
	lowestEchoDBZ  = -8.0
	echoFallDBZ    = 26.0 // from the middle of a band to its end
	shieldEchoM    = 8000.0
	orographicDBZ  = 9.0
	orographicTopM = 4200.0
	shieldDBZ      = 36.0
	growthDBZPerM  = .0040 // snow grows on its way down, above growthFromM
	growthFromM    = 2600.0
)

// ReflectivityDBZ is what a radar of 10 cm sees; NaN where there is no echo. Echo
// moves with bands and shield, texture and all.
func (s *Scenario) ReflectivityDBZ(xM, yM, altitudeM, hours float64) float64 {
	if altitudeM > shieldTopM {
		return math.NaN()
	}
	along, across := alongFlow(xM, yM)
	dBZ := s.echo(lineAt(along, across), along, across, altitudeM, hours)
	if dBZ <= lowestEchoDBZ {
		return math.NaN()
	}
	if altitudeM < 2800 { // no ground is higher
		if terrainM, _, _ := ground(along, across); altitudeM < terrainM-300 {
			return math.NaN()
		}
	}
	return dBZ
}

// echo is the strongest of what is over a place; lowestEchoDBZ or less for none.
func (s *Scenario) echo(lineM, alongM, acrossM, altitudeM, hours float64) float64 {
	dBZ := lowestEchoDBZ
	aboveM := max(0, altitudeM-growthFromM)
	for k := range s.bands {
		b := &s.bands[k]
		behindM := behind(lineM, b.slopeHours, hours)
		here := b.strength(behindM)
		if here == 0 || altitudeM > b.echoTopM {
			continue
		}
		x := math.Abs(acrossM) / 90e3
		peak := b.peakDBZ - echoFallDBZ*(1-here) - 20*x*x*x*x + s.ripple(behindM, acrossM)
		if k == 0 {
			// The melting layer, below the 0 °C level of the warm air.
			const freezingM = referenceM + (warmAirK-273.15)/lowLapseKPerM
			peak += 6 * max(0, 1-math.Abs(altitudeM-(freezingM-200))/250)
		}
		dBZ = max(dBZ, peak-growthDBZPerM*aboveM)
	}
	if behindM := behind(lineM, s.shieldHours, hours); behindM > -shieldEchoM/2 {
		here := smooth(behindM, -shieldEchoM/2, shieldEchoM/2)
		peak := shieldDBZ - echoFallDBZ*(1-here) + s.ripple(behindM, acrossM)
		dBZ = max(dBZ, peak-growthDBZPerM*.85*max(0, altitudeM-3400))
	}
	if altitudeM < orographicTopM {
		u := (alongM + 1000) / 14000
		dBZ = max(dBZ, orographicDBZ-14*u*u-growthDBZPerM*aboveM)
	}
	return dBZ
}

// ripple is the texture of echo, moving with it.
func (s *Scenario) ripple(behindM, acrossM float64) float64 {
	return 1.3*math.Sin(acrossM/7300+behindM/9100+s.texture[1]) + .7*math.Sin(acrossM/3100-behindM/5200+s.texture[2])
}

// CloudTop is what a satellite sees from straight above.
func (s *Scenario) CloudTop(xM, yM, hours float64) CloudTop {
	along, across := alongFlow(xM, yM)
	line := lineAt(along, across)
	top := CloudTop{ClearSky, math.NaN(), math.NaN()}
	put := func(altitudeM float64, phase CloudPhase) {
		if altitudeM <= top.AltitudeM {
			return
		}
		k, _ := aloft(s.surfaceK(s.frontAt(line, hours), hours), pool(hours), altitudeM)
		if phase == SupercooledLiquid && k > 273.15 {
			phase = LiquidWater
		}
		top = CloudTop{phase, k, altitudeM}
	}
	if s.shield(line, hours) > .5 {
		put(shieldTopM-100, Ice)
		return top
	}
	if s.cirrus(line, hours) {
		put(cirrusTopM-50, Ice)
		return top
	}
	// The top of droplets, where they are thick enough to be seen.
	droplets := func(l layer, fed float64) {
		if fed > .08 {
			put(l.baseM+.96*l.depthM*math.Sqrt(fed), SupercooledLiquid)
		}
	}
	feed := windward(along)
	for k := range s.bands {
		b := &s.bands[k]
		here := b.strength(behind(line, b.slopeHours, hours))
		droplets(b.droplets(), feed*here)
		if k > 0 && here*bandIceGain > .3 {
			put(b.baseM+b.depthM, MixedPhase)
		}
	}
	droplets(earlyDroplets, feed*s.early(line, hours))
	return top
}
