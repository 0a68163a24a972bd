package cfgrid

/*
#cgo pkg-config: netcdf
#include <stdlib.h>
#include <netcdf.h>
*/
import "C"

import (
	"strings"
	"unsafe"

	"github.com/fhs/go-netcdf/netcdf"
)

// The calls that github.com/fhs/go-netcdf v1.2.1 lacks. Its Dataset is the
// library's own number of a file or group, and its variables count from 0, so
// these few are enough. All of them run on the library's thread.

func libraryError(code C.int) error {
	if code == C.NC_NOERR {
		return nil
	}
	return netcdf.Error(code)
}

// libraryGroups lists the child groups; classic files have none.
func libraryGroups(ds netcdf.Dataset) ([]netcdf.Dataset, error) {
	var n C.int
	if err := libraryError(C.nc_inq_grps(C.int(ds), &n, nil)); err != nil || n == 0 {
		return nil, err
	}
	ids := make([]C.int, n)
	if err := libraryError(C.nc_inq_grps(C.int(ds), &n, &ids[0])); err != nil {
		return nil, err
	}
	groups := make([]netcdf.Dataset, n)
	for i, id := range ids {
		groups[i] = netcdf.Dataset(id)
	}
	return groups, nil
}

func libraryGroupName(ds netcdf.Dataset) (string, error) {
	buf := (*C.char)(C.calloc(1, C.NC_MAX_NAME+1))
	defer C.free(unsafe.Pointer(buf))
	err := libraryError(C.nc_inq_grpname(C.int(ds), buf))
	return C.GoString(buf), err
}

// libraryDimensionIDs gives the dimensions of a variable by their numbers, which
// are unique within a file (their names are not, across groups).
func libraryDimensionIDs(ds netcdf.Dataset, variable int) ([]int, error) {
	var n C.int
	if err := libraryError(C.nc_inq_varndims(C.int(ds), C.int(variable), &n)); err != nil || n == 0 {
		return nil, err
	}
	ids := make([]C.int, n)
	if err := libraryError(C.nc_inq_vardimid(C.int(ds), C.int(variable), &ids[0])); err != nil {
		return nil, err
	}
	dims := make([]int, n)
	for i, id := range ids {
		dims[i] = int(id)
	}
	return dims, nil
}

// libraryChunks gives the chunk lengths of a netCDF-4 variable, nil where it is
// contiguous.
func libraryChunks(ds netcdf.Dataset, variable, rank int) ([]uint64, error) {
	if rank == 0 {
		return nil, nil
	}
	var storage C.int
	lengths := make([]C.size_t, rank)
	if err := libraryError(C.nc_inq_var_chunking(C.int(ds), C.int(variable), &storage, &lengths[0])); err != nil {
		return nil, err
	}
	if storage != C.NC_CHUNKED {
		return nil, nil
	}
	chunks := make([]uint64, rank)
	for i, n := range lengths {
		chunks[i] = uint64(n)
	}
	return chunks, nil
}

// libraryChunkCache gives a variable room for so many bytes of inflated chunks.
func libraryChunkCache(ds netcdf.Dataset, variable int, bytes uint64) error {
	// 1009 slots and 0.75 are the library's own defaults for few, large chunks.
	return libraryError(C.nc_set_var_chunk_cache(C.int(ds), C.int(variable), C.size_t(bytes), 1009, 0.75))
}

// libraryStringAttribute reads an attribute of netCDF-4 strings.
func libraryStringAttribute(ds netcdf.Dataset, variable int, name string, n uint64) ([]string, error) {
	if n == 0 {
		return nil, nil
	}
	cname := C.CString(name)
	defer C.free(unsafe.Pointer(cname))
	pointers := make([]*C.char, n)
	if err := libraryError(C.nc_get_att_string(C.int(ds), C.int(variable), cname, &pointers[0])); err != nil {
		return nil, err
	}
	return goStrings(pointers)
}

// libraryStrings reads a whole variable of netCDF-4 strings.
func libraryStrings(ds netcdf.Dataset, variable int, n uint64) ([]string, error) {
	if n == 0 {
		return nil, nil
	}
	pointers := make([]*C.char, n)
	if err := libraryError(C.nc_get_var_string(C.int(ds), C.int(variable), &pointers[0])); err != nil {
		return nil, err
	}
	return goStrings(pointers)
}

// goStrings copies and frees what the library allocated.
func goStrings(pointers []*C.char) ([]string, error) {
	texts := make([]string, len(pointers))
	for i, p := range pointers {
		if p != nil {
			texts[i] = strings.ToValidUTF8(C.GoString(p), "\uFFFD")
		}
	}
	return texts, libraryError(C.nc_free_string(C.size_t(len(pointers)), &pointers[0]))
}
