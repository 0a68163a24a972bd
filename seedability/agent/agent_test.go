package agent

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"rimeline/seedability/thermo"
)

// check is one value with the place that it comes from.
type check struct {
	what           string
	got, want, tol float64
	source         string
}

func verify(t *testing.T, checks []check) {
	t.Helper()
	for _, c := range checks {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s: got %.6g, want %.6g within %.2g (%s)", c.what, c.got, c.want, c.tol, c.source)
		}
	}
}

func kelvin(celsius float64) float64 { return celsius + 273.15 }

// iceSaturation is the saturation ratio over ice in a cloud of droplets.
func iceSaturation(celsius float64) float64 {
	return thermo.SaturationVapourPressureWaterPa(kelvin(celsius)) / thermo.SaturationVapourPressureIcePa(kelvin(celsius))
}

func TestYieldTables(t *testing.T) {
	generator, flare, contact := AcetoneGenerator(), FastFlareChamber(), ContactField()
	const griffith = "Griffith et al. 1991, as quoted in an ASCE irrigation and drainage paper"
	const logarithmic = "computed from the stated formula: log-linear between the measured points"
	var checks []check
	for _, row := range []struct{ c, generator, flare, contact float64 }{
		{-6, 2e10, 5e13, 1.8e11}, {-8, 3.4e11, 1.2e14, 6.5e12}, {-10, 5.9e12, 2.4e14, 1.8e13},
		{-12, 1e14, 2.8e14, 3.3e13}, {-15, 3.6e14, 2.8e14, 5.7e13}, {-20, 3e15, 2.8e14, 9.0e13},
	} {
		at := fmt.Sprintf(" at %g C", row.c)
		source := logarithmic
		if row.c == -6 || row.c == -12 || row.c == -20 {
			source = griffith
		}
		checks = append(checks,
			check{"generator" + at, generator.CrystalsPerG(kelvin(row.c)), row.generator, 0.01 * row.generator, source},
			check{"flare" + at, flare.CrystalsPerG(kelvin(row.c)), row.flare, 0.1 * row.flare, "value from memory: chamber tests of the 1990s, one digit"},
			check{"contact" + at, contact.CrystalsPerG(kelvin(row.c)), row.contact, 0.01 * row.contact, "computed from the stated formula: contact polynomial"},
			// The table is the polynomial, rounded to two digits; at -6 it is at
			// its threshold and steep.
			check{"contact polynomial" + at, ContactFraction(kelvin(row.c), iceSaturation(row.c)) * ParticlesPerG(0.04e-6, 2), row.contact, 0.03 * row.contact, "computed from the stated formula: Meyers et al. 1995 times particles in a gram"},
		)
	}
	checks = append(checks,
		check{"particles in a gram", ParticlesPerG(0.04e-6, 2), 6.06e14, 0.01 * 6.06e14, "computed from the stated formula: log-normal volume, AgI 5670 kg m-3"},
		check{"flame source", CrystalsPerGOfSource(1e13, 1e-3), 1e16, 1e14, "Vonnegut 1947: 1 mg/s gave 1e13 nuclei a second"},
		check{"warmer than the table", generator.CrystalsPerG(kelvin(-5.9)), 0, 0, "definition"},
		check{"colder than the table", generator.CrystalsPerG(kelvin(-40)), 3e15, 0, "definition"},
		check{"certificate times 0.1", flare.Scaled(0.1).CrystalsPerG(kelvin(-15)), 2.8e13, 1e7, "definition"},
		check{"counted at -20, acting at -6", generator.CrystalsPerG(kelvin(-6)) / generator.CrystalsPerG(kelvin(-20)) * 500, 0.0033, 0.00005, "500 per litre at -20 C are this many at -6 C: " + griffith},
	)
	verify(t, checks)
	for _, y := range []Yield{generator, flare, contact, flare.Scaled(0.1)} {
		if err := y.Validate(); err != nil {
			t.Error(err)
		}
		if y.Evidence == "" {
			t.Errorf("%s: no evidence", y.Name)
		}
		last := 0.0
		for k := kelvin(-3); k > kelvin(-30); k -= 0.1 {
			if n := y.CrystalsPerG(k); n < last {
				t.Errorf("%s: %g at %g K, less than when warmer", y.Name, n, k)
			} else {
				last = n
			}
		}
	}
}

func TestYieldRefusesBadTables(t *testing.T) {
	for _, test := range []struct {
		points []YieldPoint
		want   string
	}{
		{nil, "at least two"},
		{[]YieldPoint{{267, 1e10}}, "at least two"},
		{[]YieldPoint{{267, 1e10}, {267, 1e11}}, "point 2: air temperature 267 K is not below"},
		{[]YieldPoint{{260, 1e10}, {267, 1e11}}, "not below"},
		{[]YieldPoint{{267, 0}, {260, 1e11}}, "point 1: 0 crystals"},
		{[]YieldPoint{{267, 1e10}, {260, math.NaN()}}, "point 2: NaN crystals"},
		{[]YieldPoint{{267, 1e10}, {260, 1e19}}, "point 2"},
		{[]YieldPoint{{-6, 1e10}, {-12, 1e14}}, "outside 200 to 273.15 K"},
		{[]YieldPoint{{math.NaN(), 1e10}, {260, 1e14}}, "outside 200 to 273.15 K"},
	} {
		err := Yield{Name: "t", Points: test.points}.Validate()
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%v: error %v, want one that says %q", test.points, err, test.want)
		}
	}
	if n := (Yield{}).CrystalsPerG(260); !math.IsNaN(n) {
		t.Errorf("empty table: %g, want NaN", n)
	}
	if n := AcetoneGenerator().CrystalsPerG(math.NaN()); !math.IsNaN(n) {
		t.Errorf("no temperature: %g, want NaN", n)
	}
}

func TestNucleation(t *testing.T) {
	const polynomial = "computed from the stated formula: contact polynomial of Meyers et al. 1995, at water saturation"
	const lag = "J. Appl. Meteor. 3, 788 (1964)"
	verify(t, []check{
		{"contact -6", ContactFraction(kelvin(-6), iceSaturation(-6)), 0.0003, 0.00005, polynomial},
		{"contact -8", ContactFraction(kelvin(-8), iceSaturation(-8)), 0.0107, 0.01 * 0.0107, polynomial},
		{"contact -10", ContactFraction(kelvin(-10), iceSaturation(-10)), 0.0305, 0.01 * 0.0305, polynomial},
		{"contact -20", ContactFraction(kelvin(-20), iceSaturation(-20)), 0.149, 0.01 * 0.149, polynomial},
		{"contact, too warm", ContactFraction(269.2, 1.1), 0, 0, "stated range"},
		{"contact, too dry", ContactFraction(260, 1.058), 0, 0, "stated range"},
		{"lag -8.5", NucleationTimeS(kelvin(-8.5)) / 60, 3.6, 0.05, lag},
		{"lag -15.5", NucleationTimeS(kelvin(-15.5)) / 60, 1.4, 0.05, lag},
		{"lag held when warm", NucleationTimeS(kelvin(0)), NucleationTimeS(kelvin(-5)), 0, "definition"},
		{"after one tau", NucleatedFraction(60, 60), 1 - 1/math.E, 1e-15, "definition"},
		{"not yet", NucleatedFraction(0, 60), 0, 0, "definition"},
		{"before cloud", NucleatedFraction(-5, 60), 0, 0, "definition"},
		{"at once", NucleatedFraction(1, 0), 1, 0, "definition"},
		{"a factor of ten", AgeingFraction(8*60, 8*60/math.Ln10), 0.1, 1e-15, "definition"},
		{"no ageing", AgeingFraction(1e6, 0), 1, 0, "definition"},
		{"onset -5", OnsetMembership(kelvin(-5)), 0, 0, "Dennis 1980"},
		{"onset -3", OnsetMembership(kelvin(-3)), 0, 0, "Dennis 1980"},
		{"onset -6", OnsetMembership(kelvin(-6)), 0.3, 1e-12, "common practice, no source"},
		{"onset -7", OnsetMembership(kelvin(-7)), 0.55, 1e-12, "common practice, no source"},
		{"onset -10", OnsetMembership(kelvin(-10)), 1, 1e-12, "common practice, no source"},
		{"onset -25", OnsetMembership(kelvin(-25)), 1, 0, "common practice, no source"},
	})
	for name, got := range map[string]float64{
		"contact": ContactFraction(math.NaN(), 1.1), "contact S": ContactFraction(260, math.NaN()), "lag": NucleationTimeS(math.NaN()),
		"fraction": NucleatedFraction(math.NaN(), 60), "fraction tau": NucleatedFraction(60, math.NaN()), "negative tau": NucleatedFraction(60, -1),
		"ageing": AgeingFraction(60, -1), "onset": OnsetMembership(math.NaN()), "particles": ParticlesPerG(0, 2), "source": CrystalsPerGOfSource(1, 0),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: got %g, want NaN", name, got)
		}
	}
}

func TestNaturalNuclei(t *testing.T) {
	const fletcher = "computed from the stated formula: Fletcher 1962"
	const meyers = "computed from the stated formula: Meyers et al. 1992"
	const deMott = "computed from the stated formula: DeMott et al. 2010"
	verify(t, []check{
		{"Fletcher -10", FletcherNucleiPerLitre(kelvin(-10)), 0.004, 0.0005, fletcher},
		{"Fletcher -20", FletcherNucleiPerLitre(kelvin(-20)), 1.63, 0.01, fletcher},
		{"Fletcher -25", FletcherNucleiPerLitre(kelvin(-25)), 32.7, 0.05, fletcher},
		{"Fletcher held", FletcherNucleiPerLitre(230), FletcherNucleiPerLitre(246), 0, "stated range"},
		{"Fletcher, warm", FletcherNucleiPerLitre(274), 0, 0, "no ice above melting"},
		{"Meyers -10", MeyersNucleiPerLitre(iceSaturation(-10)), 1.98, 0.005 * 1.98, meyers},
		{"Meyers -20", MeyersNucleiPerLitre(iceSaturation(-20)), 8.62, 0.005 * 8.62, meyers},
		{"Meyers held", MeyersNucleiPerLitre(1.6), MeyersNucleiPerLitre(1.25), 0, "stated range"},
		{"Meyers, dry", MeyersNucleiPerLitre(1), 0, 0, "no supersaturation"},
		{"DeMott -10", DeMottNucleiPerLitre(kelvin(-10), 1), 0.127, 0.005 * 0.127, deMott},
		{"DeMott -20", DeMottNucleiPerLitre(kelvin(-20), 1), 1.277, 0.005 * 1.277, deMott},
		{"DeMott, warm", DeMottNucleiPerLitre(274, 1), 0, 0, "no ice above melting"},
		// The exponent of the aerosol: 0.0264 x 20 + 0.0033 = 0.5313.
		{"DeMott, ten times the aerosol", DeMottNucleiPerLitre(kelvin(-20), 10) / DeMottNucleiPerLitre(kelvin(-20), 1), math.Pow(10, 0.5313), 1e-6, deMott},
		{"San Juan -10", SanJuanCrystalsPerLitre(kelvin(-10)), 2.5, 0.005, "computed from the stated formula: Colorado programme document"},
		{"San Juan -20", SanJuanCrystalsPerLitre(kelvin(-20)), 80, 0.05, "computed from the stated formula: Colorado programme document"},
	})
	for name, got := range map[string]float64{
		"Fletcher": FletcherNucleiPerLitre(math.NaN()), "Meyers": MeyersNucleiPerLitre(math.NaN()), "DeMott": DeMottNucleiPerLitre(math.NaN(), 1),
		"DeMott n": DeMottNucleiPerLitre(260, -1), "San Juan warm": SanJuanCrystalsPerLitre(kelvin(-9)), "San Juan cold": SanJuanCrystalsPerLitre(kelvin(-21)),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: got %g, want NaN", name, got)
		}
	}
}

func TestDose(t *testing.T) {
	generator := Plume{ReleaseRateGPerS: 20.0 / 3600, NucleatedFraction: 1, WindSpeedMPerS: 10,
		WidthM: 2 * 10000 * math.Tan(7.5*math.Pi/180), DepthM: 600}
	flare := generator
	flare.ReleaseRateGPerS = 16.2 / 240
	dose := func(p Plume, y Yield, celsius float64) float64 {
		p.CrystalsPerG = y.CrystalsPerG(kelvin(celsius))
		return p.CrystalsPerLitre()
	}
	const source = "computed from the stated formula: 10 km downwind, opening angle 15 degrees"
	verify(t, []check{
		{"generator -12", dose(generator, AcetoneGenerator(), -12), 35.2, 0.05, source},
		{"generator -10", dose(generator, AcetoneGenerator(), -10), 2.06, 0.01, source},
		{"generator -8", dose(generator, AcetoneGenerator(), -8), 0.12, 0.005, source},
		{"generator -6", dose(generator, AcetoneGenerator(), -6), 0.007, 0.0005, source},
		{"flare -8, chamber", dose(flare, FastFlareChamber(), -8), 499, 0.005 * 499, source},
		{"flare -8, field", dose(flare, ContactField(), -8), 28, 0.5, source},
	})
	half := generator
	half.CrystalsPerG, half.NucleatedFraction = 1e14, 0.5
	verify(t, []check{{"half nucleated", half.CrystalsPerLitre(), 35.2 / 2, 0.03, source}})
	for _, p := range []Plume{{}, {1, 1e14, 1, 0, 100, 100}, {1, 1e14, 1, 10, -1, 100}, {1, 1e14, 1, 10, 100, 0}, {-1, 1e14, 1, 10, 100, 100}, {1, math.NaN(), 1, 10, 100, 100}} {
		if n := p.CrystalsPerLitre(); !math.IsNaN(n) {
			t.Errorf("%+v: %g, want NaN", p, n)
		}
	}
	for _, test := range []struct {
		perLitre, cap float64
		class         DoseClass
	}{
		{0, 0.3, DoseTooLittle}, {0.99, 0.3, DoseTooLittle}, {1, 0.7, DoseWeak}, {9.9, 0.7, DoseWeak},
		{10, 1, DoseEnough}, {100, 1, DoseEnough}, {101, 1, DoseTooMuch}, {math.NaN(), 1, DoseUnknown}, {math.Inf(1), 1, DoseTooMuch},
	} {
		if got := JudgeDose(test.perLitre); got.Class != test.class || got.OpportunityCap != test.cap || got.Reason == "" {
			t.Errorf("%g per litre: got %+v, want %s, cap %g (Young 1974: 10 to 100 are needed; caps are a convention)", test.perLitre, got, test.class, test.cap)
		}
	}
}

func TestDepositionGrowth(t *testing.T) {
	const source = "computed from the stated formula: Rogers and Yau 1989, 700 hPa, 1200 s"
	for _, row := range [][2]float64{{-6, 86.2}, {-10, 100.3}, {-15, 105.5}, {-20, 102.1}} {
		crystal := Growing{70000, kelvin(row[0])}
		verify(t, []check{
			{fmt.Sprintf("radius at %g C, micron", row[0]), 1e6 * crystal.SphereRadiusM(1200), row[1], 0.06, source},
			{"twice the radius in four times the time", crystal.SphereRadiusM(4800) / crystal.SphereRadiusM(1200), 2, 1e-12, "theory: r^2 grows linearly"},
		})
	}
	for _, bad := range []float64{Growing{70000, 280}.SphereRadiusM(10), Growing{70000, 260}.SphereRadiusM(-1), Growing{0, 260}.SphereRadiusM(10), Growing{70000, math.NaN()}.SphereRadiusM(10)} {
		if !math.IsNaN(bad) {
			t.Errorf("outside its range: %g, want NaN", bad)
		}
	}
}
