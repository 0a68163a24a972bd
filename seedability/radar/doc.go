// Package radar reads meteorology from what a radar saw above a place: rates,
// ice loading, echo tops, the bright band, and hints at hydrometeors.
//
// A radar of 10 cm wavelength does not see cloud droplets: 0.2 g/m3 of droplets
// of 20 um make -25 dBZ. No echo is therefore compatible with supercooled water,
// and strong echo aloft means ice, which competes for it. Nothing here reports
// liquid water. What was not seen (beam too high, blocked, no radial) is kept
// apart from no echo all the way: results that would rest on it say so or are
// refused.
//
// Functions are pure. Reflectivity is the equivalent reflectivity factor in dBZ;
// Z without a suffix is in mm6 m-3.
package radar
