// Package conditions finds out what the weather does over an area: what rain and
// snow fall on a target or on burnt ground, how high 0 °C lies, how the wind
// blows at a site. Suspension criteria are judged by it.
//
// A wrong answer here lets people seed into a flood, so three rules hold
// everywhere. What was not seen, and what a model does not say, is left out and
// never zero. Where two readings of the same echo are possible the higher rate is
// taken. And a number comes with the share of the area that it speaks of.
//
// "The highest over an area" is the highest of the means over squares of about 1
// km, which is also the scale of a radar's beam and of the mosaics: a robust
// maximum, since no single gate decides it, and the scale on which a shower fills
// a gully. A square counts where any of it lies in the area, and as much as lies in
// it.
//
// Rates are liquid equivalent. From radar they follow from the beam nearest to the
// ground by a relation for the phase that the particles have in that beam: above
// the highest 0 °C level that of snow, 500 m below it that of rain, between them,
// where melting snow reflects more than either, the greater of the two. What
// reaches the ground liquid follows from the wet-bulb temperature. Nothing is
// added for snow that grows below the beam, and nothing taken off for rain that
// evaporates there.
//
// Functions are pure: they read an atmosphere, echo and mosaics, and keep nothing.
package conditions
