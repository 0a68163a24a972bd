package cfgrid

import (
	"math"

	"github.com/fhs/go-netcdf/netcdf"
)

// unpacking turns stored numbers into values (CF 8.1, NetCDF Users Guide
// appendix A.1). Missing and range attributes speak of stored numbers.
type unpacking struct {
	unsigned      bool // signed storage of unsigned numbers (_Unsigned)
	missing       []float64
	low, high     float64 // stored numbers outside are missing
	scaled        bool
	scale, offset float64
}

// Default fill values by type (netcdf.h, NC_FILL_*); bytes have none, as every
// byte may be data.
var defaultFill = map[netcdf.Type]float64{
	netcdf.SHORT:  -32767,
	netcdf.INT:    -2147483647,
	netcdf.FLOAT:  float64(float32(9.9692099683868690e+36)),
	netcdf.DOUBLE: 9.9692099683868690e+36,
	netcdf.USHORT: 65535,
	netcdf.UINT:   4294967295,
	netcdf.INT64:  -9223372036854775806,
	netcdf.UINT64: 18446744073709551614,
}

func unpackingOf(v *variable) unpacking {
	u := unpacking{low: math.Inf(-1), high: math.Inf(1), scale: 1}
	bits := typeSize(v.kind) * 8
	switch v.kind {
	case netcdf.BYTE, netcdf.SHORT, netcdf.INT:
		u.unsigned = v.text("_Unsigned") == "true" || v.text("_Unsigned") == "True"
	}
	// Attributes of unsigned data in a signed type are stored as signed.
	stored := func(x float64) float64 {
		if u.unsigned && x < 0 {
			return x + math.Ldexp(1, int(bits))
		}
		if v.kind == netcdf.FLOAT {
			return float64(float32(x))
		}
		return x
	}
	for _, name := range []string{"_FillValue", "missing_value", "fillValue"} {
		for _, x := range v.attributes[name].numbers {
			if !math.IsNaN(x) {
				u.missing = append(u.missing, stored(x))
			}
		}
	}
	if _, has := v.attributes["_FillValue"]; !has {
		if fill, has := defaultFill[v.kind]; has {
			u.missing = append(u.missing, stored(fill))
		}
	}
	if span := v.attributes["valid_range"].numbers; len(span) == 2 {
		u.low, u.high = stored(span[0]), stored(span[1])
	} else {
		if x, has := v.number("valid_min"); has {
			u.low = stored(x)
		}
		if x, has := v.number("valid_max"); has {
			u.high = stored(x)
		}
	}
	if u.low > u.high || math.IsNaN(u.low) || math.IsNaN(u.high) {
		u.low, u.high = math.Inf(-1), math.Inf(1) // says nothing
	}
	if x, has := v.number("scale_factor"); has {
		u.scaled, u.scale = true, x
	}
	if x, has := v.number("add_offset"); has {
		u.scaled, u.offset = true, x
	}
	return u
}

type number interface {
	int8 | uint8 | int16 | uint16 | int32 | uint32 | int64 | uint64 | float32 | float64
}

// value unpacks one stored number.
func (u *unpacking) value(x float64) float64 {
	for _, m := range u.missing {
		if x == m {
			return math.NaN()
		}
	}
	if !(x >= u.low && x <= u.high) {
		return math.NaN()
	}
	if u.scaled {
		return x*u.scale + u.offset
	}
	return x
}

// unpackTo32 unpacks many. The conversion of a stored number goes through double
// precision, exact for all but 64-bit integers above 2^53.
func unpackTo32[T number](dst []float32, src []T, u *unpacking) {
	if floats, is := any(src).([]float32); is && !u.scaled && len(u.missing) <= 2 {
		unpackFloat32(dst, floats, u)
		return
	}
	wrap := 0.0
	if u.unsigned {
		wrap = signedSpan(src)
	}
	one := func(s T) float32 {
		x := float64(s)
		if x < 0 {
			x += wrap
		}
		return float32(u.value(x))
	}
	if len(src) < 1<<17 {
		for i, s := range src {
			dst[i] = one(s)
		}
		return
	}
	// Of short types every number has its value in a table.
	switch stored := any(src).(type) {
	case []int16:
		values := make([]float32, 1<<16)
		for k := range values {
			values[k] = one(T(int16(k)))
		}
		for i, s := range stored {
			dst[i] = values[uint16(s)]
		}
	case []uint16:
		values := make([]float32, 1<<16)
		for k := range values {
			values[k] = one(T(uint16(k)))
		}
		for i, s := range stored {
			dst[i] = values[s]
		}
	case []int8:
		var values [1 << 8]float32
		for k := range values {
			values[k] = one(T(int8(k)))
		}
		for i, s := range stored {
			dst[i] = values[uint8(s)]
		}
	default:
		for i, s := range src {
			dst[i] = one(s)
		}
	}
}

// unpackFloat32 puts NaN where a number is missing or out of range.
func unpackFloat32(dst, src []float32, u *unpacking) {
	nan := float32(math.NaN())
	first, second := nan, nan
	if len(u.missing) > 0 {
		first = float32(u.missing[0])
	}
	if len(u.missing) > 1 {
		second = float32(u.missing[1])
	}
	low, high := float32(u.low), float32(u.high) // exact: made of float32, see unpackingOf
	for i, x := range src {
		if x == first || x == second || !(x >= low && x <= high) {
			x = nan
		}
		dst[i] = x
	}
}

func unpackTo64[T number](dst []float64, src []T, u *unpacking) {
	wrap := 0.0
	if u.unsigned {
		wrap = signedSpan(src)
	}
	for i, s := range src {
		x := float64(s)
		if x < 0 {
			x += wrap
		}
		dst[i] = u.value(x)
	}
}

// signedSpan is 2^bits of a signed type, what _Unsigned adds to negative numbers.
func signedSpan[T number](_ []T) float64 {
	var zero T
	switch any(zero).(type) {
	case int8:
		return 1 << 8
	case int16:
		return 1 << 16
	case int32:
		return 1 << 32
	}
	return 0
}
