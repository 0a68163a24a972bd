package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	drawing "rimeline/seedability/page"
	"rimeline/seedability/programme"
)

// givenAdvice is the advice that was last published of a site.
type givenAdvice struct {
	advice alert.Advice
	at     time.Time
}

// Of advice; common practice, no source.
const (
	// openEndFor: of an open window whose end nobody foresees, the next half hour
	// counts.
	openEndFor = 30 * time.Minute
	// adviseAgainAfter: small changes of an advice are published this often.
	adviseAgainAfter = 15 * time.Minute
	// sameDose: concentrations and spacings whose ratio is less say the same; and ends
	// that lie no farther apart than sameEnd.
	sameDose = 1.25
	sameEnd  = 10 * time.Minute
	// countedUnitsFor: a count of flares that is older says nothing; the crew may have
	// been there.
	countedUnitsFor = 24 * time.Hour
	// longestWindow: what ends later is a mistake.
	longestWindow = 30 * 24 * time.Hour
	// mostAdvised sites have a line in an alert.
	mostAdvised = 10
)

// adviceFor suggests a release at a site: in the window that is open there, or in the
// next one that people are told of; or in the one of a time, if that is given. ok is
// false where there is none.
func (k *alertKeeper) adviceFor(site *programme.Site, of, now time.Time) (v alert.Advice, ok bool) {
	a := k.scores[site.ID]
	if a == nil || now.Sub(a.AsOf) > longestReplay {
		return alert.Advice{}, false
	}
	w, open, ok := k.windowOf(site.ID, a, of, now)
	if !ok {
		return alert.Advice{}, false
	}
	assessed := *a
	var reason string
	switch {
	case !open && w.Dose == nil: // of an older program
		assessed.Dose = seedability.Dose{}
		reason = "the dose at the time of the window is judged when it is near"
	case !open:
		assessed.Dose = *w.Dose
		reason = fmt.Sprintf("the dose is that of a release at the best time, %s UTC, as the forecast has it now", w.Best.UTC().Format("15:04"))
	case w.EndsAfter:
		reason = fmt.Sprintf("the end of the window is not foreseen; what is suggested goes to %s UTC", w.End.UTC().Format("15:04"))
	}
	held, review := k.heldAt(site, now)
	v = alert.Advise(k.adviceSite(site, now), w, assessed, held, now)
	if !v.Withheld {
		if reason != "" {
			v.Reasons = append(v.Reasons, reason)
		}
		for _, text := range review {
			v.Reasons = append(v.Reasons, "a person must look before any release: "+text)
		}
	}
	return v, true
}

// windowOf is the window that is open at a site, or the next within the lead of
// alerts.
func (k *alertKeeper) windowOf(site string, a *seedability.Assessment, of, now time.Time) (w seedability.Window, open, ok bool) {
	var foreseen []seedability.Window
	if o := k.outlooks[site]; o != nil && now.Sub(o.IssuedAt) < 12*time.Hour {
		foreseen = o.Windows
	} else if a.Standing != nil && a.Standing.Ahead != nil {
		foreseen = []seedability.Window{*a.Standing.Ahead}
	}
	isOpen := a.State == seedability.StateWindow && now.Sub(a.AsOf) < time.Duration(k.config.SilentMinutes*float64(time.Minute))
	for _, w := range foreseen {
		switch {
		case !w.End.After(now) || w.End.Sub(now) > longestWindow:
		case of.After(now):
			if !of.Before(w.Start.Add(-time.Minute)) && of.Before(w.End) {
				return w, false, true
			}
		case isOpen && !w.Start.After(now):
			return w, true, true
		case isOpen: // what is open now was not foreseen
		case w.Start.Sub(now) <= time.Duration(k.config.LeadHours*float64(time.Hour)):
			return w, false, true
		}
	}
	if !isOpen || of.After(now) {
		return w, false, false
	}
	w = seedability.Window{Start: a.AsOf, Best: now, End: now.Add(openEndFor).Truncate(time.Minute), EndsAfter: true, Confidence: a.Confidence.Value}
	if a.Standing != nil {
		w.Start = a.Standing.Since
	}
	if a.Score.Value != nil {
		w.PeakScore = *a.Score.Value
	}
	return w, true, true
}

// unitsLeft are the flares that a site has by its newest report, less what was
// recorded as burnt since; -1 where no report of the last day says it.
func (k *alertKeeper) unitsLeft(site *programme.Site, now time.Time) int {
	for _, reported := range k.holds.UnitsLeft {
		if reported.Site != site.ID || site.Agent.Kind != "flare" || now.Sub(reported.At).Abs() > countedUnitsFor || !(reported.UnitsLeft >= 0 && reported.UnitsLeft <= math.MaxInt32) {
			continue
		}
		burnt := 0.
		for _, r := range alert.InForce(k.released) {
			if r.Site == site.ID && r.Start.After(reported.At) {
				burnt += r.Grams / site.Agent.AmountG
			}
		}
		return int(math.Max(0, math.Floor(reported.UnitsLeft-burnt+1e-9)))
	}
	return -1
}

// adviceSite is what a site burns, and what it may still use by the criteria that
// limit the agent. Of several the one that leaves least counts.
func (k *alertKeeper) adviceSite(site *programme.Site, now time.Time) alert.AdviceSite {
	nan := math.NaN()
	s := alert.AdviceSite{ID: site.ID, Name: site.Name, UnitsLeft: -1, UnitsAtOnce: 1, DayLimitG: nan, SeasonLimitG: nan, SiteDayLimitG: nan, SiteSeasonLimitG: nan,
		Used: alert.Totals{SiteDayG: map[string]float64{}, SiteSeasonG: map[string]float64{}}}
	if site.Agent.Kind == "flare" {
		s.AmountG, s.BurnFor = site.Agent.AmountG, site.Agent.ReleaseDuration()
	} else {
		s.RateGPerS = site.Agent.RateGPerS()
	}
	s.UnitsLeft = k.unitsLeft(site, now)
	// tighter takes a limit where it leaves less than the one that is known.
	tighter := func(limit, used *float64, newLimit, newUsed float64) {
		if !math.IsNaN(newLimit) && (math.IsNaN(*limit) || newLimit-newUsed < *limit-*used) {
			*limit, *used = newLimit, newUsed
		}
	}
	for i := range k.programme.Holds {
		h := &k.programme.Holds[i]
		if h.Kind != "agent_limit" || !slices.Contains(h.SiteIDs, site.ID) {
			continue
		}
		counted := slices.DeleteFunc(slices.Clone(k.released), func(r alert.Release) bool { return !slices.Contains(h.SiteIDs, r.Site) })
		begin, err := time.Parse("01-02", h.FromDate)
		if err != nil {
			begin = time.Date(0, time.January, 1, 0, 0, 0, 0, time.UTC) // no limit of a season then
		}
		totals := alert.TotalsAt(counted, now, k.programme.Location, begin.Month(), begin.Day())
		if h.Per == "programme" {
			tighter(&s.DayLimitG, &s.Used.DayG, h.DailyG, totals.DayG)
			tighter(&s.SeasonLimitG, &s.Used.SeasonG, h.SeasonG, totals.SeasonG)
			continue
		}
		day, season := s.Used.SiteDayG[site.ID], s.Used.SiteSeasonG[site.ID]
		tighter(&s.SiteDayLimitG, &day, h.DailyG, totals.SiteDayG[site.ID])
		tighter(&s.SiteSeasonLimitG, &season, h.SeasonG, totals.SiteSeasonG[site.ID])
		s.Used.SiteDayG[site.ID], s.Used.SiteSeasonG[site.ID] = day, season
	}
	return s
}

// adviseOn publishes the advice of sites where it has changed, and takes back that
// of windows that are no more.
func (k *alertKeeper) adviseOn(ctx context.Context, touched map[string]bool, now time.Time) {
	for _, id := range sortedKeys(touched) {
		site := k.programme.Site(id)
		if site == nil {
			continue
		}
		v, ok := k.adviceFor(site, time.Time{}, now)
		before, known := k.given[id]
		if !ok {
			if !known || before.advice.Withheld && len(before.advice.Reasons) == 1 && before.advice.Reasons[0] == noWindow {
				continue
			}
			v = alert.Advice{Programme: k.programme.ID, Site: id, Withheld: true, Reasons: []string{noWindow}, Limits: []string{}, Caution: alert.AdviceCaution}
		}
		if known && !adviceChanged(&before, &v, now) {
			continue
		}
		within, end := context.WithTimeout(ctx, storeWithin)
		err := k.publish(within, bus.Advice, k.programme.ID, id, now, v)
		end()
		if err != nil {
			if ctx.Err() == nil && k.trouble.set("advice cannot be published", err) {
				k.log.Error("advice cannot be published", "programme", k.programme.ID, "site", id, "error", err)
			}
			return // with the next score
		}
		k.trouble.set("advice cannot be published", nil)
		k.given[id] = givenAdvice{v, now}
	}
}

const noWindow = "no window is open or foreseen"

// adviceChanged: an advice says something else than the one before. While a window
// is open its begin moves with the clock, and what fits into it shrinks; that, and a
// dose, a spacing or an end that is about the same, is published every quarter of an
// hour only.
func adviceChanged(before *givenAdvice, v *alert.Advice, now time.Time) bool {
	essence := func(v alert.Advice) string {
		if !v.Withheld {
			v.Reasons, v.Limits = nil, nil
			if !v.ReleaseStart.After(now) {
				v.ReleaseStart, v.Units, v.GramsTotal = time.Time{}, 0, 0
			}
		}
		v.CrystalsPerLitre, v.SpacingS, v.ReleaseEnd = nil, 0, time.Time{}
		b, err := json.Marshal(v)
		if err != nil {
			return err.Error()
		}
		return string(b)
	}
	alike := func(a, b float64) bool { return a <= sameDose*b && b <= sameDose*a }
	a, b := before.advice.CrystalsPerLitre, v.CrystalsPerLitre
	if (a == nil) != (b == nil) || a != nil && !alike(*a, *b) || !alike(before.advice.SpacingS, v.SpacingS) ||
		before.advice.ReleaseEnd.Sub(v.ReleaseEnd).Abs() > sameEnd || essence(before.advice) != essence(*v) {
		return true
	}
	x, errX := json.Marshal(before.advice)
	y, errY := json.Marshal(v)
	return errX == nil && errY == nil && string(x) != string(y) && now.Sub(before.at).Abs() >= adviseAgainAfter
}

// adviseIn puts a line of advice for each site into an alert of a window.
func (k *alertKeeper) adviseIn(a *alert.Alert, now time.Time) {
	if a.Kind != alert.WindowAhead && a.Kind != alert.WindowOpen || a.Change == alert.ChangeOver || a.Change == alert.ChangeAcknowledged {
		return
	}
	for i, ref := range a.Sites {
		if i == mostAdvised {
			a.Advice = append(a.Advice, fmt.Sprintf("and %d more sites", len(a.Sites)-mostAdvised))
			break
		}
		site := k.programme.Site(ref.ID)
		if site == nil {
			continue
		}
		of := time.Time{}
		if a.Kind == alert.WindowAhead {
			of = ref.Start
		}
		if v, ok := k.adviceFor(site, of, now); ok {
			a.Advice = append(a.Advice, v.Summary(site.Name, k.programme.Location))
		}
	}
}

// mostPictures go with a mail.
const mostPictures = 3

// pictures are maps of the drift from the sites of a window, as PNG, from their newest
// scores. Of the ground nothing is drawn: it does not travel with the scores.
func (k *alertKeeper) pictures(ctx context.Context, a alert.Alert) (pictures []alert.Attachment) {
	defer func() { // a mail without its picture is better than none
		if cause := recover(); cause != nil {
			k.log.Error("alerts: a map cannot be drawn", "error", fmt.Sprint(cause))
			pictures = nil
		}
	}()
	if a.Kind != alert.WindowAhead && a.Kind != alert.WindowOpen || a.Change == alert.ChangeOver || a.Change == alert.ChangeAcknowledged {
		return nil
	}
	for _, ref := range a.Sites {
		site := k.programme.Site(ref.ID)
		if site == nil || len(pictures) == mostPictures {
			continue
		}
		event, known, err := k.bus.Latest(ctx, bus.Score, k.programme.ID, site.ID)
		if err != nil || !known {
			continue
		}
		data, err := message.Decode(event)
		score, ok := data.(seedability.Assessment)
		if err != nil || !ok || len(score.Path) == 0 {
			continue
		}
		png, err := drawing.DrawMap(k.mapOf(site, &score))
		if err != nil {
			k.log.Warn("alerts: a map cannot be drawn", "site", site.ID, "error", err)
			continue
		}
		pictures = append(pictures, alert.Attachment{Name: site.ID + ".png", MediaType: "image/png", Bytes: png})
	}
	return pictures
}

// mapOf is the drift from a site as its score tells it.
func (k *alertKeeper) mapOf(site *programme.Site, a *seedability.Assessment) drawing.Map {
	value := "no score"
	if a.Score.Value != nil {
		value = fmt.Sprintf("score %.0f", *a.Score.Value)
	}
	title := fmt.Sprintf("%s, release %s: %s (%s)", site.Name, a.ReleaseTime.UTC().Format("2006-01-02 15:04 UTC"), a.State, value)
	if k.options.Exercise {
		title = "EXERCISE " + title
	}
	m := drawing.Map{Title: title, Site: site.Place(), SiteName: site.Name}
	for _, step := range a.Path {
		m.Path = append(m.Path, drawing.MapPoint{Place: grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}, Minutes: step.Minutes})
	}
	for _, target := range k.programme.TargetsOf(site) {
		outline := drawing.Outline{Name: target.Name, Contains: target.Contains}
		for _, rings := range (servedTarget{target}).rings() {
			outline.Rings = append(outline.Rings, rings...)
		}
		m.Targets = append(m.Targets, outline)
	}
	return m
}
