package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"strings"

	"rimeline/ingest"
	"rimeline/ingest/hydro"
	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// quantities are those of readings: as criteria and mappings call them, and as
// package hydro does, which fixes their units.
var quantities = []struct {
	name string
	of   hydro.Quantity
}{
	{hold.QuantityStage, hydro.RiverStage}, {hold.QuantityFlow, hydro.RiverDischarge},
	{hold.QuantityStorage, hydro.ReservoirStorage}, {hold.QuantityElevation, hydro.ReservoirElevation}, {hold.QuantityElevation, hydro.RiverElevation},
	{"percent_full", hydro.ReservoirPercentFull}, {"inflow", hydro.ReservoirInflow}, {"outflow", hydro.ReservoirOutflow},
	{hold.QuantitySWE, hydro.SWE}, {hold.QuantityNormalSWE, hydro.SWE}, {hold.QuantityApril1SWE, hydro.SWE},
	{hold.QuantitySWEPercent, hydro.SWEPercentOfNormal}, {hold.QuantityApril1Percent, hydro.SWEPercentOfNormal},
	{"snow_depth", hydro.SnowDepth}, {"precipitation", hydro.Precipitation},
	{"air_temperature", hydro.AirTemperature}, {"water_temperature", hydro.WaterTemperature}, {"wind_speed", hydro.WindSpeed},
}

// hydroQuantity is what package hydro calls a quantity of a mapping.
func hydroQuantity(name string) hydro.Quantity {
	for _, q := range quantities {
		if q.name == name {
			return q.of
		}
	}
	return hydro.Quantity(name)
}

// quantityName is what criteria call a quantity.
func quantityName(of hydro.Quantity) string {
	for _, q := range quantities {
		if q.of == of {
			return q.name
		}
	}
	return string(of)
}

// criterionUnit is a unit as criteria know it. A kilogram of water on a square
// metre is a millimetre deep.
func criterionUnit(unit string) string {
	switch unit {
	case "m3 s-1":
		return "m3/s"
	case "m s-1":
		return "m/s"
	case "kg m-2":
		return "mm"
	}
	return unit
}

func delimiter(word string) string {
	if word == "pipe" {
		return "|"
	}
	return word
}

func tableMapping(t *programme.TableMapping, v *programme.ValueColumn) hydro.Mapping {
	return hydro.Mapping{
		Delimiter: delimiter(t.Delimiter), SkipLines: t.SkipLines, NoHeader: t.NoHeader, AfterHeader: t.AfterHeader, Comment: t.Comment,
		Time: t.Time, Layout: t.Layout, Zone: t.TimeZone, Gauge: t.Gauge, GaugeColumn: t.GaugeColumn, Name: t.Name,
		Values: []hydro.ValueColumn{{Column: v.Column, Quantity: hydroQuantity(v.Quantity), Unit: v.Unit, UnitColumn: v.UnitColumn, Datum: v.Datum,
			Statistic: v.Statistic, FlagColumn: v.FlagColumn, Codes: v.Codes, WhereColumn: v.WhereColumn, WhereIs: v.WhereIs}},
		Forecast: t.Forecast, DecimalComma: t.DecimalComma, Thousands: t.Thousands, Missing: t.Missing,
	}
}

func jsonMapping(m *programme.JSONMapping) hydro.JSONMapping {
	return hydro.JSONMapping{
		Rows: m.Rows, Gauge: m.Gauge, Name: m.Name, Latitude: m.Latitude, Longitude: m.Longitude, Quantity: hydroQuantity(m.Quantity), Unit: m.Unit, Datum: m.Datum,
		Time: m.Time, Layout: m.Layout, Zone: m.TimeZone, Value: m.Value, Flag: m.Flag, Codes: m.Codes, Where: m.Where, WhereIs: m.WhereIs,
		Issued: m.Issued, Missing: m.Missing, Forecast: m.Forecast,
	}
}

func dangerMapping(m *programme.DangerMapping) hydro.DangerMapping {
	out := hydro.DangerMapping{Rows: m.Rows, Zone: m.Zone, Name: m.Name, Level: m.Level, From: m.From, To: m.To, Layout: m.Layout, TimeZone: m.TimeZone}
	for _, band := range m.Bands {
		out.Bands = append(out.Bands, hydro.BandMapping{Name: band.Name, Level: band.Level})
	}
	return out
}

func telemetryMapping(m *programme.TelemetryMapping) hydro.TelemetryMapping {
	measured := func(of *programme.MeasuredPath) hydro.Measured {
		if of == nil {
			return hydro.Measured{}
		}
		return hydro.Measured{Path: of.Path, Unit: of.Unit}
	}
	return hydro.TelemetryMapping{
		Rows: m.Rows, Site: m.Site, Time: m.Time, Layout: m.Layout, TimeZone: m.TimeZone, Battery: measured(m.Battery), SolarA: measured(m.SolarA), SolarW: measured(m.SolarW),
		Units: m.Units, Temperature: measured(m.Temperature), LastContact: m.LastContact, Faults: m.Faults, Missing: m.Missing,
	}
}

func curveMapping(n *programme.NormalCurve) hydro.CurveMapping {
	return hydro.CurveMapping{Delimiter: delimiter(n.Delimiter), SkipLines: n.SkipLines, Comment: n.Comment, NoHeader: n.NoHeader, Name: n.Gauge,
		Date: n.Date, Value: n.Value, Quantity: hydro.SWE, Unit: n.Unit, Season: n.Season, Missing: n.Missing}
}

// snotelMappings are those of the NRCS AWDB's answers, as open programs that keep
// such answers for their tests show them; the member median is from memory.
func snotelMappings(zone string) []programme.JSONMapping {
	value := programme.JSONMapping{
		Rows: "[*].data[*]", Gauge: "$[*].stationTriplet", Quantity: hold.QuantitySWE, Unit: "stationElement.storedUnitCode",
		Time: "values[*].date", Layout: "YYYY-MM-DD", TimeZone: zone, Value: "values[*].value",
		Where: "stationElement.elementCode", WhereIs: "WTEQ",
	}
	median := value
	median.Quantity, median.Value = hold.QuantityNormalSWE, "values[*].median"
	return []programme.JSONMapping{value, median}
}

// mapLayerMapping is that of avalanche.org's map layer, from memory.
func mapLayerMapping(zone string) *programme.DangerMapping {
	return &programme.DangerMapping{Rows: "features[*]", Zone: "properties.name", Level: "properties.danger_level",
		From: "properties.start_date", To: "properties.end_date", Layout: "YYYY-MM-DDTHH:mm:ss", TimeZone: zone}
}

// checkSafetyInputs looks at inputs for suspension criteria as closely as only
// those who read and fetch them can: paths, layouts, units, codes, addresses.
func checkSafetyInputs(p *programme.Programme) error {
	var problems programme.Problems
	for i := range p.Inputs {
		input, path := &p.Inputs[i], fmt.Sprintf("inputs[%d]", i)
		if !input.IsSafety() {
			continue
		}
		broken := func(at string, err error) {
			if text, ok := mappingError(err); ok {
				problems = append(problems, p.InputProblem(path+at, "%s", text))
			}
		}
		if t := input.Table; t != nil {
			for k := range t.Values {
				_, err := hydro.DecodeTable("", tableSample(t, &t.Values[k]), tableMapping(t, &t.Values[k]))
				broken(fmt.Sprintf(".table.values[%d]", k), err)
			}
		}
		for k := range input.JSON {
			m := &input.JSON[k]
			at := fmt.Sprintf(".json[%d]", k)
			_, err := hydro.DecodeJSON("", []byte("[]"), jsonMapping(m))
			broken(at, err)
			if unit, ok := strings.CutPrefix(m.Unit, "'"); ok {
				column := programme.ValueColumn{Column: "1", Quantity: m.Quantity, Unit: strings.TrimSuffix(unit, "'")}
				t := programme.TableMapping{NoHeader: true, Time: []string{"2"}, Layout: "unix", Gauge: "x"}
				_, err := hydro.DecodeTable("", []byte("1,1\n"), tableMapping(&t, &column))
				broken(at+".unit", err)
			}
		}
		switch {
		case input.Danger != nil:
			_, err := hydro.DecodeAvalanche("", []byte("[]"), dangerMapping(input.Danger))
			broken(".danger", err)
		case input.Format == programme.FormatMapLayer:
			_, err := hydro.DecodeAvalanche("", []byte("[]"), dangerMapping(mapLayerMapping(input.TimeZone)))
			broken(".time_zone", err)
		case input.Format == programme.FormatSnotel && input.JSON == nil:
			_, err := hydro.DecodeJSON("", []byte("[]"), jsonMapping(&snotelMappings(input.TimeZone)[0]))
			broken(".time_zone", err)
		case input.Telemetry != nil:
			_, err := hydro.DecodeTelemetry("", []byte("[]"), telemetryMapping(input.Telemetry))
			broken(".telemetry", err)
		}
		for k := range input.Normals {
			if _, err := hydro.DecodeCurve(input.Normals[k].File, input.Normals[k].Text, curveMapping(&input.Normals[k])); err != nil {
				problems = append(problems, p.InputProblem(fmt.Sprintf("%s.normals[%d]", path, k), "%v", err))
			}
		}
		if need, ok := pageNeed(p, input, nil); ok {
			if err := need.Check(); err != nil {
				problems = append(problems, p.InputProblem(path, "%v", err))
			}
		}
	}
	if len(problems) == 0 {
		return nil
	}
	return problems
}

// mappingError is what package hydro says of a mapping, not of a file.
func mappingError(err error) (string, bool) {
	var format *ingest.FormatError
	if !errors.As(err, &format) {
		return "", false
	}
	return strings.CutPrefix(format.Detail, "mapping: ")
}

// tableSample is a table with the headings that a mapping names, on which the
// mapping can be tried.
func tableSample(t *programme.TableMapping, v *programme.ValueColumn) []byte {
	var b strings.Builder
	for range t.SkipLines {
		b.WriteString("x\n")
	}
	names := append([]string{}, t.Time...)
	for _, name := range []string{t.GaugeColumn, v.Column, v.UnitColumn, v.FlagColumn, v.WhereColumn} {
		known := name == ""
		for _, other := range names {
			known = known || strings.EqualFold(strings.TrimSpace(other), strings.TrimSpace(name))
		}
		if !known {
			names = append(names, name)
		}
	}
	switch word := delimiter(t.Delimiter); {
	case t.NoHeader:
	case word == "fixed" || word == "space":
		// Names with blanks cannot be headings of such a table, which the file shows.
		b.WriteString(strings.Join(names, " ") + "\n")
	default:
		w := csv.NewWriter(&b)
		if word == "tab" {
			word = "\t"
		}
		if word != "" {
			w.Comma = rune(word[0])
		}
		_ = w.Write(names)
		w.Flush()
	}
	for range t.AfterHeader {
		b.WriteString("x\n")
	}
	b.WriteString("x\n")
	return []byte(b.String())
}
