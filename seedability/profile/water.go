package profile

import (
	"fmt"
	"math"

	"rimeline/seedability/liquid"
	"rimeline/seedability/thermo"
)

// Liquid is the supercooled liquid water of the column.
type Liquid struct {
	// Likely and Possible are layers of relative humidity over water of 95 and
	// 90 % between 0 and -25 degrees Celsius, at least 300 m thick; the possible
	// include the likely.
	Likely   []CloudLayer `json:"likely_layers"`
	Possible []CloudLayer `json:"possible_layers"`
	// Estimates of the water path, each by itself.
	Estimates []LiquidEstimate `json:"estimates"`
}

// LiquidEstimate is a supercooled liquid water path; 1 kg m-2 is 1 mm.
type LiquidEstimate struct {
	Method string `json:"method"`
	// Family groups methods that share their weaknesses.
	Family string `json:"family"`
	// AgentKgPerM2 lies between -6 and -18 degrees Celsius,
	// SupercooledKgPerM2 between 0 and -25.
	AgentKgPerM2       Number  `json:"agent_window_kg_per_m2"`
	SupercooledKgPerM2 Number  `json:"supercooled_kg_per_m2"`
	Quality            float64 `json:"quality"`
	Reason             string  `json:"reason"`
}

// Estimate gives the path in the agent's window to liquid.Combine.
func (e LiquidEstimate) Estimate() liquid.Estimate {
	return liquid.Estimate{Method: e.Method, Family: e.Family, KgPerM2: float64(e.AgentKgPerM2), Quality: e.Quality, Reason: e.Reason}
}

// Names of the methods.
const (
	MethodModel             = "model"
	MethodAdiabaticLikely   = "adiabatic-likely"
	MethodAdiabaticPossible = "adiabatic-possible"
)

// Qualities of the methods (design defaults, no source): a model's own
// condensate is better than a cloud guessed from humidity, and a guess from 90 %
// is no more than a hint.
const (
	qualityModel    = 0.7
	qualityLikely   = 0.5
	qualityPossible = 0.25
)

// liquidStepM is the spacing at which adiabatic cloud is sampled. Its content is
// close to linear in height: the error of the path is below 0.1 %.
const liquidStepM = 50.0

func (d *Derived) deriveLiquid(a *ascent) {
	d.Liquid = Liquid{Likely: []CloudLayer{}, Possible: []CloudLayer{}, Estimates: []LiquidEstimate{}}
	if model, ok := a.modelLiquid(); ok {
		d.Liquid.Estimates = append(d.Liquid.Estimates, model)
	}
	if len(a.humidity.values) < 2 {
		d.lacks("supercooled liquid layers", "fewer than two levels with humidity")
		return
	}
	levels := a.liquidLevels()
	d.Liquid.Likely = cloudLayers(liquid.SupercooledLayers(levels, liquid.LikelyHumidity))
	d.Liquid.Possible = cloudLayers(liquid.SupercooledLayers(levels, liquid.PossibleHumidity))
	d.Liquid.Estimates = append(d.Liquid.Estimates,
		a.adiabaticLiquid(MethodAdiabaticLikely, liquid.LikelyHumidity, qualityLikely),
		a.adiabaticLiquid(MethodAdiabaticPossible, liquid.PossibleHumidity, qualityPossible))
}

func (a *ascent) modelLiquid() (LiquidEstimate, bool) {
	var samples []liquid.Sample
	for k := range a.levels {
		if l := &a.levels[k]; !math.IsNaN(l.liquidKgPerKg) {
			air := l.air()
			if math.IsNaN(air.DewPointK) { // dry air: the density is at most 1 % off
				air.DewPointK = 150
			}
			samples = append(samples, liquid.Sample{AltitudeM: l.altitudeM, AirTemperatureK: l.temperatureK,
				LiquidKgPerM3: liquid.ContentKgPerM3(air.DensityKgPerM3(), l.liquidKgPerKg)})
		}
	}
	agent, all := liquid.Integrate(samples, liquid.AgentWindow), liquid.Integrate(samples, liquid.SupercooledWindow)
	if math.IsNaN(all.KgPerM2) {
		return LiquidEstimate{}, false
	}
	estimate := LiquidEstimate{Method: MethodModel, Family: "model", AgentKgPerM2: Number(agent.KgPerM2), SupercooledKgPerM2: Number(all.KgPerM2),
		Quality: qualityModel, Reason: "the model's cloud liquid water"}
	if all.UncoveredM > 0 {
		estimate.Quality /= 2
		estimate.Reason += fmt.Sprintf(", %.0f m of it not covered", all.UncoveredM)
	}
	return estimate, true
}

// adiabaticLiquid reads cloud of droplets off the humidity over water and fills
// each layer of at least 300 m with adiabatic liquid, reduced for entrainment
// and held to what has been observed.
func (a *ascent) adiabaticLiquid(method string, humidity, quality float64) LiquidEstimate {
	estimate := LiquidEstimate{Method: method, Family: "humidity", AgentKgPerM2: 0, SupercooledKgPerM2: 0, Quality: quality}
	logPressure := a.series(func(l *level) float64 { return math.Log(l.pressurePa) })
	layers, held := 0, false
	for _, interval := range liquid.Where(a.humidity.altitudesM, a.humidity.gapM, a.humidity.minus(humidity)) {
		if interval.DepthM() < liquid.ThinnestLiquidM {
			continue
		}
		layers++
		base := liquid.Base{PressurePa: math.Exp(logPressure.at(interval.BaseAltitudeM)), AirTemperatureK: a.temperature.at(interval.BaseAltitudeM)}
		steps := int(math.Ceil(interval.DepthM() / liquidStepM))
		samples, pressuresPa := make([]liquid.Sample, steps+1), make([]float64, steps+1)
		for k := range samples {
			samples[k].AltitudeM = interval.BaseAltitudeM + float64(k)/float64(steps)*interval.DepthM()
			samples[k].AirTemperatureK = a.temperature.at(samples[k].AltitudeM)
			pressuresPa[k] = math.Exp(logPressure.at(samples[k].AltitudeM))
		}
		for k, cloud := range base.Lift(pressuresPa) {
			content := a.options.EntrainmentFactor * cloud.LiquidKgPerM3
			if content > liquid.MaximumContentKgPerM3 {
				content, held = liquid.MaximumContentKgPerM3, true
			}
			samples[k].LiquidKgPerM3 = content
		}
		for window, path := range map[liquid.Window]*Number{liquid.AgentWindow: &estimate.AgentKgPerM2, liquid.SupercooledWindow: &estimate.SupercooledKgPerM2} {
			*path += Number(liquid.Integrate(samples, window).KgPerM2)
		}
	}
	switch {
	case layers == 0:
		estimate.Reason = fmt.Sprintf("no layer of %.0f m with %.0f %% humidity over water", liquid.ThinnestLiquidM, 100*humidity)
	case !estimate.AgentKgPerM2.Known():
		estimate.Quality, estimate.Reason = 0, "the layers lack temperature or pressure"
	default:
		estimate.Reason = fmt.Sprintf("%.0f %% of the adiabatic liquid of %s with %.0f %% humidity over water", 100*a.options.EntrainmentFactor, counted(layers, "layer"), 100*humidity)
		if held {
			estimate.Reason += fmt.Sprintf(", held to %.2f g m-3", 1000*liquid.MaximumContentKgPerM3)
		}
	}
	return estimate
}

// stratification is the state between two levels.
func (l *level) stratification(upper *level) thermo.Stratification {
	return thermo.Stratification{
		PressurePa:               math.Sqrt(l.pressurePa * upper.pressurePa),
		AirTemperatureK:          (l.temperatureK + upper.temperatureK) / 2,
		TemperatureGradientKPerM: (upper.temperatureK - l.temperatureK) / (upper.altitudeM - l.altitudeM),
	}
}

// counted is a number with its noun.
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
