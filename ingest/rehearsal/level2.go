package rehearsal

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"github.com/dsnet/compress/bzip2"

	"rimeline/grid"
)

// Level2 writes a radar volume as NEXRAD Level II: version AR2V0006 with
// message 31, or, where Legacy is set, ARCHIVE2 with message 1 (Interface
// Control Documents 2620010 and 2620002 of the NOAA/NWS Radar Operations Center).
type Level2 struct {
	Volume *grid.Volume
	// RadialsInRecord is 120 where 0.
	RadialsInRecord int
	// Plain leaves the messages without bzip2 records around them.
	Plain bool
	// Legacy writes reflectivity, velocity and spectrum width of 8 bits in
	// message 1, and no identifier.
	Legacy bool
}

// Level2Chunk is one real-time piece of a volume.
type Level2Chunk struct {
	Name  string // 20260114-060000-001-S
	Bytes []byte
}

// File gives the whole volume.
func (w Level2) File() ([]byte, error) {
	chunks, err := w.Chunks()
	var b []byte
	for _, chunk := range chunks {
		b = append(b, chunk.Bytes...)
	}
	return b, err
}

// Chunks gives it in pieces of a record: S with header and metadata, I, and E at
// the end.
func (w Level2) Chunks() ([]Level2Chunk, error) {
	records, err := w.records()
	if err != nil {
		return nil, err
	}
	var chunks []Level2Chunk
	for k, record := range records {
		kind := byte('I')
		var b []byte
		switch k {
		case 0:
			kind, b = 'S', w.header()
		case len(records) - 1:
			kind = 'E'
		}
		if w.Plain || w.Legacy {
			b = append(b, record...)
		} else {
			packed, err := packed(record)
			if err != nil {
				return nil, err
			}
			length := int32(len(packed))
			if kind == 'E' {
				length = -length
			}
			b = append(binary.BigEndian.AppendUint32(b, uint32(length)), packed...)
		}
		name := fmt.Sprintf("%s-%03d-%c", w.Volume.Time.UTC().Format("20060102-150405"), k+1, kind)
		chunks = append(chunks, Level2Chunk{name, b})
	}
	return chunks, nil
}

func packed(record []byte) ([]byte, error) {
	var b bytes.Buffer
	writer, err := bzip2.NewWriter(&b, &bzip2.WriterConfig{Level: 9})
	if err != nil {
		return nil, err
	}
	if _, err := writer.Write(record); err != nil {
		return nil, err
	}
	if err := writer.Close(); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func (w Level2) header() []byte {
	version, icao := "AR2V0006.001", w.icao()
	if w.Legacy {
		version, icao = "ARCHIVE2.001", "    "
	}
	days, milliseconds := julian(w.Volume.Time)
	b := binary.BigEndian.AppendUint32([]byte(version), uint32(days))
	b = binary.BigEndian.AppendUint32(b, milliseconds)
	return append(b, icao...)
}

func (w Level2) icao() string { return fmt.Sprintf("%-4.4s", w.Volume.Radar) }

// julian is the day after 1969-12-31 and the time of day.
func julian(t time.Time) (days uint16, milliseconds uint32) {
	ms := t.UnixMilli()
	return uint16(ms/86400000 + 1), uint32(ms % 86400000)
}

// records are the metadata, then the radials.
func (w Level2) records() ([][]byte, error) {
	inRecord := w.RadialsInRecord
	if inRecord <= 0 {
		inRecord = 120
	}
	records := [][]byte{w.metadata()}
	n := 0
	for k := range w.Volume.Sweeps {
		for radial := range w.Volume.Sweeps[k].Radials {
			write := w.message31
			if w.Legacy {
				write = w.message1
			}
			message, err := write(k, radial)
			if err != nil {
				return nil, err
			}
			if n%inRecord == 0 {
				records = append(records, nil)
			}
			records[len(records)-1] = append(records[len(records)-1], message...)
			n++
		}
	}
	return records, nil
}

// frame puts a message into the room that all but message 31 have.
func frame(kind uint8, at time.Time, body []byte) []byte {
	b := make([]byte, 2432)
	messageHeader(b[12:], kind, at, len(body))
	copy(b[28:], body)
	return b
}

func messageHeader(b []byte, kind uint8, at time.Time, bodyBytes int) {
	days, milliseconds := julian(at)
	binary.BigEndian.PutUint16(b, uint16((16+bodyBytes)/2))
	b[2], b[3] = 8, kind
	binary.BigEndian.PutUint16(b[6:], days)
	binary.BigEndian.PutUint32(b[8:], milliseconds)
	binary.BigEndian.PutUint16(b[12:], 1)
	binary.BigEndian.PutUint16(b[14:], 1)
}

// metadata holds messages 2 and 5.
func (w Level2) metadata() []byte {
	status := make([]byte, 80)
	binary.BigEndian.PutUint16(status[18:], 1900) // build 19.0
	cuts := w.Volume.Sweeps
	pattern := make([]byte, 22+46*len(cuts))
	binary.BigEndian.PutUint16(pattern, uint16(len(pattern)/2))
	binary.BigEndian.PutUint16(pattern[2:], 2)
	binary.BigEndian.PutUint16(pattern[4:], uint16(w.Volume.VolumeCoveragePattern))
	binary.BigEndian.PutUint16(pattern[6:], uint16(len(cuts)))
	for k, s := range cuts {
		binary.BigEndian.PutUint16(pattern[22+46*k:], codedAngle(s.ElevationDeg))
	}
	b := frame(2, w.Volume.Time, status)
	if 28+len(pattern) <= 2432 {
		b = append(b, frame(5, w.Volume.Time, pattern)...)
	}
	return b
}

func codedAngle(angleDeg float64) uint16 {
	return uint16(int(math.Round(angleDeg/360*65536)) & 0xffff)
}

// status of a radial within its sweep and volume.
func (w Level2) status(sweep, radial int) uint8 {
	last := len(w.Volume.Sweeps) - 1
	switch {
	case radial == len(w.Volume.Sweeps[sweep].Radials)-1 && sweep == last:
		return 4
	case radial == len(w.Volume.Sweeps[sweep].Radials)-1:
		return 2
	case radial == 0 && sweep == 0:
		return 3
	case radial == 0 && sweep == last:
		return 5
	case radial == 0:
		return 0
	}
	return 1
}

func (w Level2) message31(sweep, radial int) ([]byte, error) {
	v, s := w.Volume, w.Volume.Sweeps[sweep]
	r := &s.Radials[radial]
	var blocks [][]byte
	volume := make([]byte, 44)
	copy(volume, "RVOL")
	put16(volume[4:], 44)
	volume[6] = 1
	putFloat(volume[8:], v.Antenna.LatitudeDeg)
	putFloat(volume[12:], v.Antenna.LongitudeDeg)
	tower := v.TowerHeightM
	if math.IsNaN(tower) {
		tower = 0
	}
	put16(volume[16:], int(math.Round(v.Antenna.AltitudeM-tower)))
	put16(volume[18:], int(math.Round(tower)))
	put16(volume[40:], v.VolumeCoveragePattern)
	elevation := make([]byte, 12)
	copy(elevation, "RELV")
	put16(elevation[4:], 12)
	constants := make([]byte, 28)
	copy(constants, "RRAD")
	put16(constants[4:], 28)
	put16(constants[6:], orZero(float64(r.UnambiguousRangeM)/100))
	put16(constants[16:], orZero(float64(r.NyquistVelocityMPerS)*100))
	blocks = append(blocks, volume, elevation, constants)
	for _, m := range s.Moments {
		if radial >= len(m.Rows) || m.Rows[radial].Packing == nil {
			continue
		}
		row := m.Rows[radial]
		if row.Packing.Signed || row.Packing.Factor == 0 {
			return nil, fmt.Errorf("%s: signed words cannot be written", m.Name)
		}
		block := make([]byte, 28, 28+len(row.Raw))
		block[0] = 'D'
		copy(block[1:4], fmt.Sprintf("%-3.3s", m.Name))
		put16(block[8:], row.Gates())
		put16(block[10:], int(m.FirstGateM))
		put16(block[12:], int(m.GateSpacingM))
		block[19] = byte(row.Packing.WordBits)
		if !row.Packing.Float {
			putFloat(block[20:], 1/row.Packing.Factor)
			putFloat(block[24:], -row.Packing.Addend/row.Packing.Factor)
		}
		block = append(block, row.Raw...)
		blocks = append(blocks, append(block, make([]byte, row.ZeroGates*row.Packing.WordBits/8)...))
	}

	body := make([]byte, 32+4*len(blocks))
	copy(body, w.icao())
	days, milliseconds := julian(r.Time)
	binary.BigEndian.PutUint32(body[4:], milliseconds)
	binary.BigEndian.PutUint16(body[8:], days)
	put16(body[10:], radial+1)
	putFloat(body[12:], float64(r.AzimuthDeg))
	body[20] = 2
	if r.SpacingDeg == 0.5 {
		body[20] = 1
	}
	body[21], body[22] = w.status(sweep, radial), byte(s.Number)
	putFloat(body[24:], float64(r.ElevationDeg))
	put16(body[30:], len(blocks))
	for k, block := range blocks {
		binary.BigEndian.PutUint32(body[32+4*k:], uint32(len(body)))
		body = append(body, block...)
	}
	put16(body[18:], len(body))
	if len(body)%2 == 1 {
		body = append(body, 0)
	}
	if (16+len(body))/2 >= 65535 {
		return nil, fmt.Errorf("radial of %d bytes does not fit into message 31", len(body))
	}
	message := make([]byte, 28)
	messageHeader(message[12:], 31, r.Time, len(body))
	return append(message, body...), nil
}

func (w Level2) message1(sweep, radial int) ([]byte, error) {
	s := w.Volume.Sweeps[sweep]
	r := &s.Radials[radial]
	body := make([]byte, 100, 2400)
	days, milliseconds := julian(r.Time)
	binary.BigEndian.PutUint32(body, milliseconds)
	binary.BigEndian.PutUint16(body[4:], days)
	put16(body[6:], orZero(float64(r.UnambiguousRangeM)/100))
	binary.BigEndian.PutUint16(body[8:], codedAngle(float64(r.AzimuthDeg)))
	put16(body[10:], radial+1)
	put16(body[12:], int(w.status(sweep, radial)))
	binary.BigEndian.PutUint16(body[14:], codedAngle(float64(r.ElevationDeg)))
	put16(body[16:], s.Number)
	put16(body[42:], 2) // 0.5 m/s
	put16(body[44:], w.Volume.VolumeCoveragePattern)
	put16(body[60:], orZero(float64(r.NyquistVelocityMPerS)*100))
	for k, name := range []string{grid.MomentReflectivity, grid.MomentVelocity, grid.MomentSpectrumWidth} {
		m := s.Moment(name)
		if m == nil || radial >= len(m.Rows) || m.Rows[radial].Packing == nil {
			continue
		}
		row := m.Rows[radial]
		if row.Packing.WordBits != 8 || row.Packing.Factor != 0.5 || len(body)+row.Gates() > 2400 {
			return nil, fmt.Errorf("%s: %d words of %d bits in steps of %g do not fit into message 1", name, row.Gates(), row.Packing.WordBits, row.Packing.Factor)
		}
		doppler := 0
		if k > 0 {
			doppler = 1
		}
		put16(body[18+2*doppler:], int(m.FirstGateM))
		put16(body[22+2*doppler:], int(m.GateSpacingM))
		put16(body[26+2*doppler:], row.Gates())
		put16(body[36+2*k:], len(body))
		body = append(append(body, row.Raw...), make([]byte, row.ZeroGates)...)
	}
	return frame(1, r.Time, body[:2400]), nil
}

func put16(b []byte, value int) { binary.BigEndian.PutUint16(b, uint16(value)) }

func putFloat(b []byte, value float64) {
	binary.BigEndian.PutUint32(b, math.Float32bits(float32(value)))
}

// orZero is what the format holds for what is not known.
func orZero(value float64) int {
	if math.IsNaN(value) {
		return 0
	}
	return int(math.Round(value))
}
