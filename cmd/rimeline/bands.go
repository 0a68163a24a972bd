package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/nowcast"
	drawing "rimeline/seedability/page"
	"rimeline/seedability/programme"
	"rimeline/seedability/radar"
)

type bandsCommand struct {
	Files []string `arg:"" name:"file" help:"Radar volumes (NEXRAD Level II, whole or as real-time chunks; CfRadial) or mosaics (MRMS GRIB2), several times of one radar or product; gzip is undone."`

	Programme string `placeholder:"FILE" help:"Programme file (YAML): say what comes to its sites, and when to release."`
	At        string `placeholder:"LAT,LON" help:"Centre, north and east positive: 39.5,-106 or --at=-33,151. Left out: the middle of the programme's sites, else the radar."`
	Size      int    `default:"460" placeholder:"KM" help:"Side of the square that is looked at, 40 to 1000 km."`

	Height       *float64 `placeholder:"M" xor:"surface" help:"Cut volumes at this altitude above sea level. Left out: the largest reflectivity above each place."`
	Isotherm     *float64 `placeholder:"DEGC" xor:"surface" help:"Cut volumes where the air of --temperatures has this temperature: -10."`
	Temperatures []string `sep:"none" placeholder:"FILE" help:"Model output or soundings for --isotherm; a model's terrain also tells where beams are blocked. May be given several times."`

	Threshold float64   `default:"20" placeholder:"DBZ" help:"Least reflectivity of a band or cell."`
	Horizon   int       `default:"120" placeholder:"MIN" help:"How far ahead arrivals are looked for, 10 to 360 minutes."`
	Method    string    `default:"flow" enum:"flow,correlation" help:"How motion is seen: optical flow, or box by box by correlation (${enum})."`
	Transport []float64 `default:"20,30,45" placeholder:"MIN" help:"Minutes after which a tenth, half and nine tenths of the agent is where it acts."`
	Radius    float64   `default:"5" placeholder:"KM" help:"How far around that place a band counts as there, 0 to 50 km."`
	AsOf      string    `placeholder:"TIME" help:"Moment before which no release can start, RFC 3339. Left out: the time of the newest picture."`
	Out       string    `placeholder:"DIR" help:"Write a picture (PNG), and objects, motion and arrivals as GeoJSON."`
	transport nowcast.Transport
}

func (bandsCommand) Help() string {
	return `Finds bands and cells in radar pictures, how they move, and when each reaches the place where the agent of each site acts; from that, when to release so that agent and band meet. Pictures are sorted by time; those of several radars or products are not mixed: the one with the most is followed.

Motion needs two pictures no more than 15 minutes apart. Where it cannot be seen the objects are listed all the same, with the reason why there is no motion. What the radar did not see is not taken for no echo: it is hatched in the picture, and arrivals are given only as far ahead as is known.

Without a model the place where agent acts is the site moved along the motion of the echo by the median of --transport. Air near the ground is often slower; assess follows it through the model.

Examples:

    rimeline bands KXYZ20260114_06*_V06 --programme valley.yaml
    rimeline bands chunks/20260114-0605* chunks/20260114-0610* --height 3000 --out out/
    rimeline bands KXYZ20260114_06*_V06 --isotherm=-10 --temperatures model.grib2
    rimeline bands MRMS_MergedReflectivityQCComposite_*.grib2.gz --at 39.5,-106 --size 300 --json

With --json: one object with "source", "frames", "motion" (null, and "no_motion" says why), "objects" (areas in m², "lat" and "lon" of the centroid, "motion" and "trend" null where unknown) and "sites", each with its "zone" and "bands" (arrival, peak and end with one standard deviation in minutes, and the release window).

Times are one standard deviation wide. Growth, decay and new echo are not foreseen; a radar does not see cloud droplets.

Exit status: 0 all went well (also without motion), 1 a file could not be read or nothing was found in any, 2 wrong usage.`
}

// bandsReport is what the command prints as JSON.
type bandsReport struct {
	Source   bandsSource   `json:"source"`
	Frames   []bandsFrame  `json:"frames"`
	Motion   *bandsMotion  `json:"motion"`
	NoMotion *noMotion     `json:"no_motion"`
	Objects  []bandsObject `json:"objects"`
	Sites    []bandsSite   `json:"sites"`
	Notes    []string      `json:"notes"`
}

type bandsSource struct {
	Kind      string   `json:"kind"` // "radar" or "mosaic"
	Name      string   `json:"name"`
	Shows     string   `json:"shows"`
	Lat       float64  `json:"lat"` // of the centre
	Lon       float64  `json:"lon"`
	SizeM     float64  `json:"size_m"`
	SpacingM  float64  `json:"spacing_m"`
	Threshold float64  `json:"threshold_dbz"`
	RadarLat  *float64 `json:"radar_lat,omitempty"`
	RadarLon  *float64 `json:"radar_lon,omitempty"`
}

type bandsFrame struct {
	Time      time.Time `json:"time"`
	Files     []string  `json:"files"`
	Complete  bool      `json:"complete"`
	SeenShare float64   `json:"seen_share"`
}

type bandsMotion struct {
	Method     string    `json:"method"`
	Earlier    time.Time `json:"earlier"`
	Later      time.Time `json:"later"`
	SpeedMPerS float64   `json:"speed_m_s"` // of the mean
	TowardsDeg float64   `json:"towards_deg"`
	Accepted   int       `json:"vectors_seen"`
	Vectors    int       `json:"vectors"`
}

type noMotion struct {
	Reason string `json:"reason"`
	Detail string `json:"detail"`
}

type bandsObject struct {
	ID             int           `json:"id"`
	Kind           string        `json:"kind"` // "band" or "cell"
	AreaM2         float64       `json:"area_m2"`
	LengthM        float64       `json:"length_m"`
	WidthM         float64       `json:"width_m"`
	OrientationDeg float64       `json:"orientation_deg"` // of the longer axis, 0 to 180
	PeakDBZ        float64       `json:"peak_dbz"`
	MeanDBZ        float64       `json:"mean_dbz"`
	Lat            float64       `json:"lat"` // of the centroid
	Lon            float64       `json:"lon"`
	DistanceM      float64       `json:"distance_m"` // from the centre
	BearingDeg     float64       `json:"bearing_deg"`
	PeakLat        float64       `json:"peak_lat"`
	PeakLon        float64       `json:"peak_lon"`
	Cut            bool          `json:"cut"` // by the edge, or by what was not seen
	Motion         *objectMotion `json:"motion"`
	Trend          *objectTrend  `json:"trend"`
	SplitFrom      *int          `json:"split_from"`
	Merged         []int         `json:"merged"`
}

type objectMotion struct {
	SpeedMPerS  float64 `json:"speed_m_s"`
	TowardsDeg  float64 `json:"towards_deg"`
	SpreadMPerS float64 `json:"sd_m_s"` // of each component
}

type objectTrend struct {
	Since      time.Time `json:"since"`
	FirstSeen  time.Time `json:"first_seen"`
	AreaM2PerS float64   `json:"area_m2_per_s"`
	PeakDBPerS float64   `json:"peak_db_per_s"`
	MeanDBPerS float64   `json:"mean_db_per_s"`
}

type bandsSite struct {
	ID   string     `json:"id"`
	Name string     `json:"name"`
	Lat  float64    `json:"lat"`
	Lon  float64    `json:"lon"`
	Zone *bandsZone `json:"zone"` // null without motion
	// KnownUntil: after it no arrival means nothing. Equal to the newest picture
	// where the zone itself is not seen.
	KnownUntil *time.Time                `json:"known_until"`
	Complete   bool                      `json:"complete"` // known to the horizon
	Bands      []seedability.BandPassage `json:"bands"`
}

type bandsZone struct {
	Lat              float64    `json:"lat"`
	Lon              float64    `json:"lon"`
	RadiusM          float64    `json:"radius_m"`
	DistanceM        float64    `json:"distance_m"` // from the site
	BearingDeg       float64    `json:"bearing_deg"`
	TransportMinutes [3]float64 `json:"transport_minutes"` // quantiles 0.1, 0.5, 0.9
}

// bandsJob is one run of the command.
type bandsJob struct {
	*bandsCommand
	env       *environment
	programme *programme.Programme
	series    *echoSeries
	scene     *nowcast.Scene
	motion    *nowcast.Motion
	report    bandsReport
	zones     []*nowcast.Zone // by site
	asOf      time.Time
	errs      []error
}

func (c *bandsCommand) Run(env *environment) error {
	j := &bandsJob{bandsCommand: c, env: env}
	reader, err := j.prepare()
	if err != nil {
		return err
	}
	if err := reader.read(c.Files); err != nil {
		return err
	}
	j.errs = append(j.errs, reader.errs...)
	if j.series = reader.pick(); j.series == nil {
		return joinErrors(j.errs...)
	}
	if err := j.look(); err != nil {
		return err
	}
	if err := j.write(); err != nil {
		return err
	}
	out := bufio.NewWriter(env.Stdout)
	if env.JSON {
		err = writeJSON(out, j.report)
	} else {
		err = j.print(&page{w: out})
	}
	if err := errors.Join(err, out.Flush()); err != nil {
		return err
	}
	for _, err := range j.errs {
		env.warn("%s", oneLine(err))
	}
	if len(j.errs) > 0 {
		return errReported
	}
	return nil
}

// prepare finds what makes no sense on the command line, and the centre.
func (j *bandsJob) prepare() (*echoReader, error) {
	c := j.bandsCommand
	switch {
	case c.Size < 40 || c.Size > 1000:
		return nil, usageError("--size: kilometres, 40 to 1000")
	case !(c.Threshold >= -20 && c.Threshold <= 70):
		return nil, usageError("--threshold: dBZ, -20 to 70")
	case c.Horizon < 10 || c.Horizon > 360:
		return nil, usageError("--horizon: minutes, 10 to 360")
	case !(c.Radius >= 0 && c.Radius <= 50):
		return nil, usageError("--radius: kilometres, 0 to 50")
	case c.Height != nil && !(*c.Height >= 0 && *c.Height <= 20000):
		return nil, usageError("--height: metres above sea level, 0 to 20000")
	case c.Isotherm != nil && !(*c.Isotherm >= -60 && *c.Isotherm <= 20):
		return nil, usageError("--isotherm: degrees Celsius, -60 to 20")
	case c.Isotherm != nil && len(c.Temperatures) == 0:
		return nil, usageError("--isotherm needs --temperatures, model output or a sounding")
	case len(c.Transport) != 3:
		return nil, usageError("--transport: three times in minutes, such as 20,30,45")
	}
	minutes := func(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
	if t := c.Transport; !(t[0] >= 0 && t[0] <= t[1] && t[1] <= t[2] && t[2] <= 360) {
		return nil, usageError("--transport: three times in minutes, rising, 0 to 360")
	}
	c.transport = nowcast.Transport{Q10: minutes(c.Transport[0]), Q50: minutes(c.Transport[1]), Q90: minutes(c.Transport[2])}
	var err error
	if j.asOf, err = parseTime("--as-of", c.AsOf); err != nil {
		return nil, err
	}
	reader := &echoReader{env: j.env, sideKM: c.Size}
	if c.At != "" {
		place, err := parsePlace(c.At)
		if err != nil {
			return nil, err
		}
		reader.centre = &place
	}
	if c.Programme != "" {
		if j.programme, err = loadProgramme(c.Programme); err != nil {
			return nil, err
		}
		if reader.centre == nil {
			reader.centre = middleOfSites(j.programme)
		}
	}
	reader.cut = j.cutOf
	reader.volumesOnly = c.Height != nil || c.Isotherm != nil || len(c.Temperatures) > 0
	return reader, nil
}

// middleOfSites is the centre of the box around the sites. No programme crosses
// the antimeridian.
func middleOfSites(p *programme.Programme) *grid.LatLon {
	south, north, west, east := 90.0, -90.0, 180.0, -180.0
	for _, site := range p.Sites {
		south, north = math.Min(south, site.LatitudeDeg), math.Max(north, site.LatitudeDeg)
		west, east = math.Min(west, site.LongitudeDeg), math.Max(east, site.LongitudeDeg)
	}
	return &grid.LatLon{LatitudeDeg: (south + north) / 2, LongitudeDeg: (west + east) / 2}
}

// cutOf says where the volumes of a radar are cut. The surface of an isotherm is
// that of the time of the first volume.
func (j *bandsJob) cutOf(v *grid.Volume, plane nowcast.Plane) (volumeCut, error) {
	cut := volumeCut{surface: radar.Composite(), what: "largest reflectivity above each place"}
	if j.Height != nil {
		cut.surface, cut.what = radar.ConstantAltitude(*j.Height), fmt.Sprintf("reflectivity at %s above sea level", metres(*j.Height))
	}
	if len(j.Temperatures) == 0 {
		return cut, nil
	}
	places := []grid.LatLon{v.Antenna.LatLon}
	half := plane.SpacingM * float64(plane.NI) / 2
	for _, x := range []float64{-1, 0, 1} {
		for _, y := range []float64{-1, 0, 1} {
			places = append(places, plane.Place(x*half, y*half))
		}
	}
	w, err := readWeather(j.env, j.Temperatures, wanted{places: places, marginM: domainMarginM, from: v.Time, to: v.Time})
	if err != nil {
		return cut, err
	}
	j.errs = append(j.errs, w.errs...)
	var air *grid.Atmosphere
	if len(w.fields) > 0 {
		if air, err = grid.BuildAtmosphere(w.fields, grid.AtmosphereOptions{HoldFor: modelHoldFor}); err != nil {
			return cut, fmt.Errorf("%s: %w", w.modelLabel(), err)
		}
		cut.terrain = air.TerrainAltitudeM
	}
	if j.Isotherm == nil {
		return cut, nil
	}
	target := *j.Isotherm + 273.15
	cut.what = fmt.Sprintf("reflectivity where the air has %g °C", *j.Isotherm)
	if air != nil {
		cut.what += " in " + w.modelLabel()
		cut.surface = radar.SurfaceAltitude(func(place grid.LatLon) (float64, bool) {
			column, ok := air.ColumnAt(place, v.Time)
			if !ok {
				return 0, false
			}
			return highestCrossingM(column, target)
		})
		return cut, nil
	}
	column, err := w.columnAt(plane.Origin, v.Time)
	if err != nil {
		return cut, err
	}
	altitudeM, ok := highestCrossingM(column, target)
	if !ok {
		return cut, fmt.Errorf("the sounding %s does not pass %g °C upwards", column.Label, *j.Isotherm)
	}
	cut.surface = radar.ConstantAltitude(altitudeM)
	cut.what += fmt.Sprintf(" in the sounding %s, %s above sea level", column.Label, metres(altitudeM))
	return cut, nil
}

// highestCrossingM is the highest altitude at which a column passes a
// temperature upwards from warm to cold.
func highestCrossingM(c grid.Column, airTemperatureK float64) (float64, bool) {
	altitudeM, found := 0.0, false
	below := -1
	for k, level := range c.Levels {
		if math.IsNaN(level.AltitudeM) || math.IsNaN(level.AirTemperatureK) {
			continue
		}
		if below >= 0 {
			low, high := c.Levels[below], level
			if low.AirTemperatureK >= airTemperatureK && high.AirTemperatureK < airTemperatureK {
				f := (low.AirTemperatureK - airTemperatureK) / (low.AirTemperatureK - high.AirTemperatureK)
				altitudeM, found = low.AltitudeM+f*(high.AltitudeM-low.AltitudeM), true
			}
		}
		below = k
	}
	return altitudeM, found
}

// look finds objects, motion and arrivals.
func (j *bandsJob) look() error {
	objects := nowcast.DefaultObjectOptions()
	if objects.ThresholdDBZ = j.Threshold; j.Threshold == 0 {
		objects.ThresholdDBZ = math.SmallestNonzeroFloat32 // zero asks for the default
	}
	options := nowcast.DefaultMotionOptions()
	if j.Method == "correlation" {
		options.Method = nowcast.CrossCorrelation
	}
	scene, motion, reason, err := j.series.watch(objects, options)
	if err != nil {
		return err
	}
	j.scene, j.motion = scene, motion
	newest := j.series.newest()
	if j.asOf.IsZero() {
		j.asOf = newest.Time
	}
	plane := newest.Plane
	r := &j.report
	r.Source = bandsSource{Kind: j.series.kind, Name: j.series.name, Shows: j.series.what, Lat: *rounded(plane.Origin.LatitudeDeg), Lon: *rounded(plane.Origin.LongitudeDeg),
		SizeM: plane.SpacingM * float64(plane.NI), SpacingM: plane.SpacingM, Threshold: j.Threshold}
	if a := j.series.antenna; a != nil {
		r.Source.RadarLat, r.Source.RadarLon = rounded(a.LatitudeDeg), rounded(a.LongitudeDeg)
	}
	for _, f := range j.series.frames {
		r.Frames = append(r.Frames, bandsFrame{Time: f.Time.UTC(), Files: f.files, Complete: f.complete, SeenShare: math.Round(f.seenShare()*1e4) / 1e4})
	}
	if motion != nil {
		r.Motion = &bandsMotion{Method: motion.Method.String(), Earlier: motion.Earlier.UTC(), Later: motion.Later.UTC(), SpeedMPerS: hundredth(motion.Mean.SpeedMPerS()),
			TowardsDeg: hundredth(motion.Mean.TowardsDeg()), Accepted: motion.Accepted, Vectors: len(motion.Quality)}
	} else if reason != nil {
		r.NoMotion = &noMotion{reason.Reason.String(), reason.Detail}
	}
	r.Objects = make([]bandsObject, 0, len(scene.Objects))
	for k := range scene.Objects {
		r.Objects = append(r.Objects, j.describeObject(&scene.Objects[k]))
	}
	r.Sites, r.Notes = []bandsSite{}, append([]string{}, j.series.notes...)
	if j.programme != nil {
		for k := range j.programme.Sites {
			if err := j.lookAhead(&j.programme.Sites[k]); err != nil {
				return err
			}
		}
	}
	j.addNotes()
	return nil
}

func hundredth(x float64) float64 { return math.Round(x*100) / 100 }

func kindOf(o *nowcast.Object) string {
	if o.Band {
		return "band"
	}
	return "cell"
}

func (j *bandsJob) describeObject(o *nowcast.Object) bandsObject {
	place := func(deg float64) float64 { return math.Round(deg*1e5) / 1e5 }
	bearing := nowcast.Vector{EastwardMPerS: o.CentroidXM, NorthwardMPerS: o.CentroidYM}.TowardsDeg()
	d := bandsObject{ID: o.ID, Kind: kindOf(o), AreaM2: o.AreaM2, LengthM: math.Round(o.LengthM), WidthM: math.Round(o.WidthM), OrientationDeg: hundredth(o.OrientationDeg),
		PeakDBZ: hundredth(o.PeakDBZ), MeanDBZ: hundredth(o.MeanDBZ), Lat: place(o.Centroid.LatitudeDeg), Lon: place(o.Centroid.LongitudeDeg),
		DistanceM: math.Round(math.Hypot(o.CentroidXM, o.CentroidYM)), BearingDeg: hundredth(bearing),
		PeakLat: place(o.Peak.LatitudeDeg), PeakLon: place(o.Peak.LongitudeDeg), Cut: o.Cut, Merged: append([]int{}, o.Merged...)}
	if j.motion != nil {
		v := j.motion.At(o.CentroidXM, o.CentroidYM)
		d.Motion = &objectMotion{hundredth(v.SpeedMPerS()), hundredth(v.TowardsDeg()), hundredth(j.motion.SpreadAt(o.CentroidXM, o.CentroidYM))}
	}
	if t := o.Trend; t != nil {
		d.Trend = &objectTrend{t.Since.UTC(), t.FirstSeen.UTC(), hundredth(t.AreaM2PerS), math.Round(t.PeakDBPerS*1e5) / 1e5, math.Round(t.MeanDBPerS*1e5) / 1e5}
	}
	if o.SplitFrom != 0 {
		d.SplitFrom = &o.SplitFrom
	}
	return d
}

// lookAhead finds what comes to one site.
func (j *bandsJob) lookAhead(site *programme.Site) error {
	s := bandsSite{ID: site.ID, Name: site.Name, Lat: site.LatitudeDeg, Lon: site.LongitudeDeg, Bands: []seedability.BandPassage{}}
	if j.motion == nil {
		j.report.Sites, j.zones = append(j.report.Sites, s), append(j.zones, nil)
		return nil
	}
	plane := j.scene.Frame.Plane
	x, y := plane.XY(site.Place())
	x, y = drawing.Carry(j.motion, x, y, j.transport.Q50)
	zone := &nowcast.Zone{Place: plane.Place(x, y), RadiusM: j.Radius * 1000}
	s.Zone = &bandsZone{Lat: math.Round(zone.Place.LatitudeDeg*1e5) / 1e5, Lon: math.Round(zone.Place.LongitudeDeg*1e5) / 1e5, RadiusM: zone.RadiusM,
		DistanceM: math.Round(grid.DistanceM(site.Place(), zone.Place)), BearingDeg: hundredth(grid.AzimuthDeg(site.Place(), zone.Place)), TransportMinutes: [3]float64(j.Transport)}
	approach, err := nowcast.Arrivals(j.scene, j.motion, *zone, nowcast.ArrivalOptions{Horizon: time.Duration(j.Horizon) * time.Minute})
	if err != nil {
		return fmt.Errorf("site %s: %w", site.ID, err)
	}
	until := approach.Until.UTC()
	s.KnownUntil, s.Complete = &until, approach.Complete
	for _, arrival := range approach.Arrivals {
		s.Bands = append(s.Bands, passageOf(arrival, j.transport, j.asOf))
	}
	j.report.Sites, j.zones = append(j.report.Sites, s), append(j.zones, zone)
	return nil
}

// passageOf describes an arrival with its release window, as assessments do.
func passageOf(a nowcast.Arrival, transport nowcast.Transport, asOf time.Time) seedability.BandPassage {
	moment := func(t nowcast.Timing) seedability.Moment {
		return seedability.Moment{Time: t.Time.UTC().Round(time.Second), SDMinutes: hundredth(t.SD.Minutes())}
	}
	window := nowcast.ReleaseWindow(a, transport, nowcast.WindowOptions{NotBefore: asOf})
	p := seedability.BandPassage{ID: a.Object.ID, Kind: kindOf(&a.Object), Probability: hundredth(a.Probability), PeakDBZ: hundredth(a.PeakDBZ),
		Arrival: moment(a.Arrival), Peak: moment(a.Peak), End: moment(a.End), Release: seedability.ReleaseView{State: window.State.String(), Probability: hundredth(window.Probability)}}
	if window.State == nowcast.Open {
		at := func(t time.Time) *time.Time { t = t.UTC().Round(time.Second); return &t }
		p.Release.Start, p.Release.Best, p.Release.End = at(window.Start), at(window.Best), at(window.End)
	}
	return p
}

// addNotes says what the numbers rest on.
func (j *bandsJob) addNotes() {
	r := &j.report
	note := func(format string, arguments ...any) { r.Notes = append(r.Notes, fmt.Sprintf(format, arguments...)) }
	if newest := j.series.newest(); !newest.complete {
		note("The newest volume is not complete; what its missing sweeps would show is not seen.")
	}
	if j.series.kind == "radar" && !j.series.skyline {
		note("Blockage by terrain is not known here; blocked echo looks like no echo.")
	}
	if len(r.Sites) > 0 && j.motion != nil {
		t := j.Transport
		note("Without a model, agent is taken to act where the motion of the echo carries it from the site in %g min (%g to %g min).", t[1], t[0], t[2])
	}
	note("Times are with one standard deviation, of motion alone. Growth, decay and new echo are not foreseen.")
	note("A radar does not see cloud droplets: no echo does not mean no liquid.")
}

// write puts the files of --out.
func (j *bandsJob) write() error {
	if j.Out == "" {
		return nil
	}
	if err := os.MkdirAll(j.Out, 0o755); err != nil {
		return plainPathError(err)
	}
	picture, err := drawing.DrawEchoField(j.picture())
	if err != nil {
		return fmt.Errorf("picture: %w", err)
	}
	geojson, err := j.geoJSON()
	if err != nil {
		return err
	}
	stem := filepath.Join(j.Out, "bands."+fileSafe(j.series.name)+"."+j.scene.Frame.Time.UTC().Format("20060102T1504Z"))
	for _, file := range []struct {
		ending string
		bytes  []byte
	}{{".png", picture}, {".geojson", append(geojson, '\n')}} {
		if err := renameio.WriteFile(stem+file.ending, file.bytes, 0o644); err != nil {
			return plainPathError(err)
		}
	}
	return nil
}

// fileSafe keeps letters, digits, dots and hyphens of a name that a file gave.
func fileSafe(name string) string {
	return strings.Trim(strings.Map(func(c rune) rune {
		if c < 128 && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '-') {
			return c
		}
		return '-'
	}, name), "-.")
}

func (j *bandsJob) geoJSON() ([]byte, error) {
	features := drawing.EchoFeatures{Scene: j.scene, Motion: j.motion, Ahead: time.Duration(j.Horizon) * time.Minute}
	for _, o := range j.report.Objects {
		properties, err := propertiesOf(o)
		if err != nil {
			return nil, err
		}
		properties["time"] = j.scene.Frame.Time.UTC()
		features.Objects = append(features.Objects, properties)
	}
	for k, s := range j.report.Sites {
		properties, err := propertiesOf(s)
		if err != nil {
			return nil, err
		}
		features.Sites = append(features.Sites, drawing.SiteFeature{ID: s.ID, Place: grid.LatLon{LatitudeDeg: s.Lat, LongitudeDeg: s.Lon}, Zone: j.zones[k], Properties: properties})
	}
	return drawing.BandsGeoJSON(features)
}

// propertiesOf gives an object of the JSON output as GeoJSON properties; places
// are in the geometry.
func propertiesOf(value any) (map[string]any, error) {
	b, err := json.Marshal(value)
	if err != nil {
		return nil, err
	}
	var properties map[string]any
	if err := json.Unmarshal(b, &properties); err != nil {
		return nil, err
	}
	delete(properties, "lat")
	delete(properties, "lon")
	return properties, nil
}

// picture collects what the picture shows.
func (j *bandsJob) picture() drawing.EchoField {
	r := &j.report
	newest := j.scene.Frame.Time.UTC()
	e := drawing.EchoField{Scene: j.scene, Motion: j.motion, Title: fmt.Sprintf("%s %s, %s", strings.ToUpper(j.series.kind[:1])+j.series.kind[1:], j.series.name, newest.Format("2006-01-02 15:04 UTC"))}
	e.Subtitle = fmt.Sprintf("%s; centre %s; %.1f %% seen", j.series.what, latLon(r.Source.Lat, r.Source.Lon), 100*r.Frames[len(r.Frames)-1].SeenShare)
	if j.motion != nil {
		e.Subtitle += fmt.Sprintf("; motion from %s to %s UTC", r.Motion.Earlier.Format("15:04"), r.Motion.Later.Format("15:04"))
	} else if r.NoMotion != nil {
		e.NoMotion = r.NoMotion.Reason + ": " + r.NoMotion.Detail
	}
	if j.series.antenna != nil {
		e.Radar, e.RadarName = j.series.antenna.LatLon, j.series.name
	}
	if j.programme == nil {
		return e
	}
	for k := range j.programme.Sites {
		site := &j.programme.Sites[k]
		e.Sites = append(e.Sites, drawing.EchoSite{Name: site.Name, Place: site.Place(), Zone: j.zones[k], Coming: comingText(&r.Sites[k], newest)})
	}
	for k := range j.programme.Targets {
		target := &j.programme.Targets[k]
		outline := drawing.Outline{Name: target.Name, Contains: target.Contains}
		for _, rings := range (servedTarget{target}).rings() {
			outline.Rings = append(outline.Rings, rings...)
		}
		e.Targets = append(e.Targets, outline)
	}
	return e
}

// leastShown is the least probability of an arrival that people are shown.
const leastShown = .2

// certain arrivals go into the picture without their probability.
const certain = .9

// shown are the arrivals that people are shown.
func (s *bandsSite) shown() []seedability.BandPassage {
	var bands []seedability.BandPassage
	for _, b := range s.Bands {
		if b.Probability >= leastShown {
			bands = append(bands, b)
		}
	}
	return bands
}

// silence says what it means that nothing is shown.
func (s *bandsSite) silence(newest time.Time, clock func(time.Time) string) string {
	switch {
	case s.KnownUntil == nil:
		return "not known without motion"
	case !s.KnownUntil.After(newest):
		return "not seen: nothing is known of what comes"
	}
	return "nothing comes up to " + clock(*s.KnownUntil)
}

func comingText(s *bandsSite, newest time.Time) string {
	var parts []string
	for _, b := range s.shown() {
		name := fmt.Sprintf("%s %d", b.Kind, b.ID)
		if !b.Arrival.Time.After(newest) {
			parts = append(parts, fmt.Sprintf("%s is there, ends %s ± %.0f min", name, b.End.Time.Format("15:04"), wholeMinutes(b.End)))
		} else {
			parts = append(parts, fmt.Sprintf("%s at %s ± %.0f min", name, b.Arrival.Time.Format("15:04"), wholeMinutes(b.Arrival)))
		}
		if b.Probability < certain {
			parts[len(parts)-1] += fmt.Sprintf(" (%.0f %%)", 100*b.Probability)
		}
		if len(parts) == 2 {
			break
		}
	}
	if len(parts) == 0 {
		return s.silence(newest, func(t time.Time) string { return t.Format("15:04") })
	}
	return strings.Join(parts, "; ")
}

// mostListed objects are listed for people; JSON has all.
const mostListed = 40

func (j *bandsJob) print(p *page) error {
	r := &j.report
	newest := r.Frames[len(r.Frames)-1]
	p.printf("%s %s: %s\n", j.series.kind, j.series.name, j.series.what)
	p.printf("around:  %s, %s across, in cells of %s\n", latLon(r.Source.Lat, r.Source.Lon), kilometres(r.Source.SizeM), kilometres(r.Source.SpacingM))
	p.printf("newest:  %s, %s in all since %s; %.1f %% of the square was seen\n", newest.Time.Format("2006-01-02 15:04 UTC"), count(len(r.Frames), "picture"), r.Frames[0].Time.Format("15:04 UTC"), 100*newest.SeenShare)
	if m := r.Motion; m != nil {
		p.printf("motion:  %s in the mean, by %s from %s to %s, seen in %d of %d places\n", motionText(m.SpeedMPerS, m.TowardsDeg), m.Method, m.Earlier.Format("15:04"), m.Later.Format("15:04 UTC"), m.Accepted, m.Vectors)
	} else if r.NoMotion != nil {
		p.printf("no motion: %s: %s\n", r.NoMotion.Reason, r.NoMotion.Detail)
	}
	if len(r.Objects) == 0 {
		p.printf("\nNo band or cell of %g dBZ or more in what was seen.\n", j.Threshold)
	} else {
		j.printObjects(p)
	}
	for k := range r.Sites {
		j.printSite(p, &r.Sites[k], newest.Time)
	}
	p.printf("\nNotes\n")
	for _, note := range r.Notes {
		p.paragraph(note)
	}
	if j.Out != "" {
		p.printf("\nPicture and GeoJSON are in %s.\n", j.Out)
	}
	return p.err
}

func motionText(speedMPerS, towardsDeg float64) string {
	return fmt.Sprintf("towards %s at %.1f m/s (%.0f km/h)", direction(math.Mod(towardsDeg+.5, 360)-.5), speedMPerS, 3.6*speedMPerS)
}

func (j *bandsJob) printObjects(p *page) {
	r := &j.report
	rows := [][]string{{"ID", "KIND", "AREA km²", "LENGTH km", "LIES", "PEAK dBZ", "WHERE", "TOWARDS", "m/s", "km/h", "TREND"}}
	cut := false
	for k := range r.Objects[:min(len(r.Objects), mostListed)] {
		o := &r.Objects[k]
		area := strconv.FormatFloat(o.AreaM2/1e6, 'f', 0, 64)
		if o.Cut {
			area, cut = area+"+", true
		}
		towards, speed, kmPerH := "-", "-", "-"
		if m := o.Motion; m != nil {
			towards, speed, kmPerH = direction(m.TowardsDeg), fmt.Sprintf("%.1f ± %.1f", m.SpeedMPerS, m.SpreadMPerS), fmt.Sprintf("%.0f", 3.6*m.SpeedMPerS)
		}
		rows = append(rows, []string{strconv.Itoa(o.ID), o.Kind, area, fmt.Sprintf("%.0f", o.LengthM/1000), fmt.Sprintf("%.0f°", o.OrientationDeg), fmt.Sprintf("%.0f", o.PeakDBZ),
			fmt.Sprintf("%.0f km %s", o.DistanceM/1000, compass(o.BearingDeg)), towards, speed, kmPerH, trendText(o, r.Frames[len(r.Frames)-1].Time)})
	}
	p.table("Bands and cells, the largest first", rows)
	if n := len(r.Objects) - mostListed; n > 0 {
		p.printf("  and %s more, all in --json\n", count(n, "smaller object"))
	}
	if cut {
		p.printf("  + touches the edge or what was not seen, and may be larger\n")
	}
}

// trendText compares an object with itself in the picture before.
func trendText(o *bandsObject, newest time.Time) string {
	var words []string
	if t := o.Trend; t != nil {
		lag := newest.Sub(t.Since)
		words = append(words, fmt.Sprintf("%+.0f km², %+.0f dB in %.0f min", wholeNumber(t.AreaM2PerS*lag.Seconds()/1e6), wholeNumber(t.PeakDBPerS*lag.Seconds()), lag.Minutes()))
	} else if o.Motion != nil {
		words = append(words, "new")
	}
	if o.SplitFrom != nil {
		words = append(words, fmt.Sprintf("off %d", *o.SplitFrom))
	}
	switch n := len(o.Merged); {
	case n == 1:
		words = append(words, fmt.Sprintf("took in %d", o.Merged[0]))
	case n > 1:
		words = append(words, fmt.Sprintf("took in %d others", n))
	}
	return strings.Join(words, ", ")
}

// wholeNumber rounds, and knows no "-0".
func wholeNumber(x float64) float64 { return math.Round(x) + 0 }

func (j *bandsJob) printSite(p *page, s *bandsSite, newest time.Time) {
	p.printf("\n%s", s.Name)
	if s.Zone != nil {
		p.printf(": its agent acts %s %s of it", kilometres(s.Zone.DistanceM), compass(s.Zone.BearingDeg))
	}
	p.printf("\n")
	bands := s.shown()
	unlikely := func() {
		if hidden := len(s.Bands) - len(bands); hidden > 0 {
			p.printf("  and %s less likely than %.0f %%, in --json\n", count(hidden, "arrival"), 100*leastShown)
		}
	}
	if len(bands) == 0 {
		p.printf("  %s\n", s.silence(newest, j.clock))
		unlikely()
		return
	}
	rows := [][]string{{"WHAT", "CHANCE", "ARRIVES", "PEAK", "", "ENDS", "RELEASE FOR IT"}}
	for _, b := range bands {
		arrives := j.momentText(b.Arrival)
		if !b.Arrival.Time.After(newest) {
			arrives = "is there"
		}
		ends := j.momentText(b.End)
		if s.KnownUntil != nil && !b.End.Time.Before(*s.KnownUntil) {
			ends = "after " + j.clock(*s.KnownUntil)
		}
		rows = append(rows, []string{fmt.Sprintf("%s %d", b.Kind, b.ID), fmt.Sprintf("%.0f %%", 100*b.Probability), arrives, j.momentText(b.Peak), fmt.Sprintf("%.0f dBZ", b.PeakDBZ), ends, j.releaseText(b.Release)})
	}
	p.table("", rows)
	unlikely()
	if !s.Complete {
		p.printf("  known until %s; what comes later was not seen\n", j.clock(*s.KnownUntil))
	}
}

func (j *bandsJob) zone() *time.Location {
	if j.programme == nil || j.programme.Location == nil {
		return time.UTC
	}
	return j.programme.Location
}

// clock prints a time in UTC and for the people of the programme.
func (j *bandsJob) clock(t time.Time) string {
	if zone := j.zone(); zone != time.UTC && zone.String() != "UTC" {
		return t.UTC().Format("15:04Z") + t.In(zone).Format(" (15:04 MST)")
	}
	return t.UTC().Format("15:04Z")
}

func (j *bandsJob) momentText(m seedability.Moment) string {
	return fmt.Sprintf("%s ± %.0f min", j.clock(m.Time), wholeMinutes(m))
}

// wholeMinutes of a standard deviation, 1 at least: no time is known better.
func wholeMinutes(m seedability.Moment) float64 { return math.Max(1, math.Ceil(m.SDMinutes)) }

func (j *bandsJob) releaseText(w seedability.ReleaseView) string {
	if w.State == nowcast.Open.String() {
		return fmt.Sprintf("%s to %s, best %s (%.0f %%)", j.clock(*w.Start), j.clock(*w.End), j.clock(*w.Best), 100*w.Probability)
	}
	switch w.State {
	case nowcast.TooLate.String():
		return "none: too late, agent would come after it"
	case nowcast.Improbable.String():
		return fmt.Sprintf("none: agent and band meet with %.0f %% at best", 100*w.Probability)
	}
	return "none: " + w.State
}
