package main

import (
	"encoding/csv"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// daleNow is by the clock of the tests: a service that lives at noon of 14 January
// 2026 in Denver (19:00 UTC), so that days and seasons are the same whenever tests
// run.
var daleNow = time.Date(2026, 1, 14, 19, 0, 0, 0, time.UTC)

func releaseService(t testing.TB) *aService {
	t.Helper()
	s := openService(t)
	s.publishFile()
	s.beat("lodge-1", time.Until(daleNow))
	return s
}

var firstRelease = []string{"release", "add", "--site", "hut", "--unit", "rack 1, no. 4", "--start", "11:00", "--end", "11:04", "--agent", "contact, 16 g", "--grams", "16", "--purpose", "seeding", "--who", "Ada Quist"}

func changed(arguments []string, pairs ...string) []string {
	arguments = slices.Clone(arguments)
	for k := 0; k < len(pairs); k += 2 {
		if at := slices.Index(arguments, pairs[k]); at >= 0 {
			arguments[at+1] = pairs[k+1]
		} else {
			arguments = append(arguments, pairs[k], pairs[k+1])
		}
	}
	return arguments
}

// A release is recorded once, corrected, listed and summed.
func TestReleaseCommand(t *testing.T) {
	s := releaseService(t)
	got := s.at(firstRelease...)
	t.Logf("\n%s", got.stdout)
	expect(t, "add", got, statusFine, "Recorded: release", "rack 1, no. 4", "14 Jan 11:00 MST (18:00 UTC)", "14 Jan 11:04 MST (18:04 UTC)", "16 g in 4 min, contact, 16 g",
		"by Ada Quist", "16 g on this local day, 16 g since 15 October", "It does not replace the records that the permit asks for", "The service's clock shows")
	again := s.at(firstRelease...)
	expect(t, "again", again, statusFine, "Recorded already: release", "16 g on this local day")

	o := decoded[releaseOutcome](t, s.at(append([]string{"--json"}, changed(firstRelease, "--unit", "rack 1, no. 5", "--start", "11:10", "--end", "11:14")...)...))
	if !o.Recorded || o.DayG != 32 || o.SeasonG != 32 || o.Release.Grams != 16 || !o.Release.Start.Equal(time.Date(2026, 1, 14, 18, 10, 0, 0, time.UTC)) {
		t.Errorf("%+v", o)
	}
	// Of another hand, of the same unit at the same time.
	twice := s.at(changed(firstRelease, "--who", "Bo Ferrow")...)
	expect(t, "of another hand", twice, statusFailed, "NOT recorded: Ada Quist already recorded that this unit released 16 g at hut", "or tell the units apart with --unit")

	// It did not light.
	fix := decoded[releaseOutcome](t, s.at(append([]string{"--json"}, changed(firstRelease, "--unit", "rack 1, no. 5", "--start", "11:10", "--end", "11:14", "--grams", "0", "--purpose", "did not light", "--corrects", o.Release.ID)...)...))
	if !fix.Recorded || fix.DayG != 16 {
		t.Errorf("%+v", fix)
	}
	expect(t, "corrected twice", s.at(changed(firstRelease, "--unit", "rack 1, no. 5", "--start", "11:10", "--end", "11:14", "--grams", "5", "--corrects", o.Release.ID)...), statusFailed,
		"is corrected already, by \""+fix.Release.ID+"\"")
	expect(t, "the corrected one again", s.at(changed(firstRelease, "--unit", "rack 1, no. 5", "--start", "11:10", "--end", "11:14")...), statusFine, "Recorded already", "It was corrected since, by "+fix.Release.ID)
	// Across the midnight of Denver (07:00 UTC), by a generator: half of it today.
	expect(t, "across midnight", s.at("release", "add", "--site", "barn", "--start", "2026-01-13 23:00", "--end", "01:00", "--agent", "acetone", "--grams", "40", "--purpose", "seeding", "--who", "Ada"), statusFine,
		"14 Jan 01:00 MST (08:00 UTC)", "40 g in 120 min", "36 g on this local day, 56 g since 15 October")

	list := s.at("release", "list")
	t.Logf("\n%s", list.stdout)
	expect(t, "list", list, statusFine, "4 records", "DOES NOT COUNT, corrected by "+fix.Release.ID, "corrects "+o.Release.ID, "did not light")
	if got := decoded[releaseList](t, s.at("--json", "release", "list", "--since", "2026-01-14 09:00")); len(got.Releases) != 3 {
		t.Errorf("since nine: %+v", got)
	}
	rows, err := csv.NewReader(strings.NewReader(s.at("release", "list", "--csv").stdout)).ReadAll()
	if err != nil || len(rows) != 5 || rows[1][0] == "" || rows[1][6] != "2026-01-14T18:00:00Z" || rows[2][13] != "false" || rows[2][12] != fix.Release.ID || rows[4][9] != "40" {
		t.Errorf("%v %q", err, rows)
	}
	total := s.at("release", "total")
	t.Logf("\n%s", total.stdout)
	expect(t, "total", total, statusFine, "SINCE 15 OCTOBER", "barn 20 g 40 g", "hut 16 g 16 g", "all 36 g 56 g", "amount: 200 g a local day, 3000 g a season from 10-15, for each site")
	sums := decoded[releaseTotals](t, s.at("--json", "release", "total", "--season", "01-14"))
	if sums.DayG != 36 || sums.SeasonG != 36 || len(sums.Sites) != 2 || sums.Day != "2026-01-14" || sums.Season != "01-14" {
		t.Errorf("%+v", sums)
	}
	// The same as package alert sums from the stream.
	var all []alert.Release
	for stored, err := range s.ReadBack(t.Context(), bus.Release) {
		if err != nil {
			t.Fatal(err)
		}
		var r alert.Release
		if err := jsonInto(stored.Event.Data, &r); err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	if totals := alert.TotalsAt(all, daleNow, s.programme.Location, time.October, 15); len(all) != 4 || totals.DayG != 36 || totals.SeasonG != 56 {
		t.Errorf("%d records, %+v", len(all), totals)
	}
}

// The same command twice at once is one record; two persons who correct one record
// at once learn that one of them came second.
func TestReleaseByTwoAtOnce(t *testing.T) {
	s := releaseService(t)
	var group sync.WaitGroup
	for range 4 {
		group.Go(func() { expect(t, "at once", s.at(firstRelease...), statusFine, "ecorded") })
	}
	group.Wait()
	list := decoded[releaseList](t, s.at("--json", "release", "list"))
	if len(list.Releases) != 1 {
		t.Fatalf("%+v", list)
	}
	results := make([]outcome, 4)
	for k, by := range []string{"Ada", "Bo", "Cy", "Di"} {
		group.Go(func() {
			results[k] = s.at(changed(firstRelease, "--who", by, "--grams", "8", "--corrects", list.Releases[0].ID)...)
		})
	}
	group.Wait()
	fine := 0
	for _, got := range results {
		switch {
		case got.status == statusFine:
			fine++
		case !strings.Contains(got.stderr, "is corrected already") && !strings.Contains(got.stderr, "does not count"):
			t.Errorf("%+v", got)
		}
	}
	if sums := decoded[releaseTotals](t, s.at("--json", "release", "total")); fine != 1 || sums.DayG != 8 {
		t.Errorf("%d were told that they corrected it, sums %+v", fine, sums)
	}
}

func TestReleaseUsage(t *testing.T) {
	s := releaseService(t)
	for _, test := range []struct {
		arguments []string
		status    int
		says      string
	}{
		{[]string{"release", "add"}, statusUsage, "missing flags"},
		{changed(firstRelease, "--site", "hutt"), statusUsage, "the programme has no hutt; it has hut, barn"},
		{changed(firstRelease, "--start", "noon"), statusUsage, "is no time"},
		{changed(firstRelease, "--start", "2026-03-08 02:30"), statusUsage, "there is no such time"},
		{changed(firstRelease, "--end", "12:30"), statusUsage, "lies in the future"},
		{changed(firstRelease, "--start", "2026-01-14 13:00", "--end", "2026-01-14 12:04"), statusFailed, "ends after it starts"},
		{changed(firstRelease, "--start", "2026-01-14 10:00", "--end", "2026-01-14 09:00"), statusFailed, "NOT recorded: a release ends after it starts"},
		{changed(firstRelease, "--start", "2026-01-01 10:00", "--end", "2026-01-14 09:00"), statusFailed, "within 7 days"},
		{changed(firstRelease, "--grams", "0"), statusFailed, "outside the allowed range"},
		{changed(firstRelease, "--grams", "-1"), statusFailed, "outside the allowed range"},
		{changed(firstRelease, "--grams", "NaN"), statusFailed, "outside the allowed range"},
		{changed(firstRelease, "--grams", "1e300"), statusFailed, "outside the allowed range"},
		{changed(firstRelease, "--grams", "many"), statusUsage, "grams"},
		{changed(firstRelease, "--corrects", "no-such"), statusFailed, `there is no record "no-such"`},
		{changed(firstRelease, "--agent", "\x1b[31m"), statusUsage, "--agent"},
		{changed(firstRelease, "--unit", strings.Repeat("x", 81)), statusUsage, "81 characters, at most 80"},
		{changed(firstRelease, "--who", "  "), statusUsage, "--who: is empty"},
		{[]string{"release", "list", "--csv", "--json"}, statusUsage, "exclude each other"},
		{[]string{"release", "list", "--since", "soon"}, statusUsage, "is no time"},
		{[]string{"release", "list", "--since", "-3h"}, statusUsage, "is no time"},
		{[]string{"release", "total", "--season", "31-12"}, statusUsage, "is no month and day"},
	} {
		got := s.at(test.arguments...)
		expect(t, strings.Join(test.arguments, " "), got, test.status, test.says)
		if got.stdout != "" {
			t.Errorf("%q printed %s", test.arguments, got.stdout)
		}
	}
	if last, err := s.LastSequence(t.Context(), bus.Release); err != nil || last != 0 {
		t.Errorf("%d records of wrong usage, %v", last, err)
	}
	// Where nobody knows the sites nothing is recorded.
	bare := openService(t)
	bare.put(bus.Order, "set", time.Now(), 1)
	expect(t, "no sites", bare.at(changed(firstRelease, "--start", "2026-01-14 10:00")...), statusFailed, "the sites of dale are not known")
}

// What others wrote is shown safely, and what is no record does not count.
func TestReleaseListOfHostileText(t *testing.T) {
	s := releaseService(t)
	good := alert.Release{ID: "a", At: daleNow, Who: "=cmd|'/c calc'!A0", Programme: "dale", Site: "hut", Start: daleNow.Add(-time.Hour), End: daleNow, Agent: "+1", Grams: 5, Purpose: "@x, \"quoted\""}
	s.put(bus.Release, "hut", daleNow, good)
	for _, change := range []func(r *alert.Release){
		func(r *alert.Release) { r.ID, r.Who = "b", "\x1b[2J" },
		func(r *alert.Release) { r.ID, r.Grams = "c", -100 },
		func(r *alert.Release) { r.ID, r.Programme = "d", "vale" },
		func(r *alert.Release) { r.ID, r.Corrects = "e", "nothing" },
		func(r *alert.Release) { r.Grams = 5000 },                    // under an id that is taken
		func(r *alert.Release) { r.ID, r.Corrects = "self", "self" }, // itself
		func(r *alert.Release) { r.ID, r.Site, r.Grams = "old", "gone-site", 7 },
	} {
		r := good
		change(&r)
		s.put(bus.Release, "hut", daleNow, r)
	}
	s.put(bus.Release, "hut", daleNow, "no record")
	got := s.at("release", "list")
	t.Logf("\n%s", got.stdout)
	expect(t, "list", got, statusFine, "2 records", "e corrects nothing, which is not there", "Message 2 is no record: who: ")
	rows, err := csv.NewReader(strings.NewReader(s.at("release", "list", "--csv").stdout)).ReadAll()
	if err != nil || len(rows) != 3 || rows[1][2] != "'=cmd|'/c calc'!A0" || rows[1][8] != "'+1" || rows[1][10] != `'@x, "quoted"` {
		t.Errorf("%v %q", err, rows)
	}
	if sums := decoded[releaseTotals](t, s.at("--json", "release", "total")); sums.DayG != 12 {
		t.Errorf("%+v", sums)
	}
}
