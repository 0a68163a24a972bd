package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/crop"
	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/programme"
)

// fileSources are the sources by whose names files of each format are recorded.
var fileSources = map[string]string{
	programme.FormatUSGS: "usgs-iv", programme.FormatNWPSGauge: "nwps-gauge", programme.FormatStageflow: "nwps-stageflow", programme.FormatSnotel: "snotel",
	programme.FormatTable: "gauge-table", programme.FormatJSON: "gauge-json", programme.FormatAlerts: "cap-feed",
	programme.FormatDanger: "avalanche-json", programme.FormatTelemetry: "telemetry-json",
}

// pageNeed is what an input for suspension criteria wants of its source; false
// where it comes by itself, over the bus. mirrors replace base URLs by source.
func pageNeed(p *programme.Programme, input *programme.Input, mirrors map[string]string) (stores.Need, bool) {
	if input.Source == programme.SourceBus {
		return stores.Need{}, false
	}
	n := stores.Need{Source: input.Source, Label: input.ID, URL: input.URL, BaseURL: input.BaseURL}
	if !math.IsNaN(input.PollMinutes) {
		n.Every = time.Duration(input.PollMinutes * float64(time.Minute))
	}
	if len(input.Paths) > 0 {
		n.Source = fileSources[input.Format]
		for _, path := range input.Paths {
			path = filepath.FromSlash(path)
			if !filepath.IsAbs(path) {
				path = filepath.Join(filepath.Dir(p.File), path)
			}
			n.Files = append(n.Files, path)
		}
		return n, true
	}
	if mirror, ok := mirrors[input.Source]; ok && n.BaseURL == "" {
		n.BaseURL = mirror
	}
	s, _ := stores.Find(input.Source)
	byStation := s.Stations || strings.Contains(input.URL, "{station}") || strings.Contains(input.URL, "{stations}")
	switch {
	case input.Kind == stores.KindGauge && byStation:
		n.Stations = input.Gauges
	case input.Kind == stores.KindAvalanche && byStation:
		n.Stations = input.Stations
	case input.Kind == stores.KindWarnings:
		n.Zones, n.Areas = input.Zones, input.Areas
	}
	return n, true
}

// localFetcher is a fetcher that reads files of this host too.
type localFetcher struct{ stores.Fetcher }

// ReadFile reads a regular file that nobody is writing to.
func (localFetcher) ReadFile(path string, limit int64) ([]byte, time.Time, error) {
	for range 3 {
		// Opening a pipe would wait for a writer.
		before, err := os.Stat(path)
		if err != nil {
			return nil, time.Time{}, plainPathError(err)
		}
		switch {
		case !before.Mode().IsRegular():
			return nil, time.Time{}, fmt.Errorf("%s: is no regular file", path)
		case before.Size() > limit:
			return nil, time.Time{}, fmt.Errorf("%s: has %d bytes, at most %d are read", path, before.Size(), limit)
		}
		b, after, err := readOpen(path, limit)
		if err != nil {
			return nil, time.Time{}, plainPathError(err)
		}
		if after.ModTime().Equal(before.ModTime()) && after.Size() == int64(len(b)) && os.SameFile(before, after) {
			return b, after.ModTime(), nil
		}
	}
	return nil, time.Time{}, fmt.Errorf("%s: is being written", path)
}

func readOpen(path string, limit int64) ([]byte, fs.FileInfo, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, nil, err
	}
	info, err := f.Stat()
	return b, info, err
}

// Glob lists the files that a pattern matches.
func (localFetcher) Glob(pattern string) ([]string, error) {
	found, err := filepath.Glob(pattern)
	if err != nil {
		return nil, fmt.Errorf("pattern %q: %w", pattern, err)
	}
	slices.Sort(found)
	return found, nil
}

// ingestJob makes the job by which an object is ingested. What a page or a file
// gave when it was looked at goes with it, through the object store: asking again
// would give something else, and a file lies on one host alone.
func (c *schedule) ingestJob(ctx context.Context, id string, object stores.Object) ([]byte, error) {
	task := ingestTask{Programme: c.ref, Input: id, Need: c.needs[id], Object: object}
	if len(object.Answer) > 0 {
		answer := &crop.Crop{Source: object.Source, Kind: object.Kind, Raw: []crop.RawFile{}}
		for _, f := range object.Answer {
			answer.Files = append(answer.Files, crop.File{Name: f.Name, URL: f.URL, Bytes: int64(len(f.Bytes)), SHA256: f.SHA256, ETag: f.ETag, LastModified: f.LastModified})
			answer.Raw = append(answer.Raw, crop.RawFile{Name: f.Name, Bytes: f.Bytes})
		}
		encoded, err := crop.Encode(answer)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", object.ID, err)
		}
		// The same answer again has the same name, and is not stored twice.
		task.Answer = "answers/" + hexDigest(encoded)
		if err := c.bus.PutObject(ctx, task.Answer, encoded, nil); err != nil {
			return nil, err
		}
		if task.Need.URL != "" {
			// It may hold a key, and nobody has to ask there again.
			task.Need.URL = feed.Redact(task.Need.URL)
			task.Object.Parts = slices.Clone(task.Object.Parts)
			for k := range task.Object.Parts {
				task.Object.Parts[k].URL = feed.Redact(task.Object.Parts[k].URL)
			}
		}
	}
	return json.Marshal(task)
}

// fetch brings what a job is about: from its source, or as it was found.
func (s *service) fetch(ctx context.Context, j *ingestTask) (stores.Fetched, error) {
	if j.Answer == "" {
		return stores.Fetch(ctx, s.fetcher, j.Object, j.Need)
	}
	encoded, err := s.bus.GetObject(ctx, j.Answer)
	if errors.Is(err, bus.ErrNoObject) {
		// Its time is over. A public page can be asked again, and then says what holds
		// now.
		if j.Need.URL != "" || len(j.Need.Files) > 0 {
			return stores.Fetched{}, bus.Permanent(fmt.Errorf("%s: what it said is no longer kept: %w", j.Object.ID, err))
		}
		return stores.Fetch(ctx, s.fetcher, j.Object, j.Need)
	}
	if err != nil {
		return stores.Fetched{}, err
	}
	answer, err := crop.Decode(j.Answer, encoded)
	if err == nil && len(answer.Files) != len(answer.Raw) {
		err = &ingest.FormatError{File: j.Answer, Detail: fmt.Sprintf("%d names of %d files", len(answer.Files), len(answer.Raw)), Err: ingest.ErrCorrupt}
	}
	if err != nil {
		return stores.Fetched{}, err
	}
	object := j.Object
	for k, f := range answer.Files {
		object.Answer = append(object.Answer, stores.File{Name: f.Name, URL: f.URL, Bytes: answer.Raw[k].Bytes, SHA256: f.SHA256, ETag: f.ETag, LastModified: f.LastModified})
	}
	return stores.Fetch(ctx, s.fetcher, object, j.Need)
}

// reportCrop keeps an answer for suspension criteria as it came. It is read here
// to find out whether it can be, so that one that cannot is told at once.
func reportCrop(p *programme.Programme, j *ingestTask, fetched *stores.Fetched) (*crop.Crop, []string, error) {
	input := p.Input(j.Input)
	if input == nil || input.Kind != j.Object.Kind {
		return nil, nil, bus.Permanent(fmt.Errorf("%s: programme %s has no input %q of the kind %s", j.Object.ID, p.ID, j.Input, j.Object.Kind))
	}
	station := ""
	if len(j.Need.Files) == 0 {
		station = j.Object.Station
	}
	c := &crop.Crop{Raw: []crop.RawFile{}}
	for _, f := range fetched.Files {
		c.Raw = append(c.Raw, crop.RawFile{Name: rawName(station, f.Name), Bytes: f.Bytes})
	}
	r, err := decodeReport(p, input, c.Raw, j.Object.ValidTime)
	if err != nil {
		// These bytes do not get better; the next answer has a job of its own.
		return nil, nil, bus.Permanent(fmt.Errorf("%s: %w", j.Object.ID, err))
	}
	return c, r.notes, nil
}
