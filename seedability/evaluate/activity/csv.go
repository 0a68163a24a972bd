package activity

import (
	"bytes"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// File is a file of a report.
type File struct {
	Name  string
	Bytes []byte
}

// risky: a spreadsheet takes text that begins so for a formula (CWE-1236; the list is
// that of OWASP, CSV Injection, with the full-width forms).
func risky(text string) bool {
	if text != "" && strings.ContainsRune("\t\r\n", rune(text[0])) {
		return true
	}
	for _, r := range text {
		if unicode.IsSpace(r) {
			continue
		}
		return strings.ContainsRune("=+-@|＝＋－＠", r)
	}
	return false
}

// guarded: the cell needs an apostrophe in front, so that bare finds the text again.
func guarded(text string) bool { return risky(strings.TrimLeft(text, "'")) }

// cell is text as a cell of a CSV: always in quotes (RFC 4180), so that it stays one
// cell by whatever separator a spreadsheet splits, and never a formula.
func cell(text string) string {
	text = clean(text, 4*most)
	if guarded(text) {
		text = "'" + text
	}
	return `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
}

// number has at most so many decimals, without zeros at the end.
func number(x float64, decimals int) string {
	text := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.ContainsRune(text, '.') {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	if text == "-0" {
		return "0"
	}
	return text
}

// table writes rows of a CSV.
type table struct{ b bytes.Buffer }

func (t *table) row(cells ...any) {
	for k, c := range cells {
		if k > 0 {
			t.b.WriteByte(',')
		}
		switch v := c.(type) {
		case string:
			t.b.WriteString(cell(v))
		case int:
			t.b.WriteString(strconv.Itoa(v))
		case float64:
			t.b.WriteString(number(v, 4))
		case *float64:
			if v != nil {
				t.b.WriteString(number(*v, 1))
			}
		case time.Time:
			t.b.WriteString(v.Format(time.RFC3339))
		case bool:
			t.b.WriteString(strconv.FormatBool(v))
		}
	}
	t.b.WriteString("\r\n")
}

// CSV gives the tables of a report: the daily log, monthly totals in the columns of
// Form 17-4A and in the words of the record, the fields of the forms, what is
// missing, and corrections.
func (r *Report) CSV() []File {
	var files []File
	add := func(name string, header []string, rows func(t *table)) {
		t := &table{}
		cells := make([]any, len(header))
		for k := range header {
			cells[k] = header[k]
		}
		t.row(cells...)
		rows(t)
		files = append(files, File{name, t.b.Bytes()})
	}
	add("daily-log.csv", []string{"noaa_file_number", "date", "site", "site_name", "unit", "apparatus_type", "latitude_deg", "longitude_deg", "altitude_m", "begin_local", "end_local", "begin_utc", "end_utc", "net_hours", "agent", "rate_g_per_h", "amount_g", "purpose", "recorded_by", "record", "part_of_release", "corrects"}, func(t *table) {
		for _, e := range r.Log {
			var latitude, longitude any = "", ""
			var altitude *float64
			if e.Place != nil {
				latitude, longitude, altitude = e.Place.LatitudeDeg, e.Place.LongitudeDeg, e.Place.AltitudeM
			}
			t.row(r.Operator.NOAAFileNumber, e.Date, e.Site, e.SiteName, e.Unit, e.Type, latitude, longitude, altitude, e.Begin, e.End, e.Begin.UTC(), e.End.UTC(), e.Hours, e.Agent, e.RateGPerH, e.Grams, e.Purpose, e.Who, e.Record, e.Part, e.Corrects)
		}
	})
	add("monthly.csv", []string{"noaa_file_number", "month", "from", "to", "modification_days", "days_increase_precipitation", "days_alleviate_hail", "days_fog", "days_other", "days_not_assigned", "hours_airborne", "hours_ground", "silver_iodide_g", "carbon_dioxide_g", "urea_g", "sodium_chloride_g", "other_g", "not_assigned_g"}, func(t *table) {
		for _, s := range append(append([]Sum{}, r.Months...), r.Total) {
			f, month := s.Form, s.Month
			if month == "" {
				month = "TOTAL"
			}
			t.row(r.Operator.NOAAFileNumber, month, s.From, s.To, f.Days, f.IncreasePrecipitationDays, f.AlleviateHailDays, f.FogDays, f.OtherDays, f.UnassignedDays, f.AirborneHours, f.GroundHours, f.SilverIodideG, f.CarbonDioxideG, f.UreaG, f.SodiumChlorideG, f.OtherG, f.UnassignedG)
		}
	})
	add("monthly-detail.csv", []string{"month", "what", "name", "counts_as", "value", "unit"}, func(t *table) {
		for _, s := range append(append([]Sum{}, r.Months...), r.Total) {
			month := s.Month
			if month == "" {
				month = "TOTAL"
			}
			t.row(month, "releases", "", "", s.Releases, "")
			for _, p := range s.Purposes {
				t.row(month, "days by purpose", p.Purpose, p.CountsAs, p.Days, "days")
			}
			for _, h := range s.Types {
				t.row(month, "hours by type of apparatus", h.Type, "", h.Hours, "h")
			}
			for _, a := range s.Agents {
				t.row(month, "agent", a.Agent, a.CountsAs, a.Grams, "g")
			}
		}
	})
	add("fields.csv", []string{"form", "item", "field", "rule", "value"}, func(t *table) {
		for _, f := range r.Fields {
			t.row(f.Form, f.Item, f.Name, f.Rule, f.Value)
		}
	})
	add("missing.csv", []string{"missing", "rule", "where"}, func(t *table) {
		for _, m := range r.Missing {
			t.row(m.What, m.Rule, m.Where)
		}
		for _, left := range r.Left {
			t.row("left out of the record", "", left)
		}
	})
	add("corrections.csv", []string{"record", "replaces", "recorded_local", "by", "was", "is"}, func(t *table) {
		for _, c := range r.Corrections {
			t.row(c.Record, c.Replaces, c.At, c.Who, c.Was, c.Is)
		}
	})
	return files
}
