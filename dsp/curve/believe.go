package curve

import "slices"

// scales split a response into a course two octaves wide and ever finer details: fractions of an octave.
var scales = []float64{0.5, 1, 2, 4, 8, 16}

// Believable returns the difference (new − ref) with each detail shrunk to what the seats can prove. Both the difference
// and every seat's departure from its average are split into the same scales; what the seats differ by on a scale
// gives the noise of the mean there, and the detail keeps the share (power − noise)/power of itself, both averaged over
// about two octaves: Wiener's rule, with the noise measured and not assumed. The course stays as it is.
// With a single seat on either side nothing is known of the noise, and everything is believed.
func (d Diff) Believable() []float64 {
	if d.Half95DB == nil {
		return slices.Clone(d.LevelDB)
	}
	power := splitScales(d.LevelDB)
	noise := make([][]float64, len(power.details))
	for i := range noise {
		noise[i] = make([]float64, Points)
	}
	for _, a := range []Average{d.Ref, d.New} {
		n := float64(len(a.Seats))
		for _, s := range a.Seats {
			dev := make([]float64, Points)
			for k := range dev {
				dev[k] = s.LevelDB[k] - a.LevelDB[k]
			}
			for i, v := range splitScales(dev).details {
				for k, x := range v {
					noise[i][k] += x * x / (n * (n - 1))
				}
			}
		}
	}
	out := power.course
	for i, v := range power.details {
		sq := make([]float64, Points)
		for k, x := range v {
			sq[k] = x * x
		}
		p, q := smooth(sq, 0.5), smooth(noise[i], 0.5)
		for k, x := range v {
			if p[k] > 0 {
				out[k] += max(0, 1-q[k]/p[k]) * x
			}
		}
	}
	return out
}

type split struct {
	course  []float64
	details [][]float64 // they and the course add up to the whole
}

func splitScales(v []float64) split {
	var s split
	coarse := smooth(v, scales[0])
	s.course = slices.Clone(coarse)
	for i := 1; i <= len(scales); i++ {
		finer := v
		if i < len(scales) {
			finer = smooth(v, scales[i])
		}
		d := make([]float64, len(v))
		for k := range d {
			d[k] = finer[k] - coarse[k]
		}
		s.details = append(s.details, d)
		coarse = finer
	}
	return s
}
