// Package evaluate says how good scores, outlooks and operations were, and what a
// seeding effect looks like in the gauges, with its uncertainty.
//
// The idea: every number is a function of counts and sums that can be added, so
// that a season is read once, storm day by storm day, in bounded memory; the same
// sums resampled by storm day give the intervals. Hours of one storm resemble each
// other, so an interval made from single hours would be far too narrow.
//
// The choices: contingency scores as in the verification pages of CAWCR and in
// Jolliffe and Stephenson (2012, Forecast Verification, chapter 3); the Brier
// score with the five terms of Stephenson, Coelho and Jolliffe (2008, Wea.
// Forecasting 23, 752); consistency bars of Bröcker and Smith (2007, Wea.
// Forecasting 22, 651); CRPS in its empirical and its fair form (Ferro 2014,
// Q. J. R. Meteorol. Soc. 140, 1917); bootstrap intervals of Efron (1987, J. Amer.
// Stat. Assoc. 82, 171) and Hesterberg (2015, Amer. Stat. 69, 371); ratio
// statistics of seeding after Gabriel (1999, J. Appl. Meteor. 38, 290); re-
// randomisation within blocks after Fisher (1935, The Design of Experiments).
//
// A score whose denominator is zero has no value: it is NaN here, null in JSON,
// and says why. Too few cases give a value without an interval, and say so.
// Missing values (NaN) are counted and left out; what cannot be (an infinity, a
// probability of 1.2) is counted apart as invalid.
//
// Everything here is a pure function: no files, no network, no clock; what is
// drawn by chance follows from a seed, whatever the number of processors.
package evaluate
