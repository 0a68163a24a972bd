package rehearsal

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// dewPointC inverts the Magnus form.
func dewPointC(vapourPa float64) float64 {
	x := math.Log(vapourPa / 611.2)
	return 243.12 * x / (17.62 - x)
}

// SoundingFile writes an ascent through the storm at the plane position (xM,
// yM) in the format of the Integrated Global Radiosonde Archive, version 2
// (NCEI, igra2-data-format.txt). stationID has 11 characters.
func (s Storm) SoundingFile(stationID string, xM, yM, hours float64) []byte {
	g := newLambert(3, 1000, s.LatitudeDeg, s.LongitudeDeg)
	latitudeDeg, longitudeDeg := g.place(xM, yM)
	groundM := s.TerrainM(xM, yM)

	altitudesM := []float64{groundM}
	for altitudeM := math.Ceil((groundM+60)/150) * 150; altitudeM <= 11000; altitudeM += 150 {
		altitudesM = append(altitudesM, altitudeM)
	}
	var lines strings.Builder
	const ascentMPerS = 5.0
	for k, altitudeM := range altitudesM {
		air := s.At(xM, yM, altitudeM, hours)
		e := air.SpecificHumidity * air.PressurePa / (.62199 + .37801*air.SpecificHumidity)
		t := air.AirTemperatureK - 273.15
		from := math.Mod(math.Atan2(-air.EastwardMPerS, -air.NorthwardMPerS)*180/math.Pi+360, 360)
		kind := "20"
		if k == 0 {
			kind = "21"
		}
		elapsed := int((altitudeM - groundM) / ascentMPerS)
		fmt.Fprintf(&lines, "%s %5d %6d %5d %5d %5d %5d %5d %5d\n", kind, elapsed/60*100+elapsed%60,
			int(math.Round(air.PressurePa)), int(math.Round(altitudeM)), int(math.Round(t*10)),
			int(math.Round(air.RelativeHumidityPct*10)), int(math.Round((t-dewPointC(e))*10)),
			int(math.Round(from)), int(math.Round(math.Hypot(air.EastwardMPerS, air.NorthwardMPerS)*10)))
	}
	release := s.Start.Add(time.Duration(hours * float64(time.Hour))).UTC()
	nominal := release.Round(time.Hour)
	header := fmt.Sprintf("#%-11s %4d %02d %02d %02d %02d%02d %4d %-8s %-8s %7d %8d\n", stationID,
		nominal.Year(), nominal.Month(), nominal.Day(), nominal.Hour(), release.Hour(), release.Minute(),
		len(altitudesM), "invented", "", int(math.Round(latitudeDeg*1e4)), int(math.Round(longitudeDeg*1e4)))
	return []byte(header + lines.String())
}
