package level2

import (
	"math"

	"rimeline/ingest"
)

const (
	// maxMomentsInRadial: message 31 names seven moments and leaves room for some.
	maxMomentsInRadial = 16
	dataHeaderBytes    = 32
)

// readMessage31 reads Table XVII-A of 2620002 and the blocks to which it points.
// Moments are appended to memory, which is returned with the room that is left.
// A block that cannot be read costs itself: the radial holds the others, and
// the cursor the first error.
func (rec *record) readMessage31(c *cursor, memory []moment) (radial, []moment) {
	r := radial{nyquistMPerS: nan32, unambiguousM: nan32, spacingDeg: 1}
	r.icao = icaoOf(c.take(4, "radar identifier"))
	milliseconds := c.uint32("collection time")
	r.time = timeOf(uint32(c.uint16("modified Julian date")), milliseconds)
	r.azimuthNumber = int(c.uint16("azimuth number"))
	r.azimuthDeg = c.float32("azimuth angle")
	compression := c.uint8("compression indicator")
	c.skip(3, "spare and radial length")
	if c.uint8("azimuth resolution spacing") == 1 {
		r.spacingDeg = 0.5
	}
	r.status = c.uint8("radial status") & 0x7f // the highest bit marks a radial as bad
	r.elevationNumber = int(c.uint8("elevation number"))
	c.skip(1, "cut sector number")
	r.elevationDeg = c.float32("elevation angle")
	c.skip(2, "spot blanking status and azimuth indexing mode")
	blocks := int(c.uint16("data block count"))
	r.check(c)
	if compression != 0 {
		c.fail(ingest.ErrUnsupported, "compression indicator %d", compression)
	}
	if blocks > (len(c.buf)-c.pos)/4 {
		c.fail(ingest.ErrCorrupt, "%d data block pointers need %d bytes, %d left", blocks, 4*blocks, len(c.buf)-c.pos)
	}
	if c.err != nil {
		return r, memory
	}
	if cap(memory)-len(memory) < maxMomentsInRadial {
		memory = make([]moment, 0, 64*maxMomentsInRadial)
	}
	first := len(memory)
	var firstErr error
	for range blocks {
		pointer := c.uint32("data block pointer")
		if pointer == 0 {
			continue
		}
		block := cursor{place: c.place, buf: c.buf, base: c.base, pos: int(pointer), cut: c.cut}
		if uint64(pointer)+4 > uint64(len(c.buf)) || pointer < dataHeaderBytes {
			block.pos = c.pos - 4
			block.fail(ingest.ErrCorrupt, "data block pointer %d, the message has %d bytes", pointer, len(c.buf))
		} else {
			kind := block.uint8("data block type")
			name := momentName(block.take(3, "data name"))
			switch {
			case kind == 'R':
				rec.readConstants(&block, name, &r)
			case kind == 'D' && !hasMoment(memory[first:], name) && len(memory)-first < maxMomentsInRadial:
				if one, ok := readMoment(&block, name); ok {
					memory = append(memory, one)
				}
			}
		}
		if firstErr == nil {
			firstErr = block.err
		}
	}
	c.err = firstErr
	r.moments = memory[first:len(memory):len(memory)]
	return r, memory
}

var nan32 = float32(math.NaN())

// check refuses a radial without time or direction.
func (r *radial) check(c *cursor) {
	switch {
	case r.time.IsZero():
		c.fail(ingest.ErrCorrupt, "collection date and time of azimuth number %d are out of range", r.azimuthNumber)
	case !(r.azimuthDeg >= 0 && r.azimuthDeg <= 360):
		c.fail(ingest.ErrCorrupt, "azimuth %g degrees is not within 0 to 360", r.azimuthDeg)
	case !(r.elevationDeg >= -10 && r.elevationDeg <= 90):
		c.fail(ingest.ErrCorrupt, "elevation %g degrees is not within -10 to 90", r.elevationDeg)
	case r.azimuthDeg == 360:
		r.azimuthDeg = 0
	}
}

// readConstants reads the volume and radial data constants (Tables XVII-E, H).
func (rec *record) readConstants(c *cursor, name string, r *radial) {
	switch name {
	case "VOL":
		c.skip(4, "size and version")
		var s siteBlock
		s.latitudeDeg, s.longitudeDeg = c.float32("latitude"), c.float32("longitude")
		s.siteHeightM = c.int16("site height")
		s.feedhornHeightM = c.uint16("feedhorn height")
		c.skip(20, "calibration and power")
		r.vcp = int(c.uint16("volume coverage pattern"))
		if c.err == nil && !rec.metadata.hasSite && s.plausible() {
			rec.metadata.site, rec.metadata.hasSite = s, true
		}
	case "RAD":
		c.skip(2, "size")
		unambiguous := c.int16("unambiguous range")
		c.skip(8, "noise")
		nyquist := c.int16("nyquist velocity")
		if c.err == nil {
			r.unambiguousM, r.nyquistMPerS = positive(100*float32(unambiguous)), positive(float32(nyquist)/100)
		}
	}
}

// positive is NaN for what is not, which files hold where they do not know.
func positive(value float32) float32 {
	if value > 0 {
		return value
	}
	return nan32
}

// readMoment reads Table XVII-B. It reports false for a block without gates.
func readMoment(c *cursor, name string) (moment, bool) {
	m := moment{name: name}
	c.skip(4, "reserved")
	gates := uint64(c.uint16("number of data moment gates"))
	m.firstGateM = float32(c.uint16("data moment range"))
	m.gateSpacingM = float32(c.uint16("data moment range sample interval"))
	c.skip(5, "thresholds and control flags")
	m.wordBits = int(c.uint8("data word size"))
	m.scale, m.offset = c.float32("scale"), c.float32("offset")
	if c.err != nil || gates == 0 {
		return m, false
	}
	switch {
	case m.wordBits != 8 && m.wordBits != 16 && m.wordBits != 32:
		c.fail(ingest.ErrCorrupt, "data word size of %s is %d, not 8, 16 or 32", name, m.wordBits)
	case !finite32(m.scale) || !finite32(m.offset):
		c.fail(ingest.ErrCorrupt, "scale %g and offset %g of %s are no numbers", m.scale, m.offset, name)
	case m.gateSpacingM == 0:
		c.fail(ingest.ErrCorrupt, "gates of %s are 0 m apart", name)
	}
	need := gates * uint64(m.wordBits/8)
	left := uint64(len(c.buf) - c.pos)
	switch {
	case c.err == nil && c.cut && need > left:
		need = left - left%uint64(m.wordBits/8)
	case c.err == nil && need > left:
		c.fail(ingest.ErrCorrupt, "%d gates of %s need %d bytes, %d left", gates, name, need, left)
	}
	if c.err != nil {
		return m, false
	}
	m.raw = c.buf[c.pos : c.pos+int(need) : c.pos+int(need)]
	return m, true
}

func finite32(value float32) bool { return value-value == 0 }

func hasMoment(moments []moment, name string) bool {
	for k := range moments {
		if moments[k].name == name {
			return true
		}
	}
	return false
}

// momentName spares a string for each of a million blocks.
func momentName(b []byte) string {
	switch string(b) {
	case "VOL":
		return "VOL"
	case "ELV":
		return "ELV"
	case "RAD":
		return "RAD"
	case "REF":
		return "REF"
	case "VEL":
		return "VEL"
	case "SW ":
		return "SW"
	case "ZDR":
		return "ZDR"
	case "PHI":
		return "PHI"
	case "RHO":
		return "RHO"
	case "CFP":
		return "CFP"
	}
	name := make([]byte, 0, 3)
	for _, letter := range b {
		if letter > ' ' && letter < 0x7f {
			name = append(name, letter)
		}
	}
	return string(name)
}
