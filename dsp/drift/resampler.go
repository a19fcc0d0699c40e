// Package drift takes up the difference between two clocks: a resampler whose ratio lies within 1000 ppm of one and
// glides, and a servo that steers the ratio from the fill of the buffer between the clocks.
package drift

import "math"

//go:generate go run dot_gen.go -out dot_amd64.s -stubs dot_stub_amd64.go -pkg drift

const (
	// MaxDeviation is how far the ratio may be from one (1000 ppm).
	MaxDeviation = 1000e-6

	taps       = 64
	phaseBits  = 10
	phases     = 1 << phaseBits
	kaiserBeta = 12.5

	fracBits    = 48
	unit        = int64(1) << fracBits // one input frame
	glideFrames = 2048
	pieceFrames = 4096 // keeps sums of steps inside int64
)

// Resampler makes output frames out of input frames of a slightly different rate: a polyphase windowed sinc of 64
// taps and 1024 phases, coefficients interpolated linearly between phases. Positions are integers (2⁻⁴⁸ frame), so
// Need is exact and the ratio does not wander. It has one owner at a time and is not safe for concurrent use.
//
// While the ratio is exactly one and no fraction of a frame is pending (as after Reset) it is a bit-exact delay.
type Resampler struct {
	table *[(phases + 1) * taps]float64
	buf   []float64 // taps old frames, then new ones
	room  int       // new frames that buf takes

	frac   int64 // position between two input frames, 0 to unit−1
	step   int64 // input frames per output frame
	target int64
	delta  int64 // per output frame while gliding
	glide  int   // frames left to glide

	spots [64]spot
}

// New makes a resampler at ratio one. maxInputFrames is how many input frames one Process usually takes; longer
// blocks work too.
func New(maxInputFrames int) *Resampler {
	r := &Resampler{table: &table, room: max(maxInputFrames, 64)}
	r.buf = make([]float64, 2*(taps+r.room))
	r.Reset()
	return r
}

// table[p*taps+k] weighs input frame k of the window for an output p/phases behind frame taps/2−1. Each row sums to
// one. Kaiser-windowed sinc.
var table = func() (t [(phases + 1) * taps]float64) {
	for p := range phases + 1 {
		row, sum := t[p*taps:(p+1)*taps], 0.0
		for k := range row {
			x := float64(k-(taps/2-1)) - float64(p)/phases
			row[k] = sinc(x) * bessel0(kaiserBeta*math.Sqrt(max(0, 1-x*x/(taps*taps/4))))
			sum += row[k]
		}
		for k := range row {
			row[k] /= sum
		}
	}
	return t
}()

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	if x == math.Trunc(x) {
		return 0 // so that phase 0 is exactly a delay
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// bessel0 is the modified Bessel function I0, by its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-18*sum; k++ {
		term *= x / (2 * k) * (x / (2 * k))
		sum += term
	}
	return sum
}

// LagFrames is the delay between input and output.
func (r *Resampler) LagFrames() int { return taps / 2 }

// Reset clears the signal and returns to ratio one at once.
func (r *Resampler) Reset() {
	clear(r.buf)
	r.frac, r.step, r.target, r.delta, r.glide = 0, unit, unit, 0, 0
}

// SetRatio sets how many input frames make one output frame, held within 1 ± MaxDeviation; NaN is ignored. The
// ratio glides there over the next 2048 output frames.
func (r *Resampler) SetRatio(ratio float64) {
	if math.IsNaN(ratio) {
		return
	}
	ratio = min(max(ratio, 1-MaxDeviation), 1+MaxDeviation)
	t := unit + int64(math.Round((ratio-1)*float64(unit)))
	if t == r.target {
		return
	}
	r.target = t
	r.delta = (t - r.step) / glideFrames
	r.glide = glideFrames
}

// Ratio is the ratio in force, which may still be gliding.
func (r *Resampler) Ratio() float64 { return 1 + float64(r.step-unit)/float64(unit) }

// Need is exactly how many input frames the next outFrames output frames take.
func (r *Resampler) Need(outFrames int) int {
	used := 0
	frac, step, glide := r.frac, r.step, r.glide
	for outFrames > 0 {
		n := min(outFrames, pieceFrames)
		outFrames -= n
		g := int64(min(n, glide))
		frac += g*step + r.delta*(g*(g+1)/2)
		step += g * r.delta
		if glide -= int(g); g > 0 && glide == 0 {
			frac += r.target - step // the last frame of a glide lands on the target
			step = r.target
		}
		frac += (int64(n) - g) * step
		used += int(frac >> fracBits)
		frac &= unit - 1
	}
	return used
}

// Process fills dst (interleaved stereo) from src, which must hold at least Need(len(dst)/2) frames, and returns how
// many frames of src it used: exactly that number. Should src be shorter, silence stands in for what is missing. NaN
// and Inf in src count as silence.
func (r *Resampler) Process(dst, src []float64) (used int) {
	for len(dst) >= 2 {
		n := min(len(dst)/2, max(r.room-4, 1))
		need := r.Need(n)
		have := min(need, len(src)/2)
		in := r.buf[2*taps : 2*(taps+need)]
		for i, v := range src[:2*have] {
			if v-v != 0 {
				v = 0
			}
			in[i] = v
		}
		clear(in[2*have:])
		r.run(dst[:2*n])
		copy(r.buf[:2*taps], r.buf[2*need:2*(need+taps)])
		dst, src, used = dst[2*n:], src[2*have:], used+have
	}
	return used
}

// spot is where an output frame lies: its window in buf and its first row in table, both in bytes, and the way to the
// next row. dot_gen.go knows this layout.
type spot struct {
	row, window uint64
	f           float64
}

// run makes the frames of dst out of buf.
func (r *Resampler) run(dst []float64) {
	pos := 0
	for len(dst) > 0 {
		n := min(len(dst)/2, len(r.spots))
		if r.glide == 0 && r.step == unit && r.frac == 0 {
			copy(dst[:2*n], r.buf[2*(pos+taps/2):]) // a delay
			pos += n
			dst = dst[2*n:]
			continue
		}
		for i := range r.spots[:n] {
			if r.glide > 0 {
				r.step += r.delta
				if r.glide--; r.glide == 0 {
					r.step = r.target
				}
			}
			r.frac += r.step
			pos += int(r.frac >> fracBits)
			r.frac &= unit - 1
			r.spots[i] = spot{
				row:    uint64(r.frac>>(fracBits-phaseBits)) * taps * 8,
				window: uint64(pos) * 2 * 8,
				f:      float64(r.frac&(unit>>phaseBits-1)) / float64(unit>>phaseBits),
			}
		}
		dots(dst[:2*n], r.spots[:n], r.table[:], r.buf[:2*(pos+taps)])
		dst = dst[2*n:]
	}
}

// dotsGo makes an output frame for each spot.
func dotsGo(out []float64, spots []spot, table, buf []float64) {
	for i, s := range spots {
		row, w := s.row/8, s.window/8
		out[2*i], out[2*i+1] = dotGo(table[row:row+2*taps], buf[w:w+2*taps], s.f)
	}
}

// dotGo weighs a window of taps stereo frames with row 0 of rows, faded by f towards row 1.
func dotGo(rows, w []float64, f float64) (left, right float64) {
	a, b := rows[:taps], rows[taps:2*taps]
	w = w[:2*taps]
	var l0, r0, l1, r1 float64
	for k := 0; k < taps; k += 2 {
		c := a[k] + f*(b[k]-a[k])
		d := a[k+1] + f*(b[k+1]-a[k+1])
		l0 += c * w[2*k]
		r0 += c * w[2*k+1]
		l1 += d * w[2*k+2]
		r1 += d * w[2*k+3]
	}
	return l0 + l1, r0 + r1
}
