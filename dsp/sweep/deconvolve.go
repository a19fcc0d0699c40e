package sweep

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Response is what a recorded sweep says about the path it went through. Slices over frequency belong to FreqHz.
type Response struct {
	RateHz   float64
	FreqHz   []float64 // Grid
	LevelDB  []float64 // against the sweep as generated (0 dB = recorded as loud as sent); NaN where SNRDB is below 6
	PhaseDeg []float64 // with the delay taken off, −180 to 180; NaN where the level is
	SNRDB    []float64 // signal-to-noise of each point after deconvolution; −Inf where there is nothing but noise

	OctaveSNRDB []float64 // the same by octave (OctaveMidHz), from the octave's summed powers; NaN outside the sweep

	// HarmonicRatio[n-2], n = 2 to 5, is the amplitude of harmonic n of a fundamental at FreqHz, as a ratio to the
	// sweep as generated; NaN where it does not stand 6 dB above the noise or lies above EndHz. HarmonicFloor is the
	// amplitude that noise alone gives there.
	HarmonicRatio [4][]float64
	HarmonicFloor [4][]float64

	DelaySeconds float64 // from the first sample of the recording to where the signal's first sample came
	ClockPPM     float64 // by how much the output's clock runs faster than the input's; removed from everything else

	// Impulse is the windowed impulse response at RateHz, within the sweep's range: rolled off (second order) just below
	// StartHz and above EndHz.
	Impulse       []float64
	ImpulseZero   int     // the frame that belongs to DelaySeconds
	WindowSeconds float64 // how far the window reaches behind the peak before it falls to a half

	PeakDB, RMSDB float64 // of the recording while the sweep ran, against full scale; RMS 0 dB = a sine at full scale
	Findings      []Finding
}

// Refused returns the findings for which the seat should be repeated.
func (r *Response) Refused() []Finding {
	var out []Finding
	for _, f := range r.Findings {
		if f.Refuse {
			out = append(out, f)
		}
	}
	return out
}

// Distortion returns the root of the summed squares of harmonics 2 to 5 over the fundamental, at the grid point next to
// freqHz, and the same of the noise floor there. Harmonics that do not stand out of the noise count as none.
func (r *Response) Distortion(freqHz float64) (ratio, floor float64) {
	i := nearest(freqHz)
	fund := math.Pow(10, r.LevelDB[i]/20)
	var h, n float64
	for k := range r.HarmonicRatio {
		if v := r.HarmonicRatio[k][i]; !math.IsNaN(v) {
			h += v * v
		}
		if v := r.HarmonicFloor[k][i]; !math.IsNaN(v) {
			n += v * v
		}
	}
	return math.Sqrt(h) / fund, math.Sqrt(n) / fund
}

func nearest(freqHz float64) int {
	return min(max(int(math.Round(math.Log10(freqHz/20)*48/0.3)), 0), gridPoints-1)
}

// UsableSNRDB is the signal-to-noise ratio below which a point is unusable.
const UsableSNRDB = 6.0

// MaxClockPPM is the clock difference that is removed; more is a finding.
const MaxClockPPM = 300.0

// sameClockPPM is about the error of the clock estimate with a path of the usual kind: 9 ppm for a sweep of 5 s.
func (s Spec) sameClockPPM() float64 { return 6 / s.GrowthSeconds() }

// Deconvolve turns the recording of spec.Signal() into the response of the path. The recording must hold the whole
// signal, and at least half of its trail silence, at whatever delay; half a second more than the signal is a good
// length. Trail silence longer than the decay gives a better figure of the noise.
//
// A recording without a usable sweep gives a *Finding as the error (Silent, NoSweep, Interrupted); a bad spec a plain
// error. Whatever else is wrong stands in Findings; ask Refused.
func Deconvolve(recorded []float64, spec Spec) (*Response, error) {
	if err := spec.Check(); err != nil {
		return nil, err
	}
	for i, v := range recorded {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("sweep: deconvolve %q: sample %d is not a finite number", "recording", i)
		}
	}
	if f := silent(recorded); f != nil {
		return nil, f
	}
	need := spec.leadFrames() + spec.sweepFrames()
	if len(recorded) < need {
		return nil, &Finding{Kind: Interrupted, Refuse: true, Amount: float64(need - len(recorded)), Text: fmt.Sprintf(
			"the recording was interrupted: it ends %.2f s before the sweep does", float64(need-len(recorded))/spec.RateHz)}
	}
	c := newCore(spec, len(recorded))
	h := c.deconvolve(recorded)
	peak, prominence := c.peak(h)
	if prominence < minProminence {
		return nil, &Finding{Kind: NoSweep, Refuse: true, Text: "there is sound at the microphone but not the sweep: " +
			"is the output muted, turned down, or another output than the rig's?"}
	}
	r := &Response{RateHz: spec.RateHz, FreqHz: Grid()}

	// Clocks. The second look starts from a response that is no longer smeared. Clocks that agree within what can be
	// told are taken as one clock, as they are when one device does both.
	y := recorded
	ppm := 0.0
	for _, span := range []float64{1.5 * MaxClockPPM, 30 / spec.GrowthSeconds()} {
		more := c.clockPPM(h, peak, span)
		if math.Abs(ppm+more) < spec.sameClockPPM() {
			break
		}
		ppm += more
		y = resample(recorded, 1/(1+ppm*1e-6))
		h = c.deconvolve(y)
		peak, _ = c.peak(h)
	}
	r.ClockPPM = ppm
	delay := peak
	if delay > c.n-need { // a recording that was begun late: the peak lies before its first sample
		delay -= c.n
	}
	r.DelaySeconds = float64(delay) / spec.RateHz
	start, end := delay+spec.leadFrames(), delay+need
	if start < 0 {
		return nil, &Finding{Kind: Interrupted, Refuse: true, Amount: float64(-start), Text: fmt.Sprintf(
			"the recording began %.2f s after the sweep did", float64(-start)/spec.RateHz)}
	}
	if end > len(y) {
		return nil, &Finding{Kind: Interrupted, Refuse: true, Amount: float64(end - len(y)), Text: fmt.Sprintf(
			"the recording was interrupted: it ends %.2f s before the sweep does", float64(end-len(y))/spec.RateHz)}
	}
	for _, v := range y[start:end] {
		r.PeakDB = max(r.PeakDB, math.Abs(v))
		r.RMSDB += v * v
	}
	r.PeakDB, r.RMSDB = 20*math.Log10(r.PeakDB), 10*math.Log10(2*r.RMSDB/float64(end-start))

	c.tail = len(y) - end
	if least := spec.TrailSeconds * spec.RateHz / 2; float64(c.tail) < least {
		return nil, &Finding{Kind: Interrupted, Refuse: true, Amount: least - float64(c.tail), Text: "the recording was interrupted: " +
			"it ends before the response to the sweep has died away"}
	}
	w := c.window(h, peak, c.tail)
	r.WindowSeconds = float64(w.flat+w.fade/2) / spec.RateHz
	c.linear(r, h, peak, w)
	c.harmonics(r, h, peak, w)
	c.inspect(r, recorded, y, h, peak, w, start, end)
	return r, nil
}

// core holds what is common to every deconvolution with one spec and one length.
type core struct {
	spec Spec
	n    int // length of the transforms
	hz   float64
	fft  *fourier.FFT
	s    []complex128 // spectrum of the signal
	inv  []complex128 // c.high · conj(s)/(|s|² + regularisation)
	tail int          // frames of the recording behind the sweep, once that is found
}

func newCore(spec Spec, recorded int) *core {
	// Harmonics lie before the linear response and wrap round to the end of the transform.
	n := fastLen(recorded + int(spec.RateHz*(spec.HarmonicLeadSeconds(7)+0.2)))
	c := &core{spec: spec, n: n, hz: spec.RateHz / float64(n), fft: fourier.NewFFT(n)}
	x := make([]float64, n)
	copy(x, spec.Signal())
	c.s = c.fft.Coefficients(nil, x)
	c.inv = make([]complex128, len(c.s))
	p0 := c.power(spec.StartHz)
	p1 := c.power(spec.EndHz)
	const held = 0.03 // of the power that the sweep would have without fades
	fade0 := spec.StartHz * math.Exp(spec.fadeInFrames()/spec.RateHz/spec.GrowthSeconds())
	fade1 := spec.EndHz * math.Exp(-spec.FadeSeconds/spec.GrowthSeconds())
	for k := 1; k < len(c.s); k++ {
		f := float64(k) * c.hz
		// Inside the sweep its own spectrum is divided out exactly; outside, where there is none, the quotient is brought
		// down smoothly instead of dividing noise by nothing. In the fades it is held a little, which shape makes good.
		eps := 0.0
		switch {
		case f < spec.StartHz:
			eps = p0 * (held + math.Pow(math.Log(spec.StartHz/f)/0.2, 4))
		case f > spec.EndHz:
			eps = p1 * (held + math.Pow(math.Log(f/spec.EndHz)/0.02, 4))
		case f < fade0:
			u := math.Log(fade0/f) / math.Log(fade0/spec.StartHz)
			eps = held * c.power(f) * u * u
		case f > fade1:
			u := math.Log(f/fade1) / math.Log(spec.EndHz/fade1)
			eps = held * c.power(f) * u * u
		}
		d := real(c.s[k])*real(c.s[k]) + imag(c.s[k])*imag(c.s[k]) + eps
		c.inv[k] = c.high(f) * cmplx.Conj(c.s[k]) / complex(d, 0)
	}
	return c
}

// power is |X(f)|² of the sweep's transform: (A·fs/2)²·L/f (Novak 2015, from the stationary phase).
func (c *core) power(f float64) float64 {
	a := math.Pow(10, c.spec.LevelDB/20) * c.spec.RateHz / 2
	return a * a * c.spec.GrowthSeconds() / f
}

// high is a causal second-order Butterworth high-pass just below the sweep. It keeps the missing bottom from ringing
// ahead of the impulse, where the window would cut it, and is divided out of the response afterwards.
func (c *core) high(f float64) complex128 {
	s := complex(0, f/(0.9*c.spec.StartHz))
	return s * s / (s*s + complex(math.Sqrt2, 0)*s + 1)
}

// shape is what deconvolution makes of a flat path: high and the holding down at the ends.
func (c *core) shape(f float64) complex128 {
	k := min(max(int(math.Round(f/c.hz)), 1), len(c.s)-1)
	return c.inv[k] * c.s[k]
}

// deconvolve returns the impulse response over n frames, harmonics wrapped to the end.
func (c *core) deconvolve(y []float64) []float64 {
	x := make([]float64, c.n)
	copy(x, y)
	sp := c.fft.Coefficients(nil, x)
	for k := range sp {
		sp[k] *= c.inv[k]
	}
	c.fft.Sequence(x, sp)
	for i := range x {
		x[i] /= float64(c.n)
	}
	return x
}

// The lowest ratio of peak to RMS at which a sweep counts as found. The largest of 10⁶ Gaussian values is about 5; the
// deconvolved noise is close to Gaussian. Common practice, no source.
const minProminence = 12.0

// peak returns the frame of the largest value and its ratio to the RMS 50 to 300 ms away from it, on the side where
// that is more. A click or hum that is no sweep is drawn out by the deconvolution: it has no such peak.
func (c *core) peak(h []float64) (int, float64) {
	best, at := 0.0, 0
	for i, v := range h {
		if a := math.Abs(v); a > best {
			best, at = a, i
		}
	}
	from, to := int(0.05*c.spec.RateHz), int(0.3*c.spec.RateHz)
	var before, after float64
	for i := from; i < to; i++ {
		v, w := h[wrap(at-i, len(h))], h[wrap(at+i, len(h))]
		before += v * v
		after += w * w
	}
	return at, best / math.Sqrt(max(before, after, 1e-300)/float64(to-from))
}

func wrap(i, n int) int {
	i %= n
	if i < 0 {
		i += n
	}
	return i
}

// linear fills in the linear response.
func (c *core) linear(r *Response, h []float64, at int, w win) {
	cut := w.cut(h, at)
	sp := newSpectrum(cut, c.spec.RateHz)
	noise := c.noise(h, w, noiseStretches(w, at, c.tail), r.FreqHz)
	n := len(r.FreqHz)
	r.LevelDB, r.PhaseDeg, r.SNRDB = make([]float64, n), make([]float64, n), make([]float64, n)
	// One narrow band of noise is five times its own mean in one case of 150; a third of an octave never is.
	power, third := make([]float64, n), make([]float64, n)
	for i, f := range r.FreqHz {
		if f < c.spec.RateHz/2 {
			power[i] = sp.power(f)
		}
	}
	smoothThird(third, power)
	var sig, noi [10]float64
	for i, f := range r.FreqHz {
		if f < c.spec.StartHz || f > c.spec.EndHz {
			r.LevelDB[i], r.PhaseDeg[i], r.SNRDB[i] = math.NaN(), math.NaN(), math.Inf(-1)
			continue
		}
		s := power[i] - noise[i]
		r.SNRDB[i] = math.Inf(-1)
		if s > 0 {
			r.SNRDB[i] = 10 * math.Log10(s/max(noise[i], 1e-300))
		}
		o := octaveOf(f)
		sig[o] += max(s, 0)
		noi[o] += noise[i]
		if !(r.SNRDB[i] >= UsableSNRDB && third[i] > 4*noise[i]) {
			r.LevelDB[i], r.PhaseDeg[i] = math.NaN(), math.NaN()
			continue
		}
		hp := c.shape(f)
		r.LevelDB[i] = 10 * math.Log10(s/abs2(hp))
		r.PhaseDeg[i] = cmplx.Phase(sp.near(f, w.pre)/hp) * 180 / math.Pi
	}
	r.OctaveSNRDB = make([]float64, 10)
	for o := range r.OctaveSNRDB {
		r.OctaveSNRDB[o] = math.NaN()
		if noi[o] > 0 {
			r.OctaveSNRDB[o] = 10 * math.Log10(sig[o]/noi[o])
		}
	}
	r.Impulse, r.ImpulseZero = cut, w.pre
}

// harmonics fills in harmonics 2 to 5.
func (c *core) harmonics(r *Response, h []float64, at int, w win) {
	rate := c.spec.RateHz
	for n := 2; n <= 5; n++ {
		pos := at - int(math.Round(c.spec.HarmonicLeadSeconds(n)*rate))
		before := rate * c.spec.GrowthSeconds() * math.Log(float64(n+1)/float64(n))
		after := rate * c.spec.GrowthSeconds() * math.Log(float64(n)/float64(n-1))
		hw := win{pre: int(0.4 * before), flat: min(w.flat, int(0.35*after)), fade: min(w.fade, int(0.2*after))}
		sp := newSpectrum(hw.cut(h, pos), rate)
		freqs := make([]float64, len(r.FreqHz))
		for i, f := range r.FreqHz {
			freqs[i] = f * float64(n)
		}
		noise := c.noise(h, hw, noiseStretches(w, at, c.tail), freqs)
		ratio, floor := make([]float64, len(freqs)), make([]float64, len(freqs))
		for i, f := range freqs {
			ratio[i], floor[i] = math.NaN(), math.NaN()
			if f > c.spec.EndHz || f < 2*c.spec.StartHz || r.FreqHz[i] < c.spec.StartHz {
				continue
			}
			hp := abs2(c.shape(f))
			floor[i] = math.Sqrt(noise[i] / hp)
			if p := sp.power(f) - noise[i]; p > noise[i]*math.Pow(10, UsableSNRDB/10) {
				ratio[i] = math.Sqrt(p / hp)
			}
		}
		r.HarmonicRatio[n-2], r.HarmonicFloor[n-2] = ratio, floor
	}
}

// fastLen is the next length ≥ n with small factors only.
func fastLen(n int) int {
	best := 1
	for best < n {
		best *= 2
	}
	for _, m := range []int{3, 5, 9, 15} {
		v := m
		for v < n {
			v *= 2
		}
		best = min(best, v)
	}
	return best
}
