package alert

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/agent"
)

// AdviceSite is what is known of a site's agent and of what it may still use.
// Limits that are not set are NaN, counts negative.
type AdviceSite struct {
	ID, Name string
	// AmountG in one burn of BurnFor of a flare; a generator has RateGPerS and no
	// AmountG.
	AmountG   float64
	BurnFor   time.Duration
	RateGPerS float64
	// UnitsLeft at the site; -1 where not known.
	UnitsLeft int
	// UnitsAtOnce that may burn together; at least 1.
	UnitsAtOnce int
	// DayLimitG and SeasonLimitG of the programme, and what was released of them;
	// SiteDayLimitG and SiteSeasonLimitG of this site.
	DayLimitG, SeasonLimitG         float64
	SiteDayLimitG, SiteSeasonLimitG float64
	Used                            Totals
}

// Advice is a suggestion of when and how much a site might release in a window,
// with its reasons. It is never a command: nothing in it is sent to a device, and a
// person decides within the permit.
type Advice struct {
	Programme string `json:"programme"`
	Site      string `json:"site"`
	// Withheld: there is a reason against any release, or nothing can be said; the
	// reasons say which. All numbers are zero then.
	Withheld     bool      `json:"withheld"`
	ReleaseStart time.Time `json:"release_start,omitzero"`
	ReleaseEnd   time.Time `json:"release_end,omitzero"`
	// SpacingS from the begin of one unit (or group of units) to the next; zero for a
	// generator.
	SpacingS float64 `json:"spacing_s"`
	// Units in all, AtOnce of them together.
	Units      int     `json:"units"`
	AtOnce     int     `json:"at_once"`
	GramsTotal float64 `json:"grams_total"`
	// CrystalsPerLitre that this is predicted to make where the agent acts, mean over
	// the plume; null where it is not known.
	CrystalsPerLitre *float64 `json:"crystals_per_litre"`
	Reasons          []string `json:"reasons"`
	// Limits that made it less than the window asks for.
	Limits  []string `json:"limits"`
	Caution string   `json:"caution"`
}

// AdviceCaution goes with every advice.
const AdviceCaution = "A suggestion to the licensed operator, who decides. Not a command. Keep the maker's instructions, the permit and local code; flares and generators are pyrotechnic and chemical devices."

// Of advice. Ten to a hundred crystals a litre are needed (Young 1974); the middle
// of that on a logarithmic scale, 32, is aimed at. Puffs more than half an hour
// apart are no plume any more; that, and ten units together at most, is common
// practice, no source.
const (
	longestSpacing = 30 * time.Minute
	mostAtOnce     = 10
)

// Advise suggests a release for one site and window, from the assessment of its best
// release, whose dose is that of one unit (one flare, or the generator). holds names
// what suspends the site. Any hold, a blind or a held assessment, or an over window
// withholds the advice.
//
// The mean dose over the plume is n D t / s, with n units together, D the dose of
// one, t its burning time and s the spacing: it is linear in the rate (package
// agent, Plume). n is the least that reaches the useful range; where one unit alone
// exceeds the middle of the range, s is what brings it there. Limits then take units
// away from the two ends of the window, and leave those nearest its best time.
func Advise(site AdviceSite, w seedability.Window, a seedability.Assessment, holds []string, now time.Time) Advice {
	v := Advice{Programme: a.Programme, Site: site.ID, Reasons: []string{}, Limits: []string{}, Caution: AdviceCaution}
	if reasons := against(site, w, a, holds, now); len(reasons) > 0 {
		v.Withheld, v.Reasons = true, reasons
		return v
	}
	start, end := w.Start.UTC(), w.End.UTC()
	if now.After(start) {
		start = now.UTC().Truncate(time.Second)
		v.Reasons = append(v.Reasons, "the window is open already: from now on")
	}
	best := w.Best.UTC()
	if best.Before(start) {
		best = start
	}
	dose := math.NaN()
	if a.Dose.CrystalsPerLitre != nil {
		dose = *a.Dose.CrystalsPerLitre
	}
	v.Reasons = append(v.Reasons, fmt.Sprintf("window %s to %s UTC, best at %s; score %.0f, confidence %.2f", start.Format("15:04"), end.Format("15:04"), best.Format("15:04"), w.PeakScore, w.Confidence))
	if reason := clean(a.Dose.Reason, maxReason); reason != "" {
		v.Reasons = append(v.Reasons, "one unit: "+reason)
	}
	left := site.gramsLeft(&v)
	if site.AmountG > 0 {
		v.flares(site, start, best, end, dose, left)
	} else {
		v.generator(site, start, best, end, dose, left)
	}
	if v.Withheld {
		v.ReleaseStart, v.ReleaseEnd, v.SpacingS, v.Units, v.AtOnce, v.GramsTotal, v.CrystalsPerLitre = time.Time{}, time.Time{}, 0, 0, 0, 0, nil
		return v
	}
	if v.CrystalsPerLitre != nil {
		v.Reasons = append(v.Reasons, "together: "+agent.JudgeDose(*v.CrystalsPerLitre).Reason)
	} else {
		v.Reasons = append(v.Reasons, "the dose is not known: one unit after another, and what it does is not foreseen")
	}
	return v
}

// against lists what speaks against any release.
func against(site AdviceSite, w seedability.Window, a seedability.Assessment, holds []string, now time.Time) []string {
	var reasons []string
	for _, hold := range cleanAll(holds, maxReason) {
		reasons = append(reasons, "held: "+hold)
	}
	standing := seedability.State("")
	if a.Standing != nil {
		standing = a.Standing.State
	}
	switch {
	case a.State == seedability.StateHold || standing == seedability.StateHold:
		reasons = append(reasons, clean("the site is on hold: "+a.StateReason, maxReason))
	case a.State == seedability.StateBlind || standing == seedability.StateBlind:
		reasons = append(reasons, clean("the site cannot be judged: "+a.StateReason, maxReason))
	}
	if a.Site.ID != site.ID {
		reasons = append(reasons, "the assessment is of another site")
	}
	if !w.End.After(w.Start) || !w.End.After(now) {
		reasons = append(reasons, "the window is over")
	}
	burn := site.AmountG > 0 && site.BurnFor > 0
	if !(burn || site.AmountG <= 0 && site.RateGPerS > 0) || math.IsInf(site.AmountG+site.RateGPerS, 0) {
		reasons = append(reasons, "what the site burns is not known")
	}
	return reasons
}

// gramsLeft is the least that the limits leave.
func (s *AdviceSite) gramsLeft(v *Advice) float64 {
	left := math.Inf(1)
	for _, limit := range []struct {
		name        string
		limit, used float64
	}{
		{"daily limit of the programme", s.DayLimitG, s.Used.DayG}, {"seasonal limit of the programme", s.SeasonLimitG, s.Used.SeasonG},
		{"daily limit of the site", s.SiteDayLimitG, s.Used.SiteDayG[s.ID]}, {"seasonal limit of the site", s.SiteSeasonLimitG, s.Used.SiteSeasonG[s.ID]},
	} {
		if math.IsNaN(limit.limit) {
			continue
		}
		rest := math.Max(limit.limit-limit.used, 0)
		v.Limits = append(v.Limits, fmt.Sprintf("%s: %.0f g, %.0f g used, %.0f g left", limit.name, limit.limit, limit.used, rest))
		left = math.Min(left, rest)
	}
	return left
}

// target of the dose: the middle of the useful range on a logarithmic scale.
var targetPerLitre = math.Sqrt(agent.DoseWeakPerLitre * agent.DoseTooMuchPerLitre)

func (v *Advice) flares(site AdviceSite, start, best, end time.Time, dose, left float64) {
	atOnceMost := min(max(site.UnitsAtOnce, 1), mostAtOnce)
	v.AtOnce = 1
	spacing := site.BurnFor
	switch {
	case !(dose > 0):
	case dose >= targetPerLitre:
		spacing = time.Duration(dose / targetPerLitre * float64(site.BurnFor))
		if spacing > longestSpacing {
			spacing = max(longestSpacing, site.BurnFor)
			v.Limits = append(v.Limits, fmt.Sprintf("spacing is at most %.0f min, or the puffs would be no plume", longestSpacing.Minutes()))
		}
	default:
		wanted := math.Ceil(agent.DoseWeakPerLitre / dose) // at least the useful range
		v.AtOnce = int(math.Min(wanted, float64(atOnceMost)))
		if wanted > float64(atOnceMost) {
			v.Limits = append(v.Limits, fmt.Sprintf("%.0f units together would be needed for %g crystals per litre; %d may burn together", wanted, agent.DoseWeakPerLitre, atOnceMost))
		}
	}
	spacing = max(spacing.Round(time.Minute), site.BurnFor).Truncate(time.Second)
	if spacing <= 0 {
		spacing = time.Minute
	}
	// The last one is out when the window ends; one always fits.
	groups := 1
	if room := end.Sub(start) - site.BurnFor; room > 0 {
		groups = int(room/spacing) + 1
	}
	affordable := groups
	if !math.IsInf(left, 1) {
		affordable = min(affordable, int(math.Min(math.Floor(left/(site.AmountG*float64(v.AtOnce))+1e-9), 1e6)))
	}
	if site.UnitsLeft >= 0 && site.UnitsLeft/v.AtOnce < affordable {
		affordable = site.UnitsLeft / v.AtOnce
		v.Limits = append(v.Limits, fmt.Sprintf("%d units are left at the site", site.UnitsLeft))
	}
	if affordable < 1 {
		v.Withheld = true
		v.Reasons = append(v.Reasons, "the limits, or what is left at the site, allow no further unit")
		return
	}
	if affordable < groups {
		v.Reasons = append(v.Reasons, fmt.Sprintf("the window has room for %d, limits leave %d: those nearest the best time", groups*v.AtOnce, affordable*v.AtOnce))
	}
	first := centred(groups, affordable, start, best, spacing)
	v.ReleaseStart = start.Add(time.Duration(first) * spacing)
	v.ReleaseEnd = v.ReleaseStart.Add(time.Duration(affordable-1)*spacing + site.BurnFor)
	v.SpacingS, v.Units = spacing.Seconds(), affordable*v.AtOnce
	v.GramsTotal = float64(v.Units) * site.AmountG
	if dose > 0 {
		mean := dose * float64(v.AtOnce) * site.BurnFor.Seconds() / spacing.Seconds()
		v.CrystalsPerLitre = &mean
	}
}

// centred is the first of kept groups out of all, so that they lie about the best
// time.
func centred(all, kept int, start, best time.Time, spacing time.Duration) int {
	middle := float64(best.Sub(start)) / float64(spacing)
	first := int(math.Round(middle - float64(kept-1)/2))
	return max(0, min(first, all-kept))
}

func (v *Advice) generator(site AdviceSite, start, best, end time.Time, dose, left float64) {
	v.AtOnce, v.Units = 1, 1
	whole := end.Sub(start)
	lit := whole
	if !math.IsInf(left, 1) && left/site.RateGPerS < whole.Seconds() {
		lit = time.Duration(math.Floor(left/site.RateGPerS)) * time.Second
	}
	if lit < time.Minute {
		v.Withheld = true
		v.Reasons = append(v.Reasons, "the limits, or the window, leave less than a minute")
		return
	}
	v.ReleaseStart, v.ReleaseEnd = start, end
	if lit < whole {
		v.Reasons = append(v.Reasons, fmt.Sprintf("the window lasts %.0f min, limits leave %.0f min: those nearest the best time", whole.Minutes(), lit.Minutes()))
		v.ReleaseStart = best.Add(-lit / 2)
		if v.ReleaseStart.Before(start) {
			v.ReleaseStart = start
		}
		if v.ReleaseStart.Add(lit).After(end) {
			v.ReleaseStart = end.Add(-lit)
		}
		v.ReleaseEnd = v.ReleaseStart.Add(lit)
	}
	v.GramsTotal = site.RateGPerS * v.ReleaseEnd.Sub(v.ReleaseStart).Seconds()
	if dose > 0 {
		v.CrystalsPerLitre = &dose
	}
}

// Summary is the advice in one line, with times of a zone.
func (v Advice) Summary(siteName string, zone *time.Location) string {
	w := words{&Alert{Raised: v.ReleaseStart}, zone}
	if zone == nil {
		w.zone = time.UTC
	}
	name := clean(cmp.Or(siteName, v.Site), maxName)
	if v.Withheld {
		reason := "no reason is given"
		if len(v.Reasons) > 0 {
			reason = v.Reasons[0]
		}
		return clean(name+": nothing. "+reason, maxReason)
	}
	text := fmt.Sprintf("%s: lit %s, %s g", name, w.span(v.ReleaseStart, v.ReleaseEnd), rounded(v.GramsTotal))
	if v.SpacingS > 0 {
		units := fmt.Sprintf("%d units, one every %s", v.Units, duration(time.Duration(v.SpacingS*float64(time.Second))))
		switch {
		case v.Units == 1:
			units = "1 unit"
		case v.AtOnce > 1:
			units = fmt.Sprintf("%d units, %d together every %s", v.Units, v.AtOnce, duration(time.Duration(v.SpacingS*float64(time.Second))))
		}
		text = fmt.Sprintf("%s: %s, %s, %s g", name, units, w.span(v.ReleaseStart, v.ReleaseEnd), rounded(v.GramsTotal))
	}
	if v.CrystalsPerLitre != nil {
		text += fmt.Sprintf(", about %s crystals per litre", rounded(*v.CrystalsPerLitre))
	} else {
		text += ", dose not known"
	}
	return clean(text, maxReason)
}

func rounded(x float64) string {
	if x < 9.95 {
		return strconv.FormatFloat(x, 'f', 1, 64)
	}
	return strconv.FormatFloat(x, 'f', 0, 64)
}
