package activity

// Edition is the text that a report follows.
type Edition struct {
	Rule  string `json:"rule"`
	Forms string `json:"forms"`
	// Read is the day on which the text was last compared, YYYY-MM-DD.
	Read string `json:"read"`
	In   string `json:"in"` // which copies
	Ask  string `json:"ask"`
}

var part908 = Edition{
	Rule:  "15 CFR Part 908, Maintaining Records and Submitting Reports on Weather Modification Activities (41 FR 23394, June 10, 1976; sections 908.5 and 908.6 as amended at 46 FR 32233, June 22, 1981)",
	Forms: "NOAA Form 17-4 (4-81), initial report; NOAA Form 17-4A (4-81), interim and final report, OMB control number 0648-0025; daily log (NOAA Form 17-4B is suggested, any log with the same content will do)",
	Read:  "2026-11-29",
	In:    "annual edition of January 1, 2004 for 908.4, 908.5, 908.6 and 908.8(a); a later copy for 908.5 and 908.6; an electronic edition of April 5, 2026 has Part 908 in force. 908.8(b) is known from a quotation, Form 17-4B by its number.",
	Ask:   "Compare with the text in force (ecfr.gov, title 15, part 908) and the current forms before you file. State, provincial and national law may ask for more.",
}

// cautions stand on every report.
var cautions = []string{
	"The operator answers for this report: check every line against your own log before you sign or file it.",
	"It is made from the record that people kept and from two files; it is no legal advice, and nobody has been sent anything.",
	"Fields left blank are missing, not zero. A zero is a sum of the record.",
}

// Purposes and substances by which Form 17-4A has columns. Where the form, as
// copied, has its column of fog (its purposes or its apparatus) could not be made
// out; here it is a purpose.
const (
	IncreasePrecipitation = "increase_precipitation"
	AlleviateHail         = "alleviate_hail"
	Fog                   = "fog"
	OtherPurpose          = "other"

	SilverIodide   = "silver_iodide"
	CarbonDioxide  = "carbon_dioxide"
	Urea           = "urea"
	SodiumChloride = "sodium_chloride"
	OtherAgent     = "other"
)

var (
	purposes   = []string{IncreasePrecipitation, AlleviateHail, Fog, OtherPurpose}
	substances = []string{SilverIodide, CarbonDioxide, Urea, SodiumChloride, OtherAgent}
)
