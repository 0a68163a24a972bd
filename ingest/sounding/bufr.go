package sounding

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/bufr"
)

// BUFRDecoder unpacks the data section of one FM 94 BUFR message.
type BUFRDecoder interface {
	DecodeBUFR(ctx context.Context, message []byte) (bufr.Decoded, error)
}

// DecodeBUFR reads every sounding of a file of FM 94 BUFR messages (WMO No.
// 306, Volume I.2), in the order of the file, whatever stands between the
// messages. Reports that could be read are returned together with the errors
// (joined, each an *ingest.FormatError with the message's number) of those that
// could not.
func DecodeBUFR(ctx context.Context, file string, b []byte, decoder BUFRDecoder) ([]Report, error) {
	messages, errs := bufr.Messages(file, b)
	var reports []Report
	for _, m := range messages {
		decoded, err := decoder.DecodeBUFR(ctx, m.Bytes)
		if ctx.Err() != nil {
			return reports, context.Cause(ctx)
		}
		if err != nil {
			place := ingest.FormatError{File: file, Message: m.Number, Offset: m.Offset, Detail: err.Error(), Err: ingest.ErrUnsupported}
			var inMessage *ingest.FormatError
			if !errors.As(err, &inMessage) { // no decoder at all: nothing else will work either
				return reports, errors.Join(append(errs, fmt.Errorf("%s: message %d: %w", file, m.Number, err))...)
			}
			place.Offset += inMessage.Offset
			place.Detail, place.Err = inMessage.Detail, inMessage.Err
			errs = append(errs, &place)
			continue
		}
		some, err := FromBUFR(file, m, decoded)
		reports = append(reports, some...)
		if err != nil {
			errs = append(errs, err)
		}
		if len(reports) > MaxReports {
			errs = append(errs, &ingest.FormatError{File: file, Message: m.Number, Offset: m.Offset,
				Detail: fmt.Sprintf("more than %d reports", MaxReports), Err: ingest.ErrCorrupt})
			break
		}
	}
	return reports, errors.Join(errs...)
}

// Elements of Table B (WMO No. 306, Volume I.2, version 31) that a sounding is
// read from; the name says the unit where it is not this program's.
const (
	blockNumber         = 1001
	stationNumber       = 1002
	callSign            = 1011
	stationName         = 1015
	longStationName     = 1019
	wigosSeries         = 1125
	wigosIssuer         = 1126
	wigosIssueNumber    = 1127
	wigosLocal          = 1128
	year                = 4001
	month               = 4002
	day                 = 4003
	hour                = 4004
	minute              = 4005
	second              = 4006
	timeIncrementS      = 4016
	timeDisplacementS   = 4086
	latitudeFine        = 5001
	latitudeCoarse      = 5002
	latitudeChange      = 5015
	longitudeFine       = 6001
	longitudeCoarse     = 6002
	longitudeChange     = 6015
	stationHeight       = 7001
	heightOrAltitude    = 7002
	geopotentialUpwards = 7003 // m2 s-2, as coordinate
	pressure            = 7004
	heightUpwards       = 7007
	geopotentialHeight  = 7009 // gpm, as coordinate
	groundHeight        = 7030
	barometerHeight     = 7031
	significance7Bits   = 8001
	timeSignificance    = 8021
	significance18Bits  = 8042
	geopotentialOld     = 10003 // m2 s-2
	geopotential        = 10008 // m2 s-2
	geopotentialHeight2 = 10009 // gpm
	windFrom            = 11001
	windSpeed           = 11002
	windShearBelow      = 11061
	windShearAbove      = 11062
	temperatureCoarse   = 12001
	dewPointCoarse      = 12003
	temperature         = 12101
	dewPoint            = 12103
	relativeHumidityPct = 13003
	confidencePct       = 33007
)

// launchTime is the value of code table 0 08 021 for the time of a radiosonde's
// launch.
const launchTime = 18

// leastConfidencePct: values whose quality information (operator 2 22 000 with
// 0 33 007, per cent confidence) is lower are marked suspect. Common practice,
// no source; centres give 70 and more to what passed their checks.
const leastConfidencePct = 50

// FromBUFR makes one report of each subset. The template may be any that
// replicates levels with a pressure or a height and with temperature, dew point,
// wind or geopotential: sequences 3 09 007, 3 09 050 to 3 09 052, 3 09 057 and
// what centres build like them, with further descriptors around. Wind shear and
// clouds are not read; the level that a wind shear belongs to stays, behind the
// others, with its pressure and significance alone.
//
// Time is that of the data section, which is the launch where 0 08 021 says so.
func FromBUFR(file string, m bufr.Message, decoded bufr.Decoded) ([]Report, error) {
	var reports []Report
	var errs []error
	fail := func(subset int, reason error, format string, args ...any) {
		errs = append(errs, &ingest.FormatError{File: file, Message: m.Number, Offset: m.Offset,
			Detail: fmt.Sprintf("subset %d: %s", subset+1, fmt.Sprintf(format, args...)), Err: reason})
	}
	for subset, elements := range decoded.Subsets {
		s := split(elements)
		switch {
		case len(s.levels) == 0 && m.Category != 2:
			fail(subset, ingest.ErrUnsupported, "data category %d, no levels of a sounding", m.Category)
			continue
		case len(s.levels) == 0:
			fail(subset, ingest.ErrUnsupported, "no levels of a sounding")
			continue
		case len(s.levels) > MaxLevels:
			fail(subset, ingest.ErrCorrupt, "%d levels, at most %d", len(s.levels), MaxLevels)
			continue
		}
		r := Report{Format: FormatBUFR, Station: s.station()}
		var ok bool
		if r.Time, ok = s.time(); !ok {
			r.Notes = append(r.Notes, "the message gives no valid date and hour")
		}
		if significance, ok := s.header(timeSignificance); ok && significance == launchTime {
			r.ReleaseTime = r.Time
		}
		if s.lowConfidence > 0 {
			r.Notes = append(r.Notes, fmt.Sprintf("%d values with less than %d %% confidence", s.lowConfidence, leastConfidencePct))
		}
		r.Levels = s.levels
		r.markExtrapolated()
		r.doubt()
		reports = append(reports, r)
	}
	return reports, errors.Join(errs...)
}

// sorted is a subset taken apart: what stands outside of replications, first
// values first, and the levels.
type sorted struct {
	values        map[bufr.Descriptor]float64
	texts         map[bufr.Descriptor]string
	levels        []Level
	lowConfidence int
}

// split sorts the elements of one subset.
func split(elements []bufr.Element) sorted {
	s := sorted{values: map[bufr.Descriptor]float64{}, texts: map[bufr.Descriptor]string{}}
	confidence := map[int]float64{} // of the element with that index
	for _, e := range elements {
		if e.AttributeOf >= 0 && e.Descriptor == confidencePct && !e.Missing() {
			confidence[e.AttributeOf] = e.Value
		}
	}
	for i := 0; i < len(elements); {
		e := elements[i]
		if e.Block == 0 {
			if e.AttributeOf < 0 && !e.Missing() {
				if _, known := s.texts[e.Descriptor]; e.IsText && !known {
					s.texts[e.Descriptor] = e.Text
				}
				if _, known := s.values[e.Descriptor]; !e.IsText && !known {
					s.values[e.Descriptor] = e.Value
				}
			}
			i++
			continue
		}
		// All elements of one repetition; their attributes are not numbered.
		end := i + 1
		for end < len(elements) && (elements[end].AttributeOf >= 0 ||
			elements[end].Block == e.Block && elements[end].Repetition == e.Repetition) {
			end++
		}
		if level, doubted, ok := levelOf(elements[i:end], i, confidence); ok {
			s.levels = append(s.levels, level)
			s.lowConfidence += doubted
		}
		i = end
	}
	return s
}

// levelOf reads one repetition. It reports false where the template has no
// level there: no vertical coordinate, or nothing measured. A level whose values
// are all missing is still a level.
func levelOf(elements []bufr.Element, first int, confidence map[int]float64) (l Level, doubted int, ok bool) {
	l = MissingLevel()
	coordinate, measured := false, false
	for i, e := range elements {
		if e.AttributeOf >= 0 || e.IsText {
			continue
		}
		var to *float64
		var suspect Suspect
		scale := 1.0
		switch e.Descriptor {
		case pressure:
			to, suspect, coordinate = &l.PressurePa, SuspectPressure, true
		case heightOrAltitude, heightUpwards, geopotentialHeight:
			to, suspect, coordinate = &l.GeopotentialHeightM, SuspectHeight, true
		case geopotentialUpwards:
			to, suspect, coordinate, scale = &l.GeopotentialHeightM, SuspectHeight, true, 1/gravityMPerS2
		case geopotentialHeight2:
			to, suspect, measured = &l.GeopotentialHeightM, SuspectHeight, true
		case geopotentialOld, geopotential:
			to, suspect, measured, scale = &l.GeopotentialHeightM, SuspectHeight, true, 1/gravityMPerS2
		case temperatureCoarse, temperature:
			to, suspect, measured = &l.AirTemperatureK, SuspectTemperature, true
		case dewPointCoarse, dewPoint:
			to, suspect, measured = &l.DewPointK, SuspectDewPoint, true
		case relativeHumidityPct:
			to, suspect, measured, scale = &l.RelativeHumidity, SuspectDewPoint, true, 0.01
		case windFrom:
			to, suspect, measured = &l.WindFromDeg, SuspectWind, true
		case windSpeed:
			to, suspect, measured = &l.WindSpeedMPerS, SuspectWind, true
		case windShearBelow, windShearAbove:
			measured = true // not read
		case timeIncrementS, timeDisplacementS:
			to = &l.ElapsedS
		case latitudeChange:
			to = &l.LatitudeDisplacementDeg
		case longitudeChange:
			to = &l.LongitudeDisplacementDeg
		case significance7Bits:
			l.Significance |= flagsOf(e.Value, 7, flags7Bits[:])
		case significance18Bits:
			l.Significance |= flagsOf(e.Value, 18, flags18Bits[:])
		}
		if to == nil || e.Missing() || !math.IsNaN(*to) {
			continue
		}
		*to = e.Value * scale
		if c, known := confidence[first+i]; known && c < leastConfidencePct && suspect != 0 {
			l.Suspect |= suspect
			doubted++
		}
	}
	return l, doubted, coordinate && measured
}

// Bit 1, the first in the flag tables of the manual, is the most significant of
// the width. Flag table 0 08 001:
var flags7Bits = [...]Significance{Surface, Standard, Tropopause, MaximumWind, SignificantTemperature, SignificantWind}

// Flag table 0 08 042. Bits 8 to 13 are the bounds of missing data, 15 a
// regional decision, 16 the freezing level, 17 a pressure computed from height.
var flags18Bits = [...]Significance{Surface, Standard, Tropopause, MaximumWind, SignificantTemperature,
	SignificantHumidity, SignificantWind, 0, 0, 0, 0, 0, 0, TopOfSounding}

func flagsOf(value float64, bits int, table []Significance) (s Significance) {
	if !(value >= 0 && value < float64(int(1)<<bits)) { // missing: NaN
		return 0
	}
	for i, meaning := range table {
		if int(value)>>(bits-1-i)&1 != 0 {
			s |= meaning
		}
	}
	return s
}

// header is the first value of an element outside of replications.
func (s sorted) header(d bufr.Descriptor) (float64, bool) {
	v, ok := s.values[d]
	return v, ok
}

// firstOf is the first of several elements that has a value, NaN if none.
func (s sorted) firstOf(descriptors ...bufr.Descriptor) float64 {
	for _, d := range descriptors {
		if v, ok := s.values[d]; ok {
			return v
		}
	}
	return math.NaN()
}

// station reads who sent the report and where the balloon was let go.
func (s sorted) station() Station {
	var st Station
	block, hasBlock := s.header(blockNumber)
	number, hasNumber := s.header(stationNumber)
	if hasBlock && hasNumber && block >= 0 && block < 100 && number >= 0 && number < 1000 {
		st.WMONumber = fmt.Sprintf("%02.0f%03.0f", block, number)
	}
	series, hasSeries := s.header(wigosSeries)
	issuer, hasIssuer := s.header(wigosIssuer)
	issue, hasIssue := s.header(wigosIssueNumber)
	if local := s.text(wigosLocal); hasSeries && hasIssuer && hasIssue && local != "" {
		st.WIGOS = fmt.Sprintf("%.0f-%.0f-%.0f-%s", series, issuer, issue, local)
	}
	for _, id := range []string{st.WMONumber, s.text(callSign), st.WIGOS} {
		if st.Identifier == "" {
			st.Identifier = id
		}
	}
	if st.Name = s.text(longStationName); st.Name == "" {
		st.Name = s.text(stationName)
	}
	st.Place.LatitudeDeg = s.firstOf(latitudeFine, latitudeCoarse)
	st.Place.LongitudeDeg = s.firstOf(longitudeFine, longitudeCoarse)
	st.AltitudeM = s.firstOf(heightUpwards, groundHeight, barometerHeight, stationHeight)
	return st
}

func (s sorted) text(d bufr.Descriptor) string { return strings.TrimSpace(s.texts[d]) }

// time reads the date and time; minute and second may be missing.
func (s sorted) time() (time.Time, bool) {
	var part [6]int
	for i, d := range []bufr.Descriptor{year, month, day, hour, minute, second} {
		v, ok := s.header(d)
		if !ok && i < 4 || ok && !(v >= 0 && v < 10000) {
			return time.Time{}, false
		}
		part[i] = int(v)
	}
	t := time.Date(part[0], time.Month(part[1]), part[2], part[3], part[4], part[5], 0, time.UTC)
	valid := t.Year() == part[0] && int(t.Month()) == part[1] && t.Day() == part[2] && t.Hour() == part[3] && t.Minute() == part[4]
	if !valid {
		return time.Time{}, false
	}
	return t, true
}

// markExtrapolated marks the standard levels below the ground, whose heights
// are computed, not measured.
func (r *Report) markExtrapolated() {
	groundPa := math.NaN()
	for _, l := range r.Levels {
		if l.Significance&Surface != 0 && !math.IsNaN(l.PressurePa) && !(l.PressurePa <= groundPa) {
			groundPa = l.PressurePa
		}
	}
	for i := range r.Levels {
		if l := &r.Levels[i]; l.Significance&Standard != 0 && l.Significance&Surface == 0 && l.PressurePa > groundPa {
			l.Significance |= Extrapolated
		}
	}
}
