package nowcast

// Mosaics keep showing the last volume of each radar until the next one comes:
// parts of two frames may be the same to the bit, and would speak for no
// motion. Echo that was measured anew never is, over a block of cells.
const (
	sameShare    = 0.5 // of a block's echo, to call the block not renewed
	renewedLeast = 0.1 // of all echo, for motion to be looked for
)

// renewed is the older frame without the blocks that the newer one repeats, and
// the share of the newer one's echo that is in the other blocks.
func renewed(older, newer *Frame, lattice Plane, o MotionOptions) (*Frame, float64) {
	step := max(1, int(lattice.SpacingM/newer.SpacingM+0.5))
	floor := float32(o.EchoDBZ - belowEchoDB) // below it all is alike
	out := older
	all, fresh := 0, 0
	for j0 := 0; j0 < newer.NJ; j0 += step {
		for i0 := 0; i0 < newer.NI; i0 += step {
			echo, same := 0, 0
			j1, i1 := min(j0+step, newer.NJ), min(i0+step, newer.NI)
			for j := j0; j < j1; j++ {
				for k := j*newer.NI + i0; k < j*newer.NI+i1; k++ {
					if v := newer.DBZ[k]; v > floor {
						echo++
						if v == older.DBZ[k] {
							same++
						}
					}
				}
			}
			all += echo
			if float64(same) < sameShare*float64(echo) || echo == 0 {
				fresh += echo
				continue
			}
			if out == older {
				out = &Frame{Time: older.Time, Plane: older.Plane, DBZ: append([]float32(nil), older.DBZ...), NoEchoDBZ: older.NoEchoDBZ}
			}
			for j := j0; j < j1; j++ {
				for k := j*newer.NI + i0; k < j*newer.NI+i1; k++ {
					out.DBZ[k] = nan32
				}
			}
		}
	}
	return out, float64(fresh) / float64(max(all, 1))
}
