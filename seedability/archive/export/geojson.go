package export

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	drawing "rimeline/seedability/page"
)

// Mapped are the tables whose rows have places.
var Mapped = []string{archive.TableScores, archive.TablePaths, archive.TableOutlooks}

// GeoJSON writes a FeatureCollection of RFC 7946, a feature a line: of scores a point
// at the site for each, with the columns of the table as properties (named as in CSV);
// of paths the mean path of each assessment as a line, where it is activated and where
// it lands as points, and the ellipse of the landings as a polygon; of outlooks a point
// at the site for each outlook and for each of its windows. Ids begin with the id of
// the message, and the property feature says what it is.
func GeoJSON(ctx context.Context, s *Source, table string, into io.Writer) (features int64, err error) {
	c := &collection{w: bufio.NewWriterSize(into, 1<<16)}
	c.text(`{"type":"FeatureCollection","features":[`)
	switch table {
	case archive.TableScores:
		err = s.scorePoints(ctx, c)
	case archive.TablePaths:
		err = s.fromMessages(ctx, c, bus.Score.Name, func(e *bus.Event) ([]byte, error) {
			a, err := message.As[seedability.Assessment](*e)
			if err != nil {
				return nil, err
			}
			return drawing.GeoJSON(a)
		}, "site")
	case archive.TableOutlooks:
		err = s.fromMessages(ctx, c, bus.Outlook.Name, func(e *bus.Event) ([]byte, error) {
			o, err := message.As[seedability.Outlook](*e)
			if err != nil {
				return nil, err
			}
			return drawing.OutlookGeoJSON(o)
		}, "")
	default:
		return 0, fmt.Errorf("the table %q has no places", table)
	}
	if err != nil {
		return c.n, err
	}
	c.text("\n]}\n")
	if c.err == nil {
		c.err = c.w.Flush()
	}
	return c.n, c.err
}

// collection writes features; the first error stays.
type collection struct {
	w   *bufio.Writer
	n   int64
	err error
}

func (c *collection) text(text string) {
	if c.err == nil {
		_, c.err = c.w.WriteString(text)
	}
}

func (c *collection) feature(f []byte) error {
	if c.n > 0 {
		c.text(",")
	}
	c.text("\n")
	if c.err == nil {
		_, c.err = c.w.Write(f)
	}
	c.n++
	return c.err
}

// feature of what package page draws.
type feature struct {
	Type       string                     `json:"type"`
	ID         string                     `json:"id"`
	Geometry   json.RawMessage            `json:"geometry"`
	Properties map[string]json.RawMessage `json:"properties"`
}

// fromMessages writes the features of each message of a kind, but for one.
func (s *Source) fromMessages(ctx context.Context, c *collection, kind string, draw func(*bus.Event) ([]byte, error), without string) error {
	for _, programme := range s.Programmes {
		err := s.Reader.ExtractEvents(ctx, kind, s.Extraction(programme), timeOf(kind), func(stored bus.Stored, _ []byte) error {
			e := &stored.Event
			var drawn struct {
				Features []feature `json:"features"`
			}
			b, err := draw(e)
			if err == nil {
				err = json.Unmarshal(b, &drawn)
			}
			if err != nil {
				return s.problem(programme, fmt.Sprintf("message %d of %s", stored.Sequence, kind), err)
			}
			for _, f := range drawn.Features {
				if f.ID == without {
					continue
				}
				if f.Properties["feature"] == nil {
					f.Properties["feature"] = json.RawMessage(strconv.Quote(f.ID))
				}
				f.ID = e.ID + "/" + f.ID
				line, err := json.Marshal(f)
				if err != nil {
					return err
				}
				if err := c.feature(line); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// Columns that are the place of a point and its id.
const (
	columnLatitude  = "site_latitude"
	columnLongitude = "site_longitude"
	columnAltitude  = "site_altitude"
	columnID        = "event_id"
)

func (s *Source) scorePoints(ctx context.Context, c *collection) error {
	headings := archive.Headings(archive.TableScores)
	columns := s.columnsOf(headings)
	titles := make([][]byte, len(headings))
	for k, h := range headings {
		titles[k] = strconv.AppendQuote(nil, strings.TrimSuffix(Title(h), "_json"))
	}
	var line []byte
	return s.each(ctx, archive.TableScores, func(r archive.Rows) error {
		latitude, longitude, altitude, id := r.Column(columnLatitude), r.Column(columnLongitude), r.Column(columnAltitude), r.Column(columnID)
		for k := range r.Len {
			line = append(line[:0], `{"type":"Feature","id":`...)
			line = appendJSON(line, id.Texts[k])
			line = append(line, `,"geometry":`...)
			line = appendPoint(line, latitude.Floats[k], longitude.Floats[k], altitude.Floats[k])
			line = append(line, `,"properties":{"feature":"score","programme":`...)
			line = appendJSON(line, r.Programme)
			for _, n := range columns {
				switch headings[n].Name {
				case columnLatitude, columnLongitude, columnAltitude, columnID:
					continue
				}
				line = append(append(append(line, ','), titles[n]...), ':')
				line = appendValue(line, headings[n], &r.Columns[n], k)
			}
			if err := c.feature(append(line, '}', '}')); err != nil {
				return err
			}
		}
		return nil
	})
}

func appendJSON(line []byte, text string) []byte {
	b, err := json.Marshal(text)
	if err != nil {
		return append(line, "null"...)
	}
	return append(line, b...)
}

// appendPoint: a site without a place, which no service writes, has no geometry
// (section 3.2 of the RFC).
func appendPoint(line []byte, latitudeDeg, longitudeDeg, altitudeM float64) []byte {
	if !(math.Abs(latitudeDeg) <= 90) || !(math.Abs(longitudeDeg) <= 360) {
		return append(line, "null"...)
	}
	if math.Abs(longitudeDeg) > 180 {
		longitudeDeg = grid.NormalLongitudeDeg(longitudeDeg)
	}
	line = append(line, `{"type":"Point","coordinates":[`...)
	line = strconv.AppendFloat(line, longitudeDeg, 'f', -1, 64)
	line = append(line, ',')
	line = strconv.AppendFloat(line, latitudeDeg, 'f', -1, 64)
	if !math.IsNaN(altitudeM) && !math.IsInf(altitudeM, 0) {
		line = append(line, ',')
		line = strconv.AppendFloat(line, altitudeM, 'f', -1, 64)
	}
	return append(line, "]}"...)
}

// appendValue writes a value of a row; null where it is missing.
func appendValue(line []byte, h archive.Heading, c *archive.Column, k int) []byte {
	switch h.Of {
	case archive.Float:
		if x := c.Floats[k]; !math.IsNaN(x) && !math.IsInf(x, 0) {
			return strconv.AppendFloat(line, x, 'g', -1, 64)
		}
	case archive.Int:
		if x := c.Ints[k]; x != archive.Missing {
			return strconv.AppendInt(line, x, 10)
		}
	case archive.Time:
		if x := c.Ints[k]; x != archive.Missing {
			line = append(line, '"')
			line = archive.TimeOf(x).AppendFormat(line, time.RFC3339Nano)
			return append(line, '"')
		}
	default:
		switch text := c.Texts[k]; {
		case text == "":
		case isJSON(h) && json.Valid([]byte(text)):
			return append(line, text...)
		default:
			return appendJSON(line, text)
		}
	}
	return append(line, "null"...)
}
