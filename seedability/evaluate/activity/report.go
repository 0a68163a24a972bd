package activity

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/programme"
)

// Kinds of report.
const (
	Interim = "interim" // 908.5
	Final   = "final"   // 908.6
)

// Input is what a report is made from.
type Input struct {
	Programme *programme.Programme
	Operator  *Operator // nil: there is no file
	Records   *Records
	// From and To are the first and the last local day, both included; only their
	// dates count.
	From, To time.Time
	Kind     string
	Written  time.Time
	// Version of the program, for the foot of the report.
	Version string
}

// MaxDays is how long a period may be: ten years.
const MaxDays = 3660

// Report is a report. It is the data of templates, so names stay. Amounts are grams,
// times local with their offset; dates are YYYY-MM-DD.
type Report struct {
	Kind      string    `json:"kind"` // interim, final
	From      string    `json:"from"`
	To        string    `json:"to"` // included
	Written   time.Time `json:"written"`
	Version   string    `json:"version"`
	Edition   Edition   `json:"edition"`
	Cautions  []string  `json:"cautions"`
	Programme string    `json:"programme"` // name
	ID        string    `json:"programme_id"`
	SHA256    string    `json:"programme_sha256"` // of the programme file
	Timezone  string    `json:"timezone"`
	Operator  Operator  `json:"operator"`
	// Fields of the forms, in their order.
	Fields  []Field  `json:"fields"`
	Targets []Target `json:"targets"`
	// Log holds every release in order of its beginning, once for each local day.
	Log    []Entry `json:"log"`
	Units  []Unit  `json:"units"`
	Months []Sum   `json:"months"` // every month of the period, those without activity too
	Total  Sum     `json:"total"`  // of the period
	// First and Last day of activity in the period; empty: none.
	First       string       `json:"first_day"`
	Last        string       `json:"last_day"`
	Corrections []Correction `json:"corrections"`
	// Left out: what was read and does not count.
	Left    []string  `json:"left_out"`
	Missing []Missing `json:"missing"`
	Notes   []string  `json:"notes"`
}

// NoActivity: nothing was released in the period.
func (r *Report) NoActivity() bool { return r.Total.Days == 0 }

// Target is a target area of the programme.
type Target struct {
	ID       string  `json:"id"`
	Name     string  `json:"name"`
	AreaKM2  float64 `json:"area_km2"`
	AreaSqMi float64 `json:"area_sq_mi"`
}

// Unit is one unit of apparatus, with its part of the log: as the operator's file
// describes it, else as the record names it.
type Unit struct {
	Site        string  `json:"site"`
	SiteName    string  `json:"site_name"`
	Unit        string  `json:"unit"` // empty: the record does not name it
	Type        string  `json:"type"`
	Make        string  `json:"make"`
	Model       string  `json:"model"`
	Responsible string  `json:"responsible"`
	Place       *Place  `json:"place"` // nil: the site is not in the programme file
	Log         []Entry `json:"log"`
	Total       Sum     `json:"total"`
}

// Name of the unit for people.
func (u *Unit) Name() string {
	if u.Unit == "" {
		return u.SiteName + ", unit not named"
	}
	return u.SiteName + ", " + u.Unit
}

// Place is where a unit stands.
type Place struct {
	LatitudeDeg    float64  `json:"latitude_deg"`
	LongitudeDeg   float64  `json:"longitude_deg"`
	AltitudeM      *float64 `json:"altitude_m"`
	ReleaseHeightM float64  `json:"release_height_m"`
}

// Entry is a release, or the part of it on one local day.
type Entry struct {
	Date      string    `json:"date"`
	Site      string    `json:"site"`
	SiteName  string    `json:"site_name"`
	Unit      string    `json:"unit"`
	Type      string    `json:"type"`
	Place     *Place    `json:"place"`
	Begin     time.Time `json:"begin"` // local
	End       time.Time `json:"end"`   // local; 00:00 of the next day where it goes on
	Hours     float64   `json:"hours"`
	Agent     string    `json:"agent"`
	RateGPerH float64   `json:"rate_g_per_h"`
	Grams     float64   `json:"grams"`
	Purpose   string    `json:"purpose"`
	Who       string    `json:"who"`
	Record    string    `json:"record"` // its id
	// Part: the release began before this day or period, or goes on after it.
	Part     bool   `json:"part"`
	Corrects string `json:"corrects"`
}

// Sum is what was done in a month, or in the period.
type Sum struct {
	Month string `json:"month"` // YYYY-MM; empty for the period
	From  string `json:"from"`
	To    string `json:"to"`
	// Whole: the period has the whole month.
	Whole    bool    `json:"whole"`
	Days     int     `json:"days"` // on which agent was released
	Releases int     `json:"releases"`
	Hours    float64 `json:"hours"`
	Grams    float64 `json:"grams"`
	// By the words of the record.
	Purposes []DayCount `json:"purposes"`
	Types    []Hours    `json:"types"` // of apparatus
	Agents   []Amount   `json:"agents"`
	Form     Form174A   `json:"form"`
}

// DayCount is a number of days for one purpose.
type DayCount struct {
	Purpose  string `json:"purpose"`
	CountsAs string `json:"counts_as"` // empty: not assigned
	Days     int    `json:"days"`
}

// Hours of one type of apparatus.
type Hours struct {
	Type  string  `json:"type"`
	Hours float64 `json:"hours"`
}

// Amount of one agent.
type Amount struct {
	Agent    string  `json:"agent"`
	CountsAs string  `json:"counts_as"` // empty: not assigned
	Grams    float64 `json:"grams"`
}

// Form174A is a row of NOAA Form 17-4A. What the operator's file does not assign has
// columns of its own; there is no guessing.
type Form174A struct {
	Days                      int     `json:"days"`
	IncreasePrecipitationDays int     `json:"increase_precipitation_days"`
	AlleviateHailDays         int     `json:"alleviate_hail_days"`
	FogDays                   int     `json:"fog_days"`
	OtherDays                 int     `json:"other_days"`
	UnassignedDays            int     `json:"unassigned_days"`
	AirborneHours             float64 `json:"airborne_hours"` // always 0: programmes of ground sites
	GroundHours               float64 `json:"ground_hours"`
	SilverIodideG             float64 `json:"silver_iodide_g"`
	CarbonDioxideG            float64 `json:"carbon_dioxide_g"`
	UreaG                     float64 `json:"urea_g"`
	SodiumChlorideG           float64 `json:"sodium_chloride_g"`
	OtherG                    float64 `json:"other_g"`
	UnassignedG               float64 `json:"unassigned_g"`
}

// Correction is a record that replaces another, where either touches the period.
type Correction struct {
	Record   string    `json:"record"`
	Replaces string    `json:"replaces"`
	At       time.Time `json:"at"`
	Who      string    `json:"who"`
	Was      string    `json:"was"`
	Is       string    `json:"is"`
}

// Build makes a report.
func Build(in Input) (*Report, error) {
	p := in.Programme
	from, to := dateOf(in.From), dateOf(in.To)
	switch n := int(to.Sub(from).Hours()/24) + 1; {
	case to.Before(from):
		return nil, errors.New("the period ends before it begins")
	case n > MaxDays:
		return nil, fmt.Errorf("the period has %d days, at most %d are reported at once", n, MaxDays)
	case in.Kind != Interim && in.Kind != Final:
		return nil, fmt.Errorf("there is no report of the kind %q", clean(in.Kind, 20))
	}
	zone := p.Location
	if zone == nil {
		zone = time.UTC
	}
	b := &builder{in: in, zone: zone, days: daysBetween(from, to, zone), operator: in.Operator}
	if b.operator == nil {
		b.operator = &Operator{}
	}
	r := &Report{Kind: in.Kind, From: from.Format(time.DateOnly), To: to.Format(time.DateOnly), Written: in.Written.In(zone), Version: clean(in.Version, most), Edition: part908, Cautions: slices.Clone(cautions),
		Programme: clean(p.Name, most), ID: p.ID, SHA256: p.SHA256, Timezone: zone.String(), Operator: *b.operator,
		Log: []Entry{}, Units: []Unit{}, Corrections: []Correction{}, Left: slices.Clone(in.Records.Left), Missing: []Missing{}, Notes: []string{}}
	b.report = r
	if more := in.Records.LeftCount - len(r.Left); more > 0 {
		r.Left = append(r.Left, fmt.Sprintf("And %d more like these.", more))
	}
	for i := range p.Targets {
		t := &p.Targets[i]
		r.Targets = append(r.Targets, Target{t.ID, clean(t.Name, most), t.AreaM2() / 1e6, t.AreaM2() / squareMileM2})
	}
	b.enter()
	b.sum(from, to)
	b.corrections()
	b.fields()
	b.missing()
	b.notes()
	return r, nil
}

// squareMileM2 of the international mile of 1609.344 m.
const squareMileM2 = 1609.344 * 1609.344

type unitKey struct{ site, unit string }

type builder struct {
	in       Input
	zone     *time.Location
	days     []span
	operator *Operator
	report   *Report
	// parts are releases cut at midnights, in the order of the log.
	parts []part
	// runs are when units were on: overlaps of a named unit are joined.
	runs  map[unitKey][]span
	twice time.Duration // counted once
}

type part struct {
	*alert.Release
	day  int
	when span
}

func (p *part) share() float64 {
	return p.Grams * float64(p.when.length()) / float64(p.End.Sub(p.Start))
}

func (b *builder) period() span { return span{b.days[0].from, b.days[len(b.days)-1].to} }

// enter cuts releases into days, and writes the log.
func (b *builder) enter() {
	inForce := alert.InForce(b.in.Records.Valid)
	b.runs = map[unitKey][]span{}
	units := map[unitKey]*Unit{}
	for k := range inForce {
		r := &inForce[k]
		all := span{r.Start, r.End}.within(b.period())
		if all.length() <= 0 {
			continue
		}
		key := unitKey{r.Site, r.Unit}
		shown := unitKey{r.Site, b.designation(key)}
		unit := units[shown]
		if unit == nil {
			unit = b.unit(shown)
			units[shown] = unit
		}
		if last := len(b.runs[key]) - 1; r.Unit != "" && last >= 0 && all.from.Before(b.runs[key][last].to) {
			joined := &b.runs[key][last] // records come in order of their start
			b.twice += all.within(*joined).length()
			if all.to.After(joined.to) {
				joined.to = all.to
			}
		} else {
			b.runs[key] = append(b.runs[key], all)
		}
		first, _ := slices.BinarySearchFunc(b.days, all.from, func(d span, t time.Time) int {
			if d.to.After(t) {
				return 0
			}
			return -1
		})
		for day := first; day < len(b.days) && b.days[day].from.Before(all.to); day++ {
			when := all.within(b.days[day])
			if when.length() <= 0 {
				continue
			}
			p := part{r, day, when}
			b.parts = append(b.parts, p)
			e := Entry{Date: b.days[day].from.In(b.zone).Format(time.DateOnly), Site: r.Site, SiteName: unit.SiteName, Unit: r.Unit, Type: unit.Type, Place: unit.Place,
				Begin: when.from.In(b.zone), End: when.to.In(b.zone), Hours: when.length().Hours(), Agent: r.Agent, Grams: p.share(), Purpose: r.Purpose, Who: r.Who, Record: r.ID,
				RateGPerH: r.Grams / r.End.Sub(r.Start).Hours(), Part: when != (span{r.Start, r.End}), Corrects: r.Corrects}
			b.report.Log = append(b.report.Log, e)
			unit.Log = append(unit.Log, e)
		}
	}
	slices.SortStableFunc(b.report.Log, func(x, y Entry) int {
		return cmp.Or(x.Begin.Compare(y.Begin), strings.Compare(x.Site, y.Site), strings.Compare(x.Unit, y.Unit), strings.Compare(x.Record, y.Record))
	})
	for _, key := range slices.SortedFunc(maps.Keys(units), func(x, y unitKey) int {
		return cmp.Or(strings.Compare(x.site, y.site), strings.Compare(x.unit, y.unit))
	}) {
		unit := units[key]
		unit.Total = b.sumOf(b.period(), func(k unitKey) bool { return k.site == key.site && b.designation(k) == key.unit })
		unit.Total.From, unit.Total.To = b.report.From, b.report.To
		b.report.Units = append(b.report.Units, *unit)
	}
}

// designation of the unit that a record is of: as the operator's file describes it
// ("rack 1" for "rack 1, no. 4"), else as the record has it.
func (b *builder) designation(key unitKey) string {
	best := ""
	for k := range b.operator.Apparatus {
		a := &b.operator.Apparatus[k]
		if a.Site == key.site && a.Unit != "" && len(a.Unit) > len(best) && (key.unit == a.Unit || strings.HasPrefix(key.unit, a.Unit+",")) {
			best = a.Unit
		}
	}
	return cmp.Or(best, key.unit)
}

// unit finds what is known of one, by its designation.
func (b *builder) unit(key unitKey) *Unit {
	u := &Unit{Site: key.site, SiteName: key.site, Unit: key.unit, Type: typeUnknown}
	if site := b.in.Programme.Site(key.site); site != nil {
		u.SiteName, u.Type = clean(site.Name, most), "ground "+site.Agent.Kind
		u.Place = &Place{LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg, ReleaseHeightM: site.ReleaseHeightM}
		if !math.IsNaN(site.AltitudeM) {
			u.Place.AltitudeM = &site.AltitudeM
		}
	}
	// What is said of the whole site, then of the unit.
	for _, name := range []string{"", key.unit} {
		for _, a := range b.operator.Apparatus {
			if a.Site != key.site || a.Unit != name {
				continue
			}
			u.Type, u.Make, u.Model, u.Responsible = cmp.Or(a.Type, u.Type), cmp.Or(a.Make, u.Make), cmp.Or(a.Model, u.Model), cmp.Or(a.Responsible, u.Responsible)
		}
	}
	return u
}

const typeUnknown = "ground, type not known"

func (b *builder) sum(from, to time.Time) {
	r := b.report
	everything := func(unitKey) bool { return true }
	for first := time.Date(from.Year(), from.Month(), 1, 0, 0, 0, 0, time.UTC); !first.After(to); first = first.AddDate(0, 1, 0) {
		last := first.AddDate(0, 1, -1)
		begin, end := first, last
		if from.After(begin) {
			begin = from
		}
		if to.Before(end) {
			end = to
		}
		next := end.AddDate(0, 0, 1)
		s := b.sumOf(span{startOfDay(begin.Year(), begin.Month(), begin.Day(), b.zone), startOfDay(next.Year(), next.Month(), next.Day(), b.zone)}, everything)
		s.Month, s.From, s.To, s.Whole = first.Format("2006-01"), begin.Format(time.DateOnly), end.Format(time.DateOnly), begin.Equal(first) && end.Equal(last)
		r.Months = append(r.Months, s)
	}
	r.Total = b.sumOf(b.period(), everything)
	r.Total.From, r.Total.To, r.Total.Whole = r.From, r.To, true
	if len(r.Log) > 0 {
		r.First, r.Last = r.Log[0].Date, r.Log[len(r.Log)-1].Date
	}
}

// sumOf sums what lies in a span, which is one of whole days.
func (b *builder) sumOf(s span, of func(unitKey) bool) Sum {
	days, purposeDays, formDays := map[int]bool{}, map[string]map[int]bool{}, map[string]map[int]bool{}
	releases, agents := map[string]bool{}, map[string]float64{}
	sum := Sum{Purposes: []DayCount{}, Types: []Hours{}, Agents: []Amount{}}
	mark := func(in map[string]map[int]bool, key string, day int) {
		if in[key] == nil {
			in[key] = map[int]bool{}
		}
		in[key][day] = true
	}
	for k := range b.parts {
		p := &b.parts[k]
		if p.when.within(s).length() <= 0 || !of(unitKey{p.Site, p.Unit}) {
			continue
		}
		days[p.day], releases[p.ID] = true, true
		mark(purposeDays, p.Purpose, p.day)
		mark(formDays, assigned(b.operator.Purposes, p.Purpose), p.day)
		agents[p.Agent] += p.share()
	}
	f := &sum.Form
	sum.Days, sum.Releases, f.Days = len(days), len(releases), len(days)
	for _, purpose := range slices.Sorted(maps.Keys(purposeDays)) {
		sum.Purposes = append(sum.Purposes, DayCount{purpose, assigned(b.operator.Purposes, purpose), len(purposeDays[purpose])})
	}
	f.IncreasePrecipitationDays, f.AlleviateHailDays, f.FogDays, f.OtherDays, f.UnassignedDays =
		len(formDays[IncreasePrecipitation]), len(formDays[AlleviateHail]), len(formDays[Fog]), len(formDays[OtherPurpose]), len(formDays[""])
	for _, agent := range slices.Sorted(maps.Keys(agents)) {
		as, g := assigned(b.operator.Agents, agent), agents[agent]
		sum.Agents = append(sum.Agents, Amount{agent, as, g})
		sum.Grams += g
		*map[string]*float64{SilverIodide: &f.SilverIodideG, CarbonDioxide: &f.CarbonDioxideG, Urea: &f.UreaG, SodiumChloride: &f.SodiumChlorideG, OtherAgent: &f.OtherG, "": &f.UnassignedG}[as] += g
	}
	types := map[string]time.Duration{}
	for key, runs := range b.runs {
		if !of(key) {
			continue
		}
		for _, run := range runs {
			if d := run.within(s).length(); d > 0 {
				types[b.unit(unitKey{key.site, b.designation(key)}).Type] += d
			}
		}
	}
	var hours time.Duration
	for _, kind := range slices.Sorted(maps.Keys(types)) {
		sum.Types = append(sum.Types, Hours{kind, types[kind].Hours()})
		hours += types[kind]
	}
	sum.Hours, f.GroundHours = hours.Hours(), hours.Hours()
	return sum
}

func assigned(list []Assigned, record string) string {
	for k := range list {
		if list[k].Record == record {
			return list[k].CountsAs
		}
	}
	return ""
}

// corrections lists those of the period.
func (b *builder) corrections() {
	byID := map[string]*alert.Release{}
	for k := range b.in.Records.Valid {
		byID[b.in.Records.Valid[k].ID] = &b.in.Records.Valid[k]
	}
	say := func(r *alert.Release) string {
		if r.Grams == 0 {
			return "nothing released (" + r.Purpose + ")"
		}
		text := fmt.Sprintf("%s: %s, %s g, %s to %s", unitText(r), r.Agent, number(r.Grams, 3), clock(r.Start.In(b.zone)), clock(r.End.In(b.zone)))
		return text + ", " + r.Purpose
	}
	for k := range b.in.Records.Valid {
		now := &b.in.Records.Valid[k]
		old := byID[now.Corrects]
		if now.Corrects == "" || old == nil {
			continue
		}
		if (span{now.Start, now.End}).within(b.period()).length() > 0 || (span{old.Start, old.End}).within(b.period()).length() > 0 {
			b.report.Corrections = append(b.report.Corrections, Correction{now.ID, old.ID, now.At.In(b.zone), now.Who, say(old), say(now)})
		}
	}
}

func unitText(r *alert.Release) string {
	if r.Unit == "" {
		return r.Site
	}
	return r.Site + ", " + r.Unit
}

// clock is a local moment with its offset.
func clock(t time.Time) string { return t.Format("2006-01-02 15:04:05 -07:00") }

func (b *builder) notes() {
	r := b.report
	note := func(format string, arguments ...any) {
		r.Notes = append(r.Notes, fmt.Sprintf(format, arguments...))
	}
	if r.NoActivity() {
		note("No activity: the record has no release in this period. It is reported all the same, every month with zeros.")
	}
	if f := &r.Total.Form; f.UnassignedDays > 0 || f.UnassignedG > 0 {
		note("The columns of Form 17-4A are not complete: purposes or agents of the record are not assigned to a column (section 6), and stand under \"not assigned\".")
	}
	if b.in.Written.Before(b.period().to) {
		note("The period was not over when this was written: what is released later is not in it.")
	}
	if b.twice > 0 {
		note("Records of one unit overlap by %s h in all; that time is counted once in hours, and the amounts of all are counted.", number(b.twice.Hours(), 2))
	}
	for _, d := range b.days {
		if d.length() != 24*time.Hour && d.length() > 0 {
			note("Clocks change on %s: that day has %s hours.", d.from.In(b.zone).Format(time.DateOnly), number(d.length().Hours(), 2))
		}
	}
	parts := 0
	for _, e := range r.Log {
		if e.Part {
			parts++
		}
	}
	if parts > 0 {
		note("Lines of the log that are parts of releases across midnight or an edge of the period: %d; amounts are by share of time.", parts)
	}
	if len(r.Corrections) > 0 {
		note("Corrected records that touch this period: %d. If a report was filed before, the instructions of Form 17-4A ask for a supplemental report, by letter with the NOAA file number, on material inaccuracies.", len(r.Corrections))
	}
	if r.Kind == Interim {
		note("An interim report is due not later than 45 days after January 1 (908.5(a)), unless other arrangements were approved in writing.")
	} else {
		note("A final report is due not later than 45 days after completion (908.6).")
	}
	note("Logs are kept 5 years and are not sent to NOAA (instructions of the daily log).")
	if len(r.Targets) > 1 {
		note("The size of the target area is the sum of %d targets; where they overlap, ground counts twice.", len(r.Targets))
	}
}
