package level2

// metadata is what messages 2, 5, 7 and 18 and the constants of message 31 say
// of a whole volume.
type metadata struct {
	site    siteBlock
	hasSite bool
	vcp     int
	// targetsDeg are the elevations of the coverage pattern, cut by cut.
	targetsDeg []float64
	build      float64 // of the radar's software, 0 where unknown
	adaptation adaptation
}

// siteBlock is where message 31 says that the radar stands.
type siteBlock struct {
	latitudeDeg, longitudeDeg float32
	siteHeightM               int16  // ground above mean sea level
	feedhornHeightM           uint16 // above ground
}

func (s siteBlock) plausible() bool {
	return s.latitudeDeg >= -90 && s.latitudeDeg <= 90 && s.longitudeDeg >= -180 && s.longitudeDeg <= 360 &&
		(s.latitudeDeg != 0 || s.longitudeDeg != 0) && s.siteHeightM > -500 && s.siteHeightM < 9000 && s.feedhornHeightM < 500
}

// adaptation is what is used of message 18.
type adaptation struct {
	latitudeDeg, longitudeDeg, beamwidthDeg float64 // NaN or 0 where unknown
}

// read takes in one message; one that is too short is no loss.
func (m *metadata) read(c *cursor, kind uint8) {
	switch kind {
	case 2:
		// Table IV, halfword 10: the build, times ten, since build 18 times a hundred.
		c.skip(18, "status")
		build := float64(c.int16("RDA build number"))
		if c.err == nil && build > 0 {
			if build > 200 {
				build /= 10
			}
			m.build = build / 10
		}
	case 5, 7:
		m.readPattern(c)
	case 18:
		m.readAdaptation(c)
	}
}

// readPattern reads the volume coverage pattern, Table XI.
func (m *metadata) readPattern(c *cursor) {
	size := int(c.uint16("message size"))
	c.skip(2, "pattern type")
	pattern := int(c.uint16("pattern number"))
	cuts := int(c.uint16("number of elevation cuts"))
	c.skip(14, "constants")
	if c.err != nil || size == 0 || pattern == 0 {
		return
	}
	const cutBytes = 46
	cuts = min(cuts, (len(c.buf)-c.pos)/cutBytes)
	targets := make([]float64, 0, cuts)
	for range cuts {
		angle := float64(codedAngleDeg(c.uint16("elevation angle")))
		if angle > 180 {
			angle -= 360
		}
		c.skip(cutBytes-2, "cut")
		targets = append(targets, angle)
	}
	m.vcp, m.targetsDeg = pattern, targets
}

// readAdaptation reads a few fields of the adaptation data, Table XV, whose
// place has been the same since build 10.
func (m *metadata) readAdaptation(c *cursor) {
	c.skip(1132, "adaptation data")
	beamwidthDeg := float64(c.float32("antenna beamwidth"))
	c.skip(1288-1136, "adaptation data")
	latitudeS, longitudeS := float64(c.float32("site latitude seconds")), float64(c.float32("site longitude seconds"))
	c.skip(4, "adaptation data")
	latitudeDeg, latitudeMin := float64(c.uint32("site latitude degrees")), float64(c.uint32("site latitude minutes"))
	longitudeDeg, longitudeMin := float64(c.uint32("site longitude degrees")), float64(c.uint32("site longitude minutes"))
	north, east := c.take(4, "site latitude direction")[0], c.take(4, "site longitude direction")[0]
	if c.err != nil {
		return
	}
	if beamwidthDeg > 0.2 && beamwidthDeg < 5 {
		m.adaptation.beamwidthDeg = beamwidthDeg
	}
	latitude, longitude := latitudeDeg+latitudeMin/60+latitudeS/3600, longitudeDeg+longitudeMin/60+longitudeS/3600
	if (north != 'N' && north != 'S') || (east != 'E' && east != 'W') || !(latitude <= 90) || !(longitude <= 180) {
		return
	}
	if north == 'S' {
		latitude = -latitude
	}
	if east == 'W' {
		longitude = -longitude
	}
	m.adaptation.latitudeDeg, m.adaptation.longitudeDeg = latitude, longitude
}

func (m *metadata) merge(other metadata) {
	if other.hasSite && !m.hasSite {
		m.site, m.hasSite = other.site, true
	}
	if other.vcp != 0 {
		m.vcp, m.targetsDeg = other.vcp, other.targetsDeg
	}
	if other.build != 0 {
		m.build = other.build
	}
	if other.adaptation != (adaptation{}) {
		m.adaptation = other.adaptation
	}
}
