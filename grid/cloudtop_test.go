package grid

import "testing"

// GOES-R Product Definition and Users' Guide, volume 5, Cloud Top Phase:
// flag_values 0 to 5 are clear_sky, liquid_water, super_cooled_liquid_water,
// mixed_phase, ice, unknown.
func TestCloudTopPhaseCodes(t *testing.T) {
	for code, want := range map[uint8]struct {
		name     string
		evidence SupercooledEvidence
	}{
		0:   {"clear", AgainstSupercooled},
		1:   {"liquid", AgainstSupercooled},
		2:   {"supercooled", ForSupercooled},
		3:   {"mixed", ForSupercooled},
		4:   {"ice", NoEvidence}, // hides what is below
		5:   {"unknown", NoEvidence},
		6:   {"none", NoEvidence},
		255: {"none", NoEvidence},
	} {
		phase := CloudTopPhase(code)
		if phase.String() != want.name || phase.Supercooled() != want.evidence {
			t.Errorf("code %d: %v, evidence %d, want %+v", code, phase, phase.Supercooled(), want)
		}
	}
}
