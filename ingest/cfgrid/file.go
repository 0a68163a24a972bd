package cfgrid

import (
	"context"
	"errors"
	"fmt"
	"math/bits"
	"os"
	"path/filepath"
	"strings"

	"github.com/fhs/go-netcdf/netcdf"
	"github.com/fhs/go-netcdf/netcdf/ncmem"

	"rimeline/ingest"
)

// File is an open netCDF file. Its methods may be called from several
// goroutines; they wait for each other. Close it, or the library keeps it.
type File struct {
	name   string
	size   int64
	format string // as the netCDF documentation calls it

	closeLibrary func() error // nil once closed; only touched on the library's thread

	dims       map[int]*dimension
	variables  []*variable
	byName     map[string]*variable
	attributes *variable // the global ones

	layout
}

// Open opens a netCDF file given as bytes, which it copies. file names them in
// errors. Errors are *ingest.FormatError.
func Open(file string, b []byte) (*File, error) {
	if _, err := check(file, b, int64(len(b))); err != nil {
		return nil, err
	}
	f := &File{name: file, size: int64(len(b))}
	f.format = formatOf(b)
	return f.open(func() (netcdf.Dataset, func() error, error) {
		// The path is only a label; one of ours, as the library looks into it for
		// URLs and modes. Locked: the library neither grows nor frees the copy,
		// and the binding frees it after a failed open and in Close.
		ds, err := ncmem.Open("memory.nc", netcdf.NOWRITE, ncmem.MEMIO_LOCKED, b)
		return ds.Dataset, ds.Close, err
	})
}

// OpenPath opens a file in place, for those too large to hold in memory. Errors
// are *ingest.FormatError, or of the file system.
func OpenPath(path string) (*File, error) {
	absolute, err := filepath.Abs(path) // so that it can be no URL
	if err != nil {
		return nil, err
	}
	source, err := os.Open(absolute)
	if err != nil {
		return nil, err
	}
	defer source.Close()
	stat, err := source.Stat()
	if err != nil {
		return nil, err
	}
	var head []byte
	for length := min(stat.Size(), 1<<20); ; length = min(stat.Size(), 4*length) {
		head = make([]byte, length)
		if _, err := source.ReadAt(head, 0); err != nil {
			return nil, err
		}
		needMore, err := check(path, head, stat.Size())
		if err == nil {
			break
		}
		if !needMore || length == stat.Size() {
			return nil, err
		}
	}
	f := &File{name: path, size: stat.Size(), format: formatOf(head)}
	return f.open(func() (netcdf.Dataset, func() error, error) {
		ds, err := netcdf.OpenFile(absolute, netcdf.NOWRITE)
		return ds, ds.Close, err
	})
}

func formatOf(head []byte) string {
	if !isClassic(head) {
		return "netCDF-4"
	}
	switch head[3] {
	case 1:
		return "netCDF classic"
	case 2:
		return "netCDF 64-bit offset"
	}
	return "netCDF 64-bit data"
}

// open reads all metadata and coordinates through an open dataset.
func (f *File) open(library func() (netcdf.Dataset, func() error, error)) (*File, error) {
	err := onThread(context.Background(), func() error {
		ds, closeLibrary, err := library()
		if err != nil {
			return f.libraryFailed("open", err)
		}
		f.closeLibrary = closeLibrary
		if err = f.describe(ds); err == nil {
			err = f.lay(context.Background())
		}
		if err != nil {
			f.closeLibrary = nil
			_ = closeLibrary() // the first error is the one to tell
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Close releases the file. A second Close does nothing.
func (f *File) Close() error {
	return onThread(context.Background(), func() error {
		if f.closeLibrary == nil {
			return nil
		}
		err := f.closeLibrary()
		f.closeLibrary = nil
		if err != nil {
			return f.libraryFailed("close", err)
		}
		return nil
	})
}

// ErrClosed: the file was closed before.
var ErrClosed = errors.New("netCDF file is closed")

// do runs a job that reads of the open file.
func (f *File) do(ctx context.Context, job func() error) error {
	return onThread(ctx, func() error {
		if f.closeLibrary == nil {
			return ErrClosed
		}
		return job()
	})
}

func (f *File) error(reason error, format string, values ...any) error {
	return &ingest.FormatError{File: f.name, Detail: fmt.Sprintf(format, values...), Err: reason}
}

// libraryFailed makes a *ingest.FormatError of what the library says. It gives
// no place in the file. Errors that have their type already pass.
func (f *File) libraryFailed(what string, err error) error {
	var format *ingest.FormatError
	if err == nil || errors.As(err, &format) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return f.error(ingest.ErrCorrupt, "%s: %v", what, err)
}

// Ceilings on what a file may describe.
const (
	maxVariables      = 1 << 15
	maxGroups         = 1 << 10
	maxGroupDepth     = 32
	maxAttributeBytes = 64 << 20 // of one attribute
)

// describe lists dimensions, variables and attributes of all groups.
func (f *File) describe(ds netcdf.Dataset) error {
	f.dims = map[int]*dimension{}
	f.byName = map[string]*variable{}
	f.attributes = &variable{group: ds, id: -1}
	n, err := ds.NAttrs()
	if err != nil {
		return f.libraryFailed("global attributes", err)
	}
	if err := f.describeAttributes(f.attributes, n, ds.AttrN); err != nil {
		return err
	}
	groups := 0
	return f.describeGroup(ds, "", 0, &groups)
}

func (f *File) describeGroup(ds netcdf.Dataset, prefix string, depth int, groups *int) error {
	*groups++
	if depth > maxGroupDepth || *groups > maxGroups {
		return f.error(ingest.ErrUnsupported, "more than %d groups, or %d deep", maxGroups, maxGroupDepth)
	}
	n, err := ds.NVars()
	if err != nil {
		return f.libraryFailed("variables", err)
	}
	if n < 0 || len(f.variables)+n > maxVariables {
		return f.error(ingest.ErrUnsupported, "%d variables, the ceiling is %d", n, maxVariables)
	}
	for id := range n {
		if err := f.describeVariable(ds, id, prefix); err != nil {
			return err
		}
	}
	children, err := libraryGroups(ds)
	if err != nil {
		return f.libraryFailed("groups", err)
	}
	for _, child := range children {
		name, err := libraryGroupName(child)
		if err != nil {
			return f.libraryFailed("group name", err)
		}
		if err := f.describeGroup(child, prefix+name+"/", depth+1, groups); err != nil {
			return err
		}
	}
	return nil
}

func (f *File) describeVariable(ds netcdf.Dataset, id int, prefix string) error {
	v := &variable{group: ds, id: id, in: ds.VarN(id), prefix: prefix, points: 1}
	name, err := v.in.Name()
	if err != nil {
		return f.libraryFailed("variable name", err)
	}
	v.name = prefix + strings.ToValidUTF8(name, "\uFFFD")
	if v.kind, err = v.in.Type(); err != nil {
		return f.libraryFailed(v.name, err)
	}
	ids, err := libraryDimensionIDs(ds, id)
	if err != nil {
		return f.libraryFailed(v.name, err)
	}
	dims, err := v.in.Dims()
	if err != nil || len(dims) != len(ids) {
		return f.libraryFailed(v.name, errors.Join(err, fmt.Errorf("%d of %d dimensions", len(dims), len(ids))))
	}
	for i, in := range dims {
		d := f.dims[ids[i]]
		if d == nil {
			d = &dimension{id: ids[i]}
			if d.name, err = in.Name(); err != nil {
				return f.libraryFailed(v.name, err)
			}
			if d.length, err = in.Len(); err != nil {
				return f.libraryFailed(v.name, err)
			}
			f.dims[ids[i]] = d
		}
		v.dims = append(v.dims, d)
		high, low := bits.Mul64(v.points, d.length)
		if high != 0 || low > 1<<56 {
			return f.error(ingest.ErrCorrupt, "%s has more values than can be counted", v.name)
		}
		v.points = low
	}
	if f.format == "netCDF-4" {
		if v.chunks, err = libraryChunks(ds, id, len(v.dims)); err != nil {
			return f.libraryFailed(v.name, err)
		}
		if _, deflated, level, err := v.in.Compression(); err == nil && deflated {
			v.deflate = level
		}
	}
	n, err := v.in.NAttrs()
	if err != nil {
		return f.libraryFailed(v.name, err)
	}
	if err := f.describeAttributes(v, n, v.in.AttrN); err != nil {
		return err
	}
	if v.isNumeric() {
		v.unpack = unpackingOf(v)
	}
	f.variables = append(f.variables, v)
	if f.byName[v.name] == nil {
		f.byName[v.name] = v
	}
	return nil
}

func (f *File) describeAttributes(v *variable, n int, nth func(int) (netcdf.Attr, error)) error {
	v.attributes = map[string]attribute{}
	for i := range n {
		in, err := nth(i)
		if err != nil {
			return f.libraryFailed(v.name, err)
		}
		a, err := f.readAttribute(v, in)
		if err != nil {
			return f.libraryFailed(v.name+":"+in.Name(), err)
		}
		if _, has := v.attributes[in.Name()]; !has {
			v.order = append(v.order, in.Name())
		}
		v.attributes[in.Name()] = a
	}
	return nil
}

func (f *File) readAttribute(v *variable, in netcdf.Attr) (a attribute, err error) {
	if a.kind, err = in.Type(); err != nil {
		return a, err
	}
	n, err := in.Len()
	if err != nil || n == 0 {
		return a, err
	}
	if most := min(maxAttributeBytes, uint64(f.size)) / typeSize(a.kind); n > most {
		return a, f.error(ingest.ErrCorrupt, "%s:%s has %d values of %s in a file of %d bytes", v.name, in.Name(), n, typeName(a.kind), f.size)
	}
	switch a.kind {
	case netcdf.CHAR:
		b, err := netcdf.GetBytes(in)
		a.text = strings.ToValidUTF8(strings.TrimRight(string(b), "\x00"), "\uFFFD")
		return a, err
	case netcdf.STRING:
		texts, err := libraryStringAttribute(v.group, v.id, in.Name(), n)
		a.text = strings.Join(texts, " ")
		return a, err
	case netcdf.BYTE:
		return numbers(a, n, in.ReadInt8s)
	case netcdf.UBYTE:
		return numbers(a, n, in.ReadUint8s)
	case netcdf.SHORT:
		return numbers(a, n, in.ReadInt16s)
	case netcdf.USHORT:
		return numbers(a, n, in.ReadUint16s)
	case netcdf.INT:
		return numbers(a, n, in.ReadInt32s)
	case netcdf.UINT:
		return numbers(a, n, in.ReadUint32s)
	case netcdf.INT64:
		return numbers(a, n, in.ReadInt64s)
	case netcdf.UINT64:
		return numbers(a, n, in.ReadUint64s)
	case netcdf.FLOAT:
		return numbers(a, n, in.ReadFloat32s)
	case netcdf.DOUBLE:
		return numbers(a, n, in.ReadFloat64s)
	}
	return a, nil // of a user-defined type: kept by name alone
}

// numbers reads a numeric attribute of n values through the binding's typed method.
func numbers[T number](a attribute, n uint64, read func([]T) error) (attribute, error) {
	values := make([]T, n)
	err := read(values)
	a.numbers = make([]float64, n)
	for i, x := range values {
		a.numbers[i] = float64(x)
	}
	return a, err
}

// readText reads a whole variable of text, one string for each index of its
// leading dimensions.
func (f *File) readText(v *variable) ([]string, error) {
	if err := f.readable(v, v.points); err != nil {
		return nil, err
	}
	switch {
	case v.points == 0:
		return nil, nil
	case v.kind == netcdf.STRING:
		if v.points > uint64(f.size) {
			return nil, f.error(ingest.ErrCorrupt, "%s: %d strings in a file of %d bytes", v.name, v.points, f.size)
		}
		texts, err := libraryStrings(v.group, v.id, v.points)
		return texts, f.libraryFailed(v.name, err)
	case v.kind != netcdf.CHAR:
		return nil, f.error(ingest.ErrUnsupported, "%s is no text", v.name)
	}
	b := make([]byte, v.points)
	if err := v.in.ReadBytes(b); err != nil {
		return nil, f.libraryFailed(v.name, err)
	}
	width := v.points
	if len(v.dims) > 0 {
		width = v.dims[len(v.dims)-1].length
	}
	var texts []string
	for ; len(b) > 0; b = b[width:] {
		texts = append(texts, strings.ToValidUTF8(strings.TrimRight(string(b[:width]), "\x00 "), "\uFFFD"))
	}
	return texts, nil
}
