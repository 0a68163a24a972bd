package cfradial

import (
	"slices"
	"strings"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
)

// known are the names by which files call the moments of package grid, the
// likeliest first: standard names of the conventions (Dixon and Lee 2016,
// section 5.6), then field names that are common practice without a source.
var known = []struct {
	moment        string
	standardNames []string
	fieldNames    []string
}{
	{grid.MomentReflectivity,
		[]string{"equivalent_reflectivity_factor", "equivalent_reflectivity_factor_h", "corrected_equivalent_reflectivity_factor"},
		[]string{"ref", "dbz", "dbzh", "dbzhc", "reflectivity", "reflectivity_horizontal", "corrected_reflectivity", "dbz_f", "dz", "cz", "zh"}},
	{grid.MomentVelocity,
		[]string{"radial_velocity_of_scatterers_away_from_instrument", "radial_velocity_of_scatterers_away_from_instrument_h"},
		[]string{"vel", "velh", "vr", "vrad", "vradh", "velocity", "vel_f"}},
	{grid.MomentSpectrumWidth,
		[]string{"doppler_spectrum_width", "doppler_spectrum_width_h"},
		[]string{"sw", "width", "wrad", "wradh", "spectrum_width"}},
	{grid.MomentDifferentialReflect,
		[]string{"log_differential_reflectivity_hv", "corrected_log_differential_reflectivity_hv"},
		[]string{"zdr", "zdrm", "zdrc", "differential_reflectivity", "corrected_differential_reflectivity"}},
	{grid.MomentDifferentialPhase,
		[]string{"differential_phase_hv"},
		[]string{"phi", "phidp", "uphidp", "differential_phase", "uncorrected_differential_phase"}},
	{grid.MomentCorrelationCoefficient,
		[]string{"cross_correlation_ratio_hv"},
		[]string{"rho", "rhohv", "urhohv", "cross_correlation_ratio", "uncorrected_cross_correlation_ratio"}},
}

// momentNames names the fields: one of each of the known moments, the likeliest;
// all others keep their own names.
func momentNames(fields []cfgrid.Variable) []string {
	names := make([]string, len(fields))
	for k, f := range fields {
		names[k] = f.Name
	}
	for _, moment := range known {
		best, bestRank := -1, 0
		for k, f := range fields {
			rank := slices.Index(moment.standardNames, f.StandardName)
			if rank < 0 {
				if rank = slices.Index(moment.fieldNames, strings.ToLower(f.Name)); rank < 0 {
					continue
				}
				rank += len(moment.standardNames)
			}
			if best < 0 || rank < bestRank {
				best, bestRank = k, rank
			}
		}
		if best < 0 {
			continue
		}
		for k := range names { // the name is taken
			if k != best && names[k] == moment.moment {
				names[k] = fields[k].Name + " (field)"
			}
		}
		names[best] = moment.moment
	}
	return names
}
