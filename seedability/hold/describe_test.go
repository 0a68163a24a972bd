package hold

import (
	"strings"
	"testing"
	"unicode/utf8"
)

func TestDescribe(t *testing.T) {
	p := parse(t, everyKind+`
  - {id: orders, kind: manual, may_lift: [Imogen Tarn], source: invented, note: by telephone}
  - {id: gusts, kind: wind, unit: kt, review_above: 30, lift: automatic, clear_minutes: 45, sites: [barn], source: "permit WM-0000, paragraph 7"}
`)
	text := Describe(p)
	for _, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > 78 {
			t.Errorf("a line of %d: %s", utf8.RuneCountInString(line), line)
		}
	}
	flat := strings.Join(strings.Fields(text), " ")
	for _, says := range []string{
		"Dale winter programme (invented) (dale)", "SHA-256 " + p.SHA256,
		"1. rain - precipitation Sites all Targets basin Suspends at or above 12.7 mm/h Review at or above 7.6 mm/h Judged by radar, forecast; at most 30 min old; forecasts of the next 3 h, issued at most 12 h ago; gone only 1 mm/h beyond the limit Lifted by licensed manager, when its cause is gone Source heavy precipitation",
		"stage at or above 2.4 m; rising by 0.5 m an hour; flood category minor or higher", "g2; datum NAVD88",
		"at or above 95 % of the capacity of 10000 acre-ft", "12-01 175 %, 01-01 175 %, 02-01 160 %, 03-01 150 %, 04-01 140 % (between dates: linear)", "nearer to the ramp than 10 percentage points",
		"FF.W", "any other but", "any rain that is not snow, up to 2 years after 2025-08-31", "direction outside 200 to 300 degrees",
		"outside 11-01 to 04-15", "outside 05:00 to 22:30 local time", "battery at or below 11.5 V, now or at the end of the storm; no contact for more than 30 min; units left below 2; any fault flag",
		"more than 200 g a local day; more than 3000 g a season that begins 11-01 for each site", "danger at or above 5", "zones north",
		"by Imogen Tarn, or at the end that was set with it", "Note by telephone", "at or above 30 kt", "by itself after 45 min without its cause, or by licensed manager", "Source permit WM-0000, paragraph 7",
		"Name Imogen Tarn", "Licence number WM-0000", "Date ____", "Signature ____",
	} {
		if !strings.Contains(flat, says) {
			t.Errorf("the page does not say %q", says)
		}
	}
	if rows := Rows(p); len(rows) != len(p.Holds) {
		t.Errorf("%d rows of %d criteria", len(rows), len(p.Holds))
	}
	if empty := Describe(parse(t, "  - {id: orders, kind: manual, source: invented}\n")); !strings.Contains(empty, "while a person has set it") {
		t.Error(empty)
	}
}
