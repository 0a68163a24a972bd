// Package cfgrid reads gridded netCDF: files that follow the CF conventions
// (version 1.11 and before), and the output of the Weather Research and
// Forecasting model, which does not.
//
// A field is one horizontal slice of one variable at one level, time and
// ensemble member. Which dimension is which is told, in this order, by the
// attributes axis, standard_name, units and positive of the coordinate
// variables (CF chapter 4), by _CoordinateAxisType as THREDDS servers write it,
// and last by the names that are common practice ("lat", "south_north").
//
// Read are classic files (CDF-1, CDF-2, CDF-5) and netCDF-4 with its groups,
// through the netCDF C library (github.com/fhs/go-netcdf and a few calls of our
// own which that binding lacks). The library may not be entered by two threads
// at once, and HDF5 keeps its error printing by thread: so everything that
// calls it runs on one goroutine that is locked to one thread.
//
// Values are unpacked (scale_factor, add_offset, _Unsigned) in double precision
// and then rounded to float32; _FillValue, missing_value, the valid range and,
// where no _FillValue is given, the default fill value of the type become NaN
// (CF 2.5.1 and 8.1, NetCDF Users Guide appendix A).
//
// Refused are user-defined types and, as fields, text. Times in calendars that
// the real world does not keep (noleap, all_leap, 360_day) are left zero with a
// note on the variable, because 30 February is no instant; so are units of
// months and years, whose length is not fixed.
//
// Of damaged input: the header of a classic file is checked here, byte by byte,
// before the library sees it. Of an HDF5 file only signature, superblock and end
// of file are; the rest is HDF5's, which crashes or hangs on a few damaged files
// in a thousand. Open files of untrusted origin with a Prober, whose child
// process tries them first. What one read may ask for is bounded, see read.go.
package cfgrid
