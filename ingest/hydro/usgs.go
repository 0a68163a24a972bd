package hydro

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
)

// usgsParameter is what a five-digit USGS parameter code measures.
type usgsParameter struct {
	quantity Quantity
	unit     string
	datum    string
}

// usgsParameters are the codes of the USGS parameter code dictionary
// (help.waterdata.usgs.gov/parameter_cd) that a programme asks for; values from
// memory but for 00060 and 00065, which real files of the tests carry.
var usgsParameters = map[string]usgsParameter{
	"00010": {WaterTemperature, "degC", ""},
	"00011": {WaterTemperature, "degF", ""},
	"00020": {AirTemperature, "degC", ""},
	"00021": {AirTemperature, "degF", ""},
	"00045": {Precipitation, "in", ""},
	"00054": {ReservoirStorage, "ac-ft", ""},
	"00060": {RiverDischarge, "ft3/s", ""},
	"00061": {RiverDischarge, "ft3/s", ""},
	"00062": {ReservoirElevation, "ft", ""},
	"00065": {RiverStage, "ft", "gauge datum"},
	"30207": {RiverStage, "m", "gauge datum"},
	"30208": {RiverDischarge, "m3/s", ""},
	"30209": {RiverDischarge, "m3/s", ""},
	"62614": {ReservoirElevation, "ft", "NGVD29"},
	"62615": {ReservoirElevation, "ft", "NAVD88"},
	"63158": {RiverElevation, "ft", "NGVD29"},
	"63160": {RiverElevation, "ft", "NAVD88"},
	"72036": {ReservoirStorage, "kaf", ""},
}

// usgsStatistics are the statistic codes (help.waterdata.usgs.gov/stat_code);
// 00011 is an instantaneous value and 00000 stands in WaterML where none is.
var usgsStatistics = map[string]string{
	"": "", "00000": "", "00011": "",
	"00001": "max", "00002": "min", "00003": "mean", "00006": "sum", "00008": "median",
	"30600": "midnight",
}

func usgsStatistic(code string) string {
	if s, ok := usgsStatistics[code]; ok {
		return s
	}
	return "statistic " + code
}

// usgsCodes are the data-value qualification codes of instantaneous and daily
// values (waterdata.usgs.gov/usa/nwis/help?codes_help; those not in the real
// files of the tests from memory) and the words of the OGC API, in lower case.
var usgsCodes = map[string]Flags{
	"a": Approved, "approved": Approved, "p": Provisional, "provisional": Provisional, "working": Provisional, "in review": Provisional,
	"e": Estimated, "estimated": Estimated, "estimate": Estimated, "r": 0, "revised": 0, "1": 0, "2": 0,
	"<": Censored, ">": Censored, "less_than": Censored, "greater_than": Censored,
	"ice": IceAffected, "i": IceAffected, "bkw": SourceSuspect, "backwater": SourceSuspect,
	"eqp": EquipmentFail, "equip": EquipmentFail, "equipment": EquipmentFail, "mnt": EquipmentFail, "maintenance": EquipmentFail,
	"maint": EquipmentFail, "fld": EquipmentFail, "flood": EquipmentFail, "dis": EquipmentFail, "discontinued": EquipmentFail, "***": EquipmentFail,
	"tst": SourceSuspect, "test": SourceSuspect, "rat": SourceSuspect, "rating": SourceSuspect,
	"ssn": 0, "seasonal": 0, "--": 0, "dry": 0, "zfl": 0, "zeroflow": 0, "pr": 0, "***ice": IceAffected,
	"&": Estimated, "d": SourceSuspect, "*": SourceSuspect, "susp": SourceSuspect, "suspect": SourceSuspect,
}

// usgsQualifiers turns qualifiers into flags; a code that is not known marks
// the value as doubted, since its meaning may be just that.
func usgsQualifiers(codes []string) (Flags, string) {
	var flags Flags
	for _, code := range codes {
		known, ok := usgsCodes[strings.ToLower(code)]
		if !ok {
			known = SourceSuspect
		}
		flags |= known
	}
	return flags, strings.Join(codes, " ")
}

// splitCodes cuts "P:Ice", "A:e", "P Ice" and "[91]" as RDB and the OGC API
// write several qualifiers.
func splitCodes(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(":, ;[]\"'", r) })
}

// usgsValue reads one value. Text in its place is a qualifier of a value that
// is missing: "Ice", "Eqp", "Ssn", "Bkw", "***".
func usgsValue(text string, noData []float64, p *Point) {
	text = strings.TrimSpace(text)
	v, ok := parseNumber(text)
	if ok {
		for _, missing := range noData {
			if v == missing {
				p.Value, p.Flags = math.NaN(), p.Flags|Missing
				return
			}
		}
		p.Value = v
		return
	}
	p.Value, p.Flags = math.NaN(), p.Flags|Missing
	if text == "" {
		return
	}
	// "Ice", "1.3_Ice" and the like: never a value.
	flags, known := Flags(0), true
	for _, code := range splitCodes(strings.ReplaceAll(text, "_", " ")) {
		f, ok := usgsCodes[strings.ToLower(code)]
		flags, known = flags|f, known && ok
	}
	if !known {
		flags |= Unreadable
	}
	p.Flags |= flags
	p.Code = strings.TrimSpace(text + " " + p.Code)
}

// DecodeUSGS reads water data of the U.S. Geological Survey: tab-delimited RDB
// of the daily and instantaneous values services, WaterML 1.1 as JSON of the
// same services, and GeoJSON of the OGC API (continuous, daily and their
// "latest" collections). Which it is, the bytes show.
//
// Values are in SI (river_stage m, river_discharge m3 s-1, ...); the parameter
// code fixes quantity and unit, and a file that names another unit is refused.
// A parameter code that is not known keeps unit and values of the source, with
// the code as its Quantity ("usgs 63680"). Daily values stand at 00:00 UTC of
// their date with the flag DateOnly. A reply without values gives no series and
// no error.
//
// Errors are *ingest.FormatError.
func DecodeUSGS(file string, b []byte) ([]Series, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return nil, err
	}
	start := bytes.TrimLeft(b, "\xef\xbb\xbf \t\r\n")
	switch {
	case start[0] == '{':
		root, err := parseJSON(c, b)
		if err != nil {
			return nil, err
		}
		switch {
		case root.at("value", "timeSeries") != nil:
			return decodeWaterML(c, root.member("value"))
		case root.member("timeSeries") != nil:
			return decodeWaterML(c, root)
		case root.member("type").str() == "FeatureCollection", root.member("type").str() == "Feature":
			return decodeUSGSFeatures(c, root)
		}
		return nil, c.fail(ingest.ErrUnsupported, root.offset, "is JSON, but neither WaterML (value.timeSeries) nor GeoJSON%s", said(root))
	case start[0] == '<':
		return nil, c.fail(ingest.ErrUnsupported, 0, "is XML or a page; RDB or JSON is read here")
	case start[0] == '#', bytes.HasPrefix(start, []byte("agency_cd\t")):
		return decodeRDB(c, b)
	}
	return nil, c.fail(ingest.ErrUnsupported, 0, "begins with %q, like no RDB, WaterML-JSON or GeoJSON", clip(string(start[:min(len(start), 20)])))
}

// said is the message in a reply that is no data, for the error text.
func said(root *node) string {
	for _, name := range []string{"detail", "message", "description", "title", "error"} {
		if s := root.member(name).str(); s != "" {
			return ": " + clip(s)
		}
	}
	return ""
}

// usgsSeries begins the series of a parameter; stated is the unit that the file
// names, "" where it names none.
func usgsSeries(c cursor, offset int64, code, stated string) (Series, unit, error) {
	s := Series{Place: nowhere(), Observed: true, Agency: "USGS"}
	parameter, known := usgsParameters[code]
	if !known {
		s.Quantity, s.Unit, s.SourceUnit = Quantity("usgs "+code), stated, stated
		if stated == "" {
			s.note("parameter %s is not known and the file does not name its unit", code)
		}
		return s, unit{stated, 1, 0}, nil
	}
	s.Quantity, s.Datum, s.Unit, s.SourceUnit = parameter.quantity, parameter.datum, parameter.quantity.Unit(), parameter.unit
	u, ok := converter(parameter.quantity, parameter.unit)
	if stated != "" {
		s.SourceUnit = stated
		given, isUnit := converter(parameter.quantity, stated)
		if !isUnit || given != u {
			return s, u, c.fail(ingest.ErrCorrupt, offset, "parameter %s is in %s, the file says %q", code, parameter.unit, clip(stated))
		}
	}
	if !ok {
		return s, u, c.fail(ingest.ErrUnsupported, offset, "parameter %s: unit %s", code, parameter.unit)
	}
	return s, u, nil
}

// decodeWaterML reads the JSON of timeSeriesResponseType, WaterML 1.1.
func decodeWaterML(c cursor, value *node) ([]Series, error) {
	var out []Series
	var issued time.Time
	for _, note := range value.at("queryInfo", "note").list() {
		if note.member("title").str() == "requestDT" {
			issued, _ = parseRFC3339(note.member("value").str())
		}
	}
	points := 0
	for _, series := range value.member("timeSeries").list() {
		variable, site := series.member("variable"), series.member("sourceInfo")
		var code string
		for _, n := range variable.member("variableCode").list() {
			code = n.member("value").str()
		}
		stated := variable.at("unit", "unitCode").str()
		if stated == "" {
			stated = variable.at("unit", "unitAbbreviation").str()
		}
		base, convert, err := usgsSeries(c, variable.place(series), code, stated)
		if err != nil {
			return nil, err
		}
		if code == "" {
			return nil, c.fail(ingest.ErrCorrupt, variable.place(series), "a time series has no variableCode")
		}
		base.Issued = issued
		base.Name = site.member("siteName").str()
		for _, n := range site.member("siteCode").list() {
			base.Gauge = n.member("value").str()
			if agency := n.member("agencyCode").str(); agency != "" {
				base.Agency = agency
			}
		}
		if base.Gauge == "" {
			return nil, c.fail(ingest.ErrCorrupt, site.place(series), "a time series has no siteCode")
		}
		where := site.at("geoLocation", "geogLocation")
		latitude, _ := where.member("latitude").number()
		longitude, _ := where.member("longitude").number()
		if p, ok := placeAt(latitude, longitude); ok && (latitude != 0 || longitude != 0) {
			base.Place = p
		}
		for _, option := range variable.at("options", "option").list() {
			if option.member("name").str() == "Statistic" {
				base.Statistic = usgsStatistic(option.member("optionCode").str())
			}
		}
		if datum := site.member("verticalDatum").str(); datum != "" {
			base.Datum = datum
		}
		noData := []float64{-999999}
		if v, ok := variable.member("noDataValue").number(); ok {
			noData = append(noData, v)
		}
		blocks := series.member("values").list()
		for _, block := range blocks {
			s := base
			s.Notes = append([]string(nil), base.Notes...)
			if len(blocks) > 1 {
				// A site may have two sensors of one parameter.
				for _, method := range block.member("method").list() {
					s.note("method %s %s", method.member("methodID").str(), method.member("methodDescription").str())
				}
			}
			values := block.member("value").list()
			if points += len(values); points > maxPoints {
				return nil, c.fail(ingest.ErrUnsupported, block.offset, "has more than %d values", maxPoints)
			}
			s.Points = make([]Point, 0, len(values))
			for _, v := range values {
				t, err := parseRFC3339(v.member("dateTime").str())
				var flags Flags
				if err != nil && base.Statistic != "" {
					// Daily values carry the wall-clock start of their day.
					if wall, e := time.Parse("2006-01-02T15:04:05.000", v.member("dateTime").str()); e == nil {
						t, flags, err = wall, DateOnly, nil
					}
				}
				if err != nil {
					return nil, c.fail(ingest.ErrCorrupt, v.member("dateTime").place(v), "dateTime: %v", err)
				}
				p := Point{Time: t}
				p.Flags, p.Code = usgsQualifiers(v.member("qualifiers").strs())
				p.Flags |= flags
				usgsValue(v.member("value").str(), noData, &p)
				p.Value = convert.si(p.Value)
				s.Points = append(s.Points, p)
			}
			s.sorted()
			out = append(out, s)
		}
	}
	return out, nil
}

// decodeUSGSFeatures reads GeoJSON of the USGS OGC API, version 0, as its
// queryables page describes the properties of continuous and daily.
func decodeUSGSFeatures(c cursor, root *node) ([]Series, error) {
	features := root.member("features").list()
	if root.member("type").str() == "Feature" {
		features = []*node{root}
	}
	if len(features) > maxPoints {
		return nil, c.fail(ingest.ErrUnsupported, root.offset, "has more than %d features", maxPoints)
	}
	next := false
	for _, link := range root.member("links").list() {
		next = next || link.member("rel").str() == "next"
	}
	issued, _ := parseRFC3339(root.member("timeStamp").str())
	var all collector
	converters := map[string]unit{}
	for _, f := range features {
		props := f.member("properties")
		location := props.member("monitoring_location_id").str()
		code := props.member("parameter_code").str()
		statistic := props.member("statistic_id").str()
		if location == "" || code == "" {
			return nil, c.fail(ingest.ErrCorrupt, f.offset, "a feature has no monitoring_location_id or parameter_code")
		}
		stated := props.member("unit_of_measure").str()
		key := fmt.Sprint(props.member("time_series_id").str(), "\x00", location, "\x00", code, "\x00", statistic, "\x00", stated)
		var failed error
		s := all.get(key, func() Series {
			s, u, err := usgsSeries(c, props.member("unit_of_measure").place(f), code, stated)
			failed, converters[key] = err, u
			if err == nil && stated == "" && s.Quantity.Unit() != "" {
				failed = c.fail(ingest.ErrCorrupt, f.offset, "a feature has no unit_of_measure")
			}
			s.Agency, s.Gauge = "", location
			if agency, number, ok := strings.Cut(location, "-"); ok && number != "" {
				s.Agency, s.Gauge = agency, number
			}
			s.Statistic, s.Issued = usgsStatistic(statistic), issued
			if next {
				s.note("the reply goes on on a next page")
			}
			return s
		})
		if failed != nil {
			return nil, failed
		}
		if at := f.at("geometry", "coordinates").list(); len(at) >= 2 && math.IsNaN(s.Place.LatitudeDeg) {
			longitude, _ := at[0].number()
			latitude, _ := at[1].number()
			s.Place, _ = placeAt(latitude, longitude)
		}
		written := props.member("time")
		var p Point
		t, err := parseRFC3339(written.str())
		if err != nil {
			day, e := time.Parse(time.DateOnly, written.str())
			if e != nil {
				return nil, c.fail(ingest.ErrCorrupt, written.place(f), "time: %v", err)
			}
			t, p.Flags = day, DateOnly
		}
		p.Time = t
		codes := splitCodes(props.member("approval_status").str())
		for _, qualifier := range props.member("qualifier").strs() {
			codes = append(codes, splitCodes(qualifier)...)
		}
		flags, code2 := usgsQualifiers(codes)
		p.Flags, p.Code = p.Flags|flags, code2
		usgsValue(props.member("value").str(), []float64{-999999}, &p)
		p.Value = converters[key].si(p.Value)
		s.Points = append(s.Points, p)
	}
	return all.done(), nil
}
