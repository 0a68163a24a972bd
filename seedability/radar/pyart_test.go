package radar

import (
	"context"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/level2"
	"rimeline/ingest/testfiles"
)

// goldenRows reads a table of testdata/radar, made by Py-ART.
func goldenRows(t *testing.T, name string) [][]string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "radar", name))
	if err != nil {
		t.Fatal(err)
	}
	var rows [][]string
	for line := range strings.Lines(string(b)) {
		rows = append(rows, strings.Split(strings.TrimSpace(line), "\t"))
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	value, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return value
}

// realVolumes decodes each file once.
type realVolumes map[string]*grid.Volume

func (r realVolumes) get(t *testing.T, name string) *grid.Volume {
	t.Helper()
	if r[name] == nil {
		v, err := level2.Decode(context.Background(), name, testfiles.Read(t, "level2/"+name), level2.Options{})
		if v == nil {
			t.Fatal(err)
		}
		r[name] = v
	}
	return r[name]
}

// The unfolding of real sweeps agrees with Py-ART 2.3.0 wherever its two methods
// (region based, phase unwrapping) agree with each other.
func TestDealiasAgainstPyART(t *testing.T) {
	volumes := realVolumes{}
	type key struct {
		file  string
		sweep int
	}
	type count struct{ gates, same, folded, foldedSame int }
	counts := map[key]*count{}
	unfolded := map[key]*Velocities{}
	var order []key
	for _, row := range goldenRows(t, "folds.tsv") {
		k := key{row[0], int(number(t, row[1]))}
		u := unfolded[k]
		if u == nil {
			v := volumes.get(t, k.file)
			var err error
			u, err = Dealias(v.Sweeps[k.sweep], DealiasOptions{Reference: FirstGuess(v, VADOptions{MaxRangeM: 150e3}), AntennaAltitudeM: v.Antenna.AltitudeM})
			if err != nil {
				t.Fatal(err)
			}
			unfolded[k], counts[k] = u, &count{}
			order = append(order, k)
			t.Logf("%v: %d gates, %d changed, %d doubtful", k, u.Measured, u.Changed, u.Doubtful)
		}
		c, radial, gate := counts[k], int(number(t, row[2])), 0
		for _, run := range strings.Fields(row[3]) {
			fold, length, _ := strings.Cut(run, "x")
			n := int(number(t, length))
			if fold != "-" {
				for g := gate; g < gate+n; g++ {
					at := radial*u.Gates + g
					if u.State[at] == NoVelocity {
						t.Fatalf("%v: radial %d, gate %d has no velocity", k, radial, g)
					}
					want := int(number(t, fold))
					c.gates++
					same := int(u.Folds[at]) == want
					if same {
						c.same++
					}
					if want != 0 {
						c.folded++
						if same {
							c.foldedSame++
						}
					}
				}
			}
			gate += n
		}
	}
	var all count
	for _, k := range order {
		c := counts[k]
		t.Logf("%v: %d of %d the same (%.2f %%), of %d folded ones %d", k, c.same, c.gates, 100*float64(c.same)/float64(c.gates), c.folded, c.foldedSame)
		// The rest is noise near the radar, and what Py-ART, which has no reference
		// here, turns by a whole fold.
		if float64(c.same) < 0.97*float64(c.gates) {
			t.Errorf("%v: only %d of %d gates the same, want 97 %%", k, c.same, c.gates)
		}
		all.gates, all.same = all.gates+c.gates, all.same+c.same
		all.folded, all.foldedSame = all.folded+c.folded, all.foldedSame+c.foldedSame
	}
	if float64(all.same) < 0.995*float64(all.gates) || float64(all.foldedSame) < 0.97*float64(all.folded) {
		t.Errorf("%+v: want 99.5 %% of all and 97 %% of the folded gates the same", all)
	}
}

// Real sweeps that hold no folded velocity, folded at 8 and 5 m/s, come back: real
// texture, gaps and clutter with a known answer. One or two gates of a hundred are
// noise of up to 31 m/s in the file, which nothing brings back.
func TestDealiasRealFoldedAgain(t *testing.T) {
	for _, test := range []struct {
		file    string
		sweeps  []int
		nyquist float64
	}{
		{"KTLX20100501_000444_V03.gz", []int{3, 4, 5}, 8},
		{"KLBB20160601_150025_V06", []int{5, 6, 9}, 5},
	} {
		v := realVolumes{}.get(t, test.file)
		folded := &grid.Volume{Antenna: v.Antenna, Time: v.Time}
		for _, k := range test.sweeps {
			from := v.Sweeps[k]
			m := from.Moment(grid.MomentVelocity)
			s := &grid.Sweep{ElevationDeg: from.ElevationDeg, Start: from.Start, NyquistVelocityMPerS: test.nyquist, Radials: slices.Clone(from.Radials)}
			packing := &grid.Packing{WordBits: 32, Float: true, Factor: 1, BelowThreshold: grid.NoCode, RangeFolded: grid.NoCode, Missing: grid.NoCode}
			to := &grid.Moment{Name: grid.MomentVelocity, FirstGateM: m.FirstGateM, GateSpacingM: m.GateSpacingM, Gates: m.Gates}
			for r := range s.Radials {
				s.Radials[r].NyquistVelocityMPerS = float32(test.nyquist)
				raw := make([]byte, 4*m.Gates)
				for g, value := range m.Row(r, nil) {
					binary.BigEndian.PutUint32(raw[4*g:], math.Float32bits(float32(fold(float64(value), test.nyquist))))
				}
				to.Rows = append(to.Rows, grid.GateRow{Raw: raw, Packing: packing})
			}
			s.Moments = []*grid.Moment{to}
			folded.Sweeps = append(folded.Sweeps, s)
		}
		reference := FirstGuess(folded, VADOptions{MaxRangeM: 150e3})
		for k, s := range folded.Sweeps {
			u, err := Dealias(s, DealiasOptions{Reference: reference, AntennaAltitudeM: v.Antenna.AltitudeM, MaxRangeM: 100e3})
			if err != nil {
				t.Fatal(err)
			}
			m := v.Sweeps[test.sweeps[k]].Moment(grid.MomentVelocity)
			gates, wrong, sureWrong := 0, 0, 0
			for r := range s.Radials {
				for g, want := range m.Row(r, nil)[:u.Gates] {
					if at := r*u.Gates + g; want == want {
						gates++
						if math.Abs(float64(u.MPerS[at]-want)) > 0.1 {
							wrong++
							if u.State[at] == Unfolded {
								sureWrong++
							}
						}
					}
				}
			}
			t.Logf("%s, sweep %d: %d of %d gates wrong, %d of them not marked doubtful; %d doubtful", test.file, test.sweeps[k], wrong, gates, sureWrong, u.Doubtful)
			if u.Changed < gates/20 || float64(wrong) > 0.03*float64(gates) || float64(sureWrong) > 0.02*float64(gates) {
				t.Errorf("%s, sweep %d: %d changed; want at most 3 %% wrong, 2 %% unmarked", test.file, test.sweeps[k], u.Changed)
			}
		}
	}
}

// The winds of real sweeps agree with Py-ART 2.3.0's vad_browning over the same
// gates where these go all around (85 % of the rays; its mean is that of the rays
// that are there), and with a robust fit by SciPy everywhere.
func TestVADAgainstPyART(t *testing.T) {
	volumes := realVolumes{}
	fits := map[string][]WindLevel{}
	o := VADOptions{}.withDefaults()
	fullCompared, fullSum, compared, sum := 0, 0.0, 0, 0.0
	for _, row := range goldenRows(t, "vad.tsv") {
		v := volumes.get(t, row[0])
		name := row[0] + " " + row[1]
		index := int(number(t, row[1]))
		if _, have := fits[name]; !have {
			u, err := Dealias(v.Sweeps[index], DealiasOptions{Reference: FirstGuess(v, o), AntennaAltitudeM: v.Antenna.AltitudeM, MaxRangeM: o.MaxRangeM})
			if err != nil {
				t.Fatal(err)
			}
			fits[name] = vadOfSweep(index, u, v.Antenna.AltitudeM, o)
		}
		height, full := number(t, row[2]), number(t, row[5]) >= 0.85*number(t, row[6])
		for _, l := range fits[name] {
			if levelIndex(l.AltitudeM-v.Antenna.AltitudeM, o.StepM) != int(height/o.StepM) {
				continue
			}
			off := math.Hypot(l.EastwardMPerS-number(t, row[3]), l.NorthwardMPerS-number(t, row[4]))
			offRobust := math.Hypot(l.EastwardMPerS-number(t, row[7]), l.NorthwardMPerS-number(t, row[8]))
			if l.Refused != "" {
				continue
			}
			compared, sum = compared+1, sum+offRobust*offRobust
			if !full {
				continue
			}
			fullCompared, fullSum = fullCompared+1, fullSum+off*off
			// Near the radar Py-ART fits the clutter too, up to 1.8 m/s off.
			if off > 2 || offRobust > 1 {
				t.Errorf("%s, %.0f m: %.2f, %.2f m/s, %.2f m/s from Py-ART's and %.2f from SciPy's %v", name, height, l.EastwardMPerS, l.NorthwardMPerS, off, offRobust, row[3:])
			}
		}
	}
	rms, rmsFull := math.Sqrt(sum/float64(compared)), math.Sqrt(fullSum/float64(fullCompared))
	t.Logf("full circles against Py-ART: %d levels, root mean square %.2f m/s; all levels against SciPy: %d, %.2f m/s", fullCompared, rmsFull, compared, rms)
	if fullCompared < 40 || compared < 120 || rmsFull > 0.7 || rms > 1 {
		t.Error("want 40 levels within 0.7 m/s and 120 within 1 m/s")
	}
}
