package main

import (
	"bufio"
	"fmt"
	"math"
	"strconv"
	"strings"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
)

type sampleCommand struct {
	Files []string `arg:"" name:"file" help:"Gridded file: GRIB2 or netCDF; or a radar volume or the chunks of one; gzip is undone."`
	At    string   `required:"" placeholder:"LAT,LON" help:"Place in degrees, north and east positive: 39.5,-106 or --at=-33,151."`
	Table bool     `help:"Print a table for people instead of JSON."`
	// Temperatures for the column of a radar.
	Temperatures []string `sep:"none" placeholder:"FILE" help:"Of a radar volume: model output or soundings that tell the temperature of each gate. May be given several times."`
}

func (sampleCommand) Help() string {
	return `Gives the value of every field of a file at a place: that of the nearest grid point, with its position and distance, and the value interpolated bilinearly between the four points around it. Of a radar volume it gives the column above the place: each gate with its height, the half-width of the beam, its value, and whether it was seen.

Examples:

    rimeline sample model.grib2 --at 39.5,-106
    rimeline sample model.grib2 --at 39.5,-106 --table
    rimeline sample model.nc --at=-33.9,151.2
    rimeline sample KXYZ20260114_060512_V06 --at 44.2,-115.1 --temperatures sounding.txt

Prints a JSON array with one object a field: "number", "name", "level", "nearest" ("value", "lat", "lon", "distance_m") and "bilinear". Where the place is off the grid, or the positions of the grid are not known, "nearest" and "bilinear" are null; missing values are null too. Of a radar mosaic "state" tells what the nearest value means: "measured", "no echo" (covered, and nothing there), or "not covered"; its codes stand as they are in the file, and nothing is interpolated from them.

Of a radar volume: one object a moment and sweep, upwards, with "number" (of the sweep), "moment", "height_m" (of the centre of the beam above sea level), "beam_half_width_m", "temperature_k" (null without --temperatures), "value" and "state". The value is null unless the state is "echo". "no echo" was looked at; "outside range", "no radial" and "range folded" were not seen. Nothing is known here of terrain in the way.

Exit status: 0 all fields were sampled, 1 the file or a field could not be read, 2 wrong usage.`
}

// sampleObject is one field as sample prints it.
type sampleObject struct {
	Number     int            `json:"number"`
	Name       string         `json:"name"`
	LevelType  string         `json:"level_type"`
	Level      *float64       `json:"level"`
	LevelUnits *string        `json:"level_units"`
	Units      string         `json:"units"`
	ValidTime  *string        `json:"valid_time"`
	Nearest    *nearestObject `json:"nearest"`
	Bilinear   *float64       `json:"bilinear"`
	State      string         `json:"state,omitempty"` // of a radar mosaic, at the nearest point
	Error      string         `json:"error,omitempty"`
}

type nearestObject struct {
	Value     *float64 `json:"value"`
	Lat       *float64 `json:"lat"`
	Lon       *float64 `json:"lon"`
	DistanceM *float64 `json:"distance_m"`
}

func (c *sampleCommand) Run(env *environment) error {
	if env.JSON && c.Table {
		return usageError("--json and --table exclude each other")
	}
	place, err := parsePlace(c.At)
	if err != nil {
		return err
	}
	groups := groupInputs(env, c.Files)
	if env.Err() != nil {
		return env.Err()
	}
	if len(groups) > 1 {
		return usageError("sample takes one file, or the chunks of one radar volume")
	}
	found, err := groups[0].open(env)
	defer found.close()
	if err == nil && found.volume != nil {
		return c.sampleVolume(env, found, place)
	}
	file := c.Files[0]
	errs := []error{err, found.err}
	if err == nil && found.field == nil {
		errs = append(errs, fmt.Errorf("%s: is of kind %s, which has no grid to sample; see inspect and profile", file, found.kind))
	}
	var samples []sampleObject
	if err == nil && found.field != nil {
		errs = append(errs, eachField(env, found, func(header, decoded *grid.Field, err error) {
			samples = append(samples, sampleField(header, decoded, err, place))
		}))
		if env.Err() != nil {
			return env.Err()
		}
	}
	out := bufio.NewWriter(env.Stdout)
	if c.Table {
		printSamples(&page{w: out}, file, place, samples)
	} else {
		list := &listWriter{o: &objectWriter{w: out}}
		for _, s := range samples {
			list.add(s)
		}
		list.end()
		fmt.Fprintln(out)
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return joinErrors(errs...)
}

func sampleField(header, decoded *grid.Field, err error, place grid.LatLon) sampleObject {
	s := sampleObject{
		Number: header.Number, Name: fieldName(header), LevelType: header.Level.Type, Level: known(header.Level.Value),
		LevelUnits: textOrNil(header.Level.Units), Units: header.Units, ValidTime: timeText(header.ValidTime),
	}
	if err != nil {
		s.Error = oneLine(err)
		return s
	}
	product, isMosaic := mosaic.ProductOf(header)
	if nearest, ok := decoded.Nearest(place); ok {
		s.Nearest = &nearestObject{
			Value: known(nearest.Value), Lat: known(nearest.Place.LatitudeDeg), Lon: known(nearest.Place.LongitudeDeg), DistanceM: known(nearest.DistanceM),
		}
		if isMosaic {
			s.State = mosaicState(product.StateOf(float32(nearest.Value)))
		}
	}
	if isMosaic { // codes are no numbers to interpolate between
		product.MaskCodes(decoded.Values)
	}
	if value, ok := decoded.Bilinear(place); ok {
		s.Bilinear = known(value)
	}
	return s
}

// mosaicState names what a point of a radar mosaic tells, in the words that
// columns of radar volumes have.
func mosaicState(state grid.GateState) string {
	switch state {
	case grid.Measured:
		return "measured"
	case grid.BelowThreshold:
		return grid.NoEcho.String()
	}
	return "not covered"
}

// parsePlace reads "LAT,LON" in degrees.
func parsePlace(text string) (grid.LatLon, error) {
	latitude, longitude, ok := strings.Cut(text, ",")
	lat, errLat := strconv.ParseFloat(strings.TrimSpace(latitude), 64)
	lon, errLon := strconv.ParseFloat(strings.TrimSpace(longitude), 64)
	switch {
	case !ok || errLat != nil || errLon != nil:
		return grid.LatLon{}, usageError(fmt.Sprintf("--at: %q is not LAT,LON in degrees, such as 39.5,-106", text))
	case !(lat >= -90 && lat <= 90):
		return grid.LatLon{}, usageError(fmt.Sprintf("--at: latitude %s is outside -90 to 90", strings.TrimSpace(latitude)))
	case !(lon >= -180 && lon <= 360):
		return grid.LatLon{}, usageError(fmt.Sprintf("--at: longitude %s is outside -180 to 360", strings.TrimSpace(longitude)))
	}
	return grid.LatLon{LatitudeDeg: lat, LongitudeDeg: grid.NormalLongitudeDeg(lon)}, nil
}

func printSamples(p *page, path string, place grid.LatLon, samples []sampleObject) {
	p.printf("%s at %s, %s\n", path, latLon(place.LatitudeDeg, place.LongitudeDeg), count(len(samples), "field"))
	if len(samples) == 0 {
		return
	}
	orDash := func(value *float64) string {
		if value == nil {
			return "-"
		}
		return short(*value)
	}
	rows := [][]string{{"#", "NAME", "LEVEL", "VALID", "BILINEAR", "NEAREST", "UNITS", "POINT", "AWAY"}}
	for _, s := range samples {
		level, units := grid.Level{Type: s.LevelType, Value: math.NaN(), SecondValue: math.NaN()}, s.Units
		if s.Level != nil {
			level.Value = *s.Level
		}
		if s.LevelUnits != nil {
			level.Units = *s.LevelUnits
		}
		valid := "-"
		if s.ValidTime != nil {
			valid = *s.ValidTime
		}
		row := []string{strconv.Itoa(s.Number), s.Name, levelText(level), valid, orDash(s.Bilinear)}
		if s.Nearest == nil || s.Nearest.Lat == nil || s.Nearest.Lon == nil || s.Nearest.DistanceM == nil {
			row = append(row, "-", units, "off the grid", "-")
		} else {
			row = append(row, orDash(s.Nearest.Value), units, latLon(*s.Nearest.Lat, *s.Nearest.Lon), kilometres(*s.Nearest.DistanceM))
		}
		rows = append(rows, row)
	}
	p.table("", rows)
}
