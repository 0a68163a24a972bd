package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/agent"
	"rimeline/seedability/bus"
	"rimeline/seedability/drift"
	drawing "rimeline/seedability/page"
	"rimeline/seedability/profile"
	"rimeline/seedability/programme"
)

type assessCommand struct {
	Programme string        `required:"" placeholder:"FILE" help:"Programme file (YAML)."`
	Input     []string      `placeholder:"FILE-OR-DIR" help:"Model files and soundings, or folders of them. Left out: the inputs of the programme file."`
	Release   string        `placeholder:"TIME" help:"First release, RFC 3339 (2026-01-14T08:00Z). Left out: now, or the model's first time where now lies outside of the model."`
	Releases  int           `placeholder:"N" help:"How many release times; as in the programme file if left out."`
	Every     time.Duration `placeholder:"30m" help:"From one release to the next; as in the programme file if left out."`
	AsOf      string        `placeholder:"TIME" help:"The moment from which the age of inputs counts. Left out: each release itself, or now where it lies ahead."`
	Site      []string      `placeholder:"ID" help:"Only these sites."`
	Member    *int          `placeholder:"N" help:"Member of an ensemble model; needed where the files hold several."`
	Steady    time.Duration `placeholder:"2h" help:"Hold the first and the last model state for this long. A single model time needs it."`
	Out       string        `placeholder:"DIR" help:"Write for each site and release the path as GeoJSON, a map and a cross-section as PNG, and the event as JSON."`
	Publish   string        `placeholder:"URL" help:"Publish to a NATS server (nats://host:4222), or to one inside this process whose stream is read back and printed (embedded)."`
	Creds     string        `placeholder:"FILE" help:"NATS credentials file for --publish."`
}

func (assessCommand) Help() string {
	return `Judges for each site, and each release time, whether agent released then will work: follows an ensemble of particles through the model's air from the release to where the ice falls, and scores what they meet from 0 to 100. The table shows one line for each site and release; under it stand the components and reasons of each site's best release.

Examples:

    rimeline assess --programme valley.yaml --input model/ --input sounding.txt
    rimeline assess --programme valley.yaml --input model/ --release 2026-01-14T08:00Z --releases 4 --every 30m
    rimeline assess --programme valley.yaml --input wrfout.nc --release 2026-01-14T08:00Z --out out/ --json
    rimeline assess --programme valley.yaml --input model/ --publish nats://127.0.0.1:4222

With --json it prints an array of CloudEvents, one for each assessment, as they are published on rimeline.<programme>.score.<site>.

Exit status: 0 every site was assessed from every input, 1 an input could not be read or a site could not be assessed (the rest was), 2 wrong usage.

Advice only. Permit, licensed operator, the maker's instructions and local codes decide; suspension criteria are not evaluated here.`
}

// assessJob is one run of the command.
type assessJob struct {
	*assessCommand
	env       *environment
	programme *programme.Programme
	sites     []*programme.Site
	weather   *weather
	evidence  seedability.Evidence
	method    seedability.Method
	results   []result
	errs      []error
}

// result is one assessment with the event that carries it.
type result struct {
	site       *programme.Site
	assessment seedability.Assessment
	event      bus.Event
}

func (c *assessCommand) Run(env *environment) error {
	job := &assessJob{assessCommand: c, env: env}
	if c.Publish == "embedded" && c.Creds != "" {
		return usageError("--creds is for a server elsewhere, not for --publish embedded")
	}
	if c.Releases < 0 || c.Releases > maxReleases {
		return usageError(fmt.Sprintf("--releases: %d is outside 1 to %d", c.Releases, maxReleases))
	}
	if c.Every < 0 || c.Steady < 0 {
		return usageError("--every and --steady must not be negative")
	}
	release, err := parseTime("--release", c.Release)
	if err != nil {
		return err
	}
	asOf, err := parseTime("--as-of", c.AsOf)
	if err != nil {
		return err
	}
	if job.programme, err = loadProgramme(c.Programme); err != nil {
		return err
	}
	if err := job.pickSites(); err != nil {
		return err
	}
	job.method = methodOf(job.programme)
	paths := c.Input
	if len(paths) == 0 {
		if paths, err = job.programmeInputs(); err != nil {
			return err
		}
	}
	if release, err = job.readAir(paths, release); err != nil {
		return err
	}
	if err := job.assess(release, asOf); err != nil {
		return err
	}
	if err := job.write(); err != nil {
		return err
	}
	if err := job.show(); err != nil {
		return err
	}
	if err := job.publish(); err != nil {
		return err
	}
	for _, err := range append(job.weather.errs, job.errs...) {
		env.warn("%s", oneLine(err))
	}
	if len(job.weather.errs)+len(job.errs) > 0 {
		return errReported
	}
	return nil
}

const (
	maxReleases = 2000
	// domainMarginM around sites and targets: two hours at 12 m/s from a site, or
	// what a plume can stray past a target.
	domainMarginM = 60e3
)

// parseTime reads a time as people write it; zero for none.
func parseTime(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02T15Z07:00"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, usageError(fmt.Sprintf("%s: %q is not a time such as 2026-01-14T08:00Z", flag, text))
}

func (j *assessJob) pickSites() error {
	if len(j.Site) == 0 {
		for k := range j.programme.Sites {
			j.sites = append(j.sites, &j.programme.Sites[k])
		}
		return nil
	}
	for _, id := range j.Site {
		site := j.programme.Site(id)
		if site == nil {
			return usageError(fmt.Sprintf("--site: programme %s has no site %q", j.programme.ID, id))
		}
		j.sites = append(j.sites, site)
	}
	return nil
}

func (j *assessJob) programmeInputs() ([]string, error) {
	var paths []string
	for _, input := range j.programme.Inputs {
		expanded, err := expandPatterns(j.Programme, input.Paths)
		if err != nil {
			return nil, fmt.Errorf("%s: input %s: %w", j.Programme, input.ID, err)
		}
		paths = append(paths, expanded...)
	}
	if len(paths) == 0 {
		return nil, usageError("no --input, and the programme file names no inputs")
	}
	return paths, nil
}

// methodOf carries the programme's numbers into the method.
func methodOf(p *programme.Programme) seedability.Method {
	method := seedability.DefaultMethod()
	method.Limits = seedability.Limits{WindowScore: p.Thresholds.WindowScore, MinimumConfidence: p.Thresholds.ConfidenceMinimum}
	for k := range method.Criteria {
		criterion := &method.Criteria[k]
		change, ok := p.Thresholds.Components[criterion.Name]
		if !ok {
			continue
		}
		if len(change.Knots) > 0 {
			criterion.Membership = nil
			for _, knot := range change.Knots {
				criterion.Membership = append(criterion.Membership, seedability.Knot{X: knot[0], Mu: knot[1]})
			}
			criterion.Source = "programme file " + p.ID
		}
		if !math.IsNaN(change.Weight) {
			criterion.Weight = change.Weight
		}
	}
	ageings := map[string]seedability.Ageing{}
	for kind, ageing := range seedability.Ageings {
		ageings[kind] = ageing
	}
	hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
	for _, input := range p.Inputs {
		ageings[input.Kind] = seedability.Ageing{FreshFor: hours(input.FreshHours), UselessAfter: hours(input.MaximumAgeHours)}
	}
	method.Ageings = ageings

	e, minutes := p.Ensemble, func(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
	o := &method.Drift
	o.Members, o.Seed = e.Members, uint64(e.Seed)
	o.MaxDuration = minutes(e.LongestDriftMinutes)
	o.Perturbation = drift.Perturbation{DirectionSDDeg: e.DirectionSDDeg, SpeedSDFraction: e.SpeedSDFraction, UpwardSDFraction: e.VerticalSDFraction}
	o.ActivationWarmestK, o.ActivationColdestK = e.OnsetWarmestK, e.OnsetColdestK
	o.GrowthShortest, o.GrowthMode, o.GrowthLongest = minutes(e.GrowthMinutes.Shortest), minutes(e.GrowthMinutes.Likely), minutes(e.GrowthMinutes.Longest)
	o.FallSpeedMPerS, o.FallSpeedFactor = e.FallSpeedMPerS, e.FallSpeedFactor
	return method
}

// releaseTimes lists the releases from the first on.
func (j *assessJob) releaseTimes(first time.Time) []time.Time {
	count, every := j.Releases, j.Every
	if count == 0 {
		count = j.programme.Releases.Count
	}
	if every == 0 {
		every = time.Duration(j.programme.Releases.SpacingMinutes * float64(time.Minute))
	}
	var times []time.Time
	for k := range count {
		times = append(times, first.Add(time.Duration(k)*every))
	}
	return times
}

// readAir reads the inputs, builds the atmosphere and settles the first release.
func (j *assessJob) readAir(paths []string, release time.Time) (time.Time, error) {
	places := []grid.LatLon{}
	for _, site := range j.sites {
		places = append(places, site.Place())
	}
	domain := slices.Clone(places)
	south, west, north, east := j.programme.Bounds()
	for _, corner := range [][2]float64{{south, west}, {south, east}, {north, west}, {north, east}} {
		domain = append(domain, grid.LatLon{LatitudeDeg: corner[0], LongitudeDeg: corner[1]})
	}
	want := wanted{places: domain, marginM: domainMarginM}
	if !release.IsZero() {
		releases := j.releaseTimes(release)
		want.from, want.to = release, releases[len(releases)-1].Add(j.method.Drift.MaxDuration)
	}
	var err error
	if j.weather, err = readWeather(j.env, paths, want); err != nil {
		return release, err
	}
	if len(j.weather.fields) == 0 {
		return release, joinErrors(append(j.weather.errs, errors.New("no model fields around the sites: an assessment needs model output"))...)
	}
	air, err := grid.BuildAtmosphere(j.weather.fields, grid.AtmosphereOptions{
		Domain: places, MarginM: domainMarginM + siteToTargetM(j.programme), From: want.from, To: want.to, HoldFor: j.Steady, Member: j.Member,
	})
	if err != nil {
		return release, joinErrors(append(j.weather.errs, fmt.Errorf("model fields of %s: %w", j.weather.modelLabel(), err))...)
	}
	j.weather.fields = nil // the box has all of them that counts
	first, last := air.TimeRange()
	if release.IsZero() {
		release = time.Now().UTC().Truncate(time.Minute)
		if release.Before(first) || release.After(last) {
			release = first
		}
	}
	j.evidence = seedability.Evidence{Atmosphere: air, ModelLabel: j.weather.modelLabel()}
	for _, file := range j.weather.modelFiles {
		j.evidence.ModelFiles = append(j.evidence.ModelFiles, seedability.File{Name: filepath.Base(file.path), SHA256: file.sha256})
	}
	for k, report := range j.weather.soundings {
		if !j.wantsStation(report.Station.Identifier, report.Station.WMONumber) {
			continue
		}
		file := j.weather.soundingFile[k]
		j.evidence.Soundings = append(j.evidence.Soundings, seedability.Sounding{Column: report.Column(), File: seedability.File{Name: filepath.Base(file.path), SHA256: file.sha256}})
	}
	return release, nil
}

// wantsStation: a programme may name the stations whose soundings count.
func (j *assessJob) wantsStation(names ...string) bool {
	any := true
	for _, input := range j.programme.Inputs {
		if input.Kind != "sounding" || len(input.Stations) == 0 {
			continue
		}
		any = false
		for _, name := range names {
			if name != "" && slices.Contains(input.Stations, name) {
				return true
			}
		}
	}
	return any
}

// siteToTargetM is the longest way from a site to the centre of a target.
func siteToTargetM(p *programme.Programme) float64 {
	longest := 0.0
	for k := range p.Sites {
		for _, target := range p.TargetsOf(&p.Sites[k]) {
			longest = math.Max(longest, grid.DistanceM(p.Sites[k].Place(), target.Centroid()))
		}
	}
	return longest
}

// servedTarget gives a programme's target to the method.
type servedTarget struct{ *programme.Target }

func (t servedTarget) TargetID() string   { return t.ID }
func (t servedTarget) TargetName() string { return t.Name }
func (t servedTarget) Outline() []grid.LatLon {
	var outline []grid.LatLon
	for _, rings := range t.rings() {
		outline = append(outline, rings[0]...)
	}
	return outline
}

// rings lists the polygons' rings, the outer one first.
func (t servedTarget) rings() [][][]grid.LatLon {
	var polygons [][][]grid.LatLon
	for n := range t.Area.NumPolygons() {
		polygon := t.Area.Polygon(n)
		var rings [][]grid.LatLon
		for r := range polygon.NumLinearRings() {
			var ring []grid.LatLon
			for _, c := range polygon.LinearRing(r).Coords() {
				ring = append(ring, grid.LatLon{LatitudeDeg: c.Y(), LongitudeDeg: c.X()})
			}
			rings = append(rings, ring)
		}
		polygons = append(polygons, rings)
	}
	return polygons
}

// siteOf carries a programme's site into the method.
func (j *assessJob) siteOf(site *programme.Site) seedability.Site {
	s := seedability.Site{ID: site.ID, Name: site.Name, Place: site.Place(), AltitudeM: site.AltitudeM, ReleaseHeightM: site.ReleaseHeightM}
	if barrier := j.programme.BarrierOf(site); barrier != nil {
		s.Barrier = &profile.Barrier{CrestAltitudeM: barrier.CrestAltitudeM, TowardDeg: barrier.TowardDeg, ReleaseAltitudeM: math.NaN()}
	}
	table := j.programme.YieldTable(site.Agent.YieldTable)
	yield := agent.Yield{Name: table.ID, Evidence: table.Source}
	for _, point := range table.Points {
		yield.Points = append(yield.Points, agent.YieldPoint{AirTemperatureK: point.AirTemperatureK, CrystalsPerG: point.CrystalsPerG})
	}
	s.Agent = seedability.Agent{RateGPerS: site.Agent.RateGPerS(), Burn: site.Agent.ReleaseDuration(), Yield: yield.Scaled(table.FieldFactor), NucleationTimeS: table.NucleationMinutes * 60}
	for _, target := range j.programme.TargetsOf(site) {
		s.Targets = append(s.Targets, servedTarget{target})
	}
	return s
}

// assess runs every site and release.
func (j *assessJob) assess(first, asOf time.Time) error {
	now := time.Now().UTC()
	for _, site := range j.sites {
		of := j.siteOf(site)
		var assessments []seedability.Assessment
		for _, release := range j.releaseTimes(first) {
			moment := asOf
			if moment.IsZero() {
				moment = release
				if release.After(now) {
					moment = now.Truncate(time.Second)
				}
			}
			assessment, err := seedability.Assess(j.env, j.programme.ID, of, release, moment, j.evidence, j.method)
			if err != nil {
				if j.env.Err() != nil {
					return j.env.Err()
				}
				j.errs = append(j.errs, err)
				continue
			}
			assessments = append(assessments, assessment)
		}
		seedability.SettleOutlook(assessments)
		for _, assessment := range assessments {
			event, err := bus.NewEvent(bus.Score, j.programme.ID, site.ID, assessment.AsOf, assessment)
			if err != nil {
				return err
			}
			j.results = append(j.results, result{site, assessment, event})
		}
	}
	if len(j.results) == 0 {
		return joinErrors(j.errs...)
	}
	return nil
}

// write puts the files of --out.
func (j *assessJob) write() error {
	if j.Out == "" {
		return nil
	}
	if err := os.MkdirAll(j.Out, 0o755); err != nil {
		return plainPathError(err)
	}
	for _, r := range j.results {
		stem := filepath.Join(j.Out, r.site.ID+"."+r.assessment.ReleaseTime.Format("20060102T1504Z"))
		geojson, err := drawing.GeoJSON(r.assessment)
		if err != nil {
			return err
		}
		section, err := drawing.DrawSection(j.sectionOf(r))
		if err != nil {
			return fmt.Errorf("cross-section of %s: %w", r.site.ID, err)
		}
		picture, err := drawing.DrawMap(j.mapOf(r))
		if err != nil {
			return fmt.Errorf("map of %s: %w", r.site.ID, err)
		}
		event, err := json.MarshalIndent(r.event, "", "  ")
		if err != nil {
			return err
		}
		for _, file := range []struct {
			ending string
			bytes  []byte
		}{{".path.geojson", geojson}, {".section.png", section}, {".map.png", picture}, {".event.json", append(event, '\n')}} {
			if err := renameio.WriteFile(stem+file.ending, file.bytes, 0o644); err != nil {
				return plainPathError(err)
			}
		}
	}
	return nil
}

// title of a picture.
func (j *assessJob) title(r result) string {
	score := "no score"
	if r.assessment.Score.Value != nil {
		score = fmt.Sprintf("score %.0f", *r.assessment.Score.Value)
	}
	return fmt.Sprintf("%s, release %s: %s (%s)", r.site.Name, r.assessment.ReleaseTime.Format("2006-01-02 15:04 UTC"), r.assessment.State, score)
}

// mapOf collects what the map shows.
func (j *assessJob) mapOf(r result) drawing.Map {
	a := r.assessment
	m := drawing.Map{Title: j.title(r), Site: r.site.Place(), SiteName: r.site.Name, TerrainM: j.evidence.Atmosphere.TerrainAltitudeM}
	for _, step := range a.Path {
		m.Path = append(m.Path, drawing.MapPoint{Place: grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}, Minutes: step.Minutes})
	}
	m.Landings = append(m.Landings, a.Landings...)
	for _, target := range j.programme.TargetsOf(r.site) {
		outline := drawing.Outline{Name: target.Name, Contains: target.Contains}
		for _, rings := range (servedTarget{target}).rings() {
			outline.Rings = append(outline.Rings, rings...)
		}
		m.Targets = append(m.Targets, outline)
	}
	return m
}

// sectionOf samples the air above the mean path.
func (j *assessJob) sectionOf(r result) drawing.Section {
	a, air := r.assessment, j.evidence.Atmosphere
	nan := math.NaN()
	s := drawing.Section{Title: j.title(r), ActivationKM: nan, ActivationM: nan, LandingKM: nan}
	// The mean path stops where the last member lands; walked and timed, it is
	// the section's axis, carried on a little beyond.
	type point struct {
		place grid.LatLon
		km    float64
		at    time.Time
	}
	var points []point
	add := func(place grid.LatLon, at time.Time) {
		km := 0.0
		if n := len(points); n > 0 {
			km = points[n-1].km + grid.DistanceM(points[n-1].place, place)/1000
			if km-points[n-1].km < .05 {
				return
			}
		}
		points = append(points, point{place, km, at})
	}
	highest, lowest := -math.MaxFloat64, math.MaxFloat64
	for _, step := range a.Path {
		place := grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}
		at := a.ReleaseTime.Add(time.Duration(step.Minutes * float64(time.Minute)))
		before := len(points)
		add(place, at)
		if len(points) > before || before == 0 {
			s.Path = append(s.Path, drawing.SectionPoint{DistanceKM: points[len(points)-1].km, AltitudeM: step.AltitudeM,
				LowM: step.AltitudeM - step.AltitudeSpreadM, HighM: step.AltitudeM + step.AltitudeSpreadM, Minutes: step.Minutes})
		}
		highest = math.Max(highest, step.AltitudeM+step.AltitudeSpreadM)
	}
	if len(points) < 2 {
		// The plume hardly moved: show the air around the site all the same.
		site := r.site.Place()
		points = []point{{site, 0, a.ReleaseTime}, {grid.LatLon{LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg + .02}, 2, a.ReleaseTime}}
		s.Path = nil
	}
	for _, p := range points {
		terrainM, ok := air.TerrainAltitudeM(p.place)
		if !ok {
			terrainM = nan
		} else {
			lowest, highest = math.Min(lowest, terrainM), math.Max(highest, terrainM)
		}
		s.DistanceKM, s.TerrainM = append(s.DistanceKM, p.km), append(s.TerrainM, terrainM)
	}
	bottom, top := math.Floor((lowest-150)/100)*100, math.Ceil((highest+2200)/500)*500
	for altitudeM := bottom; altitudeM <= top; altitudeM += 50 {
		temperatures, liquids := make([]float64, len(points)), make([]float64, len(points))
		for i, p := range points {
			temperatures[i], liquids[i] = nan, nan
			if state, ok := air.StateAt(grid.Position{LatLon: p.place, AltitudeM: altitudeM}, p.at); ok && altitudeM >= s.TerrainM[i] {
				temperatures[i], liquids[i] = state.AirTemperatureK-273.15, state.CloudLiquidKgPerM3()*1000
			}
		}
		s.AltitudeM = append(s.AltitudeM, altitudeM)
		s.AirTemperatureC, s.LiquidGPerM3 = append(s.AirTemperatureC, temperatures), append(s.LiquidGPerM3, liquids)
	}
	along := func(minutes *float64) float64 {
		if minutes == nil {
			return nan
		}
		at := a.ReleaseTime.Add(time.Duration(*minutes * float64(time.Minute)))
		for _, p := range points {
			if !p.at.Before(at) {
				return p.km
			}
		}
		return points[len(points)-1].km
	}
	s.ActivationKM, s.LandingKM = along(a.Transport.ActivationMinutes.Q50), along(a.Transport.LandingMinutes.Q50)
	if e := a.Transport.Activation; e != nil {
		s.ActivationM = e.AltitudeM
	}
	for _, target := range j.programme.TargetsOf(r.site) {
		open := -1.0
		for _, p := range points {
			switch in := target.Contains(p.place); {
			case in && open < 0:
				open = p.km
			case !in && open >= 0:
				s.Targets = append(s.Targets, drawing.Stretch{Name: target.Name, FromKM: open, UpToKM: p.km})
				open = -1
			}
		}
		if last := points[len(points)-1].km; open >= 0 && last > open {
			s.Targets = append(s.Targets, drawing.Stretch{Name: target.Name, FromKM: open, UpToKM: last})
		}
	}
	return s
}

// publish sends the events, and reads the embedded server's stream back.
func (j *assessJob) publish() error {
	if j.Publish == "" {
		return nil
	}
	var connection *bus.Bus
	var err error
	if j.Publish == "embedded" {
		folder, err := os.MkdirTemp("", "rimeline-bus-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(folder)
		server, err := bus.Embedded(folder)
		if err != nil {
			return err
		}
		defer server.Close()
		if connection, err = server.Connect(j.env, bus.Options{}); err != nil {
			return err
		}
		defer connection.Close()
	} else {
		if connection, err = bus.Connect(j.env, j.Publish, bus.Options{CredentialsFile: j.Creds}); err != nil {
			return err
		}
		defer connection.Close()
	}
	if err := connection.EnsureStreams(j.env); err != nil {
		return err
	}
	for _, r := range j.results {
		stored, err := connection.Publish(j.env, r.event)
		if err != nil {
			return err
		}
		if err := connection.PutLatest(j.env, r.event); err != nil {
			return err
		}
		if !j.env.JSON && j.Publish != "embedded" {
			again := ""
			if stored.Duplicate {
				again = " (it was there already)"
			}
			fmt.Fprintf(j.env.Stdout, "published %s as %s %d%s\n", r.event.Subject, stored.Stream, stored.Sequence, again)
		}
	}
	if j.Publish != "embedded" {
		return nil
	}
	return j.showStream(connection)
}

// showStream prints what the stream holds.
func (j *assessJob) showStream(connection *bus.Bus) error {
	if j.env.JSON {
		return nil // the same events stand in the array already
	}
	fmt.Fprintf(j.env.Stdout, "\nRead back from the stream %s:\n", bus.Score.Stream)
	for stored, err := range connection.ReadBack(j.env, bus.Score) {
		if err != nil {
			return err
		}
		var a seedability.Assessment
		if err := json.Unmarshal(stored.Event.Data, &a); err != nil {
			return fmt.Errorf("message %d of %s: %w", stored.Sequence, bus.Score.Stream, err)
		}
		fmt.Fprintf(j.env.Stdout, "  %3d  %s  %s  release %s  %s\n", stored.Sequence, stored.Event.ID[:12], stored.Subject, a.ReleaseTime.Format("15:04 UTC"), stateText(a))
	}
	return nil
}

// show prints the table, or the events.
func (j *assessJob) show() error {
	if j.env.JSON {
		events := make([]bus.Event, 0, len(j.results))
		for _, r := range j.results {
			events = append(events, r.event)
		}
		return writeJSON(j.env.Stdout, events)
	}
	return printAssessments(j.env.Stdout, j)
}

func stateText(a seedability.Assessment) string {
	if a.Score.Value == nil {
		return string(a.State) + ", no score"
	}
	return fmt.Sprintf("%s, score %.0f", a.State, *a.Score.Value)
}

// printAssessments is the screen of the person on duty.
func printAssessments(w io.Writer, j *assessJob) error {
	p := &page{w: w}
	p.printf("%s\n", j.programme.Name)
	shown := map[string]bool{}
	for _, r := range j.results {
		for _, input := range r.assessment.Inputs {
			line := fmt.Sprintf("%-9s %s, %s", input.Kind+":", input.Label, input.ReferenceTime.Format("2006-01-02 15:04 UTC"))
			if !shown[line] {
				shown[line] = true
				p.printf("%s\n", line)
			}
		}
	}
	p.printf("air:      %s\n", j.evidence.Atmosphere.Report())

	zone := j.programme.Location
	rows := [][]string{{"SITE", "RELEASE UTC", strings.ToUpper(zoneName(j.results[0].assessment.ReleaseTime, zone)), "STATE", "SCORE", "SURE", "IN TARGET", "LIQUID", "PLUME IN CLOUD", "ACTS AFTER", "LANDS AFTER", "LANDS AT"}}
	for _, r := range j.results {
		rows = append(rows, assessmentRow(r, zone))
	}
	p.table("Assessments", rows)

	for _, site := range j.sites {
		best := bestOf(j.results, site)
		if best == nil {
			continue
		}
		printReasons(p, best, zone)
	}
	notes := []string{}
	for _, r := range j.results {
		for _, note := range r.assessment.Notes {
			if !slices.Contains(notes, note) {
				notes = append(notes, note)
			}
		}
	}
	if n := len(j.weather.passedOver); n > 0 {
		notes = append(notes, fmt.Sprintf("%s of other kinds in the input folders passed over", count(n, "file")))
	}
	if len(notes) > 0 {
		p.printf("\nNotes\n")
		for _, note := range notes {
			p.paragraph(note)
		}
	}
	if j.Out != "" {
		p.printf("\nMaps, cross-sections, paths and events are in %s.\n", j.Out)
	}
	p.printf("\nCautions\n")
	for _, caution := range seedability.Cautions {
		p.paragraph(caution)
	}
	return p.err
}

func zoneName(at time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	name, _ := at.In(zone).Zone()
	return name
}

// bestOf is the release of a site with the highest score; the first where none
// has one.
func bestOf(results []result, site *programme.Site) *result {
	var best *result
	value := func(r *result) float64 {
		if r.assessment.Score.Value == nil {
			return -1
		}
		return *r.assessment.Score.Value
	}
	for k := range results {
		if r := &results[k]; r.site == site && (best == nil || value(r) > value(best)) {
			best = r
		}
	}
	return best
}

func dash(value *float64, format string) string {
	if value == nil {
		return "-"
	}
	return fmt.Sprintf(format, *value)
}

func assessmentRow(r result, zone *time.Location) []string {
	a := r.assessment
	if zone == nil {
		zone = time.UTC
	}
	temperature, liquid := "-", "-"
	for _, component := range a.Score.Components {
		switch component.Name {
		case seedability.ComponentTemperature:
			temperature = dash(component.Input, "%.1f °C")
		case seedability.ComponentLiquid:
			liquid = dash(component.Input, "%.2f mm")
		}
	}
	target := "-"
	if p := a.Score.TargetProbability; p != nil {
		target = fmt.Sprintf("%.0f %%", 100**p)
	}
	lands := "nowhere"
	if e := a.Transport.Landing; e != nil {
		lands = fmt.Sprintf("%.0f km %s", e.DistanceM/1000, compass(e.BearingDeg))
	}
	minutes := func(q seedability.Quantiles) string {
		if q.Q50 == nil {
			return "-"
		}
		return fmt.Sprintf("%.0f (%.0f-%.0f) min", *q.Q50, *q.Q10, *q.Q90)
	}
	return []string{r.site.Name, a.ReleaseTime.Format("01-02 15:04"), a.ReleaseTime.In(zone).Format("15:04"), string(a.State), dash(a.Score.Value, "%.0f"),
		fmt.Sprintf("%.2f", a.Confidence.Value), target, liquid, temperature, minutes(a.Transport.ActivationMinutes), minutes(a.Transport.LandingMinutes), lands}
}

// compass names a direction.
func compass(deg float64) string {
	points := []string{"N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"}
	return points[int(math.Mod(deg/22.5+.5, 16))]
}

// printReasons shows the components of a site's best release.
func printReasons(p *page, r *result, zone *time.Location) {
	a := r.assessment
	if zone == nil {
		zone = time.UTC
	}
	p.printf("\n%s, release %s (%s): %s, %s\n", r.site.Name, a.ReleaseTime.Format("15:04 UTC"), a.ReleaseTime.In(zone).Format("15:04 MST"), stateText(a), a.StateReason)
	rows := [][]string{{"COMPONENT", "FOUND", "WORTH", "WEIGHT", "WHY"}}
	for _, component := range a.Score.Components {
		found := "-"
		if component.Input != nil {
			found = threeDigits(*component.Input)
			if component.Unit != "1" {
				found += " " + component.Unit
			}
		}
		rows = append(rows, []string{component.Name, found, dash(component.Value, "%.2f"), fmt.Sprintf("%.2f", component.Weight), component.Reason})
	}
	for _, target := range a.Transport.Targets {
		rows = append(rows, []string{"target", fmt.Sprintf("%.0f ± %.0f %%", 100*target.Probability, 100*target.StandardError), fmt.Sprintf("%.2f", target.Probability), "",
			fmt.Sprintf("%s: of %d members %d land inside, %d short, %d past, %d beside; %s", target.Name, a.Transport.Members, target.Inside, target.Short, target.Past, target.Beside, otherFates(a.Transport.Fates))})
	}
	p.table("", rows)
	for _, limit := range a.Score.Caps {
		p.paragraph(fmt.Sprintf("Opportunity held to %.1f: %s.", limit.Limit, limit.Reason))
	}
	if a.Dose.CrystalsPerLitre != nil {
		p.paragraph(fmt.Sprintf("Dose: %s.", a.Dose.Reason))
	}
	p.paragraph(fmt.Sprintf("Confidence %.2f: %s.", a.Confidence.Value, strings.Join(a.Confidence.Reasons, "; ")))
}

// threeDigits prints a number with three digits and never in powers of ten.
func threeDigits(x float64) string {
	if x == 0 {
		return "0"
	}
	decimals := max(0, 2-int(math.Floor(math.Log10(math.Abs(x)))))
	return strconv.FormatFloat(x, 'f', min(decimals, 6), 64)
}

// otherFates lists what became of the members that did not land.
func otherFates(fates map[string]int) string {
	var words []string
	for _, fate := range drift.Fates() {
		if n := fates[fate.String()]; n > 0 && fate != drift.Landed {
			words = append(words, fmt.Sprintf("%d %s", n, fate))
		}
	}
	if len(words) == 0 {
		return "none lost"
	}
	return strings.Join(words, ", ")
}
