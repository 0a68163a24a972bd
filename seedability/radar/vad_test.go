package radar

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"rimeline/grid"
)

// inventedWind is linear with height: turning and growing.
type inventedWind struct {
	east, north           float64 // at the antenna
	eastPerKm, northPerKm float64
	// gradients of the wind along the ground, per second
	eastX, eastY, northX, northY float64
	fallMPerS                    float64
}

func (w inventedWind) at(aboveAntennaM, x, y float64) (east, north float64) {
	return w.east + w.eastPerKm*aboveAntennaM/1000 + w.eastX*x + w.eastY*y,
		w.north + w.northPerKm*aboveAntennaM/1000 + w.northX*x + w.northY*y
}

func (w inventedWind) radial(azimuthDeg, elevationDeg, rangeM float64) float64 {
	sinAz, cosAz := math.Sincos(azimuthDeg * radPerDeg)
	sinEl, cosEl := math.Sincos(elevationDeg * radPerDeg)
	ground := rangeM * cosEl
	east, north := w.at(grid.BeamAltitudeM(0, rangeM, elevationDeg), ground*sinAz, ground*cosAz)
	return cosEl*(east*sinAz+north*cosAz) - w.fallMPerS*sinEl
}

// fold brings a velocity between minus and plus the Nyquist velocity.
func fold(mPerS, nyquistMPerS float64) float64 { return math.Remainder(mPerS, 2*nyquistMPerS) }

type velocityScan struct {
	wind         inventedWind
	elevations   []float64
	nyquist      []float64 // by sweep, the last one for all others
	noiseMPerS   float64
	holes        func(azimuthDeg, rangeM float64) bool
	clutterShare float64
	seed         uint64
	reachM       float64
}

func (c velocityScan) volume() *grid.Volume {
	random := rand.New(rand.NewPCG(c.seed, 7))
	if c.reachM == 0 {
		c.reachM = 70e3
	}
	var cuts []inventedCut
	for k, el := range c.elevations {
		nyquist := c.nyquist[min(k, len(c.nyquist)-1)]
		cuts = append(cuts, inventedCut{elevationDeg: el, spacingDeg: 1, gateM: 250, reachM: c.reachM, moment: grid.MomentVelocity,
			gate: func(az, el, r float64) float64 {
				if c.holes != nil && c.holes(az, r) {
					return noEchoGate
				}
				if random.Float64() < c.clutterShare {
					return 0
				}
				return fold(c.wind.radial(az, el, r)+c.noiseMPerS*random.NormFloat64(), nyquist)
			}})
	}
	v := inventedVolume(cuts...)
	for k, s := range v.Sweeps {
		s.NyquistVelocityMPerS = c.nyquist[min(k, len(c.nyquist)-1)]
		for r := range s.Radials {
			s.Radials[r].NyquistVelocityMPerS = float32(s.NyquistVelocityMPerS)
		}
	}
	return v
}

// scattered holes: blobs of 8 km and 15 degrees, half of all, and no data in
// two sectors.
func scattered(azimuthDeg, rangeM float64) bool {
	if azimuthDeg > 40 && azimuthDeg < 100 || azimuthDeg > 250 && azimuthDeg < 270 {
		return true
	}
	return (int(azimuthDeg/15)+int(rangeM/8000))%2 == 0
}

// A known wind with noise of 1 m/s, gaps, clutter and folding comes back within
// 1 m/s and 5 degrees at every level.
func TestVADRecoversKnownWind(t *testing.T) {
	elevations := []float64{0.5, 1.5, 2.5, 4.5, 6, 9.9, 14.6, 19.5}
	for _, test := range []struct {
		name      string
		scan      velocityScan
		minLevels int
	}{
		{"calm data", velocityScan{wind: inventedWind{east: 10, north: 5, eastPerKm: 2}, nyquist: []float64{30}, noiseMPerS: 1}, 30},
		{"30 m/s, Nyquist 12", velocityScan{wind: inventedWind{east: 24, north: -18}, nyquist: []float64{12}, noiseMPerS: 1}, 30},
		{"shear to 60 m/s, Nyquist 12, gaps", velocityScan{wind: inventedWind{east: 8, north: 12, eastPerKm: 6, northPerKm: -2}, nyquist: []float64{12}, noiseMPerS: 1, holes: scattered}, 25},
		{"split cuts of several Nyquist velocities", velocityScan{wind: inventedWind{east: -20, north: 22, eastPerKm: 3}, nyquist: []float64{12, 15, 22, 12, 9, 31}, noiseMPerS: 1, holes: scattered}, 25},
		{"clutter in one gate of five", velocityScan{wind: inventedWind{east: 25, north: 10, northPerKm: 3}, nyquist: []float64{16}, noiseMPerS: 1, clutterShare: 0.2}, 30},
		{"deformation and snow", velocityScan{wind: inventedWind{east: 20, north: -5, eastPerKm: 2, eastX: 1e-4, northY: -5e-5, eastY: 8e-5, fallMPerS: 1}, nyquist: []float64{14}, noiseMPerS: 1}, 30},
		{"a third of the circle missing", velocityScan{wind: inventedWind{east: 28, north: 9, eastPerKm: 1}, nyquist: []float64{12}, noiseMPerS: 1,
			holes: func(az, _ float64) bool { return az > 200 && az < 315 }}, 30},
	} {
		test.scan.elevations, test.scan.seed = elevations, 3
		p, err := VAD(test.scan.volume(), VADOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Levels) < test.minLevels {
			t.Errorf("%s: %d levels, want %d; refused %+v", test.name, len(p.Levels), test.minLevels, p.Refused)
		}
		worst, worstTurn := 0.0, 0.0
		for k, l := range p.Levels {
			east, north := test.scan.wind.at(l.AltitudeM-inventedAntenna.AltitudeM, 0, 0)
			off := math.Hypot(l.EastwardMPerS-east, l.NorthwardMPerS-north)
			turn := math.Abs(math.Remainder(l.DirectionDeg()-directionDeg(east, north), 360))
			worst, worstTurn = max(worst, off), max(worstTurn, turn)
			if off > 1 || turn > 5 {
				t.Errorf("%s: at %.0f m (sweep %d, %d gates, residual %.2f) %.2f, %.2f m/s, want %.2f, %.2f within 1 m/s and 5 degrees",
					test.name, l.AltitudeM, l.Sweep, l.Gates, l.ResidualMPerS, l.EastwardMPerS, l.NorthwardMPerS, east, north)
			}
			if k > 0 && l.AltitudeM <= p.Levels[k-1].AltitudeM {
				t.Errorf("%s: level %d is not above the one before", test.name, k)
			}
			if l.Time.Before(inventedTime) || l.Age(inventedTime.Add(time.Hour)) <= 0 {
				t.Errorf("%s: time %v", test.name, l.Time)
			}
		}
		t.Logf("%s: %d levels, off by at most %.2f m/s and %.1f degrees", test.name, len(p.Levels), worst, worstTurn)
	}
}

// The first guess is right to 1 m/s where the wind does not change within a layer,
// and the right fold away where it does: it needs no unfolded data.
func TestFirstGuess(t *testing.T) {
	for _, test := range []struct {
		wind     inventedWind
		nyquist  float64
		tolMPerS float64
	}{
		{inventedWind{east: 24, north: -18}, 12, 1},
		{inventedWind{east: -50, north: 10}, 9, 1},
		{inventedWind{east: 8, north: 12, eastPerKm: 6, northPerKm: -2}, 12, 3},
	} {
		v := velocityScan{wind: test.wind, elevations: []float64{0.5, 2.5, 6, 14}, nyquist: []float64{test.nyquist}, noiseMPerS: 1, holes: scattered, seed: 9}.volume()
		guess := FirstGuess(v, VADOptions{})
		for above := 300.0; above < 5000; above += 100 {
			east, north, ok := guess(v.Antenna.AltitudeM + above)
			wantEast, wantNorth := test.wind.at(above, 0, 0)
			if off := math.Hypot(east-wantEast, north-wantNorth); !ok || off > test.tolMPerS {
				t.Errorf("%+v at %.0f m: %.1f, %.1f m/s (%v), want %.1f, %.1f within %g", test.wind, above, east, north, ok, wantEast, wantNorth, test.tolMPerS)
			}
		}
	}
	if _, _, ok := FirstGuess(scanOf(smoothGate, grid.MomentReflectivity, 1), VADOptions{})(2000); ok {
		t.Error("a wind without velocities")
	}
}

// The further harmonics are what Browning and Wexler (1968, eqs. 3 to 5) say they
// are: divergence from the mean, less the fall speed; deformation from the second
// harmonic, half its magnitude times the ground range.
func TestVADDivergenceAndDeformation(t *testing.T) {
	w := inventedWind{east: 10, eastX: 8e-5, northY: 4e-5, eastY: 3e-5, northX: 5e-5, fallMPerS: 1}
	p, err := VAD(velocityScan{wind: w, elevations: []float64{3, 6}, nyquist: []float64{40}, noiseMPerS: 0.3, seed: 5}.volume(), VADOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Levels) < 10 {
		t.Fatalf("%d levels", len(p.Levels))
	}
	for _, l := range p.Levels {
		if want := 1.2e-4; math.Abs(l.DivergencePerS-want) > 0.1*want {
			t.Errorf("%.0f m: divergence %.3g per s, want %.3g", l.AltitudeM, l.DivergencePerS, want)
		}
		ground := l.RangeM * math.Cos(l.ElevationDeg*radPerDeg)
		want := ground / 2 * math.Hypot(w.eastX-w.northY, w.eastY+w.northX)
		if math.Abs(l.DeformationMPerS-want) > 0.1+0.05*want {
			t.Errorf("%.0f m: deformation %.3f m/s at %.0f m, want %.3f", l.AltitudeM, l.DeformationMPerS, ground, want)
		}
	}
}

// Too little data is refused with a reason.
func TestVADRefuses(t *testing.T) {
	wind := inventedWind{east: 20}
	for name, scan := range map[string]velocityScan{
		"a quarter of the circle": {wind: wind, nyquist: []float64{30}, holes: func(az, _ float64) bool { return az > 90 }},
		"noise alone":             {nyquist: []float64{30}, noiseMPerS: 1000},
	} {
		scan.elevations, scan.seed = []float64{1.5, 4.5}, 4
		p, err := VAD(scan.volume(), VADOptions{})
		if err != nil || len(p.Levels) > 0 || len(p.Refused) == 0 {
			t.Errorf("%s: %d levels, %d refused, %v", name, len(p.Levels), len(p.Refused), err)
		}
		for _, l := range p.Refused {
			if l.Refused == "" {
				t.Errorf("%s: no reason", name)
			}
		}
	}
}

// Every gate of a folded sweep comes back, in a sweep whose radials change their
// Nyquist velocity by sector too; a patch that the reference contradicts is
// doubtful.
func TestDealiasKnownField(t *testing.T) {
	scan := velocityScan{wind: inventedWind{east: 22, north: 20, eastPerKm: 4}, elevations: []float64{2.5}, nyquist: []float64{12}, noiseMPerS: 1, holes: scattered, seed: 8}
	v := scan.volume()
	s := v.Sweeps[0]
	m := s.Moments[0]
	// The second half of the turn at another pulse rate.
	random := rand.New(rand.NewPCG(1, 1))
	for k := range s.Radials {
		if az := float64(s.Radials[k].AzimuthDeg); az > 180 {
			s.Radials[k].NyquistVelocityMPerS = 17
			raw := m.Rows[k].Raw
			for g := range m.Gates {
				if grid.StateOf(m.At(k, g)) == grid.Measured {
					word := math.Round((fold(scan.wind.radial(az, 2.5, m.GateRangeM(g))+random.NormFloat64(), 17) + 300) / 0.01)
					raw[2*g], raw[2*g+1] = byte(int(word)>>8), byte(int(word))
				}
			}
		}
	}
	right := func(u *Velocities) (wrong, doubtful, measured int) {
		for k := range s.Radials {
			for g := range u.Gates {
				at := k*u.Gates + g
				if u.State[at] == NoVelocity {
					continue
				}
				measured++
				if u.State[at] == Doubtful {
					doubtful++
				}
				if math.Abs(float64(u.MPerS[at])-scan.wind.radial(float64(s.Radials[k].AzimuthDeg), 2.5, m.GateRangeM(g))) > 7 {
					wrong++
				}
			}
		}
		return
	}
	u, err := Dealias(s, DealiasOptions{Reference: FirstGuess(v, VADOptions{MaxRangeM: 80e3}), AntennaAltitudeM: v.Antenna.AltitudeM})
	if err != nil {
		t.Fatal(err)
	}
	if wrong, doubtful, measured := right(u); wrong > 0 || doubtful > measured/100 || u.Measured != measured || u.Changed < measured/3 || u.Doubtful != doubtful {
		t.Errorf("%d of %d gates wrong, %d doubtful (%d said), %d changed", wrong, measured, doubtful, u.Doubtful, u.Changed)
	}
	again, _ := Dealias(s, DealiasOptions{Reference: FirstGuess(v, VADOptions{MaxRangeM: 80e3}), AntennaAltitudeM: v.Antenna.AltitudeM})
	if !reflect.DeepEqual(u.Folds, again.Folds) {
		t.Error("a second run differs")
	}
	// Without a reference nothing is sure.
	alone, err := Dealias(s, DealiasOptions{})
	if err != nil || alone.Doubtful != alone.Measured {
		t.Errorf("without a reference %d of %d doubtful, %v", alone.Doubtful, alone.Measured, err)
	}
	// A reference of the opposite wind leaves doubt where all hangs together.
	scan.holes = nil
	against, err := Dealias(scan.volume().Sweeps[0], DealiasOptions{Reference: func(float64) (float64, float64, bool) { return -22, -20, true }})
	if err != nil || against.Doubtful < against.Measured/2 {
		t.Errorf("against a wrong reference only %d of %d doubtful, %v", against.Doubtful, against.Measured, err)
	}
	// Without a Nyquist velocity nothing is touched.
	for k := range s.Radials {
		s.Radials[k].NyquistVelocityMPerS = 0
	}
	s.NyquistVelocityMPerS = math.NaN()
	asIs, err := Dealias(s, DealiasOptions{})
	if err != nil || asIs.NyquistKnown || asIs.Changed != 0 || asIs.Measured == 0 {
		t.Errorf("Nyquist unknown: %+v, %v", asIs.NyquistKnown, err)
	}
}

// A vortex keeps velocities that the reference alone would fold wrongly: what
// hangs together goes together.
func TestDealiasKeepsLocalStrongWind(t *testing.T) {
	scan := velocityScan{wind: inventedWind{east: 10}, elevations: []float64{1.5}, nyquist: []float64{16}, seed: 2}
	jet := func(az, r float64) float64 { // up to 25 m/s more, over 10 km and 30 degrees
		return 25 * math.Exp(-math.Pow((az-90)/12, 2)-math.Pow((r-40e3)/6e3, 2))
	}
	truth := func(az, r float64) float64 { return scan.wind.radial(az, 1.5, r) + jet(az, r) }
	cut := inventedCut{elevationDeg: 1.5, spacingDeg: 1, gateM: 250, reachM: 60e3, moment: grid.MomentVelocity,
		gate: func(az, _, r float64) float64 { return fold(truth(az, r), 16) }}
	v := inventedVolume(cut)
	s := v.Sweeps[0]
	s.NyquistVelocityMPerS = 16
	u, err := Dealias(s, DealiasOptions{Reference: FirstGuess(v, VADOptions{}), AntennaAltitudeM: v.Antenna.AltitudeM})
	if err != nil {
		t.Fatal(err)
	}
	fastest, wrong := float32(0), 0
	for k := range s.Radials {
		for g := range u.Gates {
			value := u.MPerS[k*u.Gates+g]
			fastest = max(fastest, value)
			if math.Abs(float64(value)-truth(float64(s.Radials[k].AzimuthDeg), u.Moment.GateRangeM(g))) > 0.1 {
				wrong++
			}
		}
	}
	if wrong > 0 || fastest < 34 {
		t.Errorf("%d gates wrong, fastest %.1f m/s, want 35", wrong, fastest)
	}
}

func TestWindProfileCompare(t *testing.T) {
	p, err := VAD(velocityScan{wind: inventedWind{east: 20}, elevations: []float64{2.5, 6}, nyquist: []float64{12}, noiseMPerS: 0.5, seed: 6}.volume(), VADOptions{})
	if err != nil || len(p.Levels) == 0 {
		t.Fatal(err, len(p.Levels))
	}
	low, high := grid.MissingLevel(), grid.MissingLevel()
	low.AltitudeM, low.EastwardMPerS, low.NorthwardMPerS = 1000, 20, 0
	high.AltitudeM, high.EastwardMPerS, high.NorthwardMPerS = 4000, 20, 30
	differences := p.Compare(grid.Column{Levels: []grid.ColumnLevel{low, high}})
	if len(differences) == 0 || len(differences) == len(p.Levels) {
		t.Fatalf("%d of %d levels compared", len(differences), len(p.Levels))
	}
	for _, d := range differences {
		north := (d.Radar.AltitudeM - 1000) / 100
		// The column backs... a wind from 270 degrees against one with a southerly part.
		turn := math.Atan2(north, 20) / radPerDeg
		if math.Abs(d.NorthwardMPerS+north) > 0.5 || math.Abs(d.EastwardMPerS) > 0.5 || math.Abs(d.VectorMPerS-north) > 0.5 || math.Abs(d.TurnDeg-turn) > 2 {
			t.Errorf("%.0f m: %+v, want %g m/s and a turn of %g degrees", d.Radar.AltitudeM, d, -north, turn)
		}
	}
	if d := (WindLevel{EastwardMPerS: 10}).DirectionDeg(); d != 270 {
		t.Errorf("a westerly comes from %g", d)
	}
	if d := (WindLevel{NorthwardMPerS: -10}).DirectionDeg(); d != 0 {
		t.Errorf("a northerly comes from %g", d)
	}
}

func TestVADOddVolumes(t *testing.T) {
	for name, v := range oddVolumes() {
		p, err := VAD(v, VADOptions{})
		if (err != nil) != (name == "no place" || name == "nil") {
			t.Errorf("%s: %v", name, err)
		}
		if len(p.Levels) > 0 {
			t.Errorf("%s: %d levels", name, len(p.Levels))
		}
	}
	if _, err := Dealias(nil, DealiasOptions{}); err == nil {
		t.Error("no sweep: no error")
	}
}

// FuzzWind damages an invented volume: nothing may panic, and what comes out is
// finite.
func FuzzWind(f *testing.F) {
	f.Add(uint64(1), 12.0, 0.5, 1.0, 250.0, 0)
	f.Add(uint64(2), 0.0, -1.0, 90.0, 1e-9, 3)
	f.Add(uint64(3), math.Inf(1), math.NaN(), 0.0, math.NaN(), 7)
	f.Fuzz(func(t *testing.T, seed uint64, nyquist, elevation, spacing, gateM float64, odd int) {
		random := rand.New(rand.NewPCG(seed, 0))
		n, gates := random.IntN(40), random.IntN(200)
		m := &grid.Moment{Name: grid.MomentVelocity, FirstGateM: gateM, GateSpacingM: gateM, Gates: gates}
		s := &grid.Sweep{ElevationDeg: elevation, NyquistVelocityMPerS: nyquist, Moments: []*grid.Moment{m}}
		packing := &grid.Packing{WordBits: []int{8, 16, 32}[random.IntN(3)], Factor: spacing, Addend: nyquist, Missing: grid.NoCode, RangeFolded: 1}
		packing.Float = packing.WordBits == 32 && odd%2 == 0
		for k := range n {
			raw := make([]byte, random.IntN(4*gates+1))
			for g := range raw {
				raw[g] = byte(random.Uint32())
			}
			m.Rows = append(m.Rows, grid.GateRow{Raw: raw, Packing: packing})
			r := grid.Radial{AzimuthDeg: float32(k * 9), SpacingDeg: float32(spacing), ElevationDeg: float32(elevation), NyquistVelocityMPerS: float32(nyquist)}
			if odd%4 == 3 && random.IntN(3) == 0 {
				r.AzimuthDeg = float32(math.NaN())
			}
			s.Radials = append(s.Radials, r)
		}
		v := &grid.Volume{Antenna: inventedAntenna, BeamwidthDeg: spacing, Sweeps: []*grid.Sweep{s}}
		p, err := VAD(v, VADOptions{MinGates: 1, MinCoverage: 0.01, MaxGapDeg: 359, MaxRangeM: 1e5})
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range p.Levels {
			if !isFinite(l.AltitudeM, l.EastwardMPerS, l.NorthwardMPerS, l.ResidualMPerS) {
				t.Errorf("%+v", l)
			}
		}
		for _, surface := range []Surface{ConstantAltitude(2000), Composite(), LowestBeam()} {
			if _, err := GridVolume(v, grid.MomentVelocity, surface, planeForFuzz, nil); err != nil {
				t.Fatal(err)
			}
		}
	})
}

func BenchmarkDealias(b *testing.B) {
	v := velocityScan{wind: inventedWind{east: 30, north: 10}, elevations: []float64{0.5}, nyquist: []float64{12}, noiseMPerS: 2, reachM: 300e3, seed: 1, holes: scattered}.volume()
	o := DealiasOptions{Reference: FirstGuess(v, VADOptions{}), AntennaAltitudeM: v.Antenna.AltitudeM}
	for b.Loop() {
		if _, err := Dealias(v.Sweeps[0], o); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkVAD(b *testing.B) {
	v := velocityScan{wind: inventedWind{east: 30, north: 10}, elevations: []float64{0.5, 0.9, 1.3, 1.8, 2.4, 3.1, 4, 5.1, 6.4, 8, 10, 12.5, 15.6, 19.5}, nyquist: []float64{12}, noiseMPerS: 2, reachM: 300e3, seed: 1}.volume()
	for b.Loop() {
		if _, err := VAD(v, VADOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
