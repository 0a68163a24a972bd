package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
	"rimeline/seedability/bus"
	"rimeline/seedability/conditions"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
	"rimeline/seedability/radar"
)

// modeConditions asks for what the weather does over targets and sites, as far as
// the suspension criteria of the programme ask for it.
const modeConditions assessMode = "conditions"

// Of conditions; common practice, no source.
const (
	// judgedWithin: conditions are found out for a moment, and criteria are judged by
	// them up to so much later; forecasts reach so much farther.
	judgedWithin = 30 * time.Minute
	// radarsApart: volumes of several radars that began within this of the newest are
	// looked at together, as long as the slowest coverage pattern lasts and a little
	// more; an older one would make the whole old.
	radarsApart = 12 * time.Minute
	// qualityApart is how far the time of a mosaic's quality may be from its own.
	qualityApart = 10 * time.Minute
	// mostNotes in one message.
	mostNotes = 100
)

// conditions does one job: what the programme's criteria ask of the weather is found
// out and published for the programme as a whole.
func (s *service) conditions(ctx context.Context, job bus.Job, delivery int) error {
	var j assessTask
	if err := json.Unmarshal(job.Data, &j); err != nil {
		return bus.Permanent(fmt.Errorf("conditions job %s: %w", job.ID, err))
	}
	if j.Mode != modeConditions {
		return bus.Permanent(fmt.Errorf("conditions job %s: mode %q is not known", job.ID, j.Mode))
	}
	p, err := s.programme(ctx, j.Programme)
	if err != nil {
		return err
	}
	var last struct {
		AsOf time.Time `json:"as_of"`
	}
	known, err := s.latest(ctx, bus.Conditions, p.ID, bus.Whole, &last)
	if err != nil {
		return err
	}
	if known && s.supersedes(last.AsOf, j.Moment) {
		// Published already: by this job before its worker died, or of a later moment.
		s.counts.add("conditions_superseded", 1)
		return nil
	}
	of, err := s.judgementOf(ctx, p, &j)
	if err != nil {
		return err
	}
	found, err := of.conditionsAt(j.Moment, s.cellMemory(ctx, of, j.Programme.Digest))
	if err != nil {
		return err
	}
	var inputs []string
	for _, ref := range j.Inputs {
		inputs = append(inputs, ref.Object)
	}
	return s.publish(ctx, bus.Conditions, p.ID, bus.Whole, j.Moment, found.message(p.ID, j.Moment, inputs))
}

// cellMemory remembers what lays volumes on the cells of a programme's areas: it
// depends on the radar's place, the areas and the terrain, which is the same in all
// runs of a model.
func (s *service) cellMemory(ctx context.Context, of *judgement, programmeDigest string) cellGridders {
	return func(volume *grid.Volume, prepare func() (*radar.Gridder, error)) (*radar.Gridder, error) {
		ni, nj, _, _ := of.evidence.Atmosphere.Size()
		at := volume.Antenna
		name := fmt.Sprintf("cells %s %s %.5f %.5f %.1f %.3f %d %d %s", programmeDigest, volume.Radar, at.LatitudeDeg, at.LongitudeDeg, at.AltitudeM, volume.BeamwidthDeg, ni, nj, of.weather.modelName)
		return s.gridders.get(ctx, name, func() (*radar.Gridder, int64, error) {
			g, err := prepare()
			return g, 1, err
		})
	}
}

// cellGridders gives the gridder of a volume's radar for the cells of all areas that
// radars are asked about.
type cellGridders func(volume *grid.Volume, prepare func() (*radar.Gridder, error)) (*radar.Gridder, error)

// askedPlace is an area that criteria ask about.
type askedPlace struct {
	id       string
	polygons *geom.MultiPolygon
	// rates and levels are the origins by which precipitation and the freezing level
	// are judged, with how far ahead forecasts of them are.
	rates, levels           []string
	ratesAhead, levelsAhead time.Duration
}

// asked is what the criteria of a programme ask of the weather.
type asked struct {
	places    []*askedPlace
	sites     []*programme.Site
	windAhead time.Duration
}

// askedOf reads the criteria of a programme.
func askedOf(p *programme.Programme) asked {
	var a asked
	place := func(id string, polygons *geom.MultiPolygon) *askedPlace {
		for _, known := range a.places {
			if known.id == id {
				return known
			}
		}
		a.places = append(a.places, &askedPlace{id: id, polygons: polygons})
		return a.places[len(a.places)-1]
	}
	add := func(origins *[]string, ahead *time.Duration, h *programme.Hold) {
		for _, origin := range h.Inputs {
			if !slices.Contains(*origins, origin) {
				*origins = append(*origins, origin)
			}
		}
		*ahead = max(*ahead, aheadOf(h))
	}
	for k := range p.Holds {
		h := &p.Holds[k]
		switch h.Kind {
		case "precipitation", "freezing_level", "rain_on_snow":
			for _, id := range h.TargetIDs {
				of := place(id, p.Target(id).Area)
				if h.Kind == "precipitation" {
					add(&of.rates, &of.ratesAhead, h)
				} else {
					add(&of.levels, &of.levelsAhead, h)
				}
			}
		case "burn_scar":
			of := place(h.ID, h.Area)
			add(&of.rates, &of.ratesAhead, h)
		case "wind":
			if !slices.Contains(h.Inputs, "forecast") {
				continue
			}
			for _, id := range h.SiteIDs {
				if site := p.Site(id); !slices.Contains(a.sites, site) {
					a.sites = append(a.sites, site)
				}
			}
			a.windAhead = max(a.windAhead, aheadOf(h))
		}
	}
	return a
}

// aheadOf is how far ahead a criterion looks at forecasts, 0 where it does not.
func aheadOf(h *programme.Hold) time.Duration {
	if !slices.Contains(h.Inputs, "forecast") || !(h.ForecastHours > 0) {
		return 0
	}
	return time.Duration(h.ForecastHours * float64(time.Hour))
}

// any tells whether the criteria ask for anything that conditions tell.
func (a *asked) any() bool { return len(a.places) > 0 || len(a.sites) > 0 }

// ahead is how far ahead of a moment a model must reach for the criteria of a
// programme to be judged; 0 where they ask for no forecast.
func (a *asked) ahead() time.Duration {
	farthest := a.windAhead
	for _, place := range a.places {
		farthest = max(farthest, place.ratesAhead, place.levelsAhead)
	}
	if farthest > 0 {
		farthest += judgedWithin
	}
	return farthest
}

// foundConditions is what was found out.
type foundConditions struct {
	rates  []hold.Precipitation
	levels []hold.FreezingLevel
	winds  []hold.Wind
	notes  []string
}

func (f *foundConditions) note(format string, arguments ...any) {
	text := fmt.Sprintf(format, arguments...)
	if text != "" && len(f.notes) < mostNotes && !slices.Contains(f.notes, text) {
		f.notes = append(f.notes, text)
	}
}

func (f *foundConditions) message(programmeID string, moment time.Time, inputs []string) message.Conditions {
	return message.NewConditions(programmeID, moment, f.rates, f.levels, f.winds, inputs, f.notes)
}

// conditionsAt finds out what the criteria ask for at a moment. What cannot be found
// out is not there, and a note says why. It is an error only where a memory failed.
func (j *judgement) conditionsAt(moment time.Time, gridders cellGridders) (*foundConditions, error) {
	of, f := askedOf(j.programme), &foundConditions{}
	var atmosphere *grid.Atmosphere
	if j.lacks == "" { // else nothing was prepared for several jobs at once
		atmosphere = j.evidenceAt(moment).Atmosphere
	} else if of.any() {
		f.note("No model: %s.", j.lacks)
	}
	air := conditions.NewAir(atmosphere)
	var areas []*conditions.Area
	var wanted []*askedPlace
	for _, place := range of.places {
		area, err := conditions.NewArea(place.id, place.polygons)
		if err != nil {
			f.note("Nothing is known over %s: %s.", place.id, err)
			continue
		}
		areas, wanted = append(areas, &area), append(wanted, place)
	}
	looks, err := j.looks(f, areas, wanted, air, moment, gridders)
	if err != nil {
		return nil, err
	}
	view := j.mosaicAt(f, wanted, moment)
	for k, area := range areas {
		place := wanted[k]
		for _, origin := range place.rates {
			switch origin {
			case "radar":
				rate, note, ok := conditions.RadarPrecipitation(area, looks[k], air, moment)
				f.note("%s", note)
				if ok {
					f.rates = append(f.rates, rate)
				}
			case "mosaic":
				if view == nil {
					continue
				}
				rate, note, ok := conditions.MosaicPrecipitation(area, *view, air, moment)
				f.note("%s", note)
				if ok {
					f.rates = append(f.rates, rate)
				}
			case "forecast":
				j.forecastRates(f, area, air, atmosphere, moment, place.ratesAhead)
			}
		}
		for _, origin := range place.levels {
			switch origin {
			case "sounding":
				level, note, ok := conditions.SoundingFreezingLevel(area, j.ascents(), moment)
				f.note("%s", note)
				if ok {
					f.levels = append(f.levels, level)
				}
			case "forecast":
				for _, at := range timesAhead(f, atmosphere, moment, place.levelsAhead) {
					if level, ok := conditions.ForecastFreezingLevel(area, air, at); ok {
						f.levels = append(f.levels, level)
					} else {
						f.note("The model does not tell the altitude of 0 °C over %s.", place.id)
					}
				}
			}
		}
	}
	for _, at := range timesAhead(f, atmosphere, moment, of.windAhead) {
		for _, site := range of.sites {
			wind, ok := conditions.ForecastWind(conditions.Site{ID: site.ID, Place: site.Place(), AltitudeM: site.AltitudeM}, air, at)
			if !ok {
				f.note("The model does not tell the wind at %s.", site.ID)
				continue
			}
			f.winds = append(f.winds, wind)
		}
	}
	return f, nil
}

// timesAhead are the times of a forecast, of which there must be one so far ahead.
func timesAhead(f *foundConditions, atmosphere *grid.Atmosphere, moment time.Time, ahead time.Duration) []time.Time {
	if atmosphere == nil || ahead <= 0 {
		return nil
	}
	times := conditions.Times(atmosphere, moment, ahead+judgedWithin)
	if end := moment.Add(ahead); len(times) == 0 || times[len(times)-1].Before(end) {
		_, last := atmosphere.TimeRange()
		f.note("The model run ends at %s; criteria ask for it until %s.", last.UTC().Format("2006-01-02 15:04 UTC"), end.UTC().Format("2006-01-02 15:04 UTC"))
	}
	return times
}

func (j *judgement) forecastRates(f *foundConditions, area *conditions.Area, air *conditions.Air, atmosphere *grid.Atmosphere, moment time.Time, ahead time.Duration) {
	if atmosphere == nil {
		return
	}
	switch {
	case atmosphere.HasPrecipitationRate():
	case atmosphere.HasRainAndSnow():
		f.note("The model run gives no rate of precipitation: the forecast is what falls of its rain and snow near the ground.")
	default:
		f.note("The model run gives neither a rate of precipitation nor rain and snow.")
		return
	}
	for _, at := range timesAhead(f, atmosphere, moment, ahead) {
		rate, ok := conditions.ForecastPrecipitation(area, air, at)
		if !ok {
			f.note("The model does not tell the precipitation over %s.", area.ID)
			continue
		}
		f.rates = append(f.rates, rate)
	}
}

// ascents are the soundings that the programme wants.
func (j *judgement) ascents() (ascents []conditions.Ascent) {
	for _, report := range j.weather.soundings {
		if j.wantsStation(report.Station.Identifier, report.Station.WMONumber) {
			column := report.Column()
			ascents = append(ascents, conditions.Ascent{Label: column.Label, Column: column})
		}
	}
	return ascents
}

// mosaicAt is the newest mosaic of which rates near the ground can be made: of its
// own rate before that of reflectivity near the ground. Composites, which show what
// is aloft, are not taken.
func (j *judgement) mosaicAt(f *foundConditions, wanted []*askedPlace, moment time.Time) *conditions.Mosaic {
	if !slices.ContainsFunc(wanted, func(p *askedPlace) bool { return slices.Contains(p.rates, "mosaic") }) {
		return nil
	}
	newest := func(quantity mosaic.Quantity) *mosaicked {
		var best *mosaicked
		for k := range j.weather.mosaics {
			m := &j.weather.mosaics[k]
			if m.Product.Quantity == quantity && !m.Time.After(moment.Add(soonest)) && (best == nil || m.Time.After(best.Time)) {
				best = m
			}
		}
		return best
	}
	for _, quantity := range []mosaic.Quantity{mosaic.PrecipitationRate, mosaic.SeamlessHybridReflectivity, mosaic.BaseReflectivity} {
		m := newest(quantity)
		if m == nil {
			continue
		}
		view := &conditions.Mosaic{Label: m.Product.Name, Kind: conditions.MosaicReflectivity, Time: m.Time, Field: m.Field}
		if quantity == mosaic.PrecipitationRate {
			view.Kind = conditions.MosaicRate
		}
		if q := newest(mosaic.RadarQuality); q != nil && q.Time.Sub(m.Time).Abs() <= qualityApart {
			view.Quality = q.Field
		}
		return view
	}
	f.note("No mosaic of the precipitation rate or of reflectivity near the ground.")
	return nil
}

// looks reads the newest volume of each radar near the ground over the areas that
// radars are asked about: for each area one look a radar. A volume that is still
// arriving is filled in from the one before it.
func (j *judgement) looks(f *foundConditions, areas []*conditions.Area, wanted []*askedPlace, air *conditions.Air, moment time.Time, gridders cellGridders) ([][]conditions.Look, error) {
	looks := make([][]conditions.Look, len(areas))
	var of []int
	var places []grid.LatLon
	var ceilings []float64
	var sizeM float64
	for k, area := range areas {
		if !slices.Contains(wanted[k].rates, "radar") {
			continue
		}
		of = append(of, k)
		for _, cell := range area.Cells {
			places = append(places, cell.Place)
		}
		ceilings = append(ceilings, conditions.Ceilings(area, air)...)
		sizeM = max(sizeM, area.SpacingM) // larger than 1 km for areas of hundreds of kilometres alone
	}
	if len(of) == 0 {
		return looks, nil
	}
	rows := j.newestVolumes(moment)
	if len(rows) == 0 {
		f.note("No radar volume.")
		return looks, nil
	}
	if j.evidence.Atmosphere == nil {
		f.note("Without a model the ground is not known, nor how high the radar's beams pass over it.")
		return looks, nil
	}
	for _, row := range rows {
		newest := row[0]
		gridder, err := gridders(newest, func() (*radar.Gridder, error) {
			skyline, err := radar.NewSkyline(newest.Antenna, newest.BeamwidthDeg, skylineReachM, j.evidence.Atmosphere.TerrainAltitudeM)
			if err != nil {
				return nil, err
			}
			return radar.NewCellGridder(newest.Antenna, places, sizeM, skyline)
		})
		if err != nil {
			if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
				return nil, err // called off, which is not the radar's fault
			}
			f.note("Radar %s cannot be used: %s.", newest.Radar, strings.TrimSuffix(err.Error(), "."))
			continue
		}
		var near []radar.NearGround
		for _, volume := range row {
			older, err := gridder.NearGround(volume, ceilings)
			if err != nil {
				f.note("Radar %s cannot be used: %s.", newest.Radar, strings.TrimSuffix(err.Error(), "."))
				break
			}
			if near == nil {
				near = older
			}
			for k := range near {
				if !near[k].Sight.Seen() && older[k].Sight.Seen() {
					near[k] = older[k]
				}
			}
		}
		if near == nil {
			continue
		}
		from := 0
		for _, k := range of {
			to := from + len(areas[k].Cells)
			looks[k] = append(looks[k], conditions.Look{Radar: newest.Radar, Near: near[from:to]})
			from = to
		}
	}
	return looks, nil
}

// newestVolumes gives for each radar its newest volume, and behind one that is still
// arriving the one before it. Radars whose newest is much older than that of another
// are left out.
func (j *judgement) newestVolumes(moment time.Time) (rows [][]*grid.Volume) {
	byRadar := map[string][]*grid.Volume{}
	var newest time.Time
	for _, s := range j.weather.volumes {
		if s.volume.Time.After(moment.Add(soonest)) {
			continue
		}
		byRadar[s.volume.Radar] = append(byRadar[s.volume.Radar], s.volume)
		if s.volume.Time.After(newest) {
			newest = s.volume.Time
		}
	}
	for _, name := range sortedKeys(byRadar) {
		row := byRadar[name]
		slices.SortStableFunc(row, func(a, b *grid.Volume) int { return b.Time.Compare(a.Time) })
		if newest.Sub(row[0].Time) > radarsApart {
			continue
		}
		if row[0].Complete || len(row) == 1 {
			row = row[:1]
		} else {
			row = row[:2]
		}
		rows = append(rows, row)
	}
	return rows
}
