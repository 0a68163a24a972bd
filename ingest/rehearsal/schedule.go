package rehearsal

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Buckets and directories below a Store's root, as the public stores name them.
const (
	bucketHRRR   = "noaa-hrrr-bdp-pds"
	bucketNEXRAD = "unidata-nexrad-level2"
	bucketChunks = "unidata-nexrad-level2-chunks"
	bucketMRMS   = "noaa-mrms-pds"
	bucketGOES   = "noaa-goes18"
	gatewayTEMP  = "data/raw"
	gatewayBUFR  = "data/raw/bufr"
)

const mosaicProduct = "MergedReflectivityQCComposite_00.50"

// object is one version of one key, a part of its batch.
type object struct {
	key       string // below its bucket, or below the root for directories
	published time.Time
	batch     *batch
	part      int
	bytes     int64 // where known without making it, else -1
	etag      string
}

// batch is what is made together, such as the pieces of a radar volume.
type batch struct {
	name string
	make func() ([][]byte, error)
}

func single(name string, write func() ([]byte, error)) *batch {
	return &batch{name, func() ([][]byte, error) {
		b, err := write()
		return [][]byte{b}, err
	}}
}

// shelf is one bucket, or the tree of directories.
type shelf struct {
	objects []object // by key, then by time
}

// from when to when the schedule reaches, around the scenario.
const (
	modelHistory  = 4 * time.Hour
	radarHistory  = 35 * time.Minute
	afterEnd      = time.Hour
	modelHours    = 18
	modelFirst    = 50 * time.Minute // after the run's time
	modelEach     = 115 * time.Second
	indexAfter    = 10 * time.Second
	chunkLatency  = 8 * time.Second
	volumeLatency = time.Minute
	mosaicSecond  = 38 * time.Second
	mosaicEvery   = 2 * time.Minute
	mosaicLatency = 95 * time.Second
	sectorLatency = 70 * time.Second // after the file was written
	ascentEvery   = 3 * time.Hour
	ascentHistory = 6 * time.Hour
	tempAfter     = 70 * time.Minute // after the release
	secondAfter   = 4 * time.Minute  // part B after part A
	bufrAfter     = 75 * time.Minute
	volumeNumbers = 999
	firstVolume   = 985 // so that the numbers wrap early on
)

// schedule is everything that the stores will publish, with the outage taken
// into account: model runs and soundings wait for its end, what radars and
// satellites measured meanwhile is lost.
func (s *Store) schedule() map[string]*shelf {
	start, end := s.scenario.Start(), s.scenario.End().Add(afterEnd)
	from, to := s.scenario.Outage()
	shelves := map[string]*shelf{}
	add := func(bucket string, o object) {
		o.etag = s.etag(bucket, o)
		if shelves[bucket] == nil {
			shelves[bucket] = &shelf{}
		}
		shelves[bucket].objects = append(shelves[bucket].objects, o)
	}
	away := func(at time.Time) bool { return !at.Before(from) && at.Before(to) }
	late := func(at time.Time) time.Time {
		if away(at) {
			return to
		}
		return at
	}
	lost := func(measured, published time.Time) bool { return away(measured) || away(published) }

	for run := start.Add(-modelHistory).Truncate(time.Hour); run.Before(end); run = run.Add(time.Hour) {
		for hour := range modelHours + 1 {
			key := fmt.Sprintf("hrrr.%s/conus/hrrr.t%02dz.wrfprsf%02d.grib2", run.Format("20060102"), run.Hour(), hour)
			published := late(run.Add(modelFirst + time.Duration(hour)*modelEach))
			file := single(key, func() ([]byte, error) { return s.model.file(s.scenario.Forecast(run), run, hour), nil })
			index := single(key+".idx", func() ([]byte, error) { return s.model.inventory(run, hour), nil })
			add(bucketHRRR, object{key: key, published: published, batch: file, bytes: int64(s.model.fileBytes())})
			add(bucketHRRR, object{key: index.name, published: late(published.Add(indexAfter)), batch: index, bytes: int64(len(s.model.inventory(run, hour)))})
		}
	}

	site := s.scenario.Radar().ID
	number := firstVolume
	for at := start.Add(-radarHistory).Truncate(scanPeriod).Add(12 * time.Second); at.Before(end); at = at.Add(scanPeriod) {
		stamp := at.Format("20060102-150405")
		volume := &batch{"radar volume " + stamp, func() ([][]byte, error) {
			chunks, err := Level2{Volume: s.radar.volume(s.scenario, at), RadialsInRecord: scanRecordRadials}.Chunks()
			var parts [][]byte
			for _, chunk := range chunks {
				parts = append(parts, chunk.Bytes)
			}
			return parts, err
		}}
		last := len(s.radar.sweeps) - 1
		whole := !lost(at, at)
		part := 0
		piece := func(kind string, measured time.Time) {
			published := measured.Add(chunkLatency)
			// The radar's line is cut: the rest of the volume never comes.
			if whole = whole && !lost(measured, published); whole {
				part++
				add(bucketChunks, object{key: fmt.Sprintf("%s/%d/%s-%03d-%s", site, number, stamp, part, kind),
					published: published, batch: volume, part: part - 1, bytes: -1})
			}
		}
		piece("S", at)
		for sweep := range s.radar.sweeps {
			for radial := scanRecordRadials - 1; radial < scanRadials; radial += scanRecordRadials {
				kind := "I"
				if sweep == last && radial == scanRadials-1 {
					kind = "E"
				}
				piece(kind, radialTime(at, sweep, radial))
			}
		}
		ended := radialTime(at, last, scanRadials-1)
		if published := ended.Add(volumeLatency); whole && !lost(ended, published) {
			whole := single(site+" "+stamp, func() ([]byte, error) {
				parts, err := s.vault.get(volume)
				return slices.Concat(parts...), err
			})
			add(bucketNEXRAD, object{key: fmt.Sprintf("%s/%s/%s%s_V06", at.Format("2006/01/02"), site, site, at.Format("20060102_150405")),
				published: published, batch: whole, bytes: -1})
		}
		if part > 0 { // whoever receives the pieces counts, not the radar
			number = number%volumeNumbers + 1
		}
	}

	for at := start.Add(-radarHistory).Truncate(mosaicEvery).Add(mosaicSecond); at.Before(end); at = at.Add(mosaicEvery) {
		if published := at.Add(mosaicLatency); !lost(at, published) {
			key := fmt.Sprintf("CONUS/%s/%s/MRMS_%s_%s.grib2.gz", mosaicProduct, at.Format("20060102"), mosaicProduct, at.Format("20060102-150405"))
			file := single(key, func() ([]byte, error) { return s.mosaic.file(s.scenario, at) })
			add(bucketMRMS, object{key: key, published: published, batch: file, bytes: -1})
		}
	}

	for _, p := range satelliteProducts {
		every, first, length, pass, write := p.scan()
		for at := start.Add(-radarHistory).Truncate(every).Add(first); at.Before(end); at = at.Add(every) {
			if published := at.Add(length + write + sectorLatency); !lost(at, published) && !away(at.Add(pass)) {
				file := single(p.key(at), func() ([]byte, error) { return s.satellite.file(s.scenario, p, at) })
				add(bucketGOES, object{key: file.name, published: published, batch: file, bytes: -1})
			}
		}
	}

	for _, station := range s.scenario.SoundingStations() {
		office := strings.ToLower(station.office())
		for nominal := start.Add(-ascentHistory).Truncate(ascentEvery); nominal.Before(end); nominal = nominal.Add(ascentEvery) {
			release := nominal.Add(-ascentEarlier)
			flight := &batch{"ascent " + station.ID + " " + nominal.Format(time.RFC3339), func() ([][]byte, error) {
				a := newAscent(s.scenario, station, nominal)
				return [][]byte{a.mandatory(), a.significantLevels(), a.bufr()}, nil
			}}
			add("", object{key: fmt.Sprintf("%s/us/usus46.%s.man.%s.txt", gatewayTEMP, office, office[1:]), published: late(release.Add(tempAfter)), batch: flight, part: 0, bytes: -1})
			add("", object{key: fmt.Sprintf("%s/um/umus46.%s.sgl.%s.txt", gatewayTEMP, office, office[1:]), published: late(release.Add(tempAfter + secondAfter)), batch: flight, part: 1, bytes: -1})
			add("", object{key: fmt.Sprintf("%s/%s.%s.bufr", gatewayBUFR, station.ID, nominal.Format("20060102T1504Z")), published: late(release.Add(bufrAfter)), batch: flight, part: 2, bytes: -1})
		}
	}
	for _, shelf := range shelves {
		slices.SortStableFunc(shelf.objects, func(a, b object) int {
			return cmp.Or(cmp.Compare(a.key, b.key), a.published.Compare(b.published))
		})
	}
	return shelves
}

// visible are the objects of keys with a prefix that are there at a time, of
// each key the newest version, in the order of keys.
func (s *shelf) visible(prefix string, at time.Time) []object {
	first, _ := slices.BinarySearchFunc(s.objects, prefix, func(o object, prefix string) int { return cmp.Compare(o.key, prefix) })
	var there []object
	for _, o := range s.objects[first:] {
		if !strings.HasPrefix(o.key, prefix) {
			break
		}
		if o.published.After(at) {
			continue
		}
		if n := len(there); n > 0 && there[n-1].key == o.key {
			there[n-1] = o
		} else {
			there = append(there, o)
		}
	}
	return there
}

// find is the object of a key at a time.
func (s *shelf) find(key string, at time.Time) (object, bool) {
	for _, o := range s.visible(key, at) {
		if o.key == key {
			return o, true
		}
	}
	return object{}, false
}
