package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/crop"
	"rimeline/ingest/feed"
	"rimeline/ingest/level2"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// ingestTask asks for one object of a store: fetch it, decode it, keep the part
// around the programme's sites, and record that.
type ingestTask struct {
	Programme programmeRef `json:"programme"`
	// Input is the identifier of the programme's input.
	Input  string        `json:"input,omitempty"`
	Need   stores.Need   `json:"need"`
	Object stores.Object `json:"object"`
	// Answer names what the object was when it was found, in the object store;
	// empty: it is fetched.
	Answer string `json:"answer,omitempty"`
}

// ingest does one job. A failure that trying again can mend is an error;
// one that it cannot is bus.Permanent.
func (s *service) ingest(ctx context.Context, job bus.Job, delivery int) error {
	var j ingestTask
	if err := json.Unmarshal(job.Data, &j); err != nil {
		return bus.Permanent(fmt.Errorf("ingest job %s: %w", job.ID, err))
	}
	p, err := s.programme(ctx, j.Programme)
	if err != nil {
		return err
	}
	fetched, err := s.fetch(ctx, &j)
	switch {
	case errors.Is(err, stores.ErrReplaced):
		// What is there now is announced as an object of its own.
		s.log.Info("replaced before it was fetched", "source", j.Object.Source, "object", j.Object.ID)
		return nil
	case errors.Is(err, feed.ErrTooLarge), errors.Is(err, feed.ErrMalformed):
		s.metrics.Input(j.Object.Source, "failed")
		return bus.Permanent(err)
	case err != nil:
		s.metrics.Input(j.Object.Source, "failed")
		return err
	}
	for _, f := range fetched.Files {
		s.metrics.Fetched(j.Object.Source, int64(len(f.Bytes)))
	}
	lastByte := s.clock.Now()
	c, domain, notes, err := s.decodeObject(ctx, p, &j, &fetched)
	if err != nil {
		s.metrics.Input(j.Object.Source, "refused")
		var format *ingest.FormatError
		if errors.As(err, &format) && !errors.Is(err, ingest.ErrTruncated) && !errors.Is(err, ingest.ErrDecoderDied) {
			return bus.Permanent(err)
		}
		return err
	}
	c.Source, c.Kind, c.Object, c.Station, c.Product = j.Object.Source, j.Object.Kind, j.Object.ID, j.Object.Station, j.Object.Product
	c.ReferenceTime, c.ValidTime, c.Published, c.Fetched = j.Object.ReferenceTime, j.Object.ValidTime, j.Object.Published, lastByte
	for _, f := range fetched.Files {
		c.Files = append(c.Files, crop.File{Name: f.Name, URL: f.URL, Bytes: int64(len(f.Bytes)), SHA256: f.SHA256, ETag: f.ETag, LastModified: f.LastModified})
	}
	return s.keep(ctx, p, &j, c, domain, notes)
}

// decodeObject reads what was fetched, by what it is for.
func (s *service) decodeObject(ctx context.Context, p *programme.Programme, j *ingestTask, fetched *stores.Fetched) (*crop.Crop, *message.Box, []string, error) {
	switch j.Object.Kind {
	case stores.KindGauge, stores.KindWarnings, stores.KindAvalanche, stores.KindTelemetry:
		c, notes, err := reportCrop(p, j, fetched)
		return c, nil, notes, err
	}
	c, domain, err := s.decode(ctx, p, j, fetched)
	return c, domain, nil, err
}

// keep stores the crop, and then the record that makes it known.
func (s *service) keep(ctx context.Context, p *programme.Programme, j *ingestTask, c *crop.Crop, domain *message.Box, notes []string) error {
	record := message.Input{
		Programme: p.ID, Source: c.Source, Kind: c.Kind, InputID: j.Input, ObjectID: c.Object, Station: c.Station, Product: c.Product,
		ReferenceTime: c.ReferenceTime, ValidTime: c.ValidTime, PublishedTime: c.Published, FetchedTime: c.Fetched,
		Files: []message.InputFile{}, Domain: domain, Notes: append([]string{}, notes...),
	}
	if c.Kind != stores.KindModel {
		record.ReferenceTime = time.Time{} // only model runs have one beside the valid time
	}
	identity := c.Source + " " + c.Object
	for _, f := range c.Files {
		record.Files = append(record.Files, message.InputFile{Name: f.Name, URL: f.URL, Bytes: f.Bytes, SHA256: f.SHA256, ETag: f.ETag, LastModified: f.LastModified})
		identity += " " + f.SHA256
	}
	encoded, err := crop.Encode(c)
	if err != nil {
		return bus.Permanent(fmt.Errorf("%s: %w", c.Object, err))
	}
	digest := hexDigest(encoded)
	record.Crop = &message.Crop{Object: cropName(p.ID, c.Kind, c.Object, digest), SHA256: digest, Bytes: int64(len(encoded))}
	if err := s.bus.PutObject(ctx, record.Crop.Object, encoded, nil); err != nil {
		return err
	}
	event, err := bus.NewEvent(bus.Input, p.ID, c.Kind, c.Fetched, record)
	if err != nil {
		return bus.Permanent(err)
	}
	// The same object fetched again, by whomever and whenever, is the same record.
	event.ID = hexDigest([]byte(event.Type + " " + event.Subject + " " + identity))
	stored, err := s.bus.Publish(ctx, event)
	if err != nil {
		return err
	}
	if !stored.Duplicate {
		s.counts.add("inputs_kept", 1)
		s.metrics.Input(c.Source, "ingested")
		level := slog.LevelInfo
		if c.Raw != nil {
			level = slog.LevelDebug // an answer a minute
		}
		s.log.Log(ctx, level, "input", "kind", c.Kind, "object", c.Object, "valid", c.ValidTime.Format(time.RFC3339), "crop_bytes", len(encoded))
	}
	return nil
}

// decode turns what was fetched into the part that the programme needs.
func (s *service) decode(ctx context.Context, p *programme.Programme, j *ingestTask, fetched *stores.Fetched) (*crop.Crop, *message.Box, error) {
	if len(fetched.Files) == 0 {
		return nil, nil, fmt.Errorf("%s: nothing was fetched", j.Object.ID)
	}
	env := s.environment(ctx)
	places, marginM := domainOf(p)
	want := wanted{places: places, marginM: marginM + siteToTargetM(p)}
	box := boxAround(places, want.marginM)
	name := fetched.Files[0].Name
	if j.Object.Kind == stores.KindRadar && len(fetched.Files) > 1 {
		volume, err := joinChunks(ctx, fetched)
		if err != nil {
			return nil, nil, err
		}
		return radarCrop(volume, places)
	}
	if len(fetched.Files) > 1 && j.Object.Kind == stores.KindSounding {
		// The parts of one ascent's bulletin belong together.
		var joined bytes.Buffer
		for _, f := range fetched.Files {
			joined.Write(f.Bytes)
			joined.WriteString("\n")
		}
		return soundingCrop(env, p, j.Object.Station, name, joined.Bytes(), j.Object.ValidTime)
	}
	if j.Object.Kind == stores.KindSounding {
		return soundingCrop(env, p, j.Object.Station, name, fetched.Files[0].Bytes, j.Object.ValidTime)
	}
	c := &crop.Crop{}
	for _, file := range fetched.Files {
		found, err := openBytes(env, file.Name, file.Bytes, j.Object.ValidTime)
		if err == nil {
			err = found.err
		}
		if err != nil {
			found.close()
			return nil, nil, err
		}
		switch {
		case j.Object.Kind == stores.KindRadar && found.volume != nil:
			found.close()
			return radarCrop(found.volume, places)
		case j.Object.Kind == stores.KindSatellite && found.netcdf != nil:
			err = satelliteCrop(env, c, file.Name, found, want)
		case j.Object.Kind == stores.KindMosaic && found.field != nil:
			err = mosaicCrop(env, c, file.Name, found, want)
		case j.Object.Kind == stores.KindModel && found.field != nil:
			var fields []*grid.Field
			fields, err = readModel(env, found, want)
			c.Fields = append(c.Fields, fields...)
		default:
			err = &ingest.FormatError{File: file.Name, Detail: fmt.Sprintf("is of kind %s, which a source of %s data should not give", found.kind, j.Object.Kind), Err: ingest.ErrUnsupported}
		}
		found.close()
		if err != nil {
			return nil, nil, err
		}
	}
	if len(c.Fields) == 0 && len(c.CloudTops) == 0 {
		return nil, nil, &ingest.FormatError{File: name, Detail: "holds nothing around the programme's sites that an assessment uses", Err: ingest.ErrUnsupported}
	}
	return c, box, nil
}

// boxAround is the box of places with a margin on all sides.
func boxAround(places []grid.LatLon, marginM float64) *message.Box {
	const metresPerDegree = 111.2e3
	box := &message.Box{SouthDeg: 90, NorthDeg: -90, WestDeg: 180, EastDeg: -180}
	for _, p := range places {
		box.SouthDeg, box.NorthDeg = math.Min(box.SouthDeg, p.LatitudeDeg), math.Max(box.NorthDeg, p.LatitudeDeg)
		box.WestDeg, box.EastDeg = math.Min(box.WestDeg, p.LongitudeDeg), math.Max(box.EastDeg, p.LongitudeDeg)
	}
	dLat := marginM / metresPerDegree
	box.SouthDeg, box.NorthDeg = math.Max(box.SouthDeg-dLat, -90), math.Min(box.NorthDeg+dLat, 90)
	dLon := dLat / math.Max(math.Cos(math.Max(math.Abs(box.SouthDeg), math.Abs(box.NorthDeg))*math.Pi/180), .05)
	box.WestDeg, box.EastDeg = math.Max(box.WestDeg-dLon, -180), math.Min(box.EastDeg+dLon, 180)
	return box
}

func joinChunks(ctx context.Context, fetched *stores.Fetched) (*grid.Volume, error) {
	assembler := level2.NewAssembler(level2.Options{})
	for _, f := range fetched.Files {
		if err := assembler.Add(ctx, level2.Chunk{Name: f.Name, Bytes: f.Bytes}); err != nil {
			return nil, err
		}
	}
	volume, err := assembler.Volume()
	if volume == nil {
		return nil, err
	}
	// Damaged radials are left out and noted; the rest is of use.
	return volume, nil
}

// radarMarginM around the sites is kept of a volume: bands are followed from
// afar, up to the edge of the picture.
const radarMarginM = bandPlaneKM / 2 * 1000

func radarCrop(volume *grid.Volume, places []grid.LatLon) (*crop.Crop, *message.Box, error) {
	thin := crop.Thin(volume, crop.ThinOptions{Places: places, MarginM: radarMarginM})
	box := boxAround([]grid.LatLon{volume.Antenna.LatLon}, 230e3)
	return &crop.Crop{Volume: thin}, box, nil
}

func soundingCrop(env *environment, p *programme.Programme, station, name string, b []byte, around time.Time) (*crop.Crop, *message.Box, error) {
	found, err := openBytes(env, name, b, around)
	defer found.close()
	if err != nil {
		return nil, nil, err
	}
	if found.soundings == nil {
		return nil, nil, &ingest.FormatError{File: name, Detail: "holds no sounding", Err: ingest.ErrUnsupported}
	}
	c := &crop.Crop{}
	var place []grid.LatLon
	for report, err := range found.soundings {
		if err != nil {
			return nil, nil, err
		}
		// A station's file may hold years.
		if !around.IsZero() && !report.Time.IsZero() && report.Time.Sub(around).Abs() > 12*time.Hour {
			continue
		}
		locate(p, &report, station)
		c.Reports = append(c.Reports, report)
		if !math.IsNaN(report.Station.Place.LatitudeDeg) {
			place = append(place, report.Station.Place)
		}
	}
	if len(c.Reports) == 0 {
		return nil, nil, &ingest.FormatError{File: name, Detail: "holds no sounding of the time that was asked for", Err: ingest.ErrUnsupported}
	}
	if len(place) == 0 {
		return c, nil, nil
	}
	return c, boxAround(place, 250e3), nil
}

// locate gives a report whose format names no place that of the programme's list
// of stations.
func locate(p *programme.Programme, report *sounding.Report, station string) {
	if !math.IsNaN(report.Station.Place.LatitudeDeg) {
		return
	}
	for _, known := range p.Stations {
		if known.ID != "" && (known.ID == station || known.ID == report.Station.Identifier || known.ID == report.Station.WMONumber) {
			report.Station.Place = grid.LatLon{LatitudeDeg: known.LatitudeDeg, LongitudeDeg: known.LongitudeDeg}
			if math.IsNaN(report.Station.AltitudeM) {
				report.Station.AltitudeM = known.AltitudeM
			}
			return
		}
	}
}

func satelliteCrop(env *environment, c *crop.Crop, name string, found *contents, want wanted) error {
	granule, err := satellite.Read(env, name, found.netcdf, satellite.Options{Places: want.places, MarginM: math.Max(want.marginM, cloudTopMarginM)})
	if err != nil {
		return err
	}
	c.CloudTops = append(c.CloudTops, granule)
	return nil
}

// mosaicCrop keeps the fields as they are stored; what their codes mean is read
// when they are used.
func mosaicCrop(env *environment, c *crop.Crop, name string, found *contents, want wanted) error {
	for k := range found.headers {
		header := &found.headers[k]
		if _, ok := mosaic.ProductOf(header); !ok {
			continue
		}
		window, _ := header.Grid.WindowOf(want.places, math.Max(want.marginM, radarMarginM))
		if window.NI <= 0 || window.NJ <= 0 {
			return &ingest.FormatError{File: name, Detail: mosaic.ErrOutside.Error(), Err: ingest.ErrUnsupported}
		}
		field, err := found.field(env, k, fieldOptions{Window: &window})
		if err != nil {
			return err
		}
		c.Fields = append(c.Fields, field)
	}
	return nil
}
