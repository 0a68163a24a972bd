package profile

import (
	"fmt"
	"math"

	"rimeline/seedability/liquid"
	"rimeline/seedability/thermo"
)

// Cloud is what the humidity, and the model's condensate where there is any,
// say of cloud.
type Cloud struct {
	// Analyses are the published humidity rules and the model's condensate, each
	// by itself.
	Analyses []CloudAnalysis `json:"analyses"`
	// Rule names the analysis that the values below are taken from.
	Rule string `json:"rule"`
	// The deck is the lowest cloud that is colder than 0 degrees Celsius through
	// at least 300 m (else the lowest cloud), layers less than 300 m apart
	// counting as one. Cloud whose base is colder than -25 degrees Celsius holds
	// no liquid and is never the deck.
	DeckBaseAltitudeM Number `json:"deck_base_altitude_m"`
	DeckTopAltitudeM  Number `json:"deck_top_altitude_m"`
	// TopTemperatureK is the cloud-top temperature of the deck.
	TopTemperatureK Number `json:"deck_top_air_temperature_k"`
	// ColdDepthM is how much cloud of the deck is colder than 0 degrees Celsius.
	ColdDepthM Number `json:"deck_depth_below_freezing_m"`
	// HighestTopAltitudeM is the top of the highest layer.
	HighestTopAltitudeM    Number `json:"highest_top_altitude_m"`
	HighestTemperatureK    Number `json:"highest_top_air_temperature_k"`
	PlumeEntryAltitudeM    Number `json:"plume_cloud_entry_altitude_m"`
	PlumeEntryTemperatureK Number `json:"plume_cloud_entry_air_temperature_k"`
}

// CloudAnalysis is the cloud that one rule finds.
type CloudAnalysis struct {
	Rule   string       `json:"rule"`
	Source string       `json:"source"`
	Layers []CloudLayer `json:"layers"`
}

// CloudLayer is one layer. MaximumHumidity is relative humidity (1 at
// saturation) as the rule looks at it; missing for model condensate.
type CloudLayer struct {
	BaseAltitudeM    Number `json:"base_altitude_m"`
	TopAltitudeM     Number `json:"top_altitude_m"`
	BaseTemperatureK Number `json:"base_air_temperature_k"`
	TopTemperatureK  Number `json:"top_air_temperature_k"`
	MaximumHumidity  Number `json:"maximum_relative_humidity"`
	OnGround         bool   `json:"on_ground"` // the column starts inside the layer
	Open             bool   `json:"open"`      // the column ends inside the layer
}

const (
	// CondensateRule names the analysis of the model's own cloud.
	CondensateRule = "model-condensate"
	// condensateKgPerKg of liquid and ice together make a cloud (common
	// practice: 0.01 g/kg, as usually attached to Mazzetti et al. 2021).
	condensateKgPerKg = 1e-5
	// inCloudKgPerM3 of liquid water means that the plume is in cloud (common
	// practice, no source).
	inCloudKgPerM3 = 0.02e-3
	deckGapM       = 300.0
	deckColdM      = 300.0
)

// liquidLevels gives the levels to the rules of package liquid.
func (a *ascent) liquidLevels() []liquid.Level {
	levels := make([]liquid.Level, len(a.levels))
	for k, l := range a.levels {
		levels[k] = liquid.Level{AltitudeM: l.altitudeM, AirTemperatureK: l.temperatureK,
			RelativeHumidityWater: l.humidityWater, RelativeHumidityIce: l.humidityIce}
	}
	return levels
}

func cloudLayers(layers []liquid.Layer) []CloudLayer {
	found := make([]CloudLayer, len(layers))
	for k, l := range layers {
		found[k] = CloudLayer{Number(l.BaseAltitudeM), Number(l.TopAltitudeM), Number(l.BaseTemperatureK), Number(l.TopTemperatureK),
			Number(l.MaximumHumidity), l.OnGround, l.Open}
	}
	return found
}

func (d *Derived) deriveCloud(a *ascent) {
	d.Cloud = Cloud{Analyses: []CloudAnalysis{},
		DeckBaseAltitudeM: missing, DeckTopAltitudeM: missing, TopTemperatureK: missing, ColdDepthM: missing,
		HighestTopAltitudeM: missing, HighestTemperatureK: missing, PlumeEntryAltitudeM: missing, PlumeEntryTemperatureK: missing}
	c := &d.Cloud
	if len(a.humidity.values) >= 2 {
		levels := a.liquidLevels()
		for _, rule := range []liquid.Rule{liquid.WangRossow(), liquid.Zhang()} {
			c.Analyses = append(c.Analyses, CloudAnalysis{rule.Name, rule.Source, cloudLayers(rule.Layers(levels, a.surfaceM))})
		}
	}
	if condensate, ok := a.condensate(); ok {
		c.Analyses = append(c.Analyses, condensate)
	}
	if len(c.Analyses) == 0 {
		d.lacks("cloud", "fewer than two levels with humidity, and no condensate")
		return
	}
	chosen := c.Analyses[0]
	for _, analysis := range c.Analyses {
		if analysis.Rule == CondensateRule || analysis.Rule == a.options.CloudRule && chosen.Rule != CondensateRule {
			chosen = analysis
		}
	}
	c.Rule = chosen.Rule
	c.ColdDepthM = 0
	if n := len(chosen.Layers); n > 0 {
		c.deck(a, chosen.Layers)
		c.HighestTopAltitudeM, c.HighestTemperatureK = chosen.Layers[n-1].TopAltitudeM, chosen.Layers[n-1].TopTemperatureK
		if chosen.Layers[n-1].Open {
			d.Notes = append(d.Notes, "the column ends inside cloud: the true cloud top is higher")
		}
	}
	if !c.DeckTopAltitudeM.Known() {
		d.lacks("cloud top", "no cloud with a base warmer than -25 °C by rule "+c.Rule)
	}

	c.PlumeEntryAltitudeM = Number(a.plumeEntryM())
	if c.PlumeEntryAltitudeM.Known() {
		c.PlumeEntryTemperatureK = Number(a.temperature.at(float64(c.PlumeEntryAltitudeM)))
	} else {
		d.lacks("temperature where the plume meets cloud", fmt.Sprintf("no droplet cloud (humidity over water %.0f %%, or 0.02 g m-3 of liquid) above the release", 100*a.options.CloudHumidity))
	}
}

// condensate is the cloud of the model; false where no level gives any.
func (a *ascent) condensate() (CloudAnalysis, bool) {
	s := a.series(func(l *level) float64 {
		switch {
		case math.IsNaN(l.iceKgPerKg):
			return l.liquidKgPerKg
		case math.IsNaN(l.liquidKgPerKg):
			return l.iceKgPerKg
		}
		return l.liquidKgPerKg + l.iceKgPerKg
	})
	if len(s.values) < 2 {
		return CloudAnalysis{}, false
	}
	analysis := CloudAnalysis{Rule: CondensateRule, Source: "the model's cloud liquid and ice, 0.01 g/kg or more", Layers: []CloudLayer{}}
	for _, interval := range liquid.Where(s.altitudesM, s.gapM, s.minus(condensateKgPerKg)) {
		analysis.Layers = append(analysis.Layers, CloudLayer{
			BaseAltitudeM: Number(interval.BaseAltitudeM), TopAltitudeM: Number(interval.TopAltitudeM),
			BaseTemperatureK: Number(a.temperature.at(interval.BaseAltitudeM)), TopTemperatureK: Number(a.temperature.at(interval.TopAltitudeM)),
			MaximumHumidity: missing,
			OnGround:        interval.BaseAltitudeM <= s.altitudesM[0], Open: interval.TopAltitudeM >= s.altitudesM[len(s.altitudesM)-1],
		})
	}
	return analysis, true
}

// deck picks the cloud that matters to the site; layers are not empty.
func (c *Cloud) deck(a *ascent, layers []CloudLayer) {
	type deck struct {
		layers []CloudLayer
		coldM  float64
	}
	var decks []deck
	for _, layer := range layers {
		if layer.BaseTemperatureK < Number(liquid.SupercooledWindow.ColdestK) {
			continue
		}
		if n := len(decks); n > 0 {
			last := decks[n-1].layers
			if layer.BaseAltitudeM-last[len(last)-1].TopAltitudeM < deckGapM {
				decks[n-1].layers = append(last, layer)
				continue
			}
		}
		decks = append(decks, deck{layers: []CloudLayer{layer}})
	}
	if len(decks) == 0 {
		return
	}
	frost := a.temperature.minus(thermo.MeltingPointK)
	for k := range frost {
		frost[k] = -frost[k]
	}
	cold := liquid.Where(a.temperature.altitudesM, a.temperature.gapM, frost)
	for n := range decks {
		for _, layer := range decks[n].layers {
			for _, interval := range cold {
				decks[n].coldM += max(0, min(interval.TopAltitudeM, float64(layer.TopAltitudeM))-max(interval.BaseAltitudeM, float64(layer.BaseAltitudeM)))
			}
		}
	}
	chosen := decks[0]
	for _, candidate := range decks {
		if candidate.coldM >= deckColdM {
			chosen = candidate
			break
		}
	}
	top := chosen.layers[len(chosen.layers)-1]
	c.DeckBaseAltitudeM, c.DeckTopAltitudeM = chosen.layers[0].BaseAltitudeM, top.TopAltitudeM
	c.TopTemperatureK, c.ColdDepthM = top.TopTemperatureK, Number(chosen.coldM)
}

// plumeEntryM is the lowest altitude at or above the release with droplet cloud.
func (a *ascent) plumeEntryM() float64 {
	content := a.series(func(l *level) float64 { return l.air().DensityKgPerM3() * l.liquidKgPerKg })
	wet := content.minus(inCloudKgPerM3)
	if len(wet) < 2 {
		content, wet = a.humidity, a.humidity.minus(a.options.CloudHumidity)
	}
	for _, interval := range liquid.Where(content.altitudesM, content.gapM, wet) {
		if interval.TopAltitudeM > a.releaseM {
			return max(interval.BaseAltitudeM, a.releaseM)
		}
	}
	return nan
}
