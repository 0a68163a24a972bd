package grid

// SweepMode is how an antenna moves in a sweep, in the words of the CfRadial
// conventions (Dixon and Lee 2016, table of sweep_mode).
type SweepMode string

// The modes that matter here; others are kept as they stand in the file.
const (
	Surveillance SweepMode = "azimuth_surveillance" // whole turns at one elevation
	Sector       SweepMode = "sector"               // part of a turn at one elevation
	RHI          SweepMode = "rhi"                  // in elevation at one azimuth
)

// Vertical tells sweeps in which the elevation changes and the azimuth stays.
// They are no cone: heights above a place come from the elevation of each
// radial, and the mean elevation of the sweep says nothing.
func (m SweepMode) Vertical() bool {
	switch m {
	case RHI, "manual_rhi", "elevation_surveillance", "vertical_pointing":
		return true
	}
	return false
}
