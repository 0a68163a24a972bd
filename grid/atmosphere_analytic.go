package grid

import (
	"errors"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
	"time"
)

// Analytic describes an atmosphere by formulas instead of by a model's fields:
// for tests against hand calculation, and for invented storms.
type Analytic struct {
	// Grid needs a known geometry; its values are computed at every point.
	Grid *Grid
	// Heights above ground, metres; DefaultHeightsM where empty.
	HeightsM []float64
	Times    []time.Time
	// HoldFor is how long the first and the last state are held beyond Times.
	HoldFor time.Duration
	// TerrainAltitudeM is flat at sea level where nil.
	TerrainAltitudeM func(LatLon) float64
	// StateAt gives the air; wind relative to the earth. CloudLiquidKgPerKg NaN
	// everywhere means a source without cloud water. It is called from several
	// goroutines.
	StateAt func(p Position, heightAboveGroundM float64, at time.Time) State
	// PrecipitationKgPerM2S is the rate at the ground, NaN where unknown; nil for a
	// source that gives none.
	PrecipitationKgPerM2S func(p LatLon, at time.Time) float64
}

// NewAtmosphere evaluates an analytic atmosphere on its grid.
func NewAtmosphere(analytic Analytic) (*Atmosphere, error) {
	if analytic.Grid == nil || analytic.StateAt == nil {
		return nil, errors.New("an analytic atmosphere needs a grid and a state")
	}
	heightsM := analytic.HeightsM
	if len(heightsM) == 0 {
		heightsM = DefaultHeightsM
	}
	a, err := newBox(analytic.Grid, heightsM, analytic.Times)
	if err != nil {
		return nil, err
	}
	a.extend = analytic.HoldFor.Seconds()
	a.hasCloudWater = true
	if analytic.PrecipitationKgPerM2S != nil {
		a.rates = make([]float32, len(a.surfacePa))
	}
	for t, at := range a.times {
		var withoutCloud, withIce atomic.Bool
		if t == 0 {
			a.ice = make([]float32, len(a.hot)/nodeSize*iceSize)
		}
		eachRow(a.nj, func(j int) {
			for i := range a.ni {
				column := j*a.ni + i
				place, _ := a.grid.LatLonAt(float64(i%a.grid.NI), float64(j))
				terrainM := 0.0
				if analytic.TerrainAltitudeM != nil {
					terrainM = analytic.TerrainAltitudeM(place)
				}
				a.terrainM[column] = float32(terrainM)
				if analytic.PrecipitationKgPerM2S != nil {
					a.rates[t*a.ni*a.nj+column] = float32(analytic.PrecipitationKgPerM2S(place, at))
				}
				for k, heightM := range a.heightsM {
					s := analytic.StateAt(Position{place, terrainM + heightM}, heightM, at)
					if math.IsNaN(s.CloudLiquidKgPerKg) {
						withoutCloud.Store(true)
					}
					if s.CloudIceKgPerKg > 0 || s.RainKgPerKg > 0 || s.SnowKgPerKg > 0 || s.GraupelKgPerKg > 0 {
						withIce.Store(true)
					}
					a.setNode(t, column, k, &s)
				}
			}
		})
		if withoutCloud.Load() {
			a.hasCloudWater = false
		}
		if !withIce.Load() && t == 0 {
			a.ice = nil
		}
	}
	a.hasRainSnow = a.ice != nil
	a.finish()
	return a, nil
}

// setNode stores one state. Wind turns into grid steps per second here.
func (a *Atmosphere) setNode(t, column, level int, s *State) {
	at := a.node(t, column) + level
	hot := a.hot[at*nodeSize : at*nodeSize+nodeSize]
	x, y := a.metrics[column].Steps(s.EastwardMPerS, s.NorthwardMPerS)
	hot[nodeX], hot[nodeY], hot[nodeW] = float32(x), float32(y), float32(s.UpwardMPerS)
	hot[nodeT], hot[nodeP], hot[nodeQ] = float32(s.AirTemperatureK), float32(s.PressurePa), float32(s.SpecificHumidity)
	hot[nodeCloud] = float32(s.CloudLiquidKgPerKg)
	if math.IsNaN(s.CloudLiquidKgPerKg) {
		hot[nodeCloud] = 0
	}
	if a.ice != nil {
		ice := a.ice[at*iceSize : at*iceSize+iceSize]
		for q, value := range [iceSize]float64{s.CloudIceKgPerKg, s.RainKgPerKg, s.SnowKgPerKg, s.GraupelKgPerKg} {
			if value > 0 {
				ice[q] = float32(value)
			}
		}
	}
}

// eachRow calls work for 0 ... rows-1, on all cores; rows share nothing.
func eachRow(rows int, work func(row int)) {
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), rows) {
		group.Go(func() {
			for row := int(next.Add(1)) - 1; row < rows; row = int(next.Add(1)) - 1 {
				work(row)
			}
		})
	}
	group.Wait()
}
