package main

import (
	"slices"
	"strings"
	"time"

	stores "rimeline/ingest/source"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// inputTable is what has been ingested for one programme and may still be used.
type inputTable struct {
	programme *programme.Programme
	// order of model sources: the first that covers the time is taken.
	models []modelNeed
	byKey  map[string]message.Input
}

// modelNeed is a model source, in the order of the programme file.
type modelNeed struct {
	source        string
	forecastHours int
}

func newInputTable(p *programme.Programme, needs map[string]stores.Need) *inputTable {
	t := &inputTable{programme: p, byKey: map[string]message.Input{}}
	for _, input := range p.Inputs {
		if input.Kind != stores.KindModel || input.Source == "" {
			continue
		}
		hours := needs[input.ID].ForecastHours
		if hours == 0 {
			if s, ok := stores.Find(input.Source); ok {
				hours = s.ForecastHours
			}
		}
		t.models = append(t.models, modelNeed{input.Source, hours})
	}
	return t
}

func inputKey(sourceName, objectID string) string { return sourceName + " " + objectID }

// add takes a record; one that could not be used is passed over.
func (t *inputTable) add(record message.Input) {
	if record.Crop == nil || record.Error != "" {
		return
	}
	t.byKey[inputKey(record.Source, record.ObjectID)] = record
}

// keepInputsFor is how long a record can be of use: the longest that any input
// counts, and a model run's length besides.
const keepInputsFor = 36 * time.Hour

// forget drops what is too old to be used.
func (t *inputTable) forget(now time.Time) {
	for key, record := range t.byKey {
		if now.Sub(timeOf(record)) > keepInputsFor {
			delete(t.byKey, key)
		}
	}
}

// timeOf is the reference time of a model hour, else the valid time.
func timeOf(record message.Input) time.Time {
	if record.Kind == stores.KindModel && !record.ReferenceTime.IsZero() {
		return record.ReferenceTime
	}
	return record.ValidTime
}

// Of what one assessment looks at; common practice, no source.
const (
	// beforeNow: model hours so far back are kept, for what was observed then.
	beforeNow = time.Hour
	// volumesEach of a radar let motion be seen.
	volumesEach = 3
	// pictureAge bounds volumes and mosaics, scanAge satellite scans.
	pictureAge = 45 * time.Minute
	scanAge    = 90 * time.Minute
	ascentAge  = 13 * time.Hour
	runAge     = 13 * time.Hour
	// soonest: what lies further ahead than this is a wrong clock.
	soonest = 5 * time.Minute
)

// pick chooses the inputs of an assessment at a moment: the newest model run that
// covers what is asked for, and the newest observations. What is chosen depends
// on the table and the moment alone.
func (t *inputTable) pick(mode assessMode, moment time.Time) (inputs []inputRef, records []message.Input) {
	chosen := t.pickRun(mode, moment)
	chosen = append(chosen, t.newestOf(stores.KindSounding, moment, ascentAge, 2)...)
	chosen = append(chosen, t.newestOf(stores.KindRadar, moment, pictureAge, volumesEach)...)
	chosen = append(chosen, t.newestOf(stores.KindMosaic, moment, pictureAge, volumesEach)...)
	chosen = append(chosen, t.newestOf(stores.KindSatellite, moment, scanAge, 1)...)
	for _, record := range chosen {
		inputs = append(inputs, inputRef{Kind: record.Kind, Object: record.Crop.Object})
	}
	return inputs, chosen
}

// newestOf takes the newest few of each station and product.
func (t *inputTable) newestOf(kind string, moment time.Time, oldest time.Duration, each int) []message.Input {
	groups := map[string][]message.Input{}
	for _, record := range t.byKey {
		age := moment.Sub(record.ValidTime)
		if record.Kind == kind && age <= oldest && age >= -soonest {
			name := record.Source + " " + record.Station + " " + record.Product
			groups[name] = append(groups[name], record)
		}
	}
	var chosen []message.Input
	for _, name := range sortedKeys(groups) {
		group := groups[name]
		slices.SortFunc(group, func(a, b message.Input) int {
			if c := b.ValidTime.Compare(a.ValidTime); c != 0 {
				return c
			}
			return strings.Compare(a.ObjectID, b.ObjectID)
		})
		group = group[:min(each, len(group))]
		slices.Reverse(group) // the oldest first
		chosen = append(chosen, group...)
	}
	return chosen
}

// modelRun is what has come of one run.
type modelRun struct {
	reference time.Time
	hours     []message.Input // by valid time
	complete  bool
}

// runsOf lists the runs of a model, the newest first.
func (t *inputTable) runsOf(need modelNeed, moment time.Time) []modelRun {
	byReference := map[time.Time][]message.Input{}
	for _, record := range t.byKey {
		age := moment.Sub(record.ReferenceTime)
		if record.Kind == stores.KindModel && record.Source == need.source && age < runAge && age >= -soonest {
			byReference[record.ReferenceTime.UTC()] = append(byReference[record.ReferenceTime.UTC()], record)
		}
	}
	var runs []modelRun
	for reference, hours := range byReference {
		slices.SortFunc(hours, func(a, b message.Input) int { return a.ValidTime.Compare(b.ValidTime) })
		last := hours[len(hours)-1].ValidTime.Sub(reference)
		runs = append(runs, modelRun{reference, hours, last >= time.Duration(need.forecastHours)*time.Hour})
	}
	slices.SortFunc(runs, func(a, b modelRun) int { return b.reference.Compare(a.reference) })
	return runs
}

// pickRun takes the newest run that covers the drift of a release at the moment;
// for an outlook the newest that has come whole. Where there is none, the one
// that reaches farthest.
func (t *inputTable) pickRun(mode assessMode, moment time.Time) []message.Input {
	drift := time.Duration(t.programme.Ensemble.LongestDriftMinutes * float64(time.Minute))
	if mode != modeOutlook {
		// Conditions look farther ahead; assessments of now take the same hours, so that
		// both share one judgement.
		wanted := askedOf(t.programme)
		drift = max(drift, wanted.ahead())
	}
	var best []message.Input
	for _, need := range t.models {
		for _, run := range t.runsOf(need, moment) {
			hours := run.between(moment.Add(-beforeNow), moment.Add(drift), mode == modeOutlook)
			if len(hours) == 0 || hours[0].ValidTime.After(moment) {
				continue
			}
			end := hours[len(hours)-1].ValidTime
			if mode == modeOutlook && run.complete && !end.Before(moment) || mode != modeOutlook && !end.Before(moment.Add(drift)) {
				return hours
			}
			if end.After(moment) && (best == nil || end.After(best[len(best)-1].ValidTime)) {
				best = hours
			}
		}
	}
	return best
}

// between gives the hours from the last at or before one time to the first at or
// after another, or to the end.
func (r modelRun) between(from, to time.Time, toEnd bool) []message.Input {
	first, last := 0, len(r.hours)-1
	for k, hour := range r.hours {
		if !hour.ValidTime.After(from) {
			first = k
		}
	}
	if !toEnd {
		for k := len(r.hours) - 1; k >= 0; k-- {
			if !r.hours[k].ValidTime.Before(to) {
				last = k
			}
		}
	}
	return r.hours[first : last+1]
}
