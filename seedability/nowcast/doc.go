// Package nowcast sees echo move, and says when it will be where: motion between
// frames of reflectivity, bands and cells, the field minutes to two hours
// ahead, arrival at a zone, and when to release agent that is to meet a band.
//
// Over an hour or two most of what precipitation does is move with the flow
// around it; growth and decay are seldom foreseen (Germann and Zawadzki 2002,
// Mon. Wea. Rev. 130, 2859). So the newest frame is carried along a motion field
// that stays as it is (backward semi-Lagrangian), and what cannot be known grows
// with lead time: details are lost up to a scale of 1 km a minute, and times of
// arrival spread as the motion of single boxes does about the field.
//
// Motion is dense pyramidal optical flow (Lucas and Kanade 1981) by default, or
// box-by-box cross-correlation (TREC; Rinehart and Garvey 1978). The choice was
// made by skill: on the mosaics and invented fields of this package's tests
// optical flow has the higher critical success index and the smaller error at
// 10 to 16 min. Each vector is judged by Pearson's r of its box, the share of
// echo in it and its neighbours; what fails is filled from those around. Where
// nothing can be trusted there is a *NoMotionError with a Reason, and no vector.
//
// Cells that were not seen are NaN and stay apart from cells without echo
// throughout: a forecast whose air comes from where nobody looked is not seen,
// and an Approach says until when silence means that nothing comes.
//
// Not counted: change of the motion itself, shear between the level that is seen
// and the one that is seeded, growth over terrain, and new echo. Nothing here
// reads files, and the same input gives the same bytes on any number of cores.
package nowcast
