package grid

// CloudTopPhase is the thermodynamic phase of the highest cloud layer that an
// infrared imager sees, with the codes of the GOES-R series' Cloud Top Phase
// product (Product Definition and Users' Guide, volume 5, variable Phase).
type CloudTopPhase uint8

// The codes. NoCloudTopPhase is this program's own, for pixels without one.
const (
	ClearSky          CloudTopPhase = 0
	LiquidWater       CloudTopPhase = 1 // warmer than 0 degrees Celsius
	SupercooledLiquid CloudTopPhase = 2
	MixedPhase        CloudTopPhase = 3
	IcePhase          CloudTopPhase = 4
	UnknownPhase      CloudTopPhase = 5
	NoCloudTopPhase   CloudTopPhase = 255
)

func (p CloudTopPhase) String() string {
	switch p {
	case ClearSky:
		return "clear"
	case LiquidWater:
		return "liquid"
	case SupercooledLiquid:
		return "supercooled"
	case MixedPhase:
		return "mixed"
	case IcePhase:
		return "ice"
	case UnknownPhase:
		return "unknown"
	}
	return "none"
}

// SupercooledEvidence is what a phase says about supercooled water at or below
// the top. The retrieval uses infrared channels only and sees the highest layer
// alone (Pavolonis 2010, ABI Cloud Type and Cloud Phase Algorithm Theoretical
// Basis Document): ice on top hides what is below, and says nothing about it.
type SupercooledEvidence uint8

const (
	// NoEvidence: ice on top, unknown, or no retrieval.
	NoEvidence SupercooledEvidence = iota
	// ForSupercooled: the top itself holds supercooled droplets, alone or mixed.
	ForSupercooled
	// AgainstSupercooled: no cloud, or one whose top is warmer than freezing.
	AgainstSupercooled
)

// Supercooled reads a phase as evidence.
func (p CloudTopPhase) Supercooled() SupercooledEvidence {
	switch p {
	case SupercooledLiquid, MixedPhase:
		return ForSupercooled
	case ClearSky, LiquidWater:
		return AgainstSupercooled
	}
	return NoEvidence
}
