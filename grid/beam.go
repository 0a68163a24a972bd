package grid

import "math"

// The path of a radar beam bends with the decrease of the refractive index; over
// a sphere of 4/3 the earth's radius it is straight (Doviak and Zrnić 1993,
// Doppler Radar and Weather Observations, 2nd ed., eqs. 2.28b and c). That holds
// for the mean gradient of the lowest kilometres. In strong inversions the beam
// lies lower, by hundreds of metres at 100 km; with the sounding's own gradient
// some take other factors (1.21 gives 1521 m where 4/3 gives 1461).
const effectiveEarthRadiusM = 4.0 / 3 * EarthRadiusM

// BeamAltitudeM is the altitude of the centre of the beam at a slant range from
// an antenna at antennaAltitudeM.
func BeamAltitudeM(antennaAltitudeM, rangeM, elevationDeg float64) float64 {
	const re = effectiveEarthRadiusM
	sin := math.Sin(elevationDeg * radPerDeg)
	// (r^2 + Re^2 + 2 r Re sin(el))^(1/2) - Re, without the loss of digits.
	q := rangeM * (rangeM + 2*re*sin)
	return q/(math.Sqrt(re*re+q)+re) + antennaAltitudeM
}

// BeamGroundRangeM is the distance along the ground from the radar to below a
// slant range.
func BeamGroundRangeM(rangeM, elevationDeg float64) float64 {
	height := BeamAltitudeM(0, rangeM, elevationDeg)
	return effectiveEarthRadiusM * math.Asin(rangeM*math.Cos(elevationDeg*radPerDeg)/(effectiveEarthRadiusM+height))
}

// BeamSlantRangeM is the inverse of BeamGroundRangeM: where the beam at an
// elevation passes over a place. It reports false where it never does (a beam
// upright).
func BeamSlantRangeM(groundRangeM, elevationDeg float64) (float64, bool) {
	// Law of sines in the triangle of the earth's centre, the antenna and the gate.
	angle := groundRangeM / effectiveEarthRadiusM
	down := math.Cos(elevationDeg*radPerDeg + angle)
	if !(down > 1e-9) || !(groundRangeM >= 0) {
		return 0, false
	}
	return effectiveEarthRadiusM * math.Sin(angle) / down, true
}

// BeamElevationDeg is the elevation at which the centre of the beam passes a
// height above the antenna over a place groundRangeM away.
func BeamElevationDeg(groundRangeM, aboveAntennaM float64) float64 {
	const re = effectiveEarthRadiusM
	angle := groundRangeM / re
	// cot(90 deg + el) from the two sides Re, Re + h and the angle between them.
	return math.Atan2((re+aboveAntennaM)*math.Cos(angle)-re, (re+aboveAntennaM)*math.Sin(angle)) / radPerDeg
}

// BeamHalfWidthM is the radius of the beam between its half-power points.
func BeamHalfWidthM(rangeM, beamwidthDeg float64) float64 {
	return rangeM * beamwidthDeg * radPerDeg / 2
}

// Destination is the place a distance away along the great circle that leaves
// from in a direction, clockwise from north.
func Destination(from LatLon, azimuthDeg, distanceM float64) LatLon {
	sinLat, cosLat := math.Sincos(from.LatitudeDeg * radPerDeg)
	sinAz, cosAz := math.Sincos(azimuthDeg * radPerDeg)
	sinD, cosD := math.Sincos(distanceM / EarthRadiusM)
	sin := sinLat*cosD + cosLat*sinD*cosAz
	east, north := sinAz*sinD, cosD*cosLat-sinD*sinLat*cosAz
	return LatLon{
		LatitudeDeg:  math.Atan2(sin, math.Hypot(east, north)) / radPerDeg,
		LongitudeDeg: NormalLongitudeDeg(from.LongitudeDeg + math.Atan2(east, north)/radPerDeg),
	}
}

// AzimuthDeg is the direction, clockwise from north in [0, 360), in which the
// great circle to a place leaves; 0 where both are the same.
func AzimuthDeg(from, to LatLon) float64 {
	sinFrom, cosFrom := math.Sincos(from.LatitudeDeg * radPerDeg)
	sinTo, cosTo := math.Sincos(to.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((to.LongitudeDeg - from.LongitudeDeg) * radPerDeg)
	return foldAzimuthDeg(math.Atan2(sinLon*cosTo, cosFrom*sinTo-sinFrom*cosTo*cosLon) / radPerDeg)
}

// GatePosition is where the centre of the beam is at a slant range.
func (v *Volume) GatePosition(azimuthDeg, elevationDeg, rangeM float64) Position {
	return Position{
		LatLon:    Destination(v.Antenna.LatLon, azimuthDeg, BeamGroundRangeM(rangeM, elevationDeg)),
		AltitudeM: BeamAltitudeM(v.Antenna.AltitudeM, rangeM, elevationDeg),
	}
}
