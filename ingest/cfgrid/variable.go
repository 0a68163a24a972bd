package cfgrid

import (
	"math"
	"strings"

	"github.com/fhs/go-netcdf/netcdf"
)

// dimension of a file, by the library's number.
type dimension struct {
	id     int
	name   string
	length uint64
}

// attribute holds text or numbers.
type attribute struct {
	kind    netcdf.Type
	text    string
	numbers []float64
}

// variable is one array of the file with its attributes.
type variable struct {
	group      netcdf.Dataset
	id         int
	in         netcdf.Var
	name       string // with its groups: "group/name"
	prefix     string // the groups alone: "group/"
	kind       netcdf.Type
	dims       []*dimension
	chunks     []uint64 // nil where contiguous
	deflate    int      // level, 0 for none
	attributes map[string]attribute
	order      []string // names of the attributes in file order
	points     uint64   // product of the dimensions

	unpack     unpacking
	cacheTuned bool // only touched on the library's thread
}

// text gives a text attribute, trimmed; empty where there is none.
func (v *variable) text(name string) string {
	return strings.TrimSpace(v.attributes[name].text)
}

// number gives the first value of a numeric attribute.
func (v *variable) number(name string) (float64, bool) {
	a := v.attributes[name]
	if len(a.numbers) == 0 {
		return math.NaN(), false
	}
	return a.numbers[0], true
}

func (v *variable) isNumeric() bool {
	switch v.kind {
	case netcdf.BYTE, netcdf.UBYTE, netcdf.SHORT, netcdf.USHORT, netcdf.INT, netcdf.UINT,
		netcdf.INT64, netcdf.UINT64, netcdf.FLOAT, netcdf.DOUBLE:
		return true
	}
	return false
}

// shortName is the name without its groups.
func (v *variable) shortName() string { return strings.TrimPrefix(v.name, v.prefix) }

// typeName in the words of the netCDF data model.
func typeName(kind netcdf.Type) string {
	switch kind {
	case netcdf.BYTE:
		return "byte"
	case netcdf.UBYTE:
		return "unsigned byte"
	case netcdf.CHAR:
		return "char"
	case netcdf.SHORT:
		return "short"
	case netcdf.USHORT:
		return "unsigned short"
	case netcdf.INT:
		return "int"
	case netcdf.UINT:
		return "unsigned int"
	case netcdf.INT64:
		return "int64"
	case netcdf.UINT64:
		return "unsigned int64"
	case netcdf.FLOAT:
		return "float"
	case netcdf.DOUBLE:
		return "double"
	case netcdf.STRING:
		return "string"
	}
	return "user-defined type"
}

func typeSize(kind netcdf.Type) uint64 {
	switch kind {
	case netcdf.BYTE, netcdf.UBYTE, netcdf.CHAR:
		return 1
	case netcdf.SHORT, netcdf.USHORT:
		return 2
	case netcdf.INT, netcdf.UINT, netcdf.FLOAT:
		return 4
	}
	return 8 // also the pointer of a string
}

// onlyDims reports whether all dimensions of v are among those given.
func (v *variable) onlyDims(of []*dimension) bool {
	for _, d := range v.dims {
		if indexOfDim(of, d) < 0 {
			return false
		}
	}
	return true
}

func indexOfDim(dims []*dimension, d *dimension) int {
	for i, each := range dims {
		if each == d {
			return i
		}
	}
	return -1
}
