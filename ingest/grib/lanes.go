package grib

// What the processor does to eight numbers at a time. Everything here has a
// counterpart in Go that gives the same bits, and is used where the processor
// has no such instructions, and near the end of the data.

const (
	// maxLaneWidth: 7 bits of misalignment and a number fit 32 bits.
	maxLaneWidth = 25
	// laneOverrun: a group of one number is unpacked as 32.
	laneOverrun = 31
	// laneOverread: 32 numbers of 25 bits and the 16 octets of the last load.
	laneOverread = 3*maxLaneWidth + 4*maxLaneWidth/8 + 2 + 16
)

// lane says how four numbers of one width come out of 16 octets that begin with
// the octet of the first, for each bit that the first may begin with: octets to
// take for each number, least significant first, and bits to drop before it.
type lane struct {
	octets [16]byte
	drop   [4]uint32
}

// laneTable is indexed by width x 8 + first bit.
var laneTable = func() (t [8 * (maxLaneWidth + 1)]lane) {
	for width := range maxLaneWidth + 1 {
		for first := range 8 {
			l := &t[8*width+first]
			for k := range 4 {
				bit := first + k*width
				l.drop[k] = uint32(bit % 8)
				for octet := range 4 {
					l.octets[4*k+octet] = byte(bit/8 + 3 - octet)
				}
			}
		}
	}
	return t
}()

// unpackRun unpacks as many of the described groups from first on as fit dst,
// at least one if any fits, and gives how many groups and numbers they are. It
// does none where the way by lanes is barred.
func (d *complexDecoding) unpackRun(first, n int, dst []int32) (groups, numbers int) {
	s := d.scratch
	room := len(dst) - laneOverrun
	var bits uint64
	for groups < n-first {
		length := int(s.lengths[first+groups])
		if numbers+length > room {
			break
		}
		numbers += length
		bits += uint64(length) * uint64(s.widths[first+groups])
		groups++
	}
	if groups == 0 || (d.numbers+bits)/8+laneOverread > uint64(len(d.data)) {
		return 0, 0
	}
	unpackLanes(&dst[0], &d.data[0], d.numbers, &s.references[first], &s.widths[first], &s.lengths[first], groups, int32(d.bias), &laneTable)
	d.numbers += bits
	return groups, numbers
}

// scale turns numbers into values.
func (s *scaling) scale(dst []float32, numbers []int32) {
	dst = dst[:len(numbers)]
	if eights := len(numbers) / 8; haveLanes && eights > 0 {
		scaleLanes(&dst[0], &numbers[0], eights, s.binary, s.reference, s.decimal)
		dst, numbers = dst[8*eights:], numbers[8*eights:]
	}
	for i, x := range numbers {
		dst[i] = s.value(int64(x))
	}
}

// unpackByLanes unpacks numbers of one width, and gives how many it did: all but
// those near the end of the data.
func unpackByLanes(dst []float32, data []byte, pos uint64, width uint, scale scaling, scratch *complexScratch) (done int) {
	scratch.references[0], scratch.widths[0] = 0, uint32(width)
	for done < len(dst) {
		n := min(chunkSize, len(dst)-done)
		bits := uint64(n) * uint64(width)
		if (pos+bits)/8+laneOverread > uint64(len(data)) {
			break
		}
		scratch.lengths[0] = uint32(n)
		unpackLanes(&scratch.chunk[0], &data[0], pos, &scratch.references[0], &scratch.widths[0], &scratch.lengths[0], 1, 0, &laneTable)
		scale.scale(dst[done:done+n], scratch.chunk[:n])
		pos += bits
		done += n
	}
	return done
}
