package activity

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Field is a field of a form.
type Field struct {
	Form  string `json:"form"`
	Item  string `json:"item"`
	Name  string `json:"name"`
	Rule  string `json:"rule"`  // section that asks for it
	Value string `json:"value"` // empty: blank
	// Key of the operator's file that fills it; empty: it is from elsewhere.
	Key string `json:"key"`
	// Optional: left blank without being missing.
	Optional bool `json:"optional"`
}

// Missing is something that the rule asks for and nobody said.
type Missing struct {
	What  string `json:"what"`
	Rule  string `json:"rule"`
	Where string `json:"where"` // what to fill in
}

// fields fills the forms.
func (b *builder) fields() {
	o, r := b.operator, b.report
	add := func(form, item, name, rule, key, value string) {
		r.Fields = append(r.Fields, Field{Form: form, Item: item, Name: name, Rule: rule, Key: key, Value: value})
	}
	optional := func() { r.Fields[len(r.Fields)-1].Optional = true }
	person := func(form, item, who, rule, key string, p Person, phone, title bool) {
		add(form, item, who+": name", rule, key+".name", p.Name)
		add(form, item, who+": affiliation", rule, key+".affiliation", p.Affiliation)
		if title {
			add(form, item, who+": official title", rule, key+".title", p.Title)
		}
		if phone {
			add(form, item, who+": phone number", rule, key+".phone", p.Phone)
		}
		add(form, item, who+": street address", rule, key+".street", p.Street)
		add(form, item, who+": city", rule, key+".city", p.City)
		add(form, item, who+": state", rule, key+".state", p.State)
		add(form, item, who+": ZIP code", rule, key+".zip_code", p.ZIPCode)
	}
	const initial, report, log = "17-4", "17-4A", "daily log"
	add(initial, "1", "project or activity designation, if any", "908.4(a)(1)", "project", cmp.Or(o.Project, r.Programme))
	add(initial, "2a", "date first actual weather modification activity is to be undertaken", "908.4(a)(2)(i)", "first_date", o.FirstDate)
	add(initial, "2b", "expected termination date", "908.4(a)(2)(ii)", "last_date", o.LastDate)
	add(initial, "3", "purpose of project or activity", "908.4(a)(4)", "purpose", o.Purpose)
	person(initial, "4(a)", "sponsor", "908.4(a)(3)(i)", "sponsor", o.Sponsor, true, false)
	person(initial, "4(b)", "operator", "908.4(a)(3)(ii)", "operator", o.Operator, true, false)
	add(initial, "5", "target area: location", "908.4(a)(5)", "target_area.location", o.TargetArea.Location)
	add(initial, "5", "target area: size, square miles", "908.4(a)(5)", "target_area.size_sq_mi", cmp.Or(o.TargetArea.SizeSqMi, b.targetSize()))
	add(initial, "5", "control area: location", "908.4(a)(5)", "control_area.location", o.ControlArea.Location)
	add(initial, "5", "control area: size, square miles", "908.4(a)(5)", "control_area.size_sq_mi", o.ControlArea.SizeSqMi)
	add(initial, "6", "description of weather modification apparatus", "908.4(a)(6)", "apparatus_description", o.ApparatusDescription)
	add(initial, "6", "modification agents", "908.4(a)(6)", "agents_description", o.AgentsDescription)
	add(initial, "6", "dispersal rates (programme file)", "908.4(a)(6)", "", b.rates())
	add(initial, "6", "techniques employed", "908.4(a)(6)", "techniques", o.Techniques)
	person(initial, "7", "log books", "908.4(a)(7)", "log_holder", o.LogHolder, true, false)
	add(initial, "8", "has an Environmental Impact Statement, Federal or State, been filed?", "908.4(a)(8)", "safeguards.environmental_impact_statement", o.Safeguards.ImpactStatement)
	add(initial, "8", "provisions to acquire the latest forecasts, advisories and warnings?", "908.4(a)(8)", "safeguards.forecasts_and_warnings", o.Safeguards.ForecastsAndWarnings)
	add(initial, "8", "safety procedures and environmental guidelines in the operational plans?", "908.4(a)(8)", "safeguards.safety_procedures", o.Safeguards.SafetyProcedures)
	add(initial, "9", "remarks", "", "remarks", o.Remarks)
	optional()

	section := "908.5(b)"
	if r.Kind == Final {
		section = "908.6"
	}
	add(report, "", "NOAA file number", section, "noaa_file_number", o.NOAAFileNumber)
	add(report, "", "report", section, "", r.Kind)
	add(report, "", "reporting period from", section, "", r.From)
	add(report, "", "reporting period to", section, "", r.To)
	last := cmp.Or(r.Last, "none in this period")
	if r.Kind == Interim {
		last = "(final report only)"
	}
	add(report, "", "date on which final weather modification activity occurred", "908.6(f)", "", last)
	person(report, "", "reporting person", section, "reporting_person", o.Reporting, false, true)

	add(log, "", "NOAA file number", "908.8(a)(1)", "noaa_file_number", o.NOAAFileNumber)
	add(log, "", "name of the operator", "908.8(a)(1)", "operator.name", o.Operator.Name)
	add(log, "", "type of weather treated", "908.8(b)", "weather_treated", o.WeatherTreated)
	add("state or permit", "", "number of the licence or permit", "state law", "licence", cmp.Or(o.Licence, clean(b.in.Programme.Manager.Licence, most)))
}

func (b *builder) targetSize() string {
	total := 0.0
	for _, t := range b.report.Targets {
		total += t.AreaSqMi
	}
	return number(total, 1)
}

// rates says what the programme file has the sites burn.
func (b *builder) rates() string {
	var list []string
	for k := range b.in.Programme.Sites {
		s := &b.in.Programme.Sites[k]
		text := fmt.Sprintf("%s: %s, %s g/h", clean(s.Name, 80), s.Agent.Kind, number(s.Agent.RateGPerS()*3600, 1))
		if s.Agent.Kind == "flare" {
			text = fmt.Sprintf("%s: flare, %s g in %s min", clean(s.Name, 80), number(s.Agent.AmountG, 2), number(s.Agent.BurnMinutes, 2))
		}
		list = append(list, text)
	}
	return strings.Join(list, "; ")
}

// missing names what is blank, field by field, then what the record lacks.
func (b *builder) missing() {
	r := b.report
	say := func(what, rule, where string) { r.Missing = append(r.Missing, Missing{what, rule, where}) }
	named := map[string]int{}
	for _, f := range r.Fields {
		if f.Value != "" || f.Optional {
			continue
		}
		// One key may fill several forms.
		if at, there := named[f.Key]; there {
			r.Missing[at].Rule += ", " + f.Rule
			continue
		}
		named[f.Key] = len(r.Missing)
		what := f.Name
		if strings.HasPrefix(f.Form, "17-") {
			what += " (Form " + strings.TrimSpace(f.Form+" "+f.Item) + ")"
		}
		say(what, f.Rule, "operator's file: "+f.Key)
	}
	say("map of target and control areas, ground apparatus and precipitation gauges, to be attached (Form 17-4 5)", "908.4(a)(5)", "attach one; none is made here")
	for k := range r.Units {
		u := &r.Units[k]
		if u.Unit == "" {
			say(fmt.Sprintf("designation of the unit at %s (lines of the log: %d)", u.SiteName, len(u.Log)), "908.8(a)(1)", "record: "+recordsOf(u.Log)+" (correct them with a unit)")
		}
		if u.Place == nil {
			say("location of "+u.Name(), "908.8(a)(1)(ii)", "programme file: it has no site "+u.Site)
		} else if u.Place.AltitudeM == nil {
			say("altitude of "+u.SiteName, "908.8(a)(1)(ii)", "programme file: altitude_m of site "+u.Site)
		}
		if u.Type == typeUnknown {
			say("type of apparatus of "+u.Name(), "908.5(b)(3)", "operator's file: type in apparatus, site "+u.Site)
		}
	}
	b.undescribed(say)
	for _, p := range r.Total.Purposes {
		if p.CountsAs == "" {
			say(fmt.Sprintf("column of the purpose %q (days: %d)", p.Purpose, p.Days), "908.5(b)(2)", "operator's file: purposes, one of "+strings.Join(purposes, ", "))
		}
	}
	for _, a := range r.Total.Agents {
		if a.CountsAs == "" {
			say(fmt.Sprintf("column of the agent %q (%s g)", a.Agent, number(a.Grams, 3)), "908.5(b)(4)", "operator's file: agents, one of "+strings.Join(substances, ", "))
		}
	}
}

// undescribed names what is not said of apparatus, by site.
func (b *builder) undescribed(say func(what, rule, where string)) {
	for _, f := range []struct {
		key, what string
		of        func(u *Unit) string
	}{
		{"make", "make", func(u *Unit) string { return u.Make }},
		{"model", "model", func(u *Unit) string { return u.Model }},
		{"responsible", "name and address of the person responsible", func(u *Unit) string { return u.Responsible }},
	} {
		units := b.report.Units // by site
		for len(units) > 0 {
			n := 0
			var names []string
			for ; n < len(units) && units[n].Site == units[0].Site; n++ {
				if f.of(&units[n]) == "" {
					names = append(names, cmp.Or(units[n].Unit, "unit not named"))
				}
			}
			if len(names) > 0 {
				list := strings.Join(names[:min(len(names), 5)], "; ")
				if len(names) > 5 {
					list += fmt.Sprintf("; and %d more", len(names)-5)
				}
				say(f.what+" at "+units[0].SiteName+": "+list, "908.8(b)", "operator's file: "+f.key+" in apparatus, site "+units[0].Site)
			}
			units = units[n:]
		}
	}
}

// recordsOf names some records.
func recordsOf(log []Entry) string {
	var ids []string
	for _, e := range log {
		if !slices.Contains(ids, e.Record) {
			if len(ids) == 10 {
				return strings.Join(ids, ", ") + " and more"
			}
			ids = append(ids, e.Record)
		}
	}
	return strings.Join(ids, ", ")
}

// until is the end of a line of the log by the clock: 24:00 where the day ends.
func (e Entry) until() string {
	if e.End.Format(time.DateOnly) != e.Date {
		return "24:00"
	}
	return clockOf(e.End)
}

func clockOf(t time.Time) string {
	if t.Second() != 0 {
		return t.Format("15:04:05")
	}
	return t.Format("15:04")
}
