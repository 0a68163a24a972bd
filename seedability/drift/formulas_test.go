package drift

import (
	"math"
	"testing"
)

func TestDispersionFormulas(t *testing.T) {
	for _, test := range []struct {
		distanceM, acrossM, verticalM float64
	}{{1000, 76.3, 37.9}, {5000, 326.6, 102.9}, {10000, 565.7, 150.0}} {
		across, vertical := SigmaM('D', test.distanceM)
		near(t, "sigma y, D", across, test.acrossM, 0.1, "Briggs (1973), rural, by hand")
		near(t, "sigma z, D", vertical, test.verticalM, 0.1, "Briggs (1973), rural, by hand")
	}
	// At 1 km, from the formulas by hand.
	for class, want := range map[StabilityClass][2]float64{
		'A': {209.76, 200}, 'B': {152.55, 120}, 'C': {104.88, 73.03}, 'E': {57.21, 23.08}, 'F': {38.14, 12.31},
	} {
		across, vertical := SigmaM(class, 1000)
		near(t, "sigma y "+string(class), across, want[0], 0.01, "Briggs (1973), rural, by hand")
		near(t, "sigma z "+string(class), vertical, want[1], 0.01, "Briggs (1973), rural, by hand")
	}
	if across, _ := SigmaM('G', 1000); !math.IsNaN(across) {
		t.Error("class G exists")
	}
	near(t, "Pasquill-Gifford D, 1 km", PasquillGiffordVerticalM('D', 1000), 32.1, 0.1, "table 19-5 of an air-pollution textbook")
	near(t, "Pasquill-Gifford D, 3 km", PasquillGiffordVerticalM('D', 3000), 65.1, 0.1, "table 19-5 of an air-pollution textbook")
	if !math.IsNaN(PasquillGiffordVerticalM('D', 3001)) {
		t.Error("extrapolated")
	}
	near(t, "full angle", PlumeFullAngleDeg(nauticalMileM, 3*nauticalMileM), 18.9, 0.1, "1 nautical mile wide at 3, Park Range tracer flights 1967")
}

func TestFallFormulas(t *testing.T) {
	for kind, want := range map[Hydrometeor]float64{
		LumpGraupel: 2.05, HexagonalGraupel: 1.63, DendriteAggregate: 0.89, RimedAggregate: 0.95, RimedDendrite: 0.78,
	} {
		near(t, "fall speed at 2 mm", FallSpeedMPerS(kind, 0.002), want, 0.01, "Locatelli and Hobbs (1974), table 1")
	}
	if FallSpeedMPerS(LumpGraupel, 0.02) != FallSpeedMPerS(LumpGraupel, 0.003) || FallSpeedMPerS(DendriteAggregate, 0) != FallSpeedMPerS(DendriteAggregate, 0.002) {
		t.Error("used beyond the sizes that were measured")
	}
	if !math.IsNaN(FallSpeedMPerS(99, 0.002)) {
		t.Error("unknown kind falls")
	}
	near(t, "density factor", FallSpeedDensityFactor(0.909), 1.127, 0.001, "(1.225/0.909)^0.4 by hand")
	for density := 0.25; density < 1.4; density += 0.0137 {
		near(t, "tabulated density factor", densityFactor(density), FallSpeedDensityFactor(density), 3e-4, "the formula that is tabulated")
	}
	ramp := newFall(1200, 1)
	// 20 min of growth to 1 m/s: 120 m at the start's speed, 540 m more; then 1 m/s.
	near(t, "fallen while growing", ramp.after(1200), 660, 1e-9, "integral of a linear ramp by hand")
	near(t, "fallen half way", ramp.after(600), 60+0.9*600*600/2400, 1e-9, "integral of a linear ramp by hand")
	near(t, "fallen later", ramp.after(1300), 760, 1e-9, "terminal velocity")
	near(t, "fallen before birth", ramp.after(-5), 0, 0, "not born")
}

func TestNucleationDelay(t *testing.T) {
	near(t, "delay at -8.5 °C", NucleationDelay(273.15-8.5).Minutes(), 3.6, 0.05, "measured, J. Appl. Meteor. 3, 788 (1964)")
	near(t, "delay at -15.5 °C", NucleationDelay(273.15-15.5).Minutes(), 1.4, 0.05, "measured, J. Appl. Meteor. 3, 788 (1964)")
}

func TestPlumeRise(t *testing.T) {
	// 3 kW, F = 9.80665 x 3000/(pi x 1005.7 x rho T) with rho T = 273.9 kg K m-3
	// gives 0.034 m4 s-3; U = 5, N = 0.01.
	near(t, "rise", PlumeRiseM(3000, 5, 1e-4, 273.9/270, 270), 10.6, 0.1, "Briggs (1969), stable, by hand")
}

func TestTriangular(t *testing.T) {
	for _, c := range []struct{ p, want float64 }{{0, 8}, {12.0 / 22, 20}, {1, 30}, {0.25, 8 + math.Sqrt(0.25*22*12)}} {
		near(t, "triangular quantile", triangular(c.p, 8, 20, 30), c.want, 1e-9, "inverse of the distribution function")
	}
}
