// Package grid says where values are and what the atmosphere is in between:
// places and projections, grids and the fields on them, columns, and the
// atmosphere in space and time.
//
// Places are geographic, on the sphere of EarthRadiusM for distances; grids are
// laid out in the plane of a projection, which has its own figure of the earth
// (Snyder 1987, USGS Professional Paper 1395; Karney 2011 for the inverse and
// for the transverse Mercator). Latitudes of a file are taken as they are on
// that figure; no datum is shifted. Rows and columns keep the direction in which
// the file runs, and winds are turned to east and north on request.
//
// Nothing here reads files or uses the network, and no value makes it panic:
// what is not on the grid, not a number or not known is reported.
package grid
