package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	drawing "rimeline/seedability/page"
	"rimeline/seedability/programme"
)

type assessCommand struct {
	Programme string        `required:"" placeholder:"FILE" help:"Programme file (YAML)."`
	Input     []string      `sep:"none" placeholder:"FILE-OR-DIR" help:"Model file, sounding, radar volume, mosaic, cloud-top file, or a folder of them; several may follow. Left out: the inputs of the programme file."`
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

    rimeline assess --programme valley.yaml --input model/ sounding.txt
    rimeline assess --programme valley.yaml --input hrrr*.grib2 --input KXYZ20260114_07*_V06
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
	judgement
	env     *environment
	results []result
	errs    []error
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
	if len(job.programme.Holds) > 0 {
		env.warn("%s: holds: suspension criteria are not judged here; check them by hand before any release", c.Programme)
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
		if input.IsSafety() {
			continue
		}
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
		// An hour back, for what was observed before the release.
		want.from, want.to = release.Add(-time.Hour), releases[len(releases)-1].Add(j.method.Drift.MaxDuration)
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
	j.observe()
	if j.bands = j.frameBands(); j.bands != nil && j.bands.err != nil {
		j.errs = append(j.errs, j.bands.err)
		j.bands = nil
	}
	return release, nil
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
			assessment, err := seedability.Assess(j.env, j.programme.ID, of, release, moment, j.evidenceAt(moment), j.method)
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
