package rehearsal

import (
	"encoding/binary"
	"math"
)

// bufrBits appends values of any width, most significant bit first.
type bufrBits struct {
	b    []byte
	used int // bits of the last octet
}

func (w *bufrBits) put(value uint64, bits int) {
	for k := bits - 1; k >= 0; k-- {
		if w.used%8 == 0 {
			w.b = append(w.b, 0)
			w.used = 0
		}
		if value>>k&1 == 1 {
			w.b[len(w.b)-1] |= 0x80 >> w.used
		}
		w.used++
	}
}

// bufrElement is scale, reference value and width of an element of table B.
type bufrElement struct{ scale, reference, bits int }

// Elements of table B (WMO-No. 306, volume I.2) that 3 09 052 uses.
var (
	bufrTimeSignificance = bufrElement{0, 0, 5}
	bufrYear             = bufrElement{0, 0, 12}
	bufrMonth            = bufrElement{0, 0, 4}
	bufrDay              = bufrElement{0, 0, 6}
	bufrHour             = bufrElement{0, 0, 5}
	bufrMinute           = bufrElement{0, 0, 6}
	bufrSecond           = bufrElement{0, 0, 6}
	bufrLatitude         = bufrElement{5, -9000000, 25}
	bufrLongitude        = bufrElement{5, -18000000, 26}
	bufrHeightOfGround   = bufrElement{1, -4000, 17}
	bufrHeight           = bufrElement{0, -1000, 17}
	bufrElapsed          = bufrElement{0, -8192, 15}
	bufrSignificance     = bufrElement{0, 0, 18}
	bufrPressure         = bufrElement{-1, 0, 14}
	bufrGeopotential     = bufrElement{0, -1000, 17}
	bufrTemperature      = bufrElement{2, 0, 16}
	bufrWindFrom         = bufrElement{0, 0, 9}
	bufrWindSpeed        = bufrElement{1, 0, 12}
)

func (w *bufrBits) value(e bufrElement, v float64) {
	w.put(uint64(int64(math.Round(v*math.Pow10(e.scale)))-int64(e.reference)), e.bits)
}

// missing is all ones.
func (w *bufrBits) missing(bits ...int) {
	for _, n := range bits {
		w.put(1<<n-1, n)
	}
}

// bufr is the ascent as one message of FM 94 BUFR, edition 4, by sequence 3 09
// 052: temperature, dew point and wind at pressure levels with the balloon's
// position.
func (a ascent) bufr() []byte {
	var w bufrBits
	// 3 01 111: station, call sign (missing), radiosonde, correction, tracking
	// and equipment (all missing).
	number := 0
	for _, figure := range a.station.WMO {
		number = number*10 + int(figure-'0')
	}
	w.put(uint64(number/1000), 7)
	w.put(uint64(number%1000), 10)
	for k := range 9 {
		letter := byte(' ')
		if k < len(a.station.ID) {
			letter = a.station.ID[k]
		}
		w.put(uint64(letter), 8)
	}
	w.missing(8, 4, 7, 4)
	// 3 01 113: 18 is the launch.
	w.value(bufrTimeSignificance, 18)
	w.value(bufrYear, float64(a.release.Year()))
	w.value(bufrMonth, float64(a.release.Month()))
	w.value(bufrDay, float64(a.release.Day()))
	w.value(bufrHour, float64(a.release.Hour()))
	w.value(bufrMinute, float64(a.release.Minute()))
	w.value(bufrSecond, float64(a.release.Second()))
	// 3 01 114: place, height of ground, barometer and launch, how it was found.
	w.value(bufrLatitude, a.place.LatitudeDeg)
	w.value(bufrLongitude, a.place.LongitudeDeg)
	w.value(bufrHeightOfGround, a.levels[0].heightM)
	w.missing(17)
	w.value(bufrHeight, a.levels[0].heightM)
	w.missing(4)
	// 3 02 049 and 0 22 043: clouds and sea, not looked at.
	w.missing(6, 4, 11, 6, 6, 6, 6, 15)
	// 3 03 054, replicated.
	w.put(uint64(len(a.levels)), 16)
	for _, l := range a.levels {
		w.value(bufrElapsed, l.elapsedS)
		significance := 0 // flag table 0 08 042: bit 1 is the first
		for _, flag := range []struct {
			set bool
			bit int
		}{{l.surface, 1}, {l.standard, 2}, {l.top, 14}} {
			if flag.set {
				significance |= 1 << (18 - flag.bit)
			}
		}
		w.value(bufrSignificance, float64(significance))
		w.value(bufrPressure, l.pressurePa)
		w.value(bufrGeopotential, l.heightM)
		w.value(bufrLatitude, l.latitudeDegAfter)
		w.value(bufrLongitude, l.longitudeDegAfter)
		w.value(bufrTemperature, l.airTemperatureK)
		w.value(bufrTemperature, l.dewPointK)
		w.value(bufrWindFrom, math.Round(l.windFromDeg))
		w.value(bufrWindSpeed, l.windSpeedMPerS)
	}
	w.put(0, 8) // no wind shears

	section := func(body []byte) []byte {
		n := len(body) + 3
		return append([]byte{byte(n >> 16), byte(n >> 8), byte(n)}, body...)
	}
	// Section 1: centre missing, category 2 (soundings), subcategory 4 (TEMP from
	// fixed land stations, common code table C-13), tables of version 28.
	s1 := []byte{0, 255, 255, 0, 0, 0, 0, 2, 4, 0, 28, 0}
	s1 = binary.BigEndian.AppendUint16(s1, uint16(a.nominal.Year()))
	s1 = append(s1, byte(a.nominal.Month()), byte(a.nominal.Day()), byte(a.nominal.Hour()), byte(a.nominal.Minute()), 0)
	// Section 3: one subset, observed, not compressed; 3 09 052.
	s3 := []byte{0, 0, 1, 0x80, 3<<6 | 9, 52}
	body := append(section(s1), section(s3)...)
	body = append(body, section(append([]byte{0}, w.b...))...)
	n := 8 + len(body) + 4
	out := append([]byte("BUFR"), byte(n>>16), byte(n>>8), byte(n), 4)
	return append(append(out, body...), "7777"...)
}
