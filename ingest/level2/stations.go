package level2

import (
	_ "embed"
	"math"
	"strconv"
	"strings"
	"sync"
)

//go:embed stations.tsv
var stationTable string

// Station is a radar as published lists know it. Files that hold the place of
// their radar (message 31) are believed before this list.
type Station struct {
	ICAO                      string
	LatitudeDeg, LongitudeDeg float64
	GroundAltitudeM           float64 // above mean sea level, NaN where unknown
	TowerHeightM              float64 // above ground, NaN where unknown
}

// feedhornAboveTowerM is what a feedhorn stands above its tower: the difference
// between the feedhorn heights in message 31 and the tower heights of the list
// is 4 or 5 m for the WSR-88D of the test files.
const feedhornAboveTowerM = 4

// AntennaAltitudeM is ground, tower and feedhorn together; an unknown tower
// counts as 20 m, the commonest. The list has the antennas of terminal radars,
// not their ground: TATL and TORD say the same in their files.
func (s Station) AntennaAltitudeM() float64 {
	if isTerminal(s.ICAO) {
		return s.GroundAltitudeM
	}
	tower := s.TowerHeightM
	if math.IsNaN(tower) {
		tower = 20
	}
	return s.GroundAltitudeM + tower + feedhornAboveTowerM
}

var stations = sync.OnceValue(func() map[string]Station {
	list := map[string]Station{}
	for line := range strings.Lines(stationTable) {
		field := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if strings.HasPrefix(line, "#") || len(field) != 5 {
			continue
		}
		number := func(text string) float64 {
			value, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return math.NaN()
			}
			return value
		}
		list[field[0]] = Station{field[0], number(field[1]), number(field[2]), number(field[3]), number(field[4])}
	}
	return list
})

// StationOf finds a radar of the United States' networks by its identifier.
func StationOf(icao string) (Station, bool) {
	station, ok := stations()[icao]
	return station, ok
}
