// Package mosaic reads radar mosaics of the Multi-Radar/Multi-Sensor System
// (MRMS) of the United States: GRIB2 of discipline 209, after the decoder of
// package grib.
//
// In those files some values are no measurements but codes, others for each
// product: "missing", which for what is made of reflectivity means that the
// radars looked and there was nothing, and "no coverage", where no radar looks
// (NSSL, Operational MRMS GRIB2 Tables, version 12.1, columns Missing and No
// Coverage). The two are kept apart here, in the states that gates of a radar
// volume have: no coverage never becomes no echo.
package mosaic

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
)

// Quantity is what a product measures.
type Quantity uint8

// The quantities, and the unit of a Mosaic's values.
const (
	CompositeReflectivity      Quantity = iota + 1 // largest in the column, dBZ
	BaseReflectivity                               // lowest beam, dBZ
	SeamlessHybridReflectivity                     // lowest usable beam with the vertical profile corrected, dBZ
	IsothermalReflectivity                         // at Product.IsothermC, dBZ
	ReflectivityAtAltitude                         // at the field's level, dBZ
	CorrelationCoefficient                         // at the field's level, 1
	DifferentialReflectivity                       // at the field's level, dB
	PrecipitationRate                              // mm/h
	PrecipitationType                              // PrecipitationClass
	PrecipitationAccumulation                      // over Product.Duration, mm
	EchoTop                                        // of Product.ThresholdDBZ, m above sea level
	VerticallyIntegratedLiquid                     // kg m-2
	VerticallyIntegratedIce                        // kg m-2
	BrightBandTop                                  // m above ground
	BrightBandBottom                               // m above ground
	FreezingLevel                                  // of the model, m above sea level
	CompositeHeight                                // of the composite's maximum, m above sea level
	RadarQuality                                   // 0 to 1
	quantities
)

var quantityNames = [quantities]string{
	CompositeReflectivity: "composite reflectivity", BaseReflectivity: "base reflectivity",
	SeamlessHybridReflectivity: "seamless hybrid scan reflectivity", IsothermalReflectivity: "reflectivity at an isotherm",
	ReflectivityAtAltitude: "reflectivity at an altitude", CorrelationCoefficient: "correlation coefficient",
	DifferentialReflectivity: "differential reflectivity", PrecipitationRate: "precipitation rate",
	PrecipitationType: "precipitation type", PrecipitationAccumulation: "precipitation accumulation",
	EchoTop: "echo top", VerticallyIntegratedLiquid: "vertically integrated liquid",
	VerticallyIntegratedIce: "vertically integrated ice", BrightBandTop: "bright band top",
	BrightBandBottom: "bright band bottom", FreezingLevel: "freezing level", CompositeHeight: "height of the composite",
	RadarQuality: "radar quality index",
}

func (q Quantity) String() string {
	if q < quantities && quantityNames[q] != "" {
		return quantityNames[q]
	}
	return "quantity " + strconv.Itoa(int(q))
}

// Product is one row of the MRMS tables.
type Product struct {
	// Parameter is discipline.category.number as in grid.Field.
	Parameter string
	// Name is that of the tables and files.
	Name     string
	Quantity Quantity
	// Units of a Mosaic's values, which are SI but for mm, mm/h and dBZ.
	Units string
	// IsothermC and ThresholdDBZ are NaN where the product has none.
	IsothermC, ThresholdDBZ float64
	// Duration of an accumulation, else 0.
	Duration time.Duration

	scale               float64 // file unit to Units
	missing, noCoverage float32
	// missingIs is what the code "missing" tells.
	missingIs grid.GateState
}

// The codes come in two pairs.
const (
	codesOfReflectivity = iota // -99 and -999
	codesOfOthers              // -1 and -3
)

func product(number string, q Quantity, name, units string, scale float64, codes int, missingIs grid.GateState) Product {
	p := Product{
		Parameter: "209." + number, Name: name, Quantity: q, Units: units,
		IsothermC: math.NaN(), ThresholdDBZ: math.NaN(),
		scale: scale, missing: -99, noCoverage: -999, missingIs: missingIs,
	}
	if codes == codesOfOthers {
		p.missing, p.noCoverage = -1, -3
	}
	return p
}

func (p Product) isotherm(c float64) Product       { p.IsothermC = c; return p }
func (p Product) threshold(dbz float64) Product    { p.ThresholdDBZ = dbz; return p }
func (p Product) duration(d time.Duration) Product { p.Duration = d; return p }
func echo(number string, q Quantity, n string) Product {
	return product(number, q, n, "dBZ", 1, codesOfReflectivity, grid.BelowThreshold)
}

// products is every product read here. "Missing" of what is made of echoes is no
// echo; of the others (rates, accumulations, heights found by searching a
// profile) it is no answer.
var products = append([]Product{
	echo("3.52", IsothermalReflectivity, "Reflectivity_0C").isotherm(0),
	echo("3.53", IsothermalReflectivity, "Reflectivity_-5C").isotherm(-5),
	echo("3.54", IsothermalReflectivity, "Reflectivity_-10C").isotherm(-10),
	echo("3.55", IsothermalReflectivity, "Reflectivity_-15C").isotherm(-15),
	echo("3.56", IsothermalReflectivity, "Reflectivity_-20C").isotherm(-20),
	echo("3.57", BaseReflectivity, "ReflectivityAtLowestAltitude"),
	echo("3.58", BaseReflectivity, "MergedReflectivityAtLowestAltitude"),
	echo("8.8", SeamlessHybridReflectivity, "SeamlessHSR"),
	echo("9.0", ReflectivityAtAltitude, "MergedReflectivityQC"),
	echo("9.1", ReflectivityAtAltitude, "CONUSPlusMergedReflectivityQC"),
	echo("10.0", CompositeReflectivity, "MergedReflectivityQCComposite"),
	echo("11.0", BaseReflectivity, "MergedBaseReflectivityQC"),
	echo("11.1", CompositeReflectivity, "MergedReflectivityComposite"),
	echo("11.2", CompositeReflectivity, "MergedReflectivityQComposite"),
	echo("11.3", BaseReflectivity, "MergedBaseReflectivity"),
	product("9.3", CorrelationCoefficient, "MergedRhoHV", "1", 1, codesOfReflectivity, grid.BelowThreshold),
	product("9.4", DifferentialReflectivity, "MergedZdr", "dB", 1, codesOfReflectivity, grid.BelowThreshold),
	product("3.41", VerticallyIntegratedLiquid, "VIL", "kg m-2", 1, codesOfOthers, grid.BelowThreshold),
	product("3.43", VerticallyIntegratedIce, "VII", "kg m-2", 1, codesOfOthers, grid.BelowThreshold),
	product("3.44", EchoTop, "EchoTop_18", "m", 1000, codesOfOthers, grid.BelowThreshold).threshold(18),
	product("3.45", EchoTop, "EchoTop_30", "m", 1000, codesOfOthers, grid.BelowThreshold).threshold(30),
	product("3.46", EchoTop, "EchoTop_50", "m", 1000, codesOfOthers, grid.BelowThreshold).threshold(50),
	product("3.47", EchoTop, "EchoTop_60", "m", 1000, codesOfOthers, grid.BelowThreshold).threshold(60),
	product("10.1", CompositeHeight, "HeightCompositeReflectivity", "m", 1, codesOfOthers, grid.BelowThreshold),
	product("6.0", PrecipitationType, "PrecipFlag", "1", 1, codesOfOthers, grid.NotCovered),
	product("6.1", PrecipitationRate, "PrecipRate", "mm h-1", 1, codesOfOthers, grid.NotCovered),
	product("6.45", PrecipitationAccumulation, "RadarOnly_QPE_15M", "mm", 1, codesOfOthers, grid.NotCovered).duration(15 * time.Minute),
	product("7.3", FreezingLevel, "Model_0degC_Height", "m", 1, codesOfOthers, grid.NotCovered),
	product("7.4", BrightBandTop, "BrightBandTopHeight", "m", 1, codesOfOthers, grid.NotCovered),
	product("7.5", BrightBandBottom, "BrightBandBottomHeight", "m", 1, codesOfOthers, grid.NotCovered),
	product("8.0", RadarQuality, "RadarQualityIndex", "1", 1, codesOfOthers, grid.NotCovered),
}, accumulations()...)

// accumulations come in families over the same durations. The gauge corrected
// and gauge only families end with MRMS version 11.
func accumulations() []Product {
	var all []Product
	for _, family := range []struct {
		number int
		name   string
	}{
		{2, "RadarOnly_QPE_%02dH"}, {9, "GaugeCorrQPE%02dH"}, {16, "GaugeOnlyQPE%02dH"}, {23, "MountainMapperQPE%02dH"},
		{30, "MultiSensor_QPE_%02dH_Pass1"}, {37, "MultiSensor_QPE_%02dH_Pass2"},
	} {
		for k, hours := range []int{1, 3, 6, 12, 24, 48, 72} {
			all = append(all, product("6."+strconv.Itoa(family.number+k), PrecipitationAccumulation, fmt.Sprintf(family.name, hours),
				"mm", 1, codesOfOthers, grid.NotCovered).duration(time.Duration(hours)*time.Hour))
		}
	}
	return all
}

var byParameter = func() map[string]Product {
	m := make(map[string]Product, len(products))
	for _, p := range products {
		m[p.Parameter] = p
	}
	return m
}()

// Products lists every product that is read.
func Products() []Product { return append([]Product(nil), products...) }

// IsMosaic tells whether a field is a product of MRMS, read here or not.
func IsMosaic(header *grid.Field) bool { return strings.HasPrefix(header.Parameter, "209.") }

// ProductOf finds the product of a field by its parameter number; false for
// those that are not read.
func ProductOf(header *grid.Field) (Product, bool) {
	p, ok := byParameter[header.Parameter]
	return p, ok
}

// PrecipitationClass is the surface precipitation type.
type PrecipitationClass uint8

// The classes of PrecipFlag (NSSL, MRMS flag table; the classes are described in
// the NWS Warning Decision Training Division's products guide, "Surface
// Precipitation Type").
const (
	NoPrecipitation       PrecipitationClass = 0
	WarmStratiformRain    PrecipitationClass = 1
	Snow                  PrecipitationClass = 3
	ConvectiveRain        PrecipitationClass = 6
	RainWithHail          PrecipitationClass = 7
	CoolStratiformRain    PrecipitationClass = 10
	TropicalStratiformMix PrecipitationClass = 91
	TropicalConvectiveMix PrecipitationClass = 96
)

func (c PrecipitationClass) String() string {
	switch c {
	case NoPrecipitation:
		return "no precipitation"
	case WarmStratiformRain:
		return "warm stratiform rain"
	case Snow:
		return "snow"
	case ConvectiveRain:
		return "convective rain"
	case RainWithHail:
		return "rain mixed with hail"
	case CoolStratiformRain:
		return "cool stratiform rain"
	case TropicalStratiformMix:
		return "tropical/stratiform rain mix"
	case TropicalConvectiveMix:
		return "tropical/convective rain mix"
	}
	return "precipitation class " + strconv.Itoa(int(c))
}
