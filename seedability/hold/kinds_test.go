package hold

import (
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/seedability/programme"
)

// change alters the quiet evidence.
type change func(e *Evidence)

// readings changes the observed (or forecast) readings of a gauge.
func readings(gauge, quantity string, forecast bool, f func(r *Reading)) change {
	return func(e *Evidence) {
		for i := range e.Readings {
			if r := &e.Readings[i]; r.Gauge == gauge && r.Quantity == quantity && r.Forecast == forecast {
				f(r)
			}
		}
	}
}

// without removes the readings of a gauge.
func without(gauge string, forecast bool) change {
	return func(e *Evidence) {
		var kept []Reading
		for _, r := range e.Readings {
			if r.Gauge != gauge || r.Forecast != forecast {
				kept = append(kept, r)
			}
		}
		e.Readings = kept
	}
}

func value(v float64) func(r *Reading)       { return func(r *Reading) { r.Value = v } }
func later(d time.Duration) func(r *Reading) { return func(r *Reading) { r.Time = r.Time.Add(d) } }
func inUnit(u string) func(r *Reading)       { return func(r *Reading) { r.Unit = u } }
func suspect(r *Reading)                     { r.Suspect = []string{"flat-lined for 30 h"} }

func rates(place, from string, f func(p *Precipitation)) change {
	return func(e *Evidence) {
		for i := range e.Precipitation {
			if p := &e.Precipitation[i]; p.Place == place && p.From == from {
				f(p)
			}
		}
	}
}

func rate(v float64) func(p *Precipitation) { return func(p *Precipitation) { p.MMPerH = v } }

func newestReport(f func(r *SiteReport)) change {
	return func(e *Evidence) { f(&e.SiteReports[0]) }
}

// falling gives the hut's battery a straight discharge that ends at v now.
func falling(v, perHour float64) change {
	return func(e *Evidence) {
		for i := range e.SiteReports {
			r := &e.SiteReports[i]
			r.BatteryV = volts(v + perHour*e.At.Sub(r.Time).Hours())
		}
	}
}

func at(local string) change {
	return func(e *Evidence) {
		zone, _ := time.LoadLocation("America/Denver")
		t, err := time.ParseInLocation("2006-01-02 15:04", local, zone)
		if err != nil {
			panic(err)
		}
		e.At = t
	}
}

// utc is for local times that come twice.
func utc(text string) change {
	return func(e *Evidence) {
		t, err := time.Parse("2006-01-02 15:04", text)
		if err != nil {
			panic(err)
		}
		e.At = t
	}
}

// Both sides of every limit, and every way in which an input may fail. Limits are
// those of the invented programme, or of presets: 2 CCR 401-1 rule 17 (snow, with
// 16 January = 175 - 15 x 15/31), 8000 ft = 2438 m, 24 mm/h, 7.6 and 12.7 mm/h.
// Feet: NIST SP 811, 1 ft = 0.3048 m; 2.4 m = 7.874 ft.
func TestEveryKind(t *testing.T) {
	p := parse(t, everyKind)
	for _, test := range []struct {
		criterion, name string
		change          change
		want            Outcome
		says            string
	}{
		{"rain", "below review", rates("basin", "radar", rate(7.59)), Clear, "7.59 mm/h is below 7.6 mm/h"},
		{"rain", "at review", rates("basin", "radar", rate(7.6)), Review, "reaches the review limit"},
		{"rain", "below hold", rates("basin", "radar", rate(12.69)), Review, ""},
		{"rain", "at hold", rates("basin", "radar", rate(12.7)), Held, "by radar 12.7 mm/h reaches the limit of 12.7 mm/h (5 min ago)"},
		{"rain", "forecast at hold", rates("basin", "forecast", rate(13)), Held, "forecast"},
		{"rain", "forecast beyond the horizon", rates("basin", "forecast", func(p *Precipitation) {
			if p.Time.After(noon.Add(3 * time.Hour)) {
				p.MMPerH = 40
			}
		}), Clear, ""},
		{"rain", "forecast at the horizon", rates("basin", "forecast", func(p *Precipitation) {
			if p.Time.Equal(noon.Add(3 * time.Hour)) {
				p.MMPerH = 40
			}
		}), Held, ""},
		{"rain", "radar at its age", rates("basin", "radar", func(p *Precipitation) { p.Time = ago(30 * time.Minute) }), Clear, ""},
		{"rain", "radar stale", rates("basin", "radar", func(p *Precipitation) { p.Time = ago(31 * time.Minute) }), Unknown, "is 31 min old, at most 30 min are allowed"},
		{"rain", "radar of the future", rates("basin", "radar", func(p *Precipitation) { p.Time = ago(-6 * time.Minute) }), Unknown, "6 min in the future"},
		{"rain", "radar has no time", rates("basin", "radar", func(p *Precipitation) { p.Time = time.Time{} }), Unknown, "has no time"},
		{"rain", "radar covers little", rates("basin", "radar", func(p *Precipitation) { p.CoveredShare = .79 }), Unknown, "covers 79 %"},
		{"rain", "radar covers enough", rates("basin", "radar", func(p *Precipitation) { p.CoveredShare = .8 }), Clear, ""},
		{"rain", "radar suspect", rates("basin", "radar", func(p *Precipitation) { p.Suspect = []string{"bright band"} }), Unknown, "bright band"},
		{"rain", "no number", rates("basin", "radar", rate(math.NaN())), Unknown, "has no value"},
		{"rain", "infinite", rates("basin", "radar", rate(math.Inf(-1))), Unknown, "has no value"},
		{"rain", "negative", rates("basin", "radar", rate(-.1)), Unknown, "negative"},
		{"rain", "forecast stale", rates("basin", "forecast", func(p *Precipitation) { p.Issued = ago(13 * time.Hour) }), Unknown, "is 13 h old"},
		{"rain", "forecast of the future", rates("basin", "forecast", func(p *Precipitation) { p.Issued = ago(-time.Hour) }), Unknown, "in the future"},
		{"rain", "forecast too short", rates("basin", "forecast", func(p *Precipitation) {
			if p.Time.After(noon.Add(150 * time.Minute)) {
				p.Time = noon
			}
		}), Unknown, "does not reach 3 h ahead"},
		{"rain", "missing", func(e *Evidence) { e.Precipitation = nil }, Unknown, "precipitation over basin by radar is missing; precipitation over basin by forecast is missing"},
		{"rain", "over another target", rates("basin", "radar", func(p *Precipitation) { p.Place = "ridge" }), Unknown, "by radar is missing"},
		{"rain", "known cause beside a missing input", func(e *Evidence) { e.Precipitation = e.Precipitation[:1]; e.Precipitation[0].MMPerH = 30 }, Held, "30 mm/h"},

		{"creek", "below review", readings("g1", QuantityStage, false, value(1.99)), Clear, "1.99 m is below 2 m"},
		{"creek", "review", readings("g1", QuantityStage, false, value(2)), Review, ""},
		{"creek", "hold", readings("g1", QuantityStage, false, value(2.4)), Held, "stage of g1 2.4 m reaches the limit of 2.4 m (15 min ago)"},
		{"creek", "feet below", readings("g1", QuantityStage, false, func(r *Reading) { r.Value, r.Unit = 7.87, "ft" }), Review, "2.399 m"},
		{"creek", "feet above", readings("g1", QuantityStage, false, func(r *Reading) { r.Value, r.Unit = 7.88, "ft" }), Held, "2.402 m"},
		{"creek", "wrong unit", readings("g1", QuantityStage, false, inUnit("m3/s")), Unknown, `"m3/s", which cannot be converted to m`},
		{"creek", "no unit", readings("g1", QuantityStage, false, inUnit("")), Unknown, "cannot be converted"},
		{"creek", "forecast hold", readings("g1", QuantityStage, true, func(r *Reading) {
			if r.Time.Equal(noon.Add(18 * time.Hour)) {
				r.Value = 2.5
			}
		}), Held, "forecast for 2026-01-15 13:00 UTC"},
		{"creek", "forecast after 24 h", readings("g1", QuantityStage, true, func(r *Reading) {
			if r.Time.Equal(noon.Add(30 * time.Hour)) {
				r.Value = 2.5
			}
		}), Clear, ""},
		{"creek", "no forecast", without("g1", true), Unknown, "forecast of stage of g1 is missing"},
		{"creek", "forecast with a gap", readings("g1", QuantityStage, true, func(r *Reading) {
			if r.Time.Equal(noon.Add(12 * time.Hour)) {
				r.Time = noon
			}
		}), Unknown, "without gaps"},
		{"creek", "observed at its age", readings("g1", QuantityStage, false, later(-345*time.Minute)), Clear, ""},
		{"creek", "observed stale", readings("g1", QuantityStage, false, later(-346*time.Minute)), Unknown, "at most 6 h are allowed"},
		{"creek", "future", readings("g1", QuantityStage, false, later(2*time.Hour)), Unknown, "in the future"},
		{"creek", "suspect", readings("g1", QuantityStage, false, suspect), Unknown, "flat-lined"},
		{"creek", "missing", without("g1", false), Unknown, "is missing"},
		{"creek", "rises slowly", readings("g1", QuantityStage, false, func(r *Reading) { r.Value = 1.2 - .49*noon.Sub(r.Time).Hours() }), Clear, ""},
		{"creek", "rises fast", readings("g1", QuantityStage, false, func(r *Reading) { r.Value = 1.2 - .5*noon.Sub(r.Time).Hours() }), Held, "rise of stage of g1 0.5 m per hour"},
		{"creek", "rise not known", func(e *Evidence) {
			readings("g1", QuantityStage, false, func(r *Reading) { r.Time = ago(15 * time.Minute) })(e)
		}, Unknown, "no readings over the last 3 h"},
		{"creek", "category action", func(e *Evidence) { e.Categories[0].Name = "action" }, Review, "to be looked at from action"},
		{"creek", "category minor", func(e *Evidence) { e.Categories[0].Name = "minor" }, Held, "is minor (15 min ago), which suspends from minor on"},
		{"creek", "category forecast", func(e *Evidence) { e.Categories[1].Name = "moderate" }, Held, "forecast of flood category"},
		{"creek", "crest after the horizon", func(e *Evidence) { e.Categories[1].Name, e.Categories[1].Time = "major", noon.Add(40*time.Hour) }, Held, ""},
		{"creek", "no category", func(e *Evidence) { e.Categories[0].Name = "not_defined" }, Unknown, "no category"},
		{"creek", "category missing", func(e *Evidence) { e.Categories = e.Categories[1:] }, Unknown, "flood category of g1 is missing"},
		{"creek", "category stale", func(e *Evidence) { e.Categories[0].Time = ago(7 * time.Hour) }, Unknown, "is 7 h old"},
		{"creek", "category forecast stale", func(e *Evidence) { e.Categories[1].Issued = ago(31 * time.Hour) }, Unknown, "is 31 h old"},
		{"creek", "category of the future", func(e *Evidence) { e.Categories[0].Time = ago(-7 * time.Minute) }, Unknown, "future"},
		{"creek", "category suspect", func(e *Evidence) { e.Categories[0].Suspect = []string{"frozen"} }, Unknown, "frozen"},

		{"stage-only", "below", readings("g2", QuantityStage, false, value(2.285)), Clear, ""},
		{"stage-only", "above, converted", readings("g2", QuantityStage, false, value(2.286)), Held, "7.5 ft"},
		{"stage-only", "other datum", readings("g2", QuantityStage, false, func(r *Reading) { r.Datum = "NGVD29" }), Unknown, "datum"},
		{"stage-only", "no datum", readings("g2", QuantityStage, false, func(r *Reading) { r.Datum = "" }), Unknown, "datum"},
		{"stage-only", "missing", without("g2", false), Unknown, "missing"},
		{"stage-only", "stale", readings("g2", QuantityStage, false, later(-6*time.Hour)), Unknown, "old"},
		{"stage-only", "future", readings("g2", QuantityStage, false, later(6*time.Hour)), Unknown, "future"},
		{"stage-only", "suspect", readings("g2", QuantityStage, false, suspect), Unknown, "suspect"},
		{"stage-only", "wrong unit", readings("g2", QuantityStage, false, inUnit("hPa")), Unknown, "hPa"},

		{"lake", "below", readings("l1", QuantityStorage, false, value(9499)), Clear, "94.99 % of capacity"},
		{"lake", "at 95 %", readings("l1", QuantityStorage, false, value(9500)), Held, "95 % of capacity reaches"},
		// 95 % of 10,000 acre-ft are 9500 x 1233.48184 m3 = 11.71808 hm3.
		{"lake", "in hm3, below", readings("l1", QuantityStorage, false, func(r *Reading) { r.Value, r.Unit = 11.717, "hm3" }), Clear, ""},
		{"lake", "in hm3, above", readings("l1", QuantityStorage, false, func(r *Reading) { r.Value, r.Unit = 11.719, "hm3" }), Held, ""},
		{"lake", "wrong unit", readings("l1", QuantityStorage, false, inUnit("ft")), Unknown, `"ft"`},
		{"lake", "stale", readings("l1", QuantityStorage, false, later(-65*time.Hour)), Unknown, "72 h are allowed"},
		{"lake", "missing", without("l1", false), Unknown, "missing"},
		{"lake", "future", readings("l1", QuantityStorage, false, later(9*time.Hour)), Unknown, "future"},
		{"lake", "suspect", readings("l1", QuantityStorage, false, suspect), Unknown, "suspect"},

		// 14 January: 175 - 15 x 13/31 = 168.7 %; 400 mm normal: 674.8 mm.
		{"pack", "below", readings("s1", QuantitySWE, false, value(634)), Clear, ""},
		{"pack", "near", readings("s1", QuantitySWE, false, value(674.8)), Review, "reaches the review limit of 158.7 %"},
		{"pack", "at the ramp", readings("s1", QuantitySWE, false, value(675)), Held, "168.8 % reaches the limit of 168.7 % of the normal of the day"},
		{"pack", "inches", readings("s1", QuantitySWE, false, func(r *Reading) { r.Value, r.Unit = 26.6, "in" }), Held, "168.9 %"},
		{"pack", "no normal", func(e *Evidence) {
			readings("s1", QuantityNormalSWE, false, func(r *Reading) { r.Gauge = "s2" })(e)
		}, Unknown, "no normal"},
		{"pack", "normal of another day", readings("s1", QuantityNormalSWE, false, later(-24*time.Hour)), Unknown, "no normal"},
		{"pack", "normal of zero", readings("s1", QuantityNormalSWE, false, value(0)), Unknown, "normal of zero"},
		{"pack", "normal suspect", readings("s1", QuantityNormalSWE, false, suspect), Unknown, "suspect"},
		{"pack", "wrong unit", readings("s1", QuantitySWE, false, inUnit("g")), Unknown, "cannot be converted"},
		{"pack", "stale", func(e *Evidence) {
			readings("s1", QuantitySWE, false, later(-90*time.Hour))(e)
			readings("s1", QuantityNormalSWE, false, later(-90*time.Hour))(e)
		}, Unknown, "96 h are allowed"},
		{"pack", "missing", without("s1", false), Unknown, "missing"},
		{"pack", "future", readings("s1", QuantitySWE, false, later(8*time.Hour)), Unknown, "future"},
		{"pack", "suspect", readings("s1", QuantitySWE, false, suspect), Unknown, "suspect"},
		{"pack", "the service's own percentage", func(e *Evidence) {
			e.Readings = append(e.Readings, Reading{Gauge: "s1", Quantity: QuantitySWEPercent, Value: 170, Unit: "%", Time: ago(time.Hour)})
		}, Held, "170 %"},

		{"zero", "below", func(e *Evidence) { e.FreezingLevels[0].AltitudeM = 2437 }, Clear, ""},
		{"zero", "above", func(e *Evidence) { e.FreezingLevels[0].AltitudeM = 2438 }, Held, "2438 m reaches the limit of 2438 m"},
		{"zero", "stale", func(e *Evidence) { e.FreezingLevels[0].Time = ago(13 * time.Hour) }, Unknown, "old"},
		{"zero", "missing", func(e *Evidence) { e.FreezingLevels = nil }, Unknown, "missing"},
		{"zero", "no number", func(e *Evidence) { e.FreezingLevels[0].AltitudeM = math.NaN() }, Unknown, "no value"},
		{"zero", "future", func(e *Evidence) { e.FreezingLevels[0].Time = ago(-time.Hour) }, Unknown, "future"},
		{"zero", "suspect", func(e *Evidence) { e.FreezingLevels[0].Suspect = []string{"x"} }, Unknown, "suspect"},

		{"melt", "both", func(e *Evidence) { e.FreezingLevels[0].AltitudeM = 2100 }, Review, "rain on snow: snow water equivalent at s1 400 mm"},
		{"melt", "cold", func(e *Evidence) { e.FreezingLevels[0].AltitudeM = 2099 }, Clear, ""},
		{"melt", "little snow", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, value(49.9))(e)
		}, Clear, "49.9 mm is below 50 mm"},
		{"melt", "enough snow", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, value(50))(e)
		}, Review, ""},
		{"melt", "snow not known", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			without("s1", false)(e)
		}, Unknown, "missing"},
		{"melt", "level not known", func(e *Evidence) { e.FreezingLevels = nil }, Unknown, "missing"},
		{"melt", "snow in a wrong unit", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, inUnit("%"))(e)
		}, Unknown, "cannot be converted"},
		{"melt", "snow suspect", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, suspect)(e)
		}, Unknown, "suspect"},
		{"melt", "snow stale", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, later(-90*time.Hour))(e)
		}, Unknown, "old"},
		{"melt", "snow of the future", func(e *Evidence) {
			e.FreezingLevels[0].AltitudeM = 2500
			readings("s1", QuantitySWE, false, later(8*time.Hour))(e)
		}, Unknown, "future"},

		{"scar", "below", rates("scar", "radar", rate(23.9)), Clear, ""},
		{"scar", "debris flow", rates("scar", "radar", rate(24)), Held, "24 mm/h reaches the limit of 24 mm/h"},
		{"scar", "rain", rates("scar", "radar", func(p *Precipitation) { p.LiquidShare = .1 }), Held, "rain on an area that burnt 0.4 years ago"},
		{"scar", "snow", rates("scar", "radar", func(p *Precipitation) { p.LiquidShare = .09 }), Clear, ""},
		{"scar", "rain or snow not known", rates("scar", "radar", func(p *Precipitation) { p.LiquidShare = math.NaN() }), Unknown, "rain or snow is not known"},
		{"scar", "dry", rates("scar", "radar", func(p *Precipitation) { p.MMPerH, p.LiquidShare = 0, math.NaN() }), Clear, ""},
		{"scar", "missing", func(e *Evidence) { e.Precipitation = e.Precipitation[:1] }, Unknown, "missing"},
		{"scar", "stale", rates("scar", "radar", func(p *Precipitation) { p.Time = ago(time.Hour) }), Unknown, "old"},
		{"scar", "future", rates("scar", "radar", func(p *Precipitation) { p.Time = ago(-time.Hour) }), Unknown, "future"},
		{"scar", "suspect", rates("scar", "radar", func(p *Precipitation) { p.Suspect = []string{"x"} }), Unknown, "suspect"},

		{"gale", "below", func(e *Evidence) { e.Winds[0].GustMPerS = 19.9 }, Clear, ""},
		{"gale", "gust", func(e *Evidence) { e.Winds[0].GustMPerS = 20 }, Held, "20 m/s"},
		{"gale", "mean", func(e *Evidence) { e.Winds[0].SpeedMPerS, e.Winds[0].GustMPerS = 20, math.NaN() }, Held, ""},
		{"gale", "no speed", func(e *Evidence) { e.Winds[0].SpeedMPerS, e.Winds[0].GustMPerS = math.NaN(), math.NaN() }, Unknown, "no value"},
		{"gale", "edge of the sector", func(e *Evidence) { e.Winds[0].FromDeg = 200 }, Clear, ""},
		{"gale", "out of sector", func(e *Evidence) { e.Winds[0].FromDeg = 199 }, Held, "outside the allowed sector 200 to 300 degrees, from 199 degrees"},
		{"gale", "other edge", func(e *Evidence) { e.Winds[0].FromDeg = 301 }, Held, "outside"},
		{"gale", "no direction", func(e *Evidence) { e.Winds[0].FromDeg = math.NaN() }, Unknown, "no value"},
		{"gale", "direction 361", func(e *Evidence) { e.Winds[0].FromDeg = 361 }, Unknown, "suspect"},
		{"gale", "missing", func(e *Evidence) { e.Winds = nil }, Unknown, "missing"},
		{"gale", "stale", func(e *Evidence) { e.Winds[0].Time = ago(61 * time.Minute) }, Unknown, "old"},
		{"gale", "future", func(e *Evidence) { e.Winds[0].Time = ago(-time.Hour) }, Unknown, "future"},
		{"gale", "suspect", func(e *Evidence) { e.Winds[0].Suspect = []string{"iced"} }, Unknown, "iced"},

		{"winter", "first minute", at("2025-11-01 00:00"), Clear, ""},
		{"winter", "minute before", at("2025-10-31 23:59"), Held, "10-31 local date; the season is 11-01 to 04-15"},
		{"winter", "last minute", at("2026-04-15 23:59"), Clear, ""},
		{"winter", "minute after", at("2026-04-16 00:00"), Held, ""},
		{"winter", "new year", at("2026-01-01 00:00"), Clear, ""},
		{"winter", "leap day", at("2028-02-29 12:00"), Clear, ""},
		{"winter", "no clock", func(e *Evidence) { e.At = time.Time{} }, Unknown, "moment of judgement"},

		{"clock", "first minute", at("2026-01-14 05:00"), Clear, ""},
		{"clock", "minute before", at("2026-01-14 04:59"), Held, "04:59 local time (MST); permitted are 05:00 to 22:30"},
		{"clock", "last minute", at("2026-01-14 22:29"), Clear, ""},
		{"clock", "end", at("2026-01-14 22:30"), Held, ""},
		// Clocks in Denver go forward on 8 March 2026 at 09:00 UTC: 05:00 local is
		// 12:00 UTC the day before, 11:00 UTC then.
		{"clock", "before summer time", utc("2026-03-07 11:30"), Held, "04:30 local time (MST)"},
		{"clock", "in summer time", utc("2026-03-08 11:00"), Clear, "05:00 local time (MDT)"},
		{"clock", "in summer time, before", utc("2026-03-08 10:59"), Held, "04:59 local time (MDT)"},
		{"clock", "no clock", func(e *Evidence) { e.At = time.Time{} }, Unknown, ""},

		{"ready", "battery above", falling(12.1, 0), Clear, ""},
		{"ready", "battery to be looked at", falling(12, 0), Review, "12 V is at or below the review limit of 12 V"},
		{"ready", "battery low", falling(11.5, 0), Held, "11.5 V is at or below the limit of 11.5 V"},
		// 12.2 V, falling .05 V an hour, is 11.6 V after twelve hours, 11.59 with the
		// ten minutes since the report.
		{"ready", "battery at the end of the storm, enough to look", falling(12.2, .05), Review, "lower bound of the forecast of battery"},
		{"ready", "battery at the end of the storm, too low", falling(12.2, .06), Held, "-0.060 V an hour"},
		{"ready", "the storm ends sooner", func(e *Evidence) {
			falling(12.4, .06)(e)
			e.StormEnds = []StormEnd{{"hut", noon.Add(4 * time.Hour)}}
		}, Clear, ""},
		{"ready", "charging is not drawn out", falling(11.9, -.2), Review, "+0.000 V an hour"},
		{"ready", "battery not reported", newestReport(func(r *SiteReport) {}), Clear, ""},
		{"ready", "battery no longer reported", func(e *Evidence) {
			for i := range e.SiteReports {
				e.SiteReports[i].BatteryV = nil
			}
		}, Unknown, "battery of hut is missing"},
		{"ready", "too few reports to foresee", func(e *Evidence) { e.SiteReports = e.SiteReports[:3] }, Unknown, "cannot be foreseen"},
		{"ready", "contact at its limit", newestReport(func(r *SiteReport) { r.LastContact = ago(30 * time.Minute) }), Clear, ""},
		{"ready", "no contact", newestReport(func(r *SiteReport) { r.LastContact = ago(31 * time.Minute) }), Held, "no contact with hut for 31 min, at most 30 min are allowed"},
		{"ready", "contact in the future", newestReport(func(r *SiteReport) { r.LastContact = ago(-time.Hour) }), Unknown, "future"},
		{"ready", "units enough", newestReport(func(r *SiteReport) { r.UnitsLeft = volts(2) }), Clear, ""},
		{"ready", "units too few", newestReport(func(r *SiteReport) { r.UnitsLeft = volts(1) }), Held, "1 units left at hut, at least 2 are needed"},
		{"ready", "units not reported", newestReport(func(r *SiteReport) { r.UnitsLeft = nil }), Unknown, "not reported"},
		{"ready", "fault", newestReport(func(r *SiteReport) { r.Faults = []string{"igniter 3 open"} }), Held, "igniter 3 open"},
		{"ready", "missing", func(e *Evidence) { e.SiteReports = nil }, Unknown, "report of hut is missing"},
		{"ready", "stale", func(e *Evidence) {
			for i := range e.SiteReports {
				e.SiteReports[i].Time = e.SiteReports[i].Time.Add(-time.Hour)
			}
		}, Unknown, "old"},
		{"ready", "future", newestReport(func(r *SiteReport) { r.Time = ago(-time.Hour) }), Unknown, "future"},
		{"ready", "suspect", newestReport(func(r *SiteReport) { r.Suspect = []string{"same numbers for two days"} }), Unknown, "same numbers"},

		// 200 g a day, a flare has 16: 184 still fit; 90 % are 180.
		{"amount", "below review", func(e *Evidence) { e.Released[0].DayG = 163 }, Clear, "163 g released at hut today, 179 g with the next release, limit 200 g"},
		{"amount", "review", func(e *Evidence) { e.Released[0].DayG = 164 }, Review, ""},
		{"amount", "last that fits", func(e *Evidence) { e.Released[0].DayG = 184 }, Review, ""},
		{"amount", "too much", func(e *Evidence) { e.Released[0].DayG = 184.1 }, Held, ""},
		{"amount", "season", func(e *Evidence) { e.Released[0].SeasonG = 2985 }, Held, "this season"},
		{"amount", "missing", func(e *Evidence) { e.Released = nil }, Unknown, "missing"},
		{"amount", "no number", func(e *Evidence) { e.Released[0].DayG = math.NaN() }, Unknown, "no amount"},
		{"amount", "negative", func(e *Evidence) { e.Released[0].SeasonG = -1 }, Unknown, "no amount"},
		{"amount", "of yesterday", func(e *Evidence) { e.Released[0].Day = "2026-01-13" }, Unknown, "not of today"},
		{"amount", "stale", func(e *Evidence) { e.Released[0].AsOf = ago(25 * time.Hour) }, Unknown, "old"},
		{"amount", "future", func(e *Evidence) { e.Released[0].AsOf = ago(-time.Hour) }, Unknown, "future"},

		{"snowslide", "considerable", func(e *Evidence) { e.Dangers[0].Level = 3 }, Clear, ""},
		{"snowslide", "high", func(e *Evidence) { e.Dangers[0].Level = 4 }, Review, "4 (high)"},
		{"snowslide", "extreme", func(e *Evidence) { e.Dangers[0].Level = 5 }, Held, "5 (extreme)"},
		{"snowslide", "no rating", func(e *Evidence) { e.Dangers[0].Level = 0 }, Unknown, "no rating"},
		{"snowslide", "out of the scale", func(e *Evidence) { e.Dangers[0].Level = 6 }, Unknown, "no rating"},
		{"snowslide", "expired", func(e *Evidence) { e.Dangers[0].Expires = noon }, Unknown, "expired"},
		{"snowslide", "stale", func(e *Evidence) { e.Dangers[0].Issued = ago(49 * time.Hour) }, Unknown, "old"},
		{"snowslide", "future", func(e *Evidence) { e.Dangers[0].Issued = ago(-time.Hour) }, Unknown, "future"},
		{"snowslide", "missing", func(e *Evidence) { e.Dangers = nil }, Unknown, "missing"},
		{"snowslide", "other zone", func(e *Evidence) { e.Dangers[0].Zone = "south" }, Unknown, "missing"},

		{"manual", "record missing", func(e *Evidence) { e.ManualAsOf = time.Time{} }, Unknown, "missing"},
		{"manual", "record stale", func(e *Evidence) { e.ManualAsOf = ago(2 * time.Hour) }, Unknown, "old"},
		{"manual", "record of the future", func(e *Evidence) { e.ManualAsOf = ago(-time.Hour) }, Unknown, "future"},
	} {
		t.Run(test.criterion+"/"+test.name, func(t *testing.T) {
			e := quiet()
			test.change(&e)
			r := of(t, Judge(p, e, nil), test.criterion)
			if r.Outcome != test.want || !strings.Contains(r.Reason, test.says) {
				t.Errorf("%s: %s\nwant %s: %s", r.Outcome, r.Reason, test.want, test.says)
			}
			if r.Outcome != Clear && r.Kind != "manual" && (r.WhoMayLift == "" || r.WhatWouldLift == "") {
				t.Errorf("nobody may lift it, or nothing would: %+v", r)
			}
			if r.ReviewOnly != (test.criterion == "melt") {
				t.Errorf("review only: %v", r.ReviewOnly)
			}
			for _, in := range r.Inputs {
				if r.Outcome == Clear && in.State != "used" {
					t.Errorf("clear, and %s is %s", in.Name, in.State)
				}
			}
		})
	}
}

// A programme may do with fewer inputs, but not with none.
func TestEnoughInputs(t *testing.T) {
	p := parse(t, `
  - {id: rain, kind: precipitation, preset: heavy-precipitation, inputs: [radar, mosaic, forecast], enough: 1, targets: [basin]}
`)
	for _, test := range []struct {
		name   string
		change change
		want   Outcome
	}{
		{"all but the mosaic", func(e *Evidence) {}, Clear},
		{"forecast alone", func(e *Evidence) { e.Precipitation = e.Precipitation[1:] }, Clear},
		{"radar alone", func(e *Evidence) { e.Precipitation = e.Precipitation[:1] }, Clear},
		{"radar alone, stale", func(e *Evidence) { e.Precipitation = e.Precipitation[:1]; e.Precipitation[0].Time = ago(time.Hour) }, Unknown},
		{"none", func(e *Evidence) { e.Precipitation = nil }, Unknown},
	} {
		e := quiet()
		test.change(&e)
		if r := of(t, Judge(p, e, nil), "rain"); r.Outcome != test.want {
			t.Errorf("%s: %s: %s", test.name, r.Outcome, r.Reason)
		}
	}
}

// Limits that are reached from above, and a sector across north.
func TestOtherSides(t *testing.T) {
	p := parse(t, `
  - {id: low, kind: gauge, gauges: [g2], quantity: stage, unit: m, hold_below: 0.5, review_below: 0.8, hysteresis: 0.1, source: invented, lift: automatic, clear_minutes: 0}
  - {id: sector, kind: wind, sector_from_deg: 300, sector_to_deg: 60, inputs: [station], sites: [hut], source: invented}
  - {id: gusts, kind: wind, review_above: 30, unit: kt, inputs: [station], sites: [hut], source: invented}
`)
	var held []Result
	for value, want := range map[float64]Outcome{.5: Held, .51: Review, .8: Review, .81: Clear} {
		e := quiet()
		readings("g2", QuantityStage, false, func(r *Reading) { r.Value = value })(&e)
		results := Judge(p, e, nil)
		if r := of(t, results, "low"); r.Outcome != want {
			t.Errorf("%v m: %s: %s, want %s", value, r.Outcome, r.Reason, want)
		}
		if value == .5 {
			held = results
		}
	}
	for value, want := range map[float64]Outcome{.6: Held, .61: Review, .9: Review, .91: Clear} {
		e := quiet()
		readings("g2", QuantityStage, false, func(r *Reading) { r.Value = value })(&e)
		if r := of(t, Judge(p, e, held), "low"); r.Outcome != want {
			t.Errorf("%v m after 0.5 m: %s: %s, want %s", value, r.Outcome, r.Reason, want)
		}
	}
	for direction, want := range map[float64]Outcome{300: Clear, 299: Held, 0: Clear, 360: Clear, 60: Clear, 61: Held, 180: Held} {
		e := quiet()
		e.Winds[0].FromDeg = direction
		if r := of(t, Judge(p, e, nil), "sector"); r.Outcome != want {
			t.Errorf("wind from %v: %s: %s, want %s", direction, r.Outcome, r.Reason, want)
		}
	}
	for gust, want := range map[float64]Outcome{15.43: Clear, 15.44: Review} { // 30 kt are 15.433 m/s
		e := quiet()
		e.Winds[0].GustMPerS = gust
		if r := of(t, Judge(p, e, nil), "gusts"); r.Outcome != want || !r.ReviewOnly {
			t.Errorf("%v m/s: %s: %s, want %s", gust, r.Outcome, r.Reason, want)
		}
	}
}

// The ramp between its dates. 167.7 % on 16 January is worked out in the rule's
// public discussion: 175 - 15 x 15/31; the others likewise by hand.
func TestRampOfTheDay(t *testing.T) {
	colorado := programme.Presets[0].Hold.Ramp
	steps := programme.Presets[1].Hold.Ramp
	for _, test := range []struct {
		table   []programme.DatedValue
		between string
		date    string
		want    float64
	}{
		{colorado, "linear", "2026-01-16", 175 - 15*15./31},
		{colorado, "linear", "2025-12-01", 175},
		{colorado, "linear", "2025-12-20", 175},
		{colorado, "linear", "2026-01-01", 175},
		{colorado, "linear", "2026-02-15", 155}, // 14 of 28 days
		{colorado, "linear", "2028-02-15", 160 - 10*14./29},
		{colorado, "linear", "2026-04-01", 140},
		{colorado, "linear", "2026-04-02", 140}, // the lower of 140 and 175
		{colorado, "linear", "2026-11-30", 140},
		{steps, "step", "2025-10-31", 135},
		{steps, "step", "2025-11-01", 150},
		{steps, "step", "2026-01-31", 150},
		{steps, "step", "2026-02-01", 140},
		{steps, "step", "2026-03-01", 135},
		{[]programme.DatedValue{{Date: "03-01", Value: 100}, {Date: "11-01", Value: 20}}, "curve", "2026-12-31", 20 + 80*60./120},
		{[]programme.DatedValue{{Date: "02-29", Value: 7}}, "step", "2026-03-01", 7},
	} {
		day, err := time.Parse(time.DateOnly, test.date)
		if err != nil {
			t.Fatal(err)
		}
		if got := onDay(test.table, day, test.between); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%s %s: %v, want %v", test.date, test.between, got, test.want)
		}
	}
	if got := math.Round(onDay(colorado, time.Date(2026, 1, 16, 0, 0, 0, 0, time.UTC), "linear")*10) / 10; got != 167.7 {
		t.Errorf("16 January: %v", got)
	}
}

// A reservoir against its rule curve, and snow against the normal of 1 April.
func TestOtherBases(t *testing.T) {
	p := parse(t, `
  - {id: curve, kind: reservoir, gauges: [l1], unit: acre-ft, rule_curve: [{date: "01-01", value: 8000}, {date: "01-31", value: 9000}], hold_percent: 100, source: invented}
  - {id: level, kind: reservoir, gauges: [l1], quantity: elevation, unit: ft, datum: NAVD88, hold_above: 6000, source: invented}
  - {id: pack, kind: snow, preset: wyoming-2023, ramp_from: "12-02", gauges: [s1]}
`)
	e := quiet()
	e.Readings = append(e.Readings, Reading{Gauge: "l1", Quantity: QuantityElevation, Value: 1828.7, Unit: "m", Datum: "NAVD88", Time: ago(time.Hour)},
		Reading{Gauge: "s1", Quantity: QuantityApril1SWE, Value: 400, Unit: "mm", Time: ago(30 * 24 * time.Hour)})
	// On 14 January the curve is at 8000 + 1000 x 13/30 = 8433.3; the ramp of
	// 120 days from 2 December, 43 of them over, at 85 + 55 x 43/120 = 104.7 %.
	for _, test := range []struct {
		criterion, gauge, quantity string
		below, above               float64
	}{{"curve", "l1", QuantityStorage, 8433, 8434}, {"level", "l1", QuantityElevation, 1828.79, 1828.81}, {"pack", "s1", QuantitySWE, 418.8, 418.9}} {
		for value, want := range map[float64]Outcome{test.below: Clear, test.above: Held} {
			e := e
			e.Readings = append([]Reading{}, e.Readings...)
			readings(test.gauge, test.quantity, false, func(r *Reading) { r.Value = value })(&e)
			if r := of(t, Judge(p, e, nil), test.criterion); r.Outcome != want {
				t.Errorf("%s %v: %s: %s, want %s", test.criterion, value, r.Outcome, r.Reason, want)
			}
		}
	}
}

// The prediction bound against the textbook formula by hand: volts 12.0, 11.9,
// 11.9, 11.8 at 0, 1, 2, 3 h. Mean 11.9 at 1.5 h, Sxx 5, Sxy -0.3: slope -0.06;
// residuals .01, -.03, .03, -.01: s = sqrt(.002/2) = .0316228; at 5 h 11.69,
// error s sqrt(1 + 1/4 + 12.25/5) = .0608276; t(.9; 2) = 1.88562 (table of
// Student's t): 11.5753.
func TestDischarge(t *testing.T) {
	f, ok := Discharge([]float64{0, 1, 2, 3}, []float64{12, 11.9, 11.9, 11.8}, 5)
	if !ok || math.Abs(f.SlopeVPerH+.06) > 1e-9 || math.Abs(f.V-11.69) > 1e-9 || math.Abs(f.LowerV-11.5753) > 1e-4 {
		t.Errorf("%+v %v", f, ok)
	}
	if f, ok := Discharge([]float64{0, 1, 2, 3}, []float64{12, 12.1, 12.2, 12.3}, 50); !ok || f.V > 12.3 || f.LowerV > 12.3 {
		t.Errorf("charging: %+v %v", f, ok)
	}
	for _, bad := range [][]float64{{0, .1, .2, .3}, {0, 1, 2}, {1, 1, 1, 1}} {
		if _, ok := Discharge(bad, make([]float64, len(bad)), 5); ok {
			t.Errorf("%v was fitted", bad)
		}
	}
}
