package hydro

import (
	"bytes"
	"regexp"
	"strings"
	"time"

	"rimeline/ingest"
)

// rdbColumn is the name of a value column: time series or data descriptor
// number, parameter code, and a statistic code for daily values.
var rdbColumn = regexp.MustCompile(`^\d+_(\d{5})(?:_(\d{5}))?$`)

// rdbWidth is a word of the line below the names: width and s, n or d.
var rdbWidth = regexp.MustCompile(`^\d*[snd]$`)

// rdbTable is the header in force while lines are read.
type rdbTable struct {
	names          []string
	site, at, zone int // columns, -1 where absent
	agency         int
}

// decodeRDB reads the tab-delimited format of the USGS
// (waterdata.usgs.gov/nwis/?tab_delimited_format_info): comments with #, a line
// of names, a line of widths, data. A new header begins wherever a line starts
// with agency_cd.
func decodeRDB(c cursor, b []byte) ([]Series, error) {
	var all collector
	var table *rdbTable
	converters := map[string]unit{}
	names := map[string]string{}
	var issued time.Time
	headers := false
	skipWidths := false
	for offset := int64(0); offset < int64(len(b)); {
		line := b[offset:]
		if end := bytes.IndexByte(line, '\n'); end >= 0 {
			line = line[:end]
		}
		at := offset
		offset += int64(len(line)) + 1
		text := strings.TrimRight(strings.TrimPrefix(string(line), "\xef\xbb\xbf"), "\r")
		switch {
		case strings.TrimSpace(text) == "":
			continue
		case strings.HasPrefix(text, "#"):
			rdbComment(text, names, &issued)
			continue
		case strings.HasPrefix(text, "agency_cd\t"):
			var err error
			if table, err = rdbHeader(c, at, text); err != nil {
				return nil, err
			}
			headers, skipWidths = true, true
			continue
		}
		if table == nil {
			return nil, c.fail(ingest.ErrCorrupt, at, "is no RDB: %q comes before the line of names that begins with agency_cd", clip(text))
		}
		cells := strings.Split(text, "\t")
		if skipWidths {
			skipWidths = false
			if rdbWidth.MatchString(cells[0]) {
				continue
			}
		}
		if len(cells) != len(table.names) {
			reason := ingest.ErrCorrupt
			if offset >= int64(len(b)) {
				reason = ingest.ErrTruncated
			}
			return nil, c.fail(reason, at, "a line has %d columns, its header %d", len(cells), len(table.names))
		}
		if err := rdbLine(c, at, cells, table, &all, converters, names, issued); err != nil {
			return nil, err
		}
	}
	if !headers {
		return nil, c.fail(ingest.ErrTruncated, int64(len(b)), "has no line of names that begins with agency_cd")
	}
	return all.done(), nil
}

// rdbComment takes the time of retrieval and the names of sites.
func rdbComment(text string, names map[string]string, issued *time.Time) {
	body := strings.TrimSpace(strings.TrimLeft(text, "#"))
	if rest, ok := strings.CutPrefix(body, "retrieved:"); ok {
		rest, _, _ = strings.Cut(strings.TrimSpace(rest), "\t")
		words := strings.Fields(rest)
		if len(words) >= 3 {
			in, zoneErr := zone(words[2])
			wall, err := time.Parse("2006-01-02 15:04:05", words[0]+" "+words[1])
			if err == nil && zoneErr == nil {
				first, _, _ := instants(civil{wall}, in)
				*issued = first
			}
		}
		return
	}
	if rest, ok := strings.CutPrefix(body, "USGS "); ok {
		if number, name, ok := strings.Cut(rest, " "); ok && strings.Trim(number, "0123456789") == "" && len(names) < maxNodes {
			names[number] = strings.TrimSpace(name)
		}
	}
}

func rdbHeader(c cursor, at int64, text string) (*rdbTable, error) {
	t := &rdbTable{names: strings.Split(text, "\t"), site: -1, at: -1, zone: -1, agency: 0}
	for i, name := range t.names {
		t.names[i] = strings.TrimSpace(name)
		switch t.names[i] {
		case "site_no":
			t.site = i
		case "datetime":
			t.at = i
		case "tz_cd":
			t.zone = i
		}
	}
	if t.site < 0 || t.at < 0 {
		return nil, c.fail(ingest.ErrUnsupported, at, "is RDB without the columns site_no and datetime of a time series")
	}
	return t, nil
}

func rdbLine(c cursor, at int64, cells []string, table *rdbTable, all *collector, converters map[string]unit, names map[string]string, issued time.Time) error {
	if strings.TrimSpace(cells[table.site]) == "" {
		return c.fail(ingest.ErrCorrupt, at, "a line names no site_no")
	}
	t, flags, err := rdbTime(cells, table)
	if err != nil {
		return c.fail(ingest.ErrCorrupt, at, "datetime %q: %v", clip(cells[table.at]), err)
	}
	for i, column := range table.names {
		match := rdbColumn.FindStringSubmatch(column)
		if match == nil {
			continue
		}
		if all.points++; all.points > maxPoints {
			return c.fail(ingest.ErrUnsupported, at, "has more than %d values", maxPoints)
		}
		site := strings.TrimSpace(cells[table.site])
		key := site + "\x00" + column
		var failed error
		s := all.get(key, func() Series {
			s, u, err := usgsSeries(c, at, match[1], "")
			failed, converters[key] = err, u
			s.Gauge, s.Name, s.Issued = site, names[site], issued
			s.Agency, s.Statistic = strings.TrimSpace(cells[table.agency]), usgsStatistic(match[2])
			return s
		})
		if failed != nil {
			return failed
		}
		p := Point{Time: t}
		if i+1 < len(cells) && table.names[i+1] == column+"_cd" {
			p.Flags, p.Code = usgsQualifiers(splitCodes(cells[i+1]))
		}
		p.Flags |= flags
		if strings.TrimSpace(cells[i]) == "" && p.Code == "" {
			continue // another series of this site has a value at this time
		}
		usgsValue(cells[i], []float64{-999999}, &p)
		p.Value = converters[key].si(p.Value)
		s.Points = append(s.Points, p)
	}
	return nil
}

// rdbTime reads a date, or a local time with its zone in tz_cd.
func rdbTime(cells []string, table *rdbTable) (time.Time, Flags, error) {
	text := strings.TrimSpace(cells[table.at])
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		return day, DateOnly, nil
	}
	wall, err := time.Parse("2006-01-02 15:04", text)
	if err != nil {
		if wall, err = time.Parse("2006-01-02 15:04:05", text); err != nil {
			return time.Time{}, 0, errNoTime
		}
	}
	if table.zone < 0 {
		return time.Time{}, 0, errNoZone
	}
	in, err := zone(cells[table.zone])
	if err != nil {
		return time.Time{}, 0, err
	}
	first, _, count := instants(civil{wall}, in)
	if count != 1 {
		return first, TimeDoubtful, nil
	}
	return first, 0, nil
}
