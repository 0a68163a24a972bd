package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest/crop"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/sounding"
	stores "rimeline/ingest/source"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/drift"
	"rimeline/seedability/hold"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/programme"
	"rimeline/seedability/radar"
)

// assessMode is what an assess job asks for.
type assessMode string

const (
	modeNow     assessMode = "now"     // release at the moment of the job
	modeOutlook assessMode = "outlook" // releases from then to the end of the model run
)

// assessTask asks for the assessment of some sites at one moment, from inputs
// that are named one by one: whoever does the job, the result is the same.
type assessTask struct {
	Programme programmeRef `json:"programme"`
	Mode      assessMode   `json:"mode"`
	Moment    time.Time    `json:"moment"`
	Sites     []string     `json:"sites"`
	Inputs    []inputRef   `json:"inputs"`
	// Trigger is why the job was made, for people.
	Trigger string `json:"trigger"`
	// LastByte is when the newest input that caused the job was here, on the wall
	// clock of who fetched it; zero where time alone caused it.
	LastByte time.Time `json:"last_byte,omitzero"`
}

// inputRef names a crop in the bus's object store.
type inputRef struct {
	Kind   string `json:"kind"`
	Object string `json:"object"`
}

// decodedCrop is a crop as jobs use it.
type decodedCrop struct {
	*crop.Crop
	mosaics []mosaicked
	wind    *windFound
}

// object reads what lies under a name where jobs find their inputs.
func (s *service) object(ctx context.Context, name string) ([]byte, error) {
	if s.objects != nil {
		return s.objects(ctx, name)
	}
	return s.bus.GetObject(ctx, name)
}

// crop fetches and decodes one.
func (s *service) crop(ctx context.Context, ref inputRef) (*decodedCrop, error) {
	return s.crops.get(ctx, ref.Object, func() (*decodedCrop, int64, error) {
		encoded, err := s.object(ctx, ref.Object)
		if err != nil {
			return nil, 0, err
		}
		c, err := crop.Decode(ref.Object, encoded)
		if err != nil {
			return nil, 0, err
		}
		d := &decodedCrop{Crop: c}
		cost := int64(len(encoded))
		for _, f := range c.Fields {
			cost += int64(4 * len(f.Values))
		}
		if c.Kind == stores.KindMosaic {
			for _, field := range c.Fields {
				m, err := mosaic.Interpret(c.Files[0].Name, field)
				if err != nil {
					return nil, 0, err
				}
				d.mosaics = append(d.mosaics, mosaicked{m, filesOf(c)[0]})
			}
		}
		if c.Volume != nil {
			d.wind = findWind(c.Volume)
			for _, sweep := range c.Volume.Sweeps {
				for _, m := range sweep.Moments {
					for _, row := range m.Rows {
						cost += int64(len(row.Raw))
					}
				}
			}
		}
		return d, cost, nil
	})
}

// filesOf names the files of a crop as assessments do.
func filesOf(c *crop.Crop) []readFile {
	var files []readFile
	for _, f := range c.Files {
		files = append(files, readFile{f.Name, f.SHA256})
	}
	return files
}

// weatherOf puts the crops of a job together.
func (s *service) weatherOf(ctx context.Context, inputs []inputRef) (*weather, error) {
	w := &weather{}
	for _, ref := range inputs {
		d, err := s.crop(ctx, ref)
		if err != nil {
			return nil, err
		}
		files := filesOf(d.Crop)
		if len(files) == 0 {
			files = []readFile{{path: d.Object}}
		}
		w.fields = appendModel(w, d, files)
		if d.Volume != nil {
			w.volumes = append(w.volumes, scanned{volume: d.Volume, files: files, wind: d.wind})
		}
		for _, report := range d.Reports {
			w.addAscent(report, files[0])
		}
		w.mosaics = append(w.mosaics, d.mosaics...)
		for _, granule := range d.CloudTops {
			w.tops.Add(granule)
			w.topFiles = append(w.topFiles, files[0])
		}
	}
	return w, nil
}

// addAscent takes a sounding; of one ascent that came in several forms (parts of a
// bulletin, bulletin and BUFR) the one with most levels.
func (w *weather) addAscent(report sounding.Report, file readFile) {
	for k := range w.soundings {
		known := &w.soundings[k]
		if known.Time.Sub(report.Time).Abs() < time.Hour && grid.DistanceM(known.Station.Place, report.Station.Place) < 5e3 {
			if len(report.Levels) > len(known.Levels) {
				*known, w.soundingFile[k] = report, file
			}
			return
		}
	}
	w.soundings, w.soundingFile = append(w.soundings, report), append(w.soundingFile, file)
}

func appendModel(w *weather, d *decodedCrop, files []readFile) []*grid.Field {
	if d.Kind != stores.KindModel {
		return w.fields
	}
	w.modelFiles, w.modelName = append(w.modelFiles, files...), d.Source
	return append(w.fields, d.Fields...)
}

// judgementOf is what all sites of a job share. Jobs of the same moment from the
// same inputs share one.
func (s *service) judgementOf(ctx context.Context, p *programme.Programme, j *assessTask) (*judgement, error) {
	name := hexDigest(fmt.Append(nil, j.Programme.Digest, j.Moment.UnixNano(), j.Inputs))
	return s.judgements.get(ctx, name, func() (*judgement, int64, error) {
		w, err := s.weatherOf(ctx, j.Inputs)
		if err != nil {
			return nil, 0, err
		}
		of := &judgement{programme: p, method: methodOf(p), weather: w, frames: s.frameMemory(ctx, j.Programme.Digest)}
		of.gridders = s.gridderMemory(ctx, of, j.Programme.Digest)
		for k := range p.Sites {
			of.sites = append(of.sites, &p.Sites[k])
		}
		if len(w.fields) == 0 {
			of.lacks = "no model run that is recent enough covers the present"
			return of, 1, nil
		}
		air, err := s.airOf(ctx, p, j, w)
		if ctx.Err() != nil {
			return nil, 0, ctx.Err()
		}
		if err != nil {
			s.log.Warn("no atmosphere", "programme", p.ID, "error", err)
			of.lacks = err.Error()
			return of, 1, nil
		}
		w.fields = nil
		of.evidence = seedability.Evidence{Atmosphere: air, ModelLabel: w.modelLabel()}
		for _, file := range w.modelFiles {
			of.evidence.ModelFiles = append(of.evidence.ModelFiles, seedability.File{Name: filepath.Base(file.path), SHA256: file.sha256})
		}
		for k, report := range w.soundings {
			if of.wantsStation(report.Station.Identifier, report.Station.WMONumber) {
				file := w.soundingFile[k]
				of.evidence.Soundings = append(of.evidence.Soundings, seedability.Sounding{Column: report.Column(), File: seedability.File{Name: filepath.Base(file.path), SHA256: file.sha256}})
			}
		}
		of.observe()
		if of.bands = of.frameBands(); of.bands != nil && of.bands.err != nil {
			s.log.Warn("bands could not be followed", "programme", p.ID, "error", of.bands.err)
			of.bands = nil
		}
		known := of.evidenceAt(j.Moment) // once for all sites
		cost := int64(1 << 20)
		if known.Atmosphere != air {
			cost += known.Atmosphere.MemoryBytes()
		}
		return of, cost, nil
	})
}

// airOf builds the box of the model hours that a job names, or remembers it.
func (s *service) airOf(ctx context.Context, p *programme.Programme, j *assessTask, w *weather) (*grid.Atmosphere, error) {
	var hours []inputRef
	for _, ref := range j.Inputs {
		if ref.Kind == stores.KindModel {
			hours = append(hours, ref)
		}
	}
	name := hexDigest(fmt.Append(nil, j.Programme.Digest, hours))
	return s.airs.get(ctx, name, func() (*grid.Atmosphere, int64, error) {
		var places []grid.LatLon
		for k := range p.Sites {
			places = append(places, p.Sites[k].Place())
		}
		places = append(places, burntCorners(p)...)
		air, err := grid.BuildAtmosphere(w.fields, grid.AtmosphereOptions{Domain: places, MarginM: domainMarginM + siteToTargetM(p)})
		if err != nil {
			return nil, 0, fmt.Errorf("model fields of %s: %w", w.modelLabel(), err)
		}
		return air, air.MemoryBytes(), nil
	})
}

// picture is a radar volume laid on the plane of a programme's sites.
type picture struct{ frame *nowcast.Frame }

// frameMemory remembers pictures of volumes for a programme.
func (s *service) frameMemory(ctx context.Context, programmeDigest string) func(*grid.Volume, string, func() (*nowcast.Frame, error)) (*nowcast.Frame, error) {
	return func(volume *grid.Volume, label string, lay func() (*nowcast.Frame, error)) (*nowcast.Frame, error) {
		name := programmeDigest + label + volume.Radar + volume.Time.UTC().Format(time.RFC3339Nano)
		p, err := s.pictures.get(ctx, name, func() (picture, int64, error) {
			frame, err := lay()
			return picture{frame}, 1, err
		})
		return p.frame, err
	}
}

// gridderMemory remembers gridders: they depend on the radar's place, the plane of
// the programme and the terrain, which is the same in all runs of a model.
func (s *service) gridderMemory(ctx context.Context, of *judgement, programmeDigest string) func(*grid.Volume, func() (*radar.Gridder, error)) (*radar.Gridder, error) {
	return func(volume *grid.Volume, prepare func() (*radar.Gridder, error)) (*radar.Gridder, error) {
		ni, nj, _, _ := of.evidence.Atmosphere.Size()
		at := volume.Antenna
		name := fmt.Sprintf("%s %s %v %v %v %v %d %d %s", programmeDigest, volume.Radar, at.LatitudeDeg, at.LongitudeDeg, at.AltitudeM, volume.BeamwidthDeg, ni, nj, of.weather.modelName)
		return s.gridders.get(ctx, name, func() (*radar.Gridder, int64, error) {
			g, err := prepare()
			return g, 1, err
		})
	}
}

// assess does one job: every site that it names is assessed, settled and
// published.
func (s *service) assess(ctx context.Context, job bus.Job, delivery int) error {
	var j assessTask
	if err := json.Unmarshal(job.Data, &j); err != nil {
		return bus.Permanent(fmt.Errorf("assess job %s: %w", job.ID, err))
	}
	p, err := s.programme(ctx, j.Programme)
	if err != nil {
		return err
	}
	of, err := s.judgementOf(ctx, p, &j)
	if err != nil {
		return err
	}
	var holds []hold.Result
	if j.Mode == modeNow {
		if holds, err = s.holdsFor(ctx, p, j.Moment); err != nil {
			return err
		}
	}
	for _, id := range j.Sites {
		site := p.Site(id)
		if site == nil {
			return bus.Permanent(fmt.Errorf("programme %s has no site %q", p.ID, id))
		}
		if delivery > 1 {
			done, err := s.doneBefore(ctx, p.ID, id, &j)
			if err != nil {
				return err
			}
			if done {
				continue
			}
		}
		switch j.Mode {
		case modeNow:
			err = s.assessNow(ctx, of, site, &j, holds)
		case modeOutlook:
			err = s.assessOutlook(ctx, of, site, &j)
		default:
			err = bus.Permanent(fmt.Errorf("assess job %s: mode %q is not known", job.ID, j.Mode))
		}
		if err != nil {
			return err
		}
	}
	if j.Mode == modeNow && !s.rehearsed {
		if kind, _, _ := strings.Cut(j.Trigger, " "); !j.LastByte.IsZero() {
			s.metrics.ScorePublished(kind, time.Since(j.LastByte))
		} else {
			s.metrics.ScorePublished("clock", time.Since(j.Moment))
		}
	}
	return nil
}

// doneBefore says whether this job published a site's message before its worker died,
// and makes it the newest: the worker may have died between the two. What would be made
// now may be another, since an outlook or a hold has come meanwhile, and of a moment
// there is one.
func (s *service) doneBefore(ctx context.Context, programmeID, site string, j *assessTask) (bool, error) {
	kind := bus.Score
	if j.Mode == modeOutlook {
		kind = bus.Outlook
	}
	last, found, err := s.bus.LastStored(ctx, kind, programmeID, site)
	if err != nil || !found || !last.Event.Time.Equal(j.Moment) {
		return false, err
	}
	s.counts.add("assessments_superseded", 1)
	return true, s.bus.PutLatest(ctx, last.Event)
}

// assessNow judges a release at the moment of the job, and what the site's state
// is then.
func (s *service) assessNow(ctx context.Context, of *judgement, site *programme.Site, j *assessTask, holds []hold.Result) error {
	var last lastScore
	known, err := s.latest(ctx, bus.Score, of.programme.ID, site.ID, &last)
	if err != nil {
		return err
	}
	if known && s.supersedes(last.AsOf, j.Moment) {
		// Published already: by this job before its worker died, or a later moment.
		s.counts.add("assessments_superseded", 1)
		return nil
	}
	var ahead *seedability.Outlook
	var newest seedability.Outlook
	if known, err := s.latest(ctx, bus.Outlook, of.programme.ID, site.ID, &newest); err != nil {
		return err
	} else if known {
		ahead = &newest
	}
	a, err := judgeNow(ctx, of, site, j.Moment)
	if err != nil {
		return err
	}
	s.counts.add("assessments", 1)
	s.metrics.Assessed(of.programme.ID, 1)
	basis := j.basis()
	if known {
		basis.ScoreAsOf = last.AsOf
	}
	if ahead != nil {
		basis.OutlookIssuedAt = ahead.IssuedAt
	}
	a = settleNow(a, holds, last.Standing, ahead, of.method.Limits, basis)
	return s.publish(ctx, bus.Score, of.programme.ID, site.ID, a.AsOf, a)
}

// judgeNow judges a release of one site at a moment.
func judgeNow(ctx context.Context, of *judgement, site *programme.Site, moment time.Time) (seedability.Assessment, error) {
	if of.lacks != "" {
		return seedability.Blind(of.programme.ID, of.siteOf(site), moment, of.lacks), nil
	}
	a, err := seedability.Assess(ctx, of.programme.ID, of.siteOf(site), moment, moment, of.evidenceAt(moment), of.method)
	if errors.Is(err, drift.ErrNoRelease) {
		return seedability.Blind(of.programme.ID, of.siteOf(site), moment, err.Error()), nil
	}
	return a, err
}

// settleNow makes of a judgement what is published: under the holds, and after what
// was known of the site before. It is pure, as judgeNow is: whoever has the same crops
// and what basis names can do it again (replay.go).
func settleNow(a seedability.Assessment, holds []hold.Result, before *seedability.Standing, ahead *seedability.Outlook, limits seedability.Limits, basis *seedability.Basis) seedability.Assessment {
	a = hold.Apply(a, holds)
	standing := seedability.Settle(before, a, ahead, limits)
	a.Standing = &standing
	a.State, a.StateReason = standing.State, standing.Reason
	a.Basis = basis
	return a
}

// basis is what a job is done from.
func (j *assessTask) basis() *seedability.Basis {
	b := &seedability.Basis{Programme: j.Programme.Digest, Crops: make([]string, 0, len(j.Inputs))}
	for _, input := range j.Inputs {
		b.Crops = append(b.Crops, input.Object)
	}
	return b
}

// assessOutlook judges releases to the end of the model run.
func (s *service) assessOutlook(ctx context.Context, of *judgement, site *programme.Site, j *assessTask) error {
	var last seedability.Outlook
	known, err := s.latest(ctx, bus.Outlook, of.programme.ID, site.ID, &last)
	if err != nil {
		return err
	}
	if known && s.supersedes(last.IssuedAt, j.Moment) {
		s.counts.add("outlooks_superseded", 1)
		return nil
	}
	if of.lacks != "" {
		return nil // the scores say that the programme is blind
	}
	var previous *seedability.Outlook
	if known {
		previous = &last
	}
	assessments, err := judgeAhead(ctx, of, site, j.Moment)
	if err != nil {
		return err
	}
	if len(assessments) == 0 {
		return nil // the run has ended
	}
	s.counts.add("assessments", int64(len(assessments)))
	s.metrics.Assessed(of.programme.ID, len(assessments))
	basis := j.basis()
	if previous != nil {
		basis.OutlookIssuedAt = previous.IssuedAt
	}
	o, err := outlookOf(assessments, previous, of.method.Limits, basis)
	if err != nil {
		return bus.Permanent(err)
	}
	return s.publish(ctx, bus.Outlook, of.programme.ID, site.ID, o.IssuedAt, o)
}

// judgeAhead judges releases of one site from a moment to the end of the model run;
// none where the run has ended.
func judgeAhead(ctx context.Context, of *judgement, site *programme.Site, moment time.Time) ([]seedability.Assessment, error) {
	every := time.Duration(of.programme.Watch.OutlookMinutes * float64(time.Minute))
	first, end := of.evidence.Atmosphere.TimeRange()
	release := moment.Truncate(every)
	if moment.Sub(release) > time.Minute {
		release = release.Add(every)
	}
	evidence := of.evidenceAt(moment)
	var assessments []seedability.Assessment
	for ; !release.After(end); release = release.Add(every) {
		if release.Before(first) {
			continue
		}
		a, err := seedability.Assess(ctx, of.programme.ID, of.siteOf(site), release, moment, evidence, of.method)
		if errors.Is(err, drift.ErrNoRelease) {
			continue // a site or a time beyond the model
		}
		if err != nil {
			return nil, err
		}
		assessments = append(assessments, a)
	}
	return assessments, nil
}

// outlookOf makes of judgements the outlook that is published.
func outlookOf(assessments []seedability.Assessment, previous *seedability.Outlook, limits seedability.Limits, basis *seedability.Basis) (seedability.Outlook, error) {
	o, err := seedability.NewOutlook(assessments, previous, limits)
	o.Basis = basis
	return o, err
}

// supersedes says whether what was published for a moment stands in the way of
// what is to be published for another. What lies ahead of the clock was published
// before the clock was set back, and does not.
func (s *service) supersedes(published, moment time.Time) bool {
	return !published.Before(moment) && !published.After(s.clock.Now().Add(soonest))
}

// lastScore is what of a site's newest score goes into the next.
type lastScore struct {
	AsOf     time.Time             `json:"as_of"`
	Standing *seedability.Standing `json:"standing"`
}

// latest reads the newest message of a kind for a site.
func (s *service) latest(ctx context.Context, kind bus.Kind, programmeID, siteID string, into any) (known bool, err error) {
	if s.newest != nil {
		data, known := s.newest(kind, siteID)
		return known && json.Unmarshal(data, into) == nil, nil
	}
	event, known, err := s.bus.Latest(ctx, kind, programmeID, siteID)
	if err != nil || !known {
		return false, err
	}
	if err := json.Unmarshal(event.Data, into); err != nil {
		// Of an older version, or damaged: as good as none.
		s.log.Warn("the newest message cannot be read", "subject", event.Subject, "error", err)
		return false, nil
	}
	return true, nil
}

// publish stores a message and makes it the newest of its site.
func (s *service) publish(ctx context.Context, kind bus.Kind, programmeID, siteID string, at time.Time, data any) error {
	event, err := bus.NewEvent(kind, programmeID, siteID, at, data)
	if err != nil {
		return bus.Permanent(err)
	}
	stored, err := s.bus.Publish(ctx, event)
	if err != nil {
		return err
	}
	if err := s.bus.PutLatest(ctx, event); err != nil {
		return err
	}
	if !stored.Duplicate {
		s.counts.add(strings.TrimSuffix(kind.Name, "s")+"s_published", 1)
	}
	return nil
}
