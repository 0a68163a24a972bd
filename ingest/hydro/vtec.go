package hydro

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// VTEC is a primary Valid Time Event Code, NWS Instruction 10-1703 (April 2021),
// section 2: /k.aaa.cccc.pp.s.####.yymmddThhnnZ-yymmddThhnnZ/.
type VTEC struct {
	Class        string    // O operational, T test, E experimental, X experimental code
	Action       string    // NEW CON EXT EXA EXB UPG CAN EXP COR ROU
	Office       string    // four letters
	Phenomenon   string    // "WS"; appendix A
	Significance string    // W A Y S F O N
	Number       int       // event tracking number
	Begins       time.Time // zero: has already begun
	Ends         time.Time // zero: until further notice
}

// HVTEC is the hydrologic code that may follow, section 4:
// /nwsli.s.ic.yymmddThhnnZ.yymmddThhnnZ.yymmddThhnnZ.fr/.
type HVTEC struct {
	Location             string // NWS location identifier, "" for 00000
	Severity             string // 0 N 1 2 3 U
	Cause                string // ER SM RS DM ...
	Begins, Crests, Ends time.Time
	Record               string // NO NR UU OO
}

// Event is the part of the code that stays the same through the life of an
// event: office, phenomenon, significance and number. Numbers start again each
// year; two events of one key are told apart by their times.
func (v VTEC) Event() string {
	return fmt.Sprintf("%s.%s.%s.%04d", v.Office, v.Phenomenon, v.Significance, v.Number)
}

var (
	pvtec = regexp.MustCompile(`^([OTEX])\.(NEW|CON|EXT|EXA|EXB|UPG|CAN|EXP|COR|ROU)\.([A-Z]{4})\.([A-Z]{2})\.([WAYSFON])\.(\d{4})\.(\d{6}T\d{4}Z)-(\d{6}T\d{4}Z)$`)
	hvtec = regexp.MustCompile(`^([A-Z0-9]{5})\.([0N123U])\.([A-Z]{2})\.(\d{6}T\d{4}Z)\.(\d{6}T\d{4}Z)\.(\d{6}T\d{4}Z)\.([A-Z]{2})$`)
)

// ParseVTEC reads the codes in a text, each between slashes: primary codes,
// hydrologic ones, or both. Those that can be read are given beside an error.
func ParseVTEC(text string) ([]VTEC, []HVTEC, error) {
	var primary []VTEC
	var hydrologic []HVTEC
	var bad error
	parts := strings.FieldsFunc(text, func(r rune) bool { return r == '/' || r == ' ' || r == '\n' || r == '\r' || r == '\t' })
	for i, part := range parts {
		if i >= 100 {
			return primary, hydrologic, fmt.Errorf("more than 100 codes")
		}
		m := pvtec.FindStringSubmatch(part)
		if m == nil {
			if h := hvtec.FindStringSubmatch(part); h != nil {
				code := HVTEC{Location: h[1], Severity: h[2], Cause: h[3], Record: h[7]}
				if code.Location == "00000" {
					code.Location = ""
				}
				for k, to := range []*time.Time{&code.Begins, &code.Crests, &code.Ends} {
					t, err := vtecTime(h[4+k])
					if err != nil {
						bad = err
					}
					*to = t
				}
				hydrologic = append(hydrologic, code)
				continue
			}
			bad = fmt.Errorf("%q is no code of NWSI 10-1703", clip(part))
			continue
		}
		code := VTEC{Class: m[1], Action: m[2], Office: m[3], Phenomenon: m[4], Significance: m[5]}
		for _, digit := range m[6] {
			code.Number = code.Number*10 + int(digit-'0')
		}
		var err1, err2 error
		code.Begins, err1 = vtecTime(m[7])
		code.Ends, err2 = vtecTime(m[8])
		if err1 != nil || err2 != nil {
			bad = fmt.Errorf("%q has a time that does not exist", clip(part))
		}
		primary = append(primary, code)
	}
	if len(parts) == 0 {
		bad = fmt.Errorf("the code is empty")
	}
	return primary, hydrologic, bad
}

// vtecTime reads yymmddThhnnZ; all zeros is the zero time.
func vtecTime(s string) (time.Time, error) {
	if s == "000000T0000Z" {
		return time.Time{}, nil
	}
	t, err := time.Parse("20060102T1504Z", "20"+s)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is no time", s)
	}
	return t, nil
}
