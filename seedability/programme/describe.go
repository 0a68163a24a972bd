package programme

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"rimeline/grid"
)

// Description says what a programme will do, for people and as JSON.
type Description struct {
	File     string `json:"file"`
	SHA256   string `json:"sha256"`
	ID       string `json:"id"`
	Name     string `json:"name"`
	Timezone string `json:"timezone"`

	Sites       []SiteDescription   `json:"sites"`
	Targets     []TargetDescription `json:"targets"`
	YieldTables []TableDescription  `json:"yield_tables"`
	Inputs      []InputDescription  `json:"inputs"`

	Releases struct {
		Count          int     `json:"count"`
		SpacingMinutes float64 `json:"spacing_minutes"`
	} `json:"releases"`
	Ensemble   EnsembleDescription `json:"ensemble"`
	Thresholds struct {
		WindowScore       float64 `json:"window_score"`
		Hysteresis        float64 `json:"hysteresis"`
		ConsecutiveScores int     `json:"consecutive_scores"`
		ConfidenceMinimum float64 `json:"confidence_minimum"`
	} `json:"thresholds"`
	// Changes lists every value that differs from its default.
	Changes []Change `json:"changes"`
	Watch   struct {
		NowMinutes     float64 `json:"now_minutes"`
		OutlookMinutes float64 `json:"outlook_minutes"`
		IdleMinutes    float64 `json:"idle_minutes"`
	} `json:"watch"`
	// Alerts says who is told what.
	Alerts AlertsDescription `json:"alerts"`
	// Cautions hold for every programme; Remarks are about this file.
	Remarks  []string `json:"remarks"`
	Cautions []string `json:"cautions"`
}

// SiteDescription is one site. Numbers that the file does not give are nil.
type SiteDescription struct {
	ID             string         `json:"id"`
	Name           string         `json:"name"`
	LatitudeDeg    float64        `json:"latitude_deg"`
	LongitudeDeg   float64        `json:"longitude_deg"`
	AltitudeM      *float64       `json:"altitude_m"`
	ReleaseHeightM float64        `json:"release_height_m"`
	AgentKind      string         `json:"agent_kind"`
	AmountG        *float64       `json:"amount_g"`
	BurnMinutes    *float64       `json:"burn_minutes"`
	RateGPerH      float64        `json:"rate_g_per_h"`
	YieldTable     string         `json:"yield_table"`
	CrestAltitudeM *float64       `json:"crest_altitude_m"`
	TowardDeg      *float64       `json:"toward_deg"`
	Targets        []ServedTarget `json:"targets"`
}

// ServedTarget is a target as seen from a site.
type ServedTarget struct {
	ID         string  `json:"id"`
	DistanceM  float64 `json:"distance_m"`  // to the nearest edge, 0 inside
	CentreM    float64 `json:"centre_m"`    // to the centre of area
	BearingDeg float64 `json:"bearing_deg"` // of the centre of area, from true north
}

// TargetDescription is one target.
type TargetDescription struct {
	ID          string      `json:"id"`
	Name        string      `json:"name"`
	AreaKM2     float64     `json:"area_km2"`
	Centre      grid.LatLon `json:"-"`
	CentreLat   float64     `json:"centre_latitude_deg"`
	CentreLon   float64     `json:"centre_longitude_deg"`
	Polygons    int         `json:"polygons"`
	Holes       int         `json:"holes"`
	File        *string     `json:"file"`
	GeometrySHA *string     `json:"geometry_sha256"`
}

// TableDescription is one yield table, field factor applied.
type TableDescription struct {
	ID                string   `json:"id"`
	Source            string   `json:"source"`
	WarmestDegC       float64  `json:"warmest_degc"`
	ColdestDegC       float64  `json:"coldest_degc"`
	WarmestPerG       float64  `json:"crystals_per_g_at_warmest"`
	ColdestPerG       float64  `json:"crystals_per_g_at_coldest"`
	FieldFactor       float64  `json:"field_factor"`
	NucleationMinutes *float64 `json:"nucleation_minutes"`
}

// InputDescription is one input. What the file does not give is nil.
type InputDescription struct {
	ID              string   `json:"id"`
	Kind            string   `json:"kind"`
	Required        bool     `json:"required"`
	Paths           []string `json:"paths"`
	Source          *string  `json:"source"`
	BaseURL         *string  `json:"base_url"`
	Products        []string `json:"products"`
	ForecastHours   *float64 `json:"forecast_hours"`
	Stations        []string `json:"stations"`
	FreshHours      *float64 `json:"fresh_hours"`
	MaximumAgeHours *float64 `json:"maximum_age_hours"`
	// Of inputs for suspension criteria. Host alone is shown of an address: the
	// rest may hold a key.
	Host        *string  `json:"host,omitempty"`
	Format      *string  `json:"format,omitempty"`
	PollMinutes *float64 `json:"poll_minutes,omitempty"`
	Gauges      []string `json:"gauges,omitempty"`
	Zones       []string `json:"zones,omitempty"`
	Areas       []string `json:"areas,omitempty"`
	Feed        *string  `json:"feed,omitempty"`
}

// EnsembleDescription is the particle ensemble.
type EnsembleDescription struct {
	Members             int     `json:"members"`
	Seed                int64   `json:"seed"`
	DirectionSDDeg      float64 `json:"direction_sd_deg"`
	SpeedSDFraction     float64 `json:"speed_sd_fraction"`
	VerticalSDFraction  float64 `json:"vertical_sd_fraction"`
	OnsetWarmestDegC    float64 `json:"onset_warmest_degc"`
	OnsetColdestDegC    float64 `json:"onset_coldest_degc"`
	GrowthShortest      float64 `json:"growth_shortest_minutes"`
	GrowthLikely        float64 `json:"growth_likely_minutes"`
	GrowthLongest       float64 `json:"growth_longest_minutes"`
	FallSpeedMPerS      float64 `json:"fall_speed_m_per_s"`
	FallSpeedFactor     float64 `json:"fall_speed_factor"`
	LongestDriftMinutes float64 `json:"longest_drift_minutes"`
}

// Change is a value that the file sets otherwise than the default.
type Change struct {
	Path    string `json:"path"`
	Value   string `json:"value"`
	Default string `json:"default"`
}

const cautionHolds = "Flood, river, reservoir, avalanche, snow-load and severe-weather criteria suspend seeding before any score counts. This file names none: the responsible people must judge them."

// Cautions go with every programme that names no suspension criteria.
var Cautions = []string{
	"Flares and silver-iodide generators are pyrotechnic and chemical devices. They are operated under permits, by licensed people, by the maker's instructions and local codes; this file permits nothing.",
	cautionHolds,
	"Scores say how plausible it is that seeding works. They are advice to people, never an order, and no proof of added snow.",
}

// Describe says what the programme will do. components is the list that Parse got.
func (p *Programme) Describe(components []ComponentDefault) Description {
	d := Description{
		File: p.File, SHA256: p.SHA256, ID: p.ID, Name: p.Name, Timezone: p.Timezone,
		Inputs: []InputDescription{}, Changes: p.changes(components), Remarks: []string{}, Cautions: Cautions,
	}
	if n := len(p.Holds); n > 0 {
		d.Cautions = slices.Clone(Cautions)
		d.Cautions[slices.Index(Cautions, cautionHolds)] = fmt.Sprintf("Suspension criteria suspend seeding before any score counts. This file names %d of them: they are no more than what it says, and the permit, the licensed operator and any order of an authority prevail.", n)
	}
	for i := range p.Sites {
		site := &p.Sites[i]
		described := SiteDescription{
			ID: site.ID, Name: site.Name, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg,
			AltitudeM: given(site.AltitudeM), ReleaseHeightM: site.ReleaseHeightM, AgentKind: site.Agent.Kind,
			AmountG: given(site.Agent.AmountG), BurnMinutes: given(site.Agent.BurnMinutes),
			RateGPerH: math.Round(site.Agent.RateGPerS()*3600*1e6) / 1e6, YieldTable: site.Agent.YieldTable,
		}
		if barrier := p.BarrierOf(site); barrier != nil {
			described.CrestAltitudeM, described.TowardDeg = &barrier.CrestAltitudeM, &barrier.TowardDeg
		} else {
			d.Remarks = append(d.Remarks, fmt.Sprintf("site %s has no barrier: its Froude number and cross-barrier wind will not be judged, which lowers the confidence.", site.ID))
		}
		for _, target := range p.TargetsOf(site) {
			centre := target.Centroid()
			seen := ServedTarget{
				ID: target.ID, DistanceM: math.Round(target.DistanceM(site.Place())),
				CentreM:    math.Round(grid.DistanceM(site.Place(), centre)),
				BearingDeg: math.Round(initialBearingDeg(site.Place(), centre)*10) / 10,
			}
			described.Targets = append(described.Targets, seen)
			if seen.DistanceM == 0 {
				d.Remarks = append(d.Remarks, fmt.Sprintf("site %s stands inside its target %s: agent needs tens of minutes to act, most ice will fall beyond.", site.ID, target.ID))
			} else if barrier := p.BarrierOf(site); barrier != nil {
				if off := math.Abs(grid.NormalLongitudeDeg(seen.BearingDeg - barrier.TowardDeg)); off > 60 {
					d.Remarks = append(d.Remarks, fmt.Sprintf("target %s lies %.0f degrees off the direction across the barrier as seen from site %s.", target.ID, off, site.ID))
				}
			}
		}
		d.Sites = append(d.Sites, described)
	}
	for i := range p.Targets {
		target := &p.Targets[i]
		centre := target.Centroid()
		described := TargetDescription{
			ID: target.ID, Name: target.Name, AreaKM2: math.Round(target.AreaM2()/1e6*1000) / 1000, Centre: centre,
			CentreLat: math.Round(centre.LatitudeDeg*1e5) / 1e5, CentreLon: math.Round(centre.LongitudeDeg*1e5) / 1e5,
			Polygons: target.Area.NumPolygons(),
		}
		for k := range target.Area.NumPolygons() {
			described.Holes += target.Area.Polygon(k).NumLinearRings() - 1
		}
		if target.File != "" {
			digest := p.GeometrySHA256[target.File]
			described.File, described.GeometrySHA = &target.File, &digest
		}
		d.Targets = append(d.Targets, described)
		if !slices.ContainsFunc(p.Sites, func(s Site) bool { return slices.Contains(s.TargetIDs, target.ID) }) {
			d.Remarks = append(d.Remarks, fmt.Sprintf("no site serves target %s.", target.ID))
		}
	}
	for i := range p.YieldTables {
		table := &p.YieldTables[i]
		first, last := table.Points[0], table.Points[len(table.Points)-1]
		d.YieldTables = append(d.YieldTables, TableDescription{
			ID: table.ID, Source: table.Source, FieldFactor: table.FieldFactor, NucleationMinutes: given(table.NucleationMinutes),
			WarmestDegC: degC(first.AirTemperatureK), ColdestDegC: degC(last.AirTemperatureK),
			WarmestPerG: first.CrystalsPerG * table.FieldFactor, ColdestPerG: last.CrystalsPerG * table.FieldFactor,
		})
		if !slices.ContainsFunc(p.Sites, func(s Site) bool { return s.Agent.YieldTable == table.ID }) {
			d.Remarks = append(d.Remarks, fmt.Sprintf("no site uses yield table %s.", table.ID))
		}
	}
	for _, input := range p.Inputs {
		d.Inputs = append(d.Inputs, InputDescription{
			ID: input.ID, Kind: input.Kind, Required: input.Required,
			Paths: append([]string{}, input.Paths...), Source: givenText(input.Source), BaseURL: givenText(input.BaseURL),
			Products: append([]string{}, input.Products...), ForecastHours: given(input.ForecastHours),
			Stations: append([]string{}, input.Stations...), FreshHours: given(input.FreshHours), MaximumAgeHours: given(input.MaximumAgeHours),
			Host: givenText(input.Host()), Format: givenText(input.Format), PollMinutes: given(input.PollMinutes),
			Gauges: input.Gauges, Zones: input.Zones, Areas: input.Areas, Feed: givenText(input.Feed),
		})
		if input.holdsKey() {
			d.Remarks = append(d.Remarks, fmt.Sprintf("the address of input %s seems to hold a key: this file travels over the bus and is archived, so keep secrets out of it.", input.ID))
		}
	}
	if !slices.ContainsFunc(p.Inputs, func(in Input) bool { return in.Kind == "model" }) {
		d.Remarks = append(d.Remarks, "the file names no model input: it must be given on the command line, without a model nothing can be judged.")
	}
	d.Remarks = append(d.Remarks, p.MissingEvidence()...)
	d.Alerts = p.describeAlerts()
	d.Remarks = append(d.Remarks, p.alertRemarks()...)
	d.Releases.Count, d.Releases.SpacingMinutes = p.Releases.Count, p.Releases.SpacingMinutes
	e := p.Ensemble
	d.Ensemble = EnsembleDescription{
		Members: e.Members, Seed: e.Seed, DirectionSDDeg: e.DirectionSDDeg, SpeedSDFraction: e.SpeedSDFraction,
		VerticalSDFraction: e.VerticalSDFraction, OnsetWarmestDegC: degC(e.OnsetWarmestK), OnsetColdestDegC: degC(e.OnsetColdestK),
		GrowthShortest: e.GrowthMinutes.Shortest, GrowthLikely: e.GrowthMinutes.Likely, GrowthLongest: e.GrowthMinutes.Longest,
		FallSpeedMPerS: e.FallSpeedMPerS, FallSpeedFactor: e.FallSpeedFactor, LongestDriftMinutes: e.LongestDriftMinutes,
	}
	t := p.Thresholds
	d.Thresholds.WindowScore, d.Thresholds.Hysteresis = t.WindowScore, t.Hysteresis
	d.Thresholds.ConsecutiveScores, d.Thresholds.ConfidenceMinimum = t.ConsecutiveScores, t.ConfidenceMinimum
	d.Watch.NowMinutes, d.Watch.OutlookMinutes, d.Watch.IdleMinutes = p.Watch.NowMinutes, p.Watch.OutlookMinutes, p.Watch.IdleMinutes
	return d
}

func givenText(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}

func given(value float64) *float64 {
	if math.IsNaN(value) {
		return nil
	}
	return &value
}

// degC goes back to the unit of the file, without the noise of the round trip.
func degC(temperatureK float64) float64 { return math.Round((temperatureK-freezingK)*1e6) / 1e6 }

// changes lists the method values that differ from their defaults.
func (p *Programme) changes(components []ComponentDefault) []Change {
	changes := []Change{}
	compare := func(path string, value any) {
		v := reflect.ValueOf(value)
		standard := reflect.New(v.Type()).Elem()
		setDefaults(standard)
		changes = append(changes, compareFields(path, v, standard)...)
	}
	compare("releases", p.Releases)
	compare("ensemble", p.Ensemble)
	compare("thresholds", p.Thresholds)
	compare("watch", p.Watch)
	for _, c := range components {
		change, ok := p.Thresholds.Components[c.Name]
		if !ok {
			continue
		}
		path := "thresholds.components." + c.Name
		if change.Knots != nil && !slices.Equal(change.Knots, c.Knots) {
			changes = append(changes, Change{path + ".knots", knotText(change.Knots) + " " + c.Unit, knotText(c.Knots) + " " + c.Unit})
		}
		if !math.IsNaN(change.Weight) && change.Weight != c.Weight {
			changes = append(changes, Change{path + ".weight", plain(change.Weight), plain(c.Weight)})
		}
	}
	return changes
}

func compareFields(path string, value, standard reflect.Value) (changes []Change) {
	for _, f := range fieldsOf(value.Type()) {
		a, b := value.FieldByIndex(f.index), standard.FieldByIndex(f.index)
		at := join(path, f.key)
		switch a.Kind() {
		case reflect.Struct:
			changes = append(changes, compareFields(at, a, b)...)
		case reflect.Float64:
			if a.Float() != b.Float() {
				if f.tag.Get("unit") == "degc" {
					changes = append(changes, Change{at, plain(degC(a.Float())), plain(degC(b.Float()))})
				} else {
					changes = append(changes, Change{at, plain(a.Float()), plain(b.Float())})
				}
			}
		case reflect.Int, reflect.Int64:
			if a.Int() != b.Int() {
				changes = append(changes, Change{at, strconv.FormatInt(a.Int(), 10), strconv.FormatInt(b.Int(), 10)})
			}
		}
	}
	return changes
}

func plain(value float64) string { return strconv.FormatFloat(value, 'g', -1, 64) }

// knotText prints knots as "2:0 5:0.4 8:1".
func knotText(knots [][2]float64) string {
	parts := make([]string, len(knots))
	for i, knot := range knots {
		parts[i] = plain(knot[0]) + ":" + plain(knot[1])
	}
	return strings.Join(parts, " ")
}
