package radar

import (
	"errors"
	"fmt"
	"math"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// GridNoEchoDBZ stands in a gridded field for a cell that was seen and empty: the
// lowest reflectivity that eight bits hold in a WSR-88D volume.
const GridNoEchoDBZ = -32

// NoSurface is the sight of a cell over which the altitude of the surface is
// not known.
const NoSurface grid.Sight = 255

// Surface is where in the air a volume is cut.
type Surface struct {
	kind      surfaceKind
	altitudeM func(grid.LatLon) (float64, bool)
	fixedM    float64
}

type surfaceKind uint8

const (
	fixedSurface surfaceKind = iota
	variedSurface
	lowestSurface
	greatestSurface
)

// ConstantAltitude cuts at one altitude above the geoid.
func ConstantAltitude(altitudeM float64) Surface {
	return Surface{kind: fixedSurface, fixedM: altitudeM}
}

// SurfaceAltitude cuts at an altitude that depends on the place, such as that of
// an isotherm in a model; false where it is unknown. It is asked every 4 km,
// from several goroutines, and taken as linear between.
func SurfaceAltitude(altitudeM func(grid.LatLon) (altitudeM float64, ok bool)) Surface {
	return Surface{kind: variedSurface, altitudeM: altitudeM}
}

// LowestBeam takes the lowest beam that saw the place.
func LowestBeam() Surface { return Surface{kind: lowestSurface} }

// Composite takes the greatest value of all beams over the place up to 20 km.
func Composite() Surface { return Surface{kind: greatestSurface} }

// surfaceStepM is how far apart the altitude of a surface is asked for: the
// spacing of fine models.
const surfaceStepM = 4000

// greatestGapDeg is how far apart two neighbouring elevations may be for values
// to be interpolated between them: as in VCP 21 of the WSR-88D (14.6 to 19.5
// degrees). A wider gap is a sweep that is not there (yet).
const greatestGapDeg = 5

// sameElevationDeg is how near two sweeps are that count as one elevation:
// repeated and split cuts differ by hundredths, neighbours in a coverage
// pattern by 0.3 at least. Common practice, no source.
const sameElevationDeg = 0.15

// GridOptions of Gridder.Grid; the zero value is for most.
type GridOptions struct {
	// Workers is how many rows are done at once; 0 for one a processor.
	Workers int
}

// Gridded is one moment of a volume on a plane.
type Gridded struct {
	nowcast.Plane
	Moment string
	// Time is the mean over the cells that were seen of the time of the beam
	// nearest to the surface; that of the volume where nothing was seen.
	Time time.Time
	// Values of the cells, i (east) fastest. NaN where the radar did not see,
	// and for other moments than reflectivity where there was no echo;
	// reflectivity without echo is GridNoEchoDBZ, and never lower.
	Values []float32
	// Sight tells echo, no echo and the reasons for not seen apart.
	Sight []grid.Sight
	// BeamAltitudeM and Sweep (index in Volume.Sweeps) are of the beam nearest
	// to the surface: NaN and -1 where no sweep has the moment.
	BeamAltitudeM []float32
	Sweep         []int16
}

// Frame hands reflectivity on to the nowcast; the values are shared. It is an
// error for other moments.
func (g *Gridded) Frame() (*nowcast.Frame, error) {
	if g.Moment != grid.MomentReflectivity {
		return nil, fmt.Errorf("%s is no reflectivity", g.Moment)
	}
	return &nowcast.Frame{Time: g.Time, Plane: g.Plane, DBZ: g.Values, NoEchoDBZ: GridNoEchoDBZ}, nil
}

// Gridder lays volumes of one radar on one plane. Direction and distance of the
// cells, and the terrain where given, are computed once and serve all volumes.
// It may be used from several goroutines.
type Gridder struct {
	antenna grid.Position
	plane   nowcast.Plane
	// Per cell: azimuth from the radar, and sine and cosine of its distance as
	// an angle at the centre of the 4/3 earth.
	azimuthDeg       []float32
	distanceM        []float32
	sinDist, cosDist []float64
	skyline          *Skyline
}

// effectiveEarthRadiusM as in grid's beams.
const effectiveEarthRadiusM = 4.0 / 3 * grid.EarthRadiusM

const radPerDeg = math.Pi / 180

// maxGridCells bounds a plane: 4000 x 4000 km at 1 km.
const maxGridCells = 16 << 20

// DefaultPlane is 460 x 460 km at 1 km around the radar.
func DefaultPlane(v *grid.Volume) nowcast.Plane {
	return nowcast.CentredPlane(v.Antenna.LatLon, 1000, 460)
}

// NewGridder prepares a plane for a radar. skyline may be nil: then nothing is
// known of blockage.
func NewGridder(antenna grid.Position, plane nowcast.Plane, skyline *Skyline) (*Gridder, error) {
	switch {
	case !isFinite(antenna.LatitudeDeg, antenna.LongitudeDeg, antenna.AltitudeM) || math.Abs(antenna.LatitudeDeg) > 90:
		return nil, errors.New("the place of the radar is unknown")
	case !(plane.SpacingM > 0) || !isFinite(plane.SpacingM, plane.WestM, plane.SouthM, plane.Origin.LatitudeDeg, plane.Origin.LongitudeDeg):
		return nil, errors.New("the plane has no place or no spacing")
	case plane.NI < 1 || plane.NJ < 1 || plane.NI > maxGridCells || plane.NJ > maxGridCells/plane.NI:
		return nil, fmt.Errorf("%d columns and %d rows: want at least one each and at most %d cells", plane.NI, plane.NJ, maxGridCells)
	case skyline != nil && grid.DistanceM(skyline.antenna.LatLon, antenna.LatLon) > 100:
		return nil, errors.New("the skyline is that of another place")
	}
	n := plane.NI * plane.NJ
	g := &Gridder{antenna: antenna, plane: plane, skyline: skyline,
		azimuthDeg: make([]float32, n), distanceM: make([]float32, n), sinDist: make([]float64, n), cosDist: make([]float64, n)}
	around := plane.Origin == antenna.LatLon
	eachRow(plane.NJ, 0, func(j int) {
		for i := range plane.NI {
			x, y := plane.XM(i), plane.YM(j)
			var distanceM, azimuth float64
			if around {
				distanceM, azimuth = math.Hypot(x, y), math.Atan2(x, y)/radPerDeg
				if azimuth < 0 {
					azimuth += 360
				}
			} else {
				place := plane.Place(x, y)
				distanceM, azimuth = grid.DistanceM(antenna.LatLon, place), grid.AzimuthDeg(antenna.LatLon, place)
			}
			k := j*plane.NI + i
			g.azimuthDeg[k], g.distanceM[k] = float32(azimuth), float32(distanceM)
			g.sinDist[k], g.cosDist[k] = math.Sincos(distanceM / effectiveEarthRadiusM)
		}
	})
	return g, nil
}

// Grid cuts a volume with a surface. Reflectivity is averaged and interpolated
// as Z in mm⁶ m⁻³, which errs least (Warren and Protat 2019, J. Atmos. Oceanic
// Technol. 36, 1143): the mean over the gates within half a cell along the beam,
// over the radials within half a cell or, where they are wider than a cell,
// linear between the two nearest, and linear in height between the two
// nearest beams; no echo counts as 0. Other moments likewise where both sides
// have a value, else the nearer side decides.
//
// Half a beam width below the lowest and above the highest beam their value
// still holds; further off, where a beam on either side did not see, and between
// elevations more than 5 degrees apart nothing was seen. Of cuts at one
// elevation those of long range come first, of these the latest; another
// stands in where they did not see. Sweeps in elevation are left out.
//
// A volume without the moment, and one still empty, is all not seen.
func (g *Gridder) Grid(v *grid.Volume, moment string, surface Surface, o GridOptions) (*Gridded, error) {
	switch {
	case v == nil:
		return nil, errors.New("no volume")
	case !(grid.DistanceM(v.Antenna.LatLon, g.antenna.LatLon) <= 100):
		return nil, fmt.Errorf("the volume of %s is from another place than the grid", v.Radar)
	case len(v.Sweeps) > math.MaxInt16:
		return nil, fmt.Errorf("%d sweeps", len(v.Sweeps))
	case surface.kind == variedSurface && surface.altitudeM == nil:
		return nil, errors.New("the surface has no altitude")
	}
	cut := &cutter{Gridder: g, surface: surface, reflectivity: moment == grid.MomentReflectivity,
		levels: g.levelsOf(v, moment), halfWindowM: g.plane.SpacingM / 2, beamwidthDeg: orZero(v.BeamwidthDeg)}
	if surface.kind == variedSurface {
		cut.askSurface(o.Workers)
	}
	n := g.plane.NI * g.plane.NJ
	out := &Gridded{Plane: g.plane, Moment: moment, Time: v.Time, Values: make([]float32, n),
		Sight: make([]grid.Sight, n), BeamAltitudeM: make([]float32, n), Sweep: make([]int16, n)}
	secondsAfter := make([]float64, g.plane.NJ)
	seen := make([]int, g.plane.NJ)
	eachRow(g.plane.NJ, o.Workers, func(j int) {
		for i := range g.plane.NI {
			k := j*g.plane.NI + i
			r := cut.at(i, j, k)
			out.Values[k], out.Sight[k] = r.value, r.sight
			out.BeamAltitudeM[k], out.Sweep[k] = float32(r.altitudeM), int16(r.sweep)
			if r.sight.Seen() {
				seen[j]++
				secondsAfter[j] += r.time.Sub(v.Time).Seconds()
			}
		}
	})
	cells, seconds := 0, 0.0
	for j := range seen {
		cells, seconds = cells+seen[j], seconds+secondsAfter[j]
	}
	if cells > 0 {
		out.Time = v.Time.Add(time.Duration(seconds / float64(cells) * float64(time.Second))).Round(time.Second)
	}
	return out, nil
}

// GridVolume is NewGridder and Grid in one, around the radar where plane is its
// zero value.
func GridVolume(v *grid.Volume, moment string, surface Surface, plane nowcast.Plane, skyline *Skyline) (*Gridded, error) {
	if v == nil {
		return nil, errors.New("no volume")
	}
	if plane == (nowcast.Plane{}) {
		plane = DefaultPlane(v)
	}
	g, err := NewGridder(v.Antenna, plane, skyline)
	if err != nil {
		return nil, err
	}
	return g.Grid(v, moment, surface, GridOptions{})
}

// eachRow calls do for each row, several at once.
func eachRow(rows, workers int, do func(j int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, rows)
	if workers <= 1 {
		for j := range rows {
			do(j)
		}
		return
	}
	var next atomic.Int64
	var all sync.WaitGroup
	for range workers {
		all.Go(func() {
			for {
				j := int(next.Add(1)) - 1
				if j >= rows {
					return
				}
				do(j)
			}
		})
	}
	all.Wait()
}

func isFinite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func orZero(value float64) float64 {
	if isFinite(value) {
		return value
	}
	return 0
}

var nan32 = float32(math.NaN())
