package rehearsal

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/grib"
	"rimeline/ingest/level2"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
)

// The small example in testdata/demo stays as it was made.
func TestDemoUnchanged(t *testing.T) {
	storm := Storm{Start: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC), LatitudeDeg: 44.0, LongitudeDeg: -114.5}
	want := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	if !bytes.Equal(storm.ModelFile(31, 4000, 120), want("model.20260114.t06z.f02.grib2")) {
		t.Error("the model file is another one")
	}
	if !bytes.Equal(storm.SoundingFile("XXM00000001", -34000, -6000, 2), want("sounding.20260114.t08z.txt")) {
		t.Error("the sounding is another one")
	}
	at := storm.Start.Add(110 * time.Minute)
	if b, err := (Level2{Volume: storm.RadarVolume(at)}).File(); err != nil || !bytes.Equal(b, want("radar.XLRK20260114_075000_V06")) {
		t.Errorf("the radar volume is another one, %v", err)
	}
}

// eastAndNorth turns components along the plane's axes at a place, whose true
// north is found by a step along the meridian.
func eastAndNorth(plane Plane, at grid.LatLon, alongX, alongY float64) (east, north float64) {
	x0, y0 := plane.XY(at)
	at.LatitudeDeg += 1e-4
	x1, y1 := plane.XY(at)
	length := math.Hypot(x1-x0, y1-y0)
	nx, ny := (x1-x0)/length, (y1-y0)/length
	return alongX*ny - alongY*nx, alongX*nx + alongY*ny
}

func TestModelFileIsTheForecast(t *testing.T) {
	s := NewScenario(benchStart, 1)
	plane := PlaneOf(s)
	g := newModelGrid(plane, 9, 18e3)
	run, hour := benchStart.Add(-2*time.Hour), 4
	w := s.Forecast(run)
	file := g.file(w, run, hour)
	if len(file) != g.fileBytes() {
		t.Fatalf("%d bytes, %d announced", len(file), g.fileBytes())
	}
	fields, err := grib.Decode(t.Context(), "model", file, grib.Options{})
	if err != nil || len(fields) != len(hrrrMessages) {
		t.Fatalf("%d fields, %v", len(fields), err)
	}
	hours := run.Add(time.Duration(hour) * time.Hour).Sub(s.StartTime()).Hours()
	lines := strings.Split(strings.TrimSpace(string(g.inventory(run, hour))), "\n")
	checked := map[string]bool{}
	for k, field := range fields {
		// The inventory says where the message begins and what it holds.
		part := strings.Split(lines[k], ":")
		offset, err := strconv.Atoi(part[1])
		if err != nil || part[0] != strconv.Itoa(k+1) || !bytes.HasPrefix(file[offset:], []byte("GRIB")) || k > 0 && !bytes.HasSuffix(file[:offset], []byte("7777")) {
			t.Fatalf("line %q does not fit the file", lines[k])
		}
		if part[2] != "d="+run.Format("2006010215") || part[5] != "4 hour fcst" || len(part) != 7 || part[6] != "" {
			t.Fatalf("line %q", lines[k])
		}
		name := strings.Replace(part[3], "CLMR", "CLWMR", 1) // CLMR in newer versions of the table
		if field.ShortName != name {
			t.Errorf("message %d is %s, the inventory says %s", k+1, field.ShortName, part[3])
		}
		if level := fmt.Sprintf("%g mb", field.Level.Value/100); field.Level.Code == 100 && part[4] != level {
			t.Errorf("message %d is at %s, the inventory says %s", k+1, level, part[4])
		}
		if !field.ReferenceTime.Equal(run) || !field.ValidTime.Equal(run.Add(4*time.Hour)) {
			t.Errorf("message %d: %v, %v", k+1, field.ReferenceTime, field.ValidTime)
		}

		if field.Level.Code != 100 && part[4] != "surface" || field.ShortName == "GUST" {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, v := range field.Values {
			low, high = math.Min(low, float64(v)), math.Max(high, float64(v))
		}
		// A whole step, since steps are powers of two of at most 1/32768 of the
		// range, and what 32 bits round.
		tolerance := (high-low)/32768 + math.Max(math.Abs(low), math.Abs(high))*1.5e-7
		for n, v := range field.Values {
			place, ok := field.Grid.LatLonAt(float64(n%9), float64(n/9))
			if !ok {
				t.Fatal("a point has no place")
			}
			x, y := plane.XY(place)
			altitudeM := w.TerrainM(x, y)
			if field.Level.Code == 100 {
				altitudeM = w.AltitudeOfPressureM(x, y, field.Level.Value, hours)
			}
			air := w.At(x, y, altitudeM, hours)
			var want float64
			got := float64(v)
			switch field.ShortName {
			case "HGT":
				want = altitudeM
			case "TMP":
				want = air.AirTemperatureK
			case "SPFH":
				want = air.SpecificHumidity
			case "CLWMR":
				want = air.CloudLiquidKgPerKg
			case "CIMIXR":
				want = air.CloudIceKgPerKg
			case "SNMR":
				want = air.SnowKgPerKg
			case "RH":
				want = air.RelativeHumidityPct
			case "PRES":
				want = air.PressurePa
			case "VVEL":
				want = -air.UpwardMPerS * gravityMPerS2 * air.PressurePa / (gasConstantDryAir * air.AirTemperatureK)
			case "UGRD", "VGRD":
				// Both messages of the level, turned to the earth by the reader.
				other := fields[k+1]
				u, v := got, float64(other.Values[n])
				if field.ShortName == "VGRD" {
					other = fields[k-1]
					u, v = float64(other.Values[n]), got
				}
				east, north, ok := field.Grid.RotateToEarth(u, v, place)
				wantEast, wantNorth := eastAndNorth(plane, place, air.EastwardMPerS, air.NorthwardMPerS)
				if !field.Grid.WindsGridRelative || !ok {
					t.Fatal("winds are not along the grid")
				}
				// Each component has its own step; 1e-3 covers both.
				if math.Abs(east-wantEast) > 1e-3 || math.Abs(north-wantNorth) > 1e-3 {
					t.Errorf("message %d, point %d: wind %g, %g, want %g, %g", k+1, n, east, north, wantEast, wantNorth)
				}
				checked[field.ShortName] = true
				continue
			default:
				continue
			}
			checked[field.ShortName] = true
			// Places are in microdegrees, 0.1 m, which at an edge of cloud of some
			// hundred metres is a thousandth of the range.
			if slack := tolerance + 1e-3*(high-low); math.Abs(got-want) > slack {
				t.Errorf("%s, point %d: %g, want %g within %g", lines[k], n, got, want, slack)
			}
		}
	}
	for _, name := range []string{"HGT", "TMP", "SPFH", "CLWMR", "CIMIXR", "SNMR", "RH", "PRES", "VVEL", "UGRD", "VGRD"} {
		if !checked[name] {
			t.Errorf("no %s", name)
		}
	}
	if analysis := string(g.inventory(run, 0)); !strings.HasSuffix(analysis, ":anl:\n") {
		t.Errorf("the inventory of the analysis ends %q", analysis[len(analysis)-40:])
	}
}

// Y = (R + X 2^E) / 10^D of template 5.0, whatever the values.
func TestWords(t *testing.T) {
	for _, values := range [][]float64{{.1, .1 + 1e-8}, {.1, .3}, {7, 7}, {0, 0}, {-273.15, 40.2, 11}, {1e-9, 3e-4}, {65535, 0}, {99999.9, 101325.1}} {
		s5, s7 := wordsSections5And7(values)
		reference := float64(math.Float32frombits(binary.BigEndian.Uint32(s5[6:])))
		exponent := int(binary.BigEndian.Uint16(s5[10:]) & 0x7fff)
		if s5[10]&0x80 != 0 {
			exponent = -exponent
		}
		step := math.Ldexp(1, exponent)
		for k, want := range values {
			if got := reference + float64(binary.BigEndian.Uint16(s7[2*k:]))*step; math.Abs(got-want) > step/2+math.Abs(want)*1.2e-7 {
				t.Errorf("%v: %g, want %g", values, got, want)
			}
		}
		if s5[14] != 16 || len(s7) != 2*len(values) {
			t.Errorf("%v: %d bits, %d bytes", values, s5[14], len(s7))
		}
	}
}

func TestMosaicIsTheStorm(t *testing.T) {
	s := NewScenario(benchStart, 1)
	plane := PlaneOf(s)
	g := newMosaicGrid(plane, 40e3)
	at := benchStart.Add(150*time.Minute + 38*time.Second)
	b, err := g.file(s, at)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	plain, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	mosaics, err := mosaic.Decode(t.Context(), "mosaic", plain, mosaic.Options{})
	if err != nil || len(mosaics) != 1 {
		t.Fatalf("%d mosaics, %v", len(mosaics), err)
	}
	m := mosaics[0]
	if m.Product.Name != "MergedReflectivityQCComposite" || !m.Time.Equal(at) {
		t.Errorf("%s of %v", m.Product.Name, m.Time)
	}
	counts := map[grid.GateState]int{}
	for n, v := range m.Field.Values {
		place, _ := m.Field.Grid.LatLonAt(float64(n%g.ni), float64(n/g.ni))
		x, y := plane.XY(place)
		state := grid.StateOf(v)
		counts[state]++
		largest := math.NaN()
		for altitudeM := 1500.0; altitudeM <= 8000; altitudeM += 500 {
			if altitudeM > 4000 && math.Mod(altitudeM, 1000) != 0 {
				continue
			}
			if dBZ := s.ReflectivityDBZ(x, y, altitudeM, at.Sub(benchStart).Hours()); !(dBZ <= largest) && dBZ == dBZ {
				largest = dBZ
			}
		}
		distanceM := grid.DistanceM(place, plane.Place(0, 0))
		switch {
		case math.Abs(distanceM-40e3) < 50: // either
		case distanceM > 40e3 && state != grid.NotCovered:
			t.Fatalf("point %d, %.0f m away: %v", n, distanceM, state)
		case distanceM > 40e3:
		case largest != largest && state != grid.BelowThreshold,
			largest == largest && (state != grid.Measured || math.Abs(float64(v)-largest) > .0501):
			t.Fatalf("point %d: %v %v, want %v", n, state, v, largest)
		}
	}
	if counts[grid.NotCovered] == 0 || counts[grid.Measured] < 1000 {
		t.Errorf("%v", counts)
	}
}

func TestRadarVolumeIsTheStorm(t *testing.T) {
	s := NewScenario(benchStart, 1)
	plane, site := PlaneOf(s), s.Radar()
	radar := newScanner(s, site)
	start := benchStart.Add(160 * time.Minute)
	b, err := Level2{Volume: radar.volume(s, start), RadialsInRecord: scanRecordRadials}.File()
	if err != nil {
		t.Fatal(err)
	}
	v, err := level2.Decode(t.Context(), "radar", b, level2.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if v.Radar != site.ID || len(v.Sweeps) != 7 || !v.Complete || !v.Time.Equal(start) || grid.DistanceM(v.Antenna.LatLon, site.Place) > 1 || math.Abs(v.Antenna.AltitudeM-site.AltitudeM-site.TowerM) > 1 {
		t.Fatalf("%s with %d sweeps at %+v", v.Radar, len(v.Sweeps), v.Antenna)
	}
	echoes, partly, hidden := 0, 0, 0
	for k, sweep := range v.Sweeps {
		ref, vel := sweep.Moment(grid.MomentReflectivity), sweep.Moment(grid.MomentVelocity)
		for n := 3; n < len(sweep.Radials); n += 17 {
			radial := sweep.Radials[n]
			hours := radial.Time.Sub(benchStart).Hours()
			azimuthDeg := azimuthOfDeg(n)
			highest := math.Inf(-1) // terrain in front above the beam's bottom, in half widths
			hiddenShare := 0.0
			for gate := range ref.Gates {
				rangeM := float64(ref.FirstGateM) + float64(gate)*float64(ref.GateSpacingM)
				altitudeM := grid.BeamAltitudeM(site.AltitudeM+site.TowerM, rangeM, radarElevationsDeg[k])
				place := grid.Destination(site.Place, azimuthDeg, grid.BeamGroundRangeM(rangeM, radarElevationsDeg[k]))
				x, y := plane.XY(place)
				bottomM := s.TerrainM(x, y) - (altitudeM - grid.BeamHalfWidthM(rangeM, scanBeamwidthDeg)) // of terrain in the beam
				highest = math.Max(highest, bottomM/grid.BeamHalfWidthM(rangeM, scanBeamwidthDeg))
				hiddenShare = math.Max(hiddenShare, grid.PartialBeamBlockage(s.TerrainM(x, y)-altitudeM, grid.BeamHalfWidthM(rangeM, scanBeamwidthDeg)))
				got := float64(ref.At(n, gate))
				want := s.ReflectivityDBZ(x, y, altitudeM, hours)
				switch {
				case highest > 2.05: // terrain is above the beam's top
					hidden++
					if got == got {
						t.Errorf("sweep %d, radial %d, gate %d: %g dBZ behind the terrain", k, n, gate, got)
					}
				case highest > -.05: // partly: what is left of the beam
					if left := want + 10*math.Log10(1-hiddenShare); hiddenShare < .8 && left > 20*math.Log10(rangeM/100e3)+.5 {
						partly++
						if !(math.Abs(got-left) <= .25+.3) {
							t.Errorf("sweep %d, radial %d, gate %d: %g dBZ, want %g with %.2f hidden", k, n, gate, got, left, hiddenShare)
						}
					}
				case want != want || want < 20*math.Log10(rangeM/100e3)-.1:
					if got == got {
						t.Errorf("sweep %d, radial %d, gate %d: %g dBZ, want none", k, n, gate, got)
					}
				case want > 20*math.Log10(rangeM/100e3)+.1:
					echoes++
					// Half a step, and 30 m on the sphere's great circle against the plane.
					if !(math.Abs(got-want) <= .25+.05) {
						t.Errorf("sweep %d, radial %d, gate %d: %g dBZ, want %g", k, n, gate, got, want)
					}
					air := s.At(x, y, altitudeM, hours)
					east, north := eastAndNorth(plane, place, air.EastwardMPerS, air.NorthwardMPerS)
					sin, cos := math.Sincos(grid.AzimuthDeg(place, site.Place) * math.Pi / 180) // back to the radar
					sinE, cosE := math.Sincos(radarElevationsDeg[k] * math.Pi / 180)
					away := -(east*sin+north*cos)*cosE + (air.UpwardMPerS-1)*sinE
					miss := math.Abs(math.Remainder(float64(vel.At(n, gate))-away, 2*site.NyquistMPerS))
					if !(miss <= .25+.05) {
						t.Errorf("sweep %d, radial %d, gate %d: %g m/s, want %g", k, n, gate, vel.At(n, gate), away)
					}
				}
			}
		}
	}
	if echoes < 2000 || hidden == 0 || partly < 50 {
		t.Errorf("%d echoes, %d gates partly and %d wholly behind the terrain", echoes, partly, hidden)
	}
}

// boxed has one cloud, of ice, over a rectangle.
type boxed struct {
	Storm
	x0, x1, y0, y1, topM float64
}

func (b boxed) CloudTop(xM, yM, _ float64) CloudTop {
	if xM >= b.x0 && xM <= b.x1 && yM >= b.y0 && yM <= b.y1 {
		return CloudTop{Ice, 231, b.topM}
	}
	return CloudTop{ClearSky, math.NaN(), math.NaN()}
}

func TestSatelliteShowsACloudInItsPlace(t *testing.T) {
	w := boxed{Storm{Start: benchStart, LatitudeDeg: 44.2, LongitudeDeg: -112.6}, -14e3, 10e3, -9e3, 17e3, 8200}
	plane := PlaneOf(w)
	view, err := newSatelliteView(plane, 45e3)
	if err != nil {
		t.Fatal(err)
	}
	var tops satellite.CloudTops
	for _, p := range satelliteProducts {
		b, err := view.file(w, p, benchStart)
		if err != nil {
			t.Fatal(err)
		}
		granule, err := satellite.Decode(t.Context(), p.name, b, satellite.Options{})
		if err != nil {
			t.Fatal(err)
		}
		tops.Add(granule)
	}
	n, sumX, sumY := 0.0, 0.0, 0.0
	for x := -40e3; x <= 40e3; x += 1e3 {
		for y := -40e3; y <= 40e3; y += 1e3 {
			top, ok := tops.Above(plane.Place(x, y), satellite.Look{GroundAltitudeM: 1500, AssumedTopM: math.NaN()})
			if !ok || top.Phase != grid.IcePhase {
				continue
			}
			n, sumX, sumY = n+1, sumX+x, sumY+y
			if math.Abs(top.HeightM-w.topM) > .16 || math.Abs(top.TemperatureK-231) > .001 {
				t.Errorf("(%g, %g): %+v", x, y, top)
			}
		}
	}
	// Pixels are 2 km by 3.5 km: over an edge of 25 km their jags are even to
	// some hundred metres.
	if x, y := sumX/n, sumY/n; math.Abs(x-(w.x0+w.x1)/2) > 700 || math.Abs(y-(w.y0+w.y1)/2) > 700 || math.Abs(n-24*26) > 24*26*.12 {
		t.Errorf("%g km2 around (%g, %g), want %d around (%g, %g)", n, x, y, 24*26, (w.x0+w.x1)/2, (w.y0+w.y1)/2)
	}
}

type bufrInProcess struct{}

func (bufrInProcess) DecodeBUFR(_ context.Context, message []byte) (bufr.Decoded, error) {
	decoded, err := lib.DecodeBUFR(message, 0)
	decoded.MarkReplications()
	return decoded, err
}

func TestSoundingsAreTheStorm(t *testing.T) {
	s := NewScenario(benchStart, 1)
	plane := PlaneOf(s)
	for _, station := range s.SoundingStations() {
		nominal := benchStart.Add(3 * time.Hour)
		a := newAscent(s, station, nominal)
		reports, err := sounding.DecodeBUFR(t.Context(), "bufr", a.bufr(), bufrInProcess{})
		if err != nil || len(reports) != 1 {
			t.Fatalf("%d reports, %v", len(reports), err)
		}
		r := reports[0]
		if r.Station.WMONumber != station.WMO || !r.ReleaseTime.Equal(nominal.Add(-45*time.Minute)) || grid.DistanceM(r.Station.Place, station.Place) > 1 || len(r.Validate()) > 0 {
			t.Errorf("%+v, released %v, %v", r.Station, r.ReleaseTime, r.Validate())
		}
		standard := 0
		for _, l := range r.Levels {
			// Where and when the balloon says it was.
			place := station.Place
			place.LatitudeDeg += l.LatitudeDisplacementDeg
			place.LongitudeDeg += l.LongitudeDisplacementDeg
			x, y := plane.XY(place)
			air := s.At(x, y, l.GeopotentialHeightM, r.ReleaseTime.Sub(benchStart).Hours()+l.ElapsedS/3600)
			east, north := eastAndNorth(plane, place, air.EastwardMPerS, air.NorthwardMPerS)
			from := l.WindFromDeg * math.Pi / 180
			// The template's steps: 10 Pa, 1 m, 0.01 K, 1 degree, 0.1 m/s; a metre is 12 Pa and 0.03 K in an inversion.
			e := air.SpecificHumidity * air.PressurePa / (.62199 + .37801*air.SpecificHumidity)
			if math.Abs(l.PressurePa-air.PressurePa) > 5+7 || math.Abs(l.AirTemperatureK-air.AirTemperatureK) > .005+.03 ||
				math.Abs(l.DewPointK-273.15-dewPointC(e)) > .005+.3 ||
				math.Abs(-l.WindSpeedMPerS*math.Sin(from)-east) > .3+.01*l.WindSpeedMPerS || math.Abs(-l.WindSpeedMPerS*math.Cos(from)-north) > .3+.01*l.WindSpeedMPerS {
				t.Errorf("%s at %.0f m: %+v, want %+v, wind %g %g", station.ID, l.GeopotentialHeightM, l, air, east, north)
			}
			if l.Significance&sounding.Standard != 0 {
				standard++
			}
		}
		if standard < 6 || len(r.Levels) < 100 {
			t.Errorf("%d levels, %d standard", len(r.Levels), standard)
		}

		for _, l := range a.levels { // before rounding
			place := station.Place
			place.LatitudeDeg += l.latitudeDegAfter
			place.LongitudeDeg += l.longitudeDegAfter
			x, y := plane.XY(place)
			air := s.At(x, y, l.heightM, r.ReleaseTime.Sub(benchStart).Hours()+l.elapsedS/3600)
			east, north := eastAndNorth(plane, place, air.EastwardMPerS, air.NorthwardMPerS)
			sin, cos := math.Sincos(l.windFromDeg * math.Pi / 180)
			if math.Abs(-l.windSpeedMPerS*sin-east) > 1e-3 || math.Abs(-l.windSpeedMPerS*cos-north) > 1e-3 || math.Abs(l.pressurePa-air.PressurePa) > .01 {
				t.Errorf("%s at %.0f m: %+v, want %+v, wind %g %g", station.ID, l.heightM, l, air, east, north)
			}
		}

		// The bulletins are the same ascent, in their coarser steps.
		text := append(append([]byte{}, a.mandatory()...), a.significantLevels()...)
		temps, err := sounding.DecodeTEMP("temp", text, nominal.Add(time.Hour))
		if err != nil || len(temps) != 1 {
			t.Fatalf("%d reports, %v in\n%s", len(temps), err, text)
		}
		temp := temps[0]
		if temp.Station.WMONumber != station.WMO || !temp.Time.Equal(nominal) {
			t.Errorf("%s at %v", temp.Station.WMONumber, temp.Time)
		}
		compared := 0
		for _, l := range temp.Levels {
			if l.Significance&sounding.Extrapolated != 0 {
				if want := s.AltitudeOfPressureM(station.XM, station.YM, l.PressurePa, r.ReleaseTime.Sub(benchStart).Hours()); math.Abs(l.GeopotentialHeightM-want) > .51 {
					t.Errorf("%s: %.0f hPa below the ground at %g m, want %g", station.ID, l.PressurePa/100, l.GeopotentialHeightM, want)
				}
				continue
			}
			// The ascent's own levels, straight in log pressure between two.
			for k := 1; k < len(r.Levels); k++ {
				below, above := r.Levels[k-1], r.Levels[k]
				if !(below.PressurePa >= l.PressurePa && l.PressurePa >= above.PressurePa) || below.PressurePa == above.PressurePa {
					continue
				}
				share := math.Log(below.PressurePa/l.PressurePa) / math.Log(below.PressurePa/above.PressurePa)
				wantK := below.AirTemperatureK + share*(above.AirTemperatureK-below.AirTemperatureK)
				// 0.1 K by parity, and half a hPa of up to 8 m in an inversion of 0.03 K/m.
				if math.Abs(l.AirTemperatureK-wantK) > .11+.5 {
					t.Errorf("%s at %.0f hPa: %.2f K, want %.2f", station.ID, l.PressurePa/100, l.AirTemperatureK, wantK)
				}
				wantM := below.GeopotentialHeightM + share*(above.GeopotentialHeightM-below.GeopotentialHeightM)
				if l.Significance&sounding.Standard != 0 {
					half := .51
					if l.PressurePa <= 50000 {
						half = 5.01
					}
					if math.Abs(l.GeopotentialHeightM-wantM) > half+1 {
						t.Errorf("%s at %.0f hPa: %g m, want %g", station.ID, l.PressurePa/100, l.GeopotentialHeightM, wantM)
					}
				}
				compared++
				break
			}
		}
		if compared < 10 {
			t.Errorf("%s: %d levels compared", station.ID, compared)
		}
	}
}

// Groups against the tables of WMO-No. 306, FM 35 and code tables 0777 and 3931.
func TestGroups(t *testing.T) {
	level := func(celsius, depression, from, knots float64) ascentLevel {
		return ascentLevel{airTemperatureK: 273.15 + celsius, dewPointK: 273.15 + celsius - depression, windFromDeg: from, windSpeedMPerS: knots * 1852 / 3600}
	}
	for _, test := range []struct {
		got, want, source string
	}{
		{temperatureGroup(level(24.4, 1.6, 0, 0)), "24416", "KJAN 2006-09-22 12 UTC, surface"},
		{temperatureGroup(level(-4.5, 9, 0, 0)), "04559", "odd tenth: below zero; 9 K: 59"},
		{temperatureGroup(level(-13.3, 49, 0, 0)), "13399", "49 K and more are 99"},
		{temperatureGroup(level(5.0, 5.0, 0, 0)), "05050", "5.0 K is 50"},
		{temperatureGroup(level(5.0, 5.2, 0, 0)), "05056", "51 to 55 are not used"},
		{temperatureGroup(level(0, 0, 0, 0)), "00000", ""},
		{windGroup(level(0, 0, 180, 6)), "18006", "KJAN, surface"},
		{windGroup(level(0, 0, 254, 127)), "25627", "255 degrees: 500 added"},
		{windGroup(level(0, 0, 1, 8)), "36008", "north"},
		{windGroup(level(0, 0, 90, .2)), "00000", "calm"},
		{heightCode(1000, 89), "00089", "KJAN"},
		{heightCode(1000, -23), "00523", "below sea level: 500 added"},
		{heightCode(925, 772), "92772", "KJAN"},
		{heightCode(850, 1503), "85503", "KJAN"},
		{heightCode(700, 3136), "70136", "KJAN"},
		{heightCode(500, 5844), "50584", "KJAN: tens of metres"},
		{heightCode(250, 10861), "25086", "KJAN"},
	} {
		if test.got != test.want {
			t.Errorf("%s, want %s (%s)", test.got, test.want, test.source)
		}
	}
}
