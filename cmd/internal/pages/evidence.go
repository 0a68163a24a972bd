package pages

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/drift"
)

// evidencePage is everything about one site.
type evidencePage struct {
	head
	ID, Name string
	Place    string
	Burns    string
	Sign     sign
	Reason   string
	Why      string
	Since    *instant
	Judged   *instant
	// Later is the time of the release, where that is not the moment of judgement.
	Later   *instant
	Old     string
	Problem string
	// Known: there is an assessment.
	Known       bool
	Score, Sure string
	Filled      string
	Held        string
	Review      string
	// InForce are the criteria that hold, or ask for a look.
	InForce []criterionView
	Window  *windowView

	Components []componentRow
	Formula    string
	Caps       []string
	Confidence []factorRow
	Reasons    []string

	Map     *mapFigure
	Section *sectionFigure
	// NotDrawn says what the message lacks for the drawings.
	NotDrawn []string

	Landing []string
	Targets []targetRow
	Fates   []fateRow
	Members int

	Outlook *outlookView

	Criteria []criterionView
	Says     string // of the criteria's age

	Advice   *adviceView
	Observed []string
	Inputs   []inputRow
	Notes    []string
	Cautions []string
	File     string
	SHA256   string

	JSON, GeoJSON string
}

type componentRow struct {
	Name, Quantity, Means string
	Found                 string
	Known                 bool
	Worth, Filled         string
	Weight                string
	Reason                string
	Inputs                []string
	Knots                 string
	Source                string
}

type factorRow struct{ Name, Value, Filled, Means string }

type targetRow struct {
	Name, Share, Filled, Error  string
	Inside, Short, Past, Beside int
}

type fateRow struct {
	Fate  string
	Count int
	Share string
}

// adviceView is a suggestion of when and how much to release.
type adviceView struct {
	At *instant
	// Against says why it must not be followed now, whatever it says; empty for nothing.
	Against string
	// First names the criteria for which a person must look before.
	First           string
	Withheld        bool
	Start, End      *instant
	Units, AtOnce   int
	Spacing         string
	Grams           string
	PerLitre        string
	Reasons, Limits []string
	Caution         string
}

// means says what a component is for, with how many decimals it is shown, and from
// which kinds of input it is made.
var means = map[string]struct {
	name, means string
	decimals    int
	from        []string
}{
	seedability.ComponentLiquid:           {"liquid water", "What the agent turns into ice. Without it nothing happens.", 2, []string{"model", "sounding"}},
	seedability.ComponentTemperature:      {"temperature", "Silver iodide works below about −5 °C; in far colder air ice forms by itself.", 1, []string{"model"}},
	seedability.ComponentCloudTop:         {"cloud top", "A warm top means little ice of its own; a very cold one makes enough without us.", 0, []string{"satellite", "model"}},
	seedability.ComponentDelivery:         {"lift over the barrier", "Whether the flow carries the plume over the ridge, or is blocked below it.", 2, []string{"model"}},
	seedability.ComponentCrossBarrierWind: {"wind across the ridge", "Lift over the ridge makes the cloud's water, and the wind carries plume and snow to the target.", 1, []string{"model"}},
	seedability.ComponentCloudDepth:       {"cloud depth", "In a shallow cloud ice has no way to grow on.", 0, []string{"model"}},
	seedability.ComponentBand:             {"band", "Agent that meets a band finds more liquid water.", 2, []string{"radar", "mosaic", "bands"}},
	seedability.ComponentNaturalIce:       {"natural ice", "A strong echo is ice that is there already and uses up the water: this can only take away.", 0, []string{"radar", "mosaic"}},
}

// Evidence is the page of one site; known is false where there is none of that id.
func Evidence(root string, b Board, p *Programme, id string) (page []byte, known bool, err error) {
	s, site := p.site(id), p.File.Site(id)
	if s == nil || site == nil {
		return nil, false, nil
	}
	f := newFace(b.Now, p.File.Location)
	results := p.resultsAt(b.Now)
	verdict := p.verdictOf(s, results, b.Now)
	name := p.siteName(id)
	v := evidencePage{head: p.head(root, b, strings.ToUpper(signOf(verdict.State).Word)+" – "+name, ""), ID: id, Name: name, Place: place(site.LatitudeDeg, site.LongitudeDeg),
		Sign: signOf(verdict.State), Reason: capital(plain(verdict.Reason, longText)), Why: capital(plain(verdict.Why, longText)), Since: f.at(verdict.Since), Old: plain(verdict.Old, longText), Problem: plain(s.Problem, longText),
		Score: "–", Sure: "–", Held: named(verdict.Held, 6), Review: named(verdict.Review, 6), Window: verdict.window(windowOf(s, b.Now), f), Says: p.criteriaAge(f),
		File: plain(p.File.File, 200), SHA256: p.File.SHA256}
	v.Renew = true
	if a := site.Agent; a.Kind == "flare" {
		v.Burns = fmt.Sprintf("flares of %g g silver iodide, %g min each", a.AmountG, a.BurnMinutes)
	} else {
		v.Burns = fmt.Sprintf("a generator of %g g silver iodide an hour", a.RateGPerH)
	}
	for _, r := range verdict.Results[:min(len(verdict.Results), 200)] {
		c := p.criterion(r, f)
		if v.Criteria = append(v.Criteria, c); c.Sign.Name != "clear" && len(v.InForce) < 8 {
			v.InForce = append(v.InForce, c)
		}
	}
	if a := s.Score; a != nil {
		v.Known = true
		v.Judged = f.at(a.AsOf)
		if a.ReleaseTime.Sub(a.AsOf).Abs() >= time.Minute {
			v.Later = f.at(a.ReleaseTime)
		}
		v.score(a, p, f)
		v.landing(a)
		targets := p.File.TargetsOf(site)
		v.Map = newMapFigure(a, site, targets)
		v.Section = newSectionFigure(a, targets)
		v.NotDrawn = notDrawn(a)
		v.Observed = observed(a, f)
		v.Notes, v.Cautions = texts(a.Notes), texts(a.Cautions)
		for _, in := range a.Inputs[:min(len(a.Inputs), longList)] {
			row := p.inputRow(in.Kind, in.Label, in.ReferenceTime, f)
			for _, file := range in.Files[:min(len(in.Files), 24)] {
				row.Files = append(row.Files, fileRow{plain(file.Name, 300), plain(file.SHA256, 64)})
			}
			v.Inputs = append(v.Inputs, row)
		}
		v.GeoJSON = id + ".geojson"
	}
	for _, caution := range seedability.Cautions[:2] {
		if !slices.Contains(v.Cautions, plain(caution, longText)) {
			v.Cautions = append(v.Cautions, plain(caution, longText))
		}
	}
	if v.Outlook = newOutlookView(s.Outlook, p, f); v.Outlook != nil && v.Window != nil {
		v.Outlook.But = v.Window.But
	}
	v.Advice = p.advice(s, verdict, f)
	v.JSON = id + ".json"
	page, err = write("evidence", v)
	return page, true, err
}

// place with hemispheres.
func place(latitudeDeg, longitudeDeg float64) string {
	northSouth, eastWest := "N", "E"
	if latitudeDeg < 0 {
		northSouth = "S"
	}
	if longitudeDeg < 0 {
		eastWest = "W"
	}
	return fmt.Sprintf("%.4f° %s, %.4f° %s", math.Abs(latitudeDeg), northSouth, math.Abs(longitudeDeg), eastWest)
}

// score fills in what the score is made of.
func (v *evidencePage) score(a *seedability.Assessment, p *Programme, f face) {
	if a.Score.Value != nil {
		v.Score, v.Filled = digits(*a.Score.Value, 0), bar(*a.Score.Value/100)
	}
	v.Sure = digits(a.Confidence.Value, 2)
	for _, c := range a.Score.Components[:min(len(a.Score.Components), longList)] {
		known, ok := means[c.Name]
		row := componentRow{Name: known.name, Quantity: plain(c.Quantity, 200), Means: known.means, Found: "not known", Known: c.Value != nil && c.Input != nil, Reason: capital(plain(c.Reason, longText)),
			Knots: knots(c), Source: plain(c.Source, longText)}
		if !ok {
			row.Name = strings.ReplaceAll(plain(c.Name, longName), "-", " ")
		}
		if row.Known {
			row.Found = digits(*c.Input, known.decimals)
			if !ok {
				row.Found = threeDigits(*c.Input)
			}
			if c.Unit != "1" {
				row.Found += " " + plain(c.Unit, 20)
			}
			row.Worth, row.Filled = digits(*c.Value, 2), bar(*c.Value)
			row.Weight = percent(c.Weight)
			if c.Factor {
				row.Weight = "factor"
			}
		}
		row.Inputs = inputsOf(a, known.from, f)
		v.Components = append(v.Components, row)
	}
	if o, t := a.Score.Opportunity, a.Score.TargetProbability; o != nil && t != nil && a.Score.Value != nil {
		v.Formula = fmt.Sprintf("100 × √(opportunity %s × share that lands in a target %s) = %s", digits(*o, 2), digits(*t, 2), digits(*a.Score.Value, 1))
	}
	for _, limit := range a.Score.Caps[:min(len(a.Score.Caps), longList)] {
		v.Caps = append(v.Caps, fmt.Sprintf("the opportunity is held to %s: %s", digits(limit.Limit, 1), plain(limit.Reason, longText)))
	}
	c := a.Confidence
	for _, factor := range []struct {
		name  string
		value float64
		means string
	}{{"freshness", c.Freshness, "how recent the inputs are"}, {"coverage", c.Coverage, "how much of what the score asks for is known"}, {"agreement", c.Agreement, "how well independent sources agree"}} {
		v.Confidence = append(v.Confidence, factorRow{factor.name, digits(factor.value, 2), bar(factor.value), factor.means})
	}
	if c.Lead != nil {
		v.Confidence = append(v.Confidence, factorRow{"lead", digits(*c.Lead, 2), bar(*c.Lead), "how far ahead the release lies"})
	}
	v.Reasons = texts(c.Reasons)
}

// inputsOf says which inputs of some kinds the assessment has, and how old they are.
func inputsOf(a *seedability.Assessment, kinds []string, f face) []string {
	var out []string
	seen := map[string]bool{}
	for _, kind := range kinds {
		for _, in := range a.Inputs {
			if in.Kind != kind || seen[kind] || len(out) >= 4 {
				continue
			}
			newest := in.ReferenceTime
			for _, other := range a.Inputs {
				if other.Kind == kind && other.ReferenceTime.After(newest) {
					newest = other.ReferenceTime
				}
			}
			seen[kind] = true
			out = append(out, fmt.Sprintf("%s, %s", plain(kind, longName), f.ago(newest)))
		}
	}
	if len(kinds) > 0 && len(out) == 0 {
		out = append(out, "no recent "+strings.Join(kinds, " or "))
	}
	return out
}

// knots says what the thresholds are: "0 at 0.02 mm, 0.5 at 0.05".
func knots(c seedability.Component) string {
	var parts []string
	for _, k := range c.Knots[:min(len(c.Knots), 20)] {
		parts = append(parts, strings.ReplaceAll(fmt.Sprintf("%.3g at %.6g", k.Mu, k.X), "-", "−"))
	}
	if len(parts) == 0 {
		return ""
	}
	unit := plain(c.Unit, 20)
	if unit == "1" {
		unit = ""
	}
	return strings.TrimSpace(strings.Join(parts, ", ") + " " + unit)
}

// quantiles of a time after release.
func quantiles(q seedability.Quantiles) string {
	if q.Q50 == nil {
		return ""
	}
	if q.Q10 == nil || q.Q90 == nil {
		return digits(*q.Q50, 0) + " min after release"
	}
	return fmt.Sprintf("%s min after release (80 %% between %s and %s min)", digits(*q.Q50, 0), digits(*q.Q10, 0), digits(*q.Q90, 0))
}

// landing says when and where the ice comes down.
func (v *evidencePage) landing(a *seedability.Assessment) {
	t := &a.Transport
	v.Members = t.Members
	add := func(format string, arguments ...any) {
		v.Landing = append(v.Landing, fmt.Sprintf(format, arguments...))
	}
	event := func(e *seedability.Event) string {
		text := fmt.Sprintf("%s km %s of the site", digits(e.DistanceM/1000, 0), compass(e.BearingDeg))
		if math.Abs(e.AltitudeM) < 3e4 {
			text += fmt.Sprintf(", %s m above sea level", digits(e.AltitudeM, 0))
		}
		if e.AirTemperatureK != nil {
			text += fmt.Sprintf(", %s °C", digits(*e.AirTemperatureK-273.15, 0))
		}
		return text
	}
	switch when := quantiles(t.ActivationMinutes); {
	case when != "" && t.Activation != nil:
		add("The agent acts %s, in the mean %s. %s of the members get there.", when, event(t.Activation), percent(t.ActivatedShare))
	case when != "":
		add("The agent acts %s.", when)
	default:
		add("No member finds supercooled water that is cold enough: the agent does not act.")
	}
	switch when := quantiles(t.LandingMinutes); {
	case when != "" && t.Landing != nil:
		add("Its ice reaches the ground %s, in the mean %s.", when, event(t.Landing))
	case when != "":
		add("Its ice reaches the ground %s.", when)
	default:
		add("No ice reaches the ground within the time and the area that are followed.")
	}
	if e := t.LandingEllipse; e != nil {
		add("The landings scatter by %s km along %s–%s and %s km across (one standard deviation).", digits(e.SemiMajorM/1000, 1), compass(e.MajorAxisDeg), compass(e.MajorAxisDeg+180), digits(e.SemiMinorM/1000, 1))
	}
	for _, text := range texts(t.Trapped) {
		add("The plume may not leave the ground layer: %s.", text)
	}
	for _, target := range t.Targets[:min(len(t.Targets), longList)] {
		v.Targets = append(v.Targets, targetRow{Name: firstName(target.Name, target.ID), Share: percent(target.Probability), Filled: bar(target.Probability), Error: digits(100*target.StandardError, 0),
			Inside: target.Inside, Short: target.Short, Past: target.Past, Beside: target.Beside})
	}
	order := drift.Fates()
	known := map[string]bool{}
	row := func(fate string, n int) {
		if n > 0 {
			v.Fates = append(v.Fates, fateRow{plain(fate, longName), n, percent(float64(n) / float64(max(t.Members, 1)))})
		}
	}
	for _, fate := range order {
		known[fate.String()] = true
		row(fate.String(), t.Fates[fate.String()])
	}
	for fate, n := range t.Fates {
		if !known[fate] && len(v.Fates) < longList {
			row(fate, n)
		}
	}
	slices.SortStableFunc(v.Fates, func(a, b fateRow) int {
		if a.Count != b.Count {
			return b.Count - a.Count
		}
		return strings.Compare(a.Fate, b.Fate)
	})
}

// observed says what radar and satellite see, and which bands come.
func observed(a *seedability.Assessment, f face) []string {
	var out []string
	add := func(format string, arguments ...any) {
		out = append(out, capital(plain(fmt.Sprintf(format, arguments...), longText)))
	}
	for _, b := range a.Bands[:min(len(a.Bands), 12)] {
		text := fmt.Sprintf("%s %d (%s dBZ at most, %s sure) is over the zone from %s to %s, strongest at %s ± %s min", plain(b.Kind, 20), b.ID, digits(b.PeakDBZ, 0), percent(b.Probability),
			f.both(b.Arrival.Time), f.both(b.End.Time), f.both(b.Peak.Time), digits(b.Peak.SDMinutes, 0))
		if r := b.Release; r.Start != nil && r.Best != nil && r.End != nil {
			text += fmt.Sprintf("; to meet it release from %s to %s, best %s", f.both(*r.Start), f.both(*r.End), f.both(*r.Best))
		} else {
			text += "; release to meet it: " + plain(b.Release.State, longText)
		}
		add("%s.", text)
	}
	if r := a.Radar; r != nil {
		layer := "between 0 and −20 °C it saw nothing: " + r.Layer.Sight
		switch {
		case r.Layer.DBZ != nil && r.Layer.AltitudeM != nil:
			layer = fmt.Sprintf("the strongest echo between 0 and −20 °C is %s dBZ, at %s m", digits(*r.Layer.DBZ, 0), digits(*r.Layer.AltitudeM, 0))
		case r.Layer.Sight == "no echo":
			layer = "no echo between 0 and −20 °C"
		}
		text := fmt.Sprintf("radar %s, %s km from the zone, %s: %s (%s of the layer seen)", r.Radar, digits(r.DistanceM/1000, 0), f.ago(r.Time), layer, percent(r.Layer.SeenShare))
		if r.AboveActivationM != nil && *r.AboveActivationM > 0 {
			text += fmt.Sprintf("; the lowest beam passes %s m above the activation, what is lower is not seen", digits(*r.AboveActivationM, 0))
		}
		add("%s.", text)
		for _, hint := range texts(r.Hints) {
			add("hint of dual polarisation: %s.", hint)
		}
	}
	if r := a.TargetRate; r != nil {
		add("precipitation over the landing: %s mm/h, %s (%s).", digits(r.MMPerH, 1), r.Class, r.From)
	}
	if s := a.Satellite; s != nil {
		add("satellite %s, %s: phase %s; %s.", s.Label, f.ago(s.Time), s.Phase, s.Says)
	}
	return out
}

// both times of a moment, in a sentence.
func (f face) both(t time.Time) string {
	if utc := f.utc(t); utc != "" {
		return f.local(t, true) + " / " + utc
	}
	return f.local(t, true)
}

// advice as it may be shown now: what has become wrong since it was made is said
// before it.
func (p *Programme) advice(s *Site, verdict verdict, f face) *adviceView {
	a := s.Advice
	if a == nil {
		return nil
	}
	v := &adviceView{At: f.at(s.AdviceAt), Withheld: a.Withheld, Start: f.at(a.ReleaseStart), End: f.at(a.ReleaseEnd), Units: a.Units, AtOnce: a.AtOnce, Grams: digits(a.GramsTotal, 0),
		Reasons: texts(a.Reasons), Limits: texts(a.Limits), Caution: plain(a.Caution, longText)}
	if a.SpacingS > 0 {
		v.Spacing = span(time.Duration(math.Min(a.SpacingS, 1e6) * float64(time.Second)))
	}
	if a.CrystalsPerLitre != nil {
		v.PerLitre = twoDigits(*a.CrystalsPerLitre)
	}
	if v.Withheld {
		return v
	}
	var against []string
	switch verdict.State {
	case seedability.StateHold:
		against = append(against, "the site is on hold now")
	case seedability.StateBlind:
		against = append(against, "the site cannot be judged now")
	}
	if !a.ReleaseEnd.After(f.now) {
		against = append(against, "its time is over")
	}
	if f.now.Sub(s.AdviceAt) > judgementStands {
		against = append(against, "it was made "+f.ago(s.AdviceAt))
	}
	v.First = named(verdict.Review, 6)
	v.Against = strings.Join(against, "; ")
	return v
}
