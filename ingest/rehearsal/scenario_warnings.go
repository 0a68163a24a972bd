package rehearsal

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"
)

// The zones, counties and the state of the invented programme. No state is XV, and
// no county code of the United States begins with 99.
const (
	warningState  = "XV"
	warningOffice = "XVNT"
	// The valley with the sites, and the range behind it.
	valleyZone, rangeZone = "XVZ901", "XVZ902"
	vantryCounty          = "XVC901"
	farCounty             = "XVC955"
	farZone               = "XVZ955"
	vantrySAME, farSAME   = "099901", "099955"
	warningSender         = "warnings@vantry.invalid"
	warningSenderName     = "NWS Vantry XV (invented)"
	inventedText          = "THIS MESSAGE BELONGS TO AN INVENTED STORM OF A REHEARSAL. Nothing of it is real.\n\n"
	warningAfter          = 40 * time.Second // from the time of sending to the list
)

// localTime is Mountain Standard Time: the storm is one of winter.
var localTime = time.FixedZone("MST", -7*3600)

// Minutes of the warnings after the start of the storm.
const (
	floodWarningMinutes     = 57
	floodUpdateMinutes      = 88
	floodCancelMinutes      = 127
	floodUntilMinutes       = 237
	floodCancelShownMinutes = 15
)

// warningMessage is one message of the warning service.
type warningMessage struct {
	key, replaces string // replaces: key of the message that it references
	status        string // Actual, Test
	kind          string // Alert, Update, Cancel
	event         string
	same, nws     string // event codes

	sent, onset, expires, ends time.Time

	urgency, severity, certainty, response string
	// code is all of the VTEC but its times; class, action, phenomenon, number.
	class, action, phenomenon string
	number                    int
	product, wmo              string
	area                      string
	zones, counties           []string // UGC, and SAME
	zoneKind                  string   // of affectedZones: forecast, county
	polygon                   [][2]float64
	more                      [][2]string // further parameters, by name
	lead, body, instruction   string
}

// warningMessages are all that the warning service sends, by the time of sending.
func (s *Scenario) warningMessages() []warningMessage {
	at := func(minutes float64) time.Time { return s.at(minutes / 60).Truncate(time.Minute) }
	winter := warningMessage{key: "winter", status: "Actual", kind: "Alert", event: "Winter Weather Advisory", same: "NWS", nws: "WWY",
		sent: at(-200), onset: at(-60), expires: at(260), ends: at(660), urgency: "Expected", severity: "Moderate", certainty: "Likely", response: "Execute",
		class: "O", action: "NEW", phenomenon: "WW.Y", number: 7, product: "WSWVNT", wmo: "WWUS45",
		area: "Vantry Valley; Vantry Range", zones: []string{valleyZone, rangeZone}, counties: []string{vantrySAME}, zoneKind: "forecast",
		lead: "WINTER WEATHER ADVISORY IN EFFECT",
		body: "* WHAT...Snow, at first mixed with rain below 5500 feet. Additional\naccumulations of 3 to 7 inches.\n\n* WHERE...Vantry Valley and Vantry Range.\n\n" +
			"* IMPACTS...Plan on slippery road conditions.",
		instruction: "Slow down and use caution while traveling."}
	winterOn := winter
	winterOn.key, winterOn.replaces, winterOn.kind, winterOn.action = "winter on", winter.key, "Update", "CON"
	winterOn.sent, winterOn.onset, winterOn.expires = at(240), at(240), at(540)
	winterOn.lead = "WINTER WEATHER ADVISORY REMAINS IN EFFECT"

	flood := warningMessage{key: "flood", status: "Actual", kind: "Alert", event: "Flash Flood Warning", same: "FFW", nws: "FFW",
		sent: at(floodWarningMinutes), onset: at(floodWarningMinutes), expires: at(floodUntilMinutes), ends: at(floodUntilMinutes),
		urgency: "Immediate", severity: "Severe", certainty: "Likely", response: "Avoid",
		class: "O", action: "NEW", phenomenon: "FF.W", number: 3, product: "FFWVNT", wmo: "WGUS55",
		area: "Vantry, XV", zones: []string{vantryCounty}, counties: []string{vantrySAME}, zoneKind: "county",
		// The burnt slopes in the south of the Sallow Fork, and the stream below them.
		polygon: [][2]float64{{-112.62, 43.93}, {-112.40, 43.95}, {-112.38, 44.08}, {-112.52, 44.12}, {-112.63, 44.06}},
		more:    [][2]string{{"flashFloodDetection", "RADAR INDICATED"}},
		lead:    "FLASH FLOOD WARNING FOR THE LANTERN BURN IN EFFECT",
		body: "The National Weather Service in Vantry has issued a\n\n* Flash Flood Warning for the Lantern Burn area in the Sallow Fork.\n\n" +
			"HAZARD...Flash flooding and debris flows caused by rain on snow over\nthe burn scar.\n\nSOURCE...Radar.\n\nIMPACT...Debris flows can carry rocks and trees onto roads below\nthe burnt slopes.",
		instruction: "This is a life threatening situation. Heavy rain over the burn scar\nwill cause debris flows. Move to higher ground now."}
	floodOn := flood
	floodOn.key, floodOn.replaces, floodOn.kind, floodOn.action, floodOn.same = "flood on", flood.key, "Update", "CON", "FFS"
	floodOn.sent, floodOn.onset = at(floodUpdateMinutes), at(floodUpdateMinutes)
	floodOn.product, floodOn.wmo, floodOn.certainty = "FFSVNT", "WGUS75", "Observed"
	floodOn.polygon = [][2]float64{{-112.60, 43.96}, {-112.46, 43.97}, {-112.45, 44.06}, {-112.56, 44.08}}
	floodOn.more = [][2]string{{"flashFloodDetection", "OBSERVED"}}
	floodOn.lead = "FLASH FLOOD WARNING FOR THE LANTERN BURN REMAINS IN EFFECT"
	floodOff := floodOn
	floodOff.key, floodOff.replaces, floodOff.kind, floodOff.action = "flood off", floodOn.key, "Cancel", "CAN"
	floodOff.sent, floodOff.onset, floodOff.expires = at(floodCancelMinutes), at(floodCancelMinutes), at(floodCancelMinutes+floodCancelShownMinutes)
	floodOff.urgency, floodOff.severity, floodOff.certainty, floodOff.response = "Past", "Minor", "Observed", "AllClear"
	floodOff.more = nil
	floodOff.lead = "FLASH FLOOD WARNING FOR THE LANTERN BURN IS CANCELLED"
	floodOff.body = "The heavy rain has ended. Flooding is no longer expected to pose a\nthreat."
	floodOff.instruction = ""

	// A test of the office, over the other target: nobody is to act on it.
	test := flood
	test.key, test.status, test.class, test.number = "test", "Test", "T", 4
	test.sent, test.onset, test.expires, test.ends = at(25), at(25), at(85), at(85)
	test.polygon = [][2]float64{{-112.70, 44.20}, {-112.30, 44.26}, {-112.32, 44.40}, {-112.74, 44.36}}
	test.more = nil
	test.lead, test.body, test.instruction = "THIS IS A TEST MESSAGE", "This is a test message. Do not take action based on it.", ""

	far := warningMessage{key: "far", status: "Actual", kind: "Alert", event: "Flood Warning", same: "FLW", nws: "FLW",
		sent: at(150), onset: at(150), expires: at(1350), ends: at(1350), urgency: "Immediate", severity: "Severe", certainty: "Observed", response: "Avoid",
		class: "O", action: "NEW", phenomenon: "FL.W", number: 2, product: "FLWVNT", wmo: "WGUS45",
		area: "Corrie, XV", zones: []string{farCounty}, counties: []string{farSAME}, zoneKind: "county",
		polygon: [][2]float64{{-108.14, 46.41}, {-107.92, 46.38}, {-107.90, 46.47}, {-108.12, 46.50}},
		lead:    "FLOOD WARNING IN EFFECT",
		body:    "* WHAT...Minor flooding is occurring.\n\n* WHERE...Corrie River at Dunnet Bridge, far from the Vantry Range.",
		instruction: "Turn around, don't drown when encountering flooded roads. Most flood\n" +
			"deaths occur in vehicles."}
	all := []warningMessage{winter, test, flood, floodOn, floodOff, far, winterOn}
	slices.SortStableFunc(all, func(a, b warningMessage) int { return a.sent.Compare(b.sent) })
	return all
}

// listed is what the list of warnings holds, newest first: messages that are out,
// have not expired, and were not replaced by one that is out.
func (s *Scenario) listed(now time.Time) []warningMessage {
	now = s.seen(now)
	var out []warningMessage
	gone := map[string]bool{}
	for _, m := range slices.Backward(s.warningMessages()) {
		if m.sent.Add(warningAfter).After(now) {
			continue
		}
		if m.replaces != "" {
			gone[m.replaces] = true
		}
		if !gone[m.key] && m.expires.After(now) {
			out = append(out, m)
		}
	}
	return out
}

// listChanges are the moments at which the list of warnings becomes another.
func (s *Scenario) listChanges() []time.Time {
	var all []time.Time
	for _, m := range s.warningMessages() {
		all = append(all, m.sent.Add(warningAfter), m.expires)
	}
	slices.SortFunc(all, time.Time.Compare)
	return slices.CompactFunc(all, time.Time.Equal)
}

// identifier of a message, as the service builds them: a digest, then two numbers.
// 999 is no country, in the place of the 840 of the United States.
func (s *Scenario) identifier(key string) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %s %s", s.seed, s.start.Format(time.RFC3339), key))
	return "urn:oid:2.49.0.1.999.0." + hex.EncodeToString(sum[:20]) + ".001.1"
}

// vtec is the Valid Time Event Code (NWS Instruction 10-1703, section 2). A
// beginning that is over is written as zeros.
func (m warningMessage) vtec() string {
	stamp := func(at time.Time) string {
		if at.IsZero() {
			return "000000T0000Z"
		}
		return at.UTC().Format("060102T1504Z")
	}
	begins := m.onset
	if m.action != "NEW" {
		begins = time.Time{}
	}
	return fmt.Sprintf("/%s.%s.%s.%s.%04d.%s-%s/", m.class, m.action, warningOffice, m.phenomenon, m.number, stamp(begins), stamp(m.ends))
}

// headline as the service words it.
func (m warningMessage) headline() string {
	when := func(at time.Time) string { return at.In(localTime).Format("January 2 at 3:04PM MST") }
	return fmt.Sprintf("%s issued %s until %s by %s", m.event, when(m.sent), when(m.ends), warningSenderName)
}

// inArea tells whether a message is of one of the states, or of one of the zones.
func (m warningMessage) inArea(states, zones []string) bool {
	if len(states) == 0 && len(zones) == 0 {
		return true
	}
	return slices.ContainsFunc(m.zones, func(code string) bool {
		return slices.Contains(zones, code) || slices.ContainsFunc(states, func(state string) bool { return strings.HasPrefix(code, state) })
	})
}
