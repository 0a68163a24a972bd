package rehearsal

import "math"

// The barrier: a ridge across the flow at the middle of the domain, with spurs,
// between a plain upwind and a higher basin behind.
const (
	scenarioPlainM    = 1260.0
	scenarioBasinM    = 380.0 // higher than the plain
	basinLengthM      = 6000.0
	scenarioRidgeM    = 1150.0
	scenarioRidgeHalf = 15000.0
)

// The air. Temperatures are at referenceM.
const (
	earlyK            = 270.7
	warmAirK          = 279.2
	behindFrontK      = 271.2
	warmFromHours     = .1
	warmToHours       = .85
	frontHalfM        = 5000.0
	laterKPerHour     = .35 // cooling after frontHours
	lowLapseKPerM     = .0065
	highLapseKPerM    = .0064
	lapseBendM        = 5200.0
	scenarioSeaPa     = 100700.0
	poolTopM          = 1900.0
	poolDepthM        = 600.0
	poolK             = 10.0
	poolFromHours     = .5 // begins to dissolve
	poolToHours       = 1.0
	windMPerS         = 8.5 // at referenceM
	windPerM          = .0027
	windMostMPerS     = 28.0
	veerDegPerM       = .004
	backedDeg         = 14.0 // ahead of the front
	gravityOverRKPerM = gravityMPerS2 / gasConstantDryAir
)

// The cloud.
const (
	windwardM       = -3500.0
	windwardHalfM   = 13000.0
	earlyBaseM      = 2000.0
	earlyDepthM     = 1150.0
	earlyPath       = .20 // kg m-2
	earlyRampM      = 18e3
	shieldBaseM     = 1950.0
	shieldDepthM    = 1850.0 // of the droplets
	shieldTopM      = 7500.0
	shieldPath      = .105
	shieldEdgeM     = 2500.0
	shieldIce       = .35e-3
	cirrusBaseM     = 6900.0
	cirrusTopM      = 7400.0
	cirrusAheadM    = 63e3 // of the shield
	cirrusIce       = .05e-3
	bandIce         = .03e-3 // thin ice in the upper part of the good bands, out to their ends
	bandIceGain     = 12.0
	leastKgPerKg    = 1e-6 // of liquid; less is none
	moistPct        = 84.0
	dryAloftPct     = 45.0
	iceCloudPct     = 89.0
	betweenBandsPct = 72.0
	// cloudAirKgPerM3 is about the density of the air in cloud.
	cloudAirKgPerM3 = .88
)

// smooth rises from 0 to 1 between from and to, by 3 x² - 2 x³.
func smooth(x, from, to float64) float64 {
	u := (x - from) / (to - from)
	if u <= 0 {
		return 0
	}
	if u >= 1 {
		return 1
	}
	return u * u * (3 - 2*u)
}

// alongFlow gives a place along the flow, from the crest, and across it to the
// left.
func alongFlow(xM, yM float64) (alongM, acrossM float64) {
	return xM*flowSin + yM*flowCos, -xM*flowCos + yM*flowSin
}

// behind is how far a place lies behind a line that reaches the slope at an hour.
func behind(lineM, slopeHours, hours float64) float64 {
	return hourM*(hours-slopeHours) + slopeM - lineM
}

// lineAt is the place's coordinate along the flow as the tilted lines see it.
func lineAt(alongM, acrossM float64) float64 { return alongM - lineTilt*acrossM }

// ground is the terrain and its slope along and across the flow.
func ground(alongM, acrossM float64) (altitudeM, slopeAlong, slopeAcross float64) {
	sin1, cos1 := math.Sincos(acrossM / 11000)
	sin2, cos2 := math.Sincos(acrossM/5200 + 1)
	spurs := 1 + .06*cos1 + .03*sin2
	spursSlope := -.06/11000*sin1 + .03/5200*cos2
	step := 1 / (1 + math.Exp(-alongM/basinLengthM))
	u := alongM / scenarioRidgeHalf
	ridge := scenarioRidgeM * math.Exp(-u*u)
	return scenarioPlainM + scenarioBasinM*step + ridge*spurs,
		scenarioBasinM/basinLengthM*step*(1-step) - 2*u/scenarioRidgeHalf*ridge*spurs,
		ridge * spursSlope
}

// TerrainM is the ground's altitude.
func (s *Scenario) TerrainM(xM, yM float64) float64 {
	altitudeM, _, _ := ground(alongFlow(xM, yM))
	return altitudeM
}

// pool is how much of the valley's cold pool is left, 0 to 1.
func pool(hours float64) float64 { return 1 - smooth(hours, poolFromHours, poolToHours) }

// surfaceK is the temperature at referenceM, without the pool.
func (s *Scenario) surfaceK(front, hours float64) float64 {
	k := earlyK + (warmAirK-earlyK)*smooth(hours, warmFromHours, warmToHours)
	k += (behindFrontK - warmAirK) * front
	return k - laterKPerHour*max(0, hours-s.frontHours)*front
}

// aloft is the temperature and pressure at an altitude, of a column whose
// temperature at referenceM is surfaceK.
func aloft(surfaceK, pooled, altitudeM float64) (temperatureK, pressurePa float64) {
	seaK := surfaceK + lowLapseKPerM*referenceM
	at := func(m float64) float64 {
		if m <= lapseBendM {
			return seaK - lowLapseKPerM*m
		}
		return seaK - lowLapseKPerM*lapseBendM - highLapseKPerM*(m-lapseBendM)
	}
	temperatureK = at(altitudeM)
	var thicknesses float64
	if altitudeM <= lapseBendM {
		thicknesses = perTemperature(0, altitudeM, seaK, temperatureK)
	} else {
		bendK := at(lapseBendM)
		thicknesses = perTemperature(0, lapseBendM, seaK, bendK) + perTemperature(lapseBendM, altitudeM, bendK, temperatureK)
	}
	if pooled > 0 && altitudeM < poolTopM {
		// The pool is colder the deeper, and its weight is felt below its top.
		topK := at(poolTopM)
		without := perTemperature(altitudeM, poolTopM, temperatureK, topK)
		temperatureK -= poolK * pooled * (poolTopM - altitudeM) / poolDepthM
		thicknesses += without - perTemperature(altitudeM, poolTopM, temperatureK, topK)
	}
	return temperatureK, scenarioSeaPa * math.Exp(-gravityOverRKPerM*thicknesses)
}

// perTemperature integrates dz/T through a layer of linear T by Simpson's rule,
// which for the 30 K of the deepest layer here is good to 1e-6 of it.
func perTemperature(lowM, highM, lowK, highK float64) float64 {
	return (highM - lowM) / 6 * (1/lowK + 8/(lowK+highK) + 1/highK)
}

// strength of a band at a distance from its middle, 1 to 0.
func (b *rainband) strength(behindM float64) float64 {
	return max(0, 1-math.Abs(behindM)/b.rampM)
}

// layer is a layer of droplets where it is fed fully.
type layer struct{ baseM, depthM, pathKgPerM2 float64 }

// rises to its full depth as the square root of how it is fed (0 to 1), and its
// mass fraction as well, so that the water path is proportional to the feed: what
// is condensed in a lifted layer goes with the square of its depth.
func (l layer) liquidKgPerKg(altitudeM, fed float64) float64 {
	if fed <= 0 || altitudeM <= l.baseM || altitudeM >= l.baseM+l.depthM {
		return 0
	}
	root := math.Sqrt(fed)
	d := (altitudeM - l.baseM) / (l.depthM * root)
	if d >= 1 {
		return 0
	}
	// d (1-d)² has the mean 1/12.
	return 12 * l.pathKgPerM2 / (cloudAirKgPerM3 * l.depthM) * root * d * (1 - d) * (1 - d)
}

func (b *rainband) droplets() layer { return layer{b.baseM, b.depthM, b.pathKgPerM2} }

var (
	earlyDroplets  = layer{earlyBaseM, earlyDepthM, earlyPath}
	shieldDroplets = layer{shieldBaseM, shieldDepthM, shieldPath}
)

// cloudHere is the cloud at a point.
type cloudHere struct {
	liquidKgPerKg, iceKgPerKg float64
	moist                     float64 // 0 to 1: how much of a band or the shield is over the place
}

// windward is where the barrier feeds the cloud, 0 to 1.
func windward(alongM float64) float64 {
	u := (alongM - windwardM) / windwardHalfM
	if u < -2.6 || u > 2.6 {
		return 0
	}
	return math.Exp(-u * u)
}

// early is how much of the first cloud is left.
func (s *Scenario) early(lineM, hours float64) float64 {
	return min(1, max(0, -behind(lineM, s.clearingHours, hours)/earlyRampM))
}

func (s *Scenario) cloud(lineM, alongM, acrossM, altitudeM, hours float64) cloudHere {
	var c cloudHere
	feed := windward(alongM)
	for k := range s.bands {
		b := &s.bands[k]
		here := b.strength(behind(lineM, b.slopeHours, hours))
		if here == 0 {
			continue
		}
		c.liquidKgPerKg += b.droplets().liquidKgPerKg(altitudeM, feed*here)
		c.moist = max(c.moist, here)
		if d := (altitudeM - b.baseM) / b.depthM; k > 0 && d > .4 && d < 1 {
			c.iceKgPerKg += bandIce * min(1, here*bandIceGain)
		}
	}
	c.liquidKgPerKg += earlyDroplets.liquidKgPerKg(altitudeM, feed*s.early(lineM, hours))
	if here := s.shield(lineM, hours); here > 0 {
		c.liquidKgPerKg += shieldDroplets.liquidKgPerKg(altitudeM, feed*here)
		if altitudeM > shieldBaseM && altitudeM < shieldTopM {
			c.iceKgPerKg += shieldIce * here * min(1, (shieldTopM-altitudeM)/400) * min(1, (altitudeM-shieldBaseM)/300)
		}
		c.moist = max(c.moist, here)
	}
	if altitudeM > cirrusBaseM && altitudeM < cirrusTopM && s.cirrus(lineM, hours) {
		c.iceKgPerKg = max(c.iceKgPerKg, cirrusIce)
	}
	if c.liquidKgPerKg > 0 {
		c.liquidKgPerKg *= 1 + .05*math.Sin(acrossM/9000+s.texture[0])
		if c.liquidKgPerKg < leastKgPerKg {
			c.liquidKgPerKg = 0
		}
	}
	return c
}

// cirrus runs ahead of the shield: from above it hides the droplets below.
func (s *Scenario) cirrus(lineM, hours float64) bool {
	return behind(lineM, s.shieldHours, hours) > -cirrusAheadM
}

// shield is 0 ahead of the shield, 1 behind its edge.
func (s *Scenario) shield(lineM, hours float64) float64 {
	return smooth(behind(lineM, s.shieldHours, hours), -shieldEdgeM/2, shieldEdgeM/2)
}

// frontAt is 0 ahead of the cold front, 1 behind it.
func (s *Scenario) frontAt(lineM, hours float64) float64 {
	return smooth(behind(lineM, s.frontHours, hours), -frontHalfM, frontHalfM)
}

// At gives the state of the air.
func (s *Scenario) At(xM, yM, altitudeM, hours float64) Air {
	along, across := alongFlow(xM, yM)
	line := lineAt(along, across)
	front := s.frontAt(line, hours)
	pooled := pool(hours)
	var air Air
	air.AirTemperatureK, air.PressurePa = aloft(s.surfaceK(front, hours), pooled, altitudeM)

	terrainM, slopeAlong, slopeAcross := ground(along, across)
	speed := min(max(windMPerS+windPerM*(altitudeM-referenceM), 3), windMostMPerS)
	if pooled > 0 && altitudeM < poolTopM {
		speed *= 1 - .8*pooled*min(1, (poolTopM-altitudeM)/200)
	}
	// Degrees to the right of the direction of the flow.
	veered := -5 - backedDeg*(1-front) + veerDegPerM*(altitudeM-referenceM) + s.turnDeg
	sin, cos := math.Sincos(veered * math.Pi / 180)
	u, v := s.wind*speed*cos, -s.wind*speed*sin // along and to the left
	air.EastwardMPerS, air.NorthwardMPerS = onPlane(u, v)
	height := max(altitudeM-terrainM, 0)
	air.UpwardMPerS = (u*slopeAlong + v*slopeAcross) * math.Exp(-height/ascentDecayM)

	c := s.cloud(line, along, across, altitudeM, hours)
	air.CloudLiquidKgPerKg, air.CloudIceKgPerKg = c.liquidKgPerKg, c.iceKgPerKg
	t := air.AirTemperatureK - 273.15
	humidity := betweenBandsPct + (moistPct-betweenBandsPct)*c.moist
	switch {
	case c.liquidKgPerKg > 0:
		humidity = 100
	case c.iceKgPerKg > 1e-5:
		// Saturated over ice where colder than -12 °C: the ratio of the Magnus forms
		// over ice and water, within .003 of it down to -40 °C. Ice alone in warmer
		// air is falling out of it.
		humidity = max(humidity, min(iceCloudPct, 100*(1+.0098*t+4.8e-5*t*t)))
	case altitudeM > 4500:
		humidity += (dryAloftPct - humidity) * smooth(altitudeM, 4500, 6000)
	}
	air.RelativeHumidityPct = humidity
	e := humidity / 100 * saturationPa(air.AirTemperatureK)
	w := .62199 * e / (air.PressurePa - e)
	air.SpecificHumidity = w / (1 + w)

	if t < 0 {
		if dBZ := s.echo(line, along, across, altitudeM, hours); dBZ > lowestEchoDBZ {
			// Mass of precipitation by Greene and Clark (1972), 3.44e-6 Z^(4/7)
			// kg m-3, made for rain: good enough for an invented storm.
			air.SnowKgPerKg = 3.44e-6 * math.Exp(4./7*math.Ln10/10*dBZ) * gasConstantDryAir * air.AirTemperatureK / air.PressurePa
		}
	}
	return air
}

// AltitudeOfPressureM inverts the hydrostatic equation by Newton's method, to a
// centimetre.
func (s *Scenario) AltitudeOfPressureM(xM, yM, pressurePa, hours float64) float64 {
	front := s.frontAt(lineAt(alongFlow(xM, yM)), hours)
	surfaceK, pooled := s.surfaceK(front, hours), pool(hours)
	altitudeM := 7400 * math.Log(scenarioSeaPa/pressurePa)
	for range 20 {
		k, pa := aloft(surfaceK, pooled, altitudeM)
		step := math.Log(pa/pressurePa) * k / gravityOverRKPerM
		altitudeM += step
		if math.Abs(step) < .005 {
			break
		}
	}
	return altitudeM
}
