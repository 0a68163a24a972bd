package level2

import (
	"rimeline/ingest"
)

// readMessage1 reads the digital radar data of radars before 2008 (Table III of
// 2620002, revision H): reflectivity of up to 460 gates, velocity and spectrum
// width of up to 920, one byte each, in the same words as message 31.
func (rec *record) readMessage1(c *cursor, memory []moment) (radial, []moment) {
	r := radial{spacingDeg: 1}
	milliseconds := c.uint32("collection time")
	r.time = timeOf(uint32(c.uint16("modified Julian date")), milliseconds)
	r.unambiguousM = positive(100 * float32(c.int16("unambiguous range")))
	r.azimuthDeg = codedAngleDeg(c.uint16("azimuth angle"))
	r.azimuthNumber = int(c.uint16("azimuth number"))
	r.status = uint8(c.uint16("radial status")) & 0x7f
	r.elevationDeg = codedAngleDeg(c.uint16("elevation angle"))
	if r.elevationDeg > 180 {
		r.elevationDeg -= 360
	}
	r.elevationNumber = int(c.uint16("elevation number"))
	surveillanceFirst, dopplerFirst := c.int16("surveillance range"), c.int16("doppler range")
	surveillanceSpacing, dopplerSpacing := c.uint16("surveillance range sample interval"), c.uint16("doppler range sample interval")
	surveillanceGates, dopplerGates := c.uint16("number of surveillance bins"), c.uint16("number of doppler bins")
	c.skip(6, "cut sector number and calibration constant")
	reflectivityAt, velocityAt, widthAt := c.uint16("surveillance pointer"), c.uint16("velocity pointer"), c.uint16("spectrum width pointer")
	resolution := c.uint16("doppler velocity resolution")
	r.vcp = int(c.uint16("volume coverage pattern"))
	c.skip(14, "spare")
	r.nyquistMPerS = positive(float32(c.int16("nyquist velocity")) / 100)
	r.check(c)
	if c.err != nil {
		return r, memory
	}
	velocityScale := float32(2)
	if resolution == 4 { // 1 m/s
		velocityScale = 1
	}
	if cap(memory)-len(memory) < 3 {
		memory = make([]moment, 0, 192)
	}
	first := len(memory)
	for _, m := range [3]struct {
		moment
		gates, at uint16
		zero      bool
	}{
		{moment{"REF", float32(surveillanceFirst), float32(surveillanceSpacing), 8, 2, 66, nil, 0}, surveillanceGates, reflectivityAt, surveillanceSpacing == 0},
		{moment{"VEL", float32(dopplerFirst), float32(dopplerSpacing), 8, velocityScale, 129, nil, 0}, dopplerGates, velocityAt, dopplerSpacing == 0},
		{moment{"SW", float32(dopplerFirst), float32(dopplerSpacing), 8, 2, 129, nil, 0}, dopplerGates, widthAt, dopplerSpacing == 0},
	} {
		if m.at == 0 || m.gates == 0 {
			continue
		}
		end := int(m.at) + int(m.gates)
		if c.cut && int(m.at) < len(c.buf) {
			end = min(end, len(c.buf))
		}
		if m.zero || end > len(c.buf) {
			c.fail(ingest.ErrCorrupt, "%d gates of %s, %g m apart, from byte %d of a message of %d", m.gates, m.name, m.gateSpacingM, m.at, len(c.buf))
			continue
		}
		m.raw = c.buf[m.at:end:end]
		memory = append(memory, m.moment)
	}
	r.moments = memory[first:len(memory):len(memory)]
	return r, memory
}

// codedAngleDeg: Table III-A of 2620002, a turn in 65536 parts of which the
// lowest three were never set.
func codedAngleDeg(code uint16) float32 { return float32(code) * (360.0 / 65536) }
