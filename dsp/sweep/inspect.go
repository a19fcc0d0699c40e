package sweep

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

// silent recognises digital silence: nothing, or one value throughout.
func silent(x []float64) *Finding {
	for _, v := range x {
		if v != x[0] && math.Abs(v) > 1e-9 {
			return nil
		}
	}
	return &Finding{Kind: Silent, Refuse: true, Text: "the microphone input delivers no signal at all: " +
		"is the microphone connected, switched on and not muted?"}
}

// inspect adds the findings about the recording. recorded is as it came, y with the clocks aligned; the sweep runs from
// frame start to end.
func (c *core) inspect(r *Response, recorded, y, h []float64, at int, w win, start, end int) {
	add := func(f Finding) { r.Findings = append(r.Findings, f) }
	clipped := clippedFrames(recorded, c.clipFrom(start))
	if clipped > 0 {
		add(Finding{Kind: Clipped, Refuse: true, Amount: float64(clipped), Text: fmt.Sprintf(
			"the microphone input was overloaded: %d samples are cut off; turn the input or the sweep down", clipped)})
	}
	stop := c.interruption(r, y, h, at, start, end)
	if stop != nil {
		add(*stop)
	} else if math.Abs(r.ClockPPM) > MaxClockPPM+c.spec.sameClockPPM() {
		add(Finding{Kind: ClockOff, Refuse: true, Amount: r.ClockPPM, Text: fmt.Sprintf(
			"the clocks of output and microphone input are %.0f ppm apart, more than the %.0f that can be removed", r.ClockPPM, MaxClockPPM)})
	}
	if clipped == 0 && stop == nil {
		if b := c.burst(y, h, at, w, start, end); b != nil {
			add(*b)
		}
	}
	bad, all := 0, 0
	for i, v := range r.LevelDB {
		if f := r.FreqHz[i]; f < c.spec.StartHz || f > c.spec.EndHz {
			continue
		}
		all++
		if math.IsNaN(v) {
			bad++
		}
	}
	switch {
	case bad > all/10 && stop == nil:
		add(Finding{Kind: Noisy, Refuse: true, Amount: float64(bad), Text: fmt.Sprintf(
			"too much noise for the sweep's level: %d of %d points do not stand %g dB out of it", bad, all, UsableSNRDB)})
	case bad > 0 && stop == nil:
		add(Finding{Kind: Unusable, Amount: float64(bad), Text: fmt.Sprintf(
			"%d of %d points do not stand %g dB out of the noise and are left out", bad, all, UsableSNRDB)})
	}
	if d, _ := r.Distortion(1000); d > 0.1 && clipped == 0 {
		add(Finding{Kind: Distorted, FreqHz: 1000, Amount: d, Text: fmt.Sprintf(
			"harmonic distortion at 1 kHz is %.0f %%: sweep at a lower level", d*100)})
	}
}

// clipFrom is where flat tops begin to mean something: below 300 Hz (at 48 kHz) a sine stays within one step of 16 bit
// for several samples.
func (c *core) clipFrom(start int) int {
	return start + max(int(c.spec.atSeconds(300*c.spec.RateHz/48000)*c.spec.RateHz), 0)
}

// clippedFrames counts samples at full scale (within 16-bit rounding, where there are three and more), and runs of four
// and more equal samples at the peak of a loud recording, as a converter before a gain leaves them.
func clippedFrames(x []float64, flatFrom int) int {
	full, peak := 0, 0.0
	for _, v := range x {
		if math.Abs(v) >= 1-1.5/32768 {
			full++
		}
		peak = max(peak, math.Abs(v))
	}
	if full >= 3 {
		return full
	}
	if peak < 0.1 {
		return 0
	}
	flat, run := 0, 1
	for i := flatFrom + 1; i < len(x); i++ {
		if math.Abs(x[i]-x[i-1]) <= 1e-7 && math.Abs(x[i]) >= 0.98*peak {
			run++
			continue
		}
		if run >= 4 {
			flat += run
		}
		run = 1
	}
	if flat >= 18 {
		return flat
	}
	return 0
}

// interruption looks for sound that stopped or samples that are missing.
func (c *core) interruption(r *Response, y, h []float64, at, start, end int) *Finding {
	if f := c.gap(y, start, end); f != nil {
		return f
	}
	if f := c.soundStops(r); f != nil {
		return f
	}
	return c.slip(r, h, at)
}

// gap looks for a stretch of exact silence.
func (c *core) gap(y []float64, start, end int) *Finding {
	rate := c.spec.RateHz
	run := 0
	for i := start; i < end; i++ {
		if math.Abs(y[i]) > 1e-12 {
			run = 0
			continue
		}
		run++
		if float64(run) > 0.005*rate && i-run > start+int(0.02*rate) {
			f := c.spec.StartHz * math.Exp(float64(i-run+1-start)/rate/c.spec.GrowthSeconds())
			return &Finding{Kind: Interrupted, Refuse: true, FreqHz: f, Text: fmt.Sprintf(
				"the recording was interrupted: there is a gap %.2f s into the sweep, at about %s", float64(i-run-start)/rate, plainHz(f))}
		}
	}
	return nil
}

// soundStops finds nothing more than noise from some frequency on, for two octaves and more, although what went before
// was clear. Where the response only sinks into the noise, the last octave above it is not clear.
func (c *core) soundStops(r *Response) *Finding {
	last, top := -1, -1
	for i, f := range r.FreqHz {
		if !math.IsNaN(r.LevelDB[i]) {
			last = i
		}
		if f <= c.spec.EndHz {
			top = i
		}
	}
	if last >= 48 && top-last >= 96 {
		before := slices.Clone(r.SNRDB[last-48 : last])
		slices.Sort(before)
		if f := r.FreqHz[last]; before[12] > 20 { // the lower quartile
			return &Finding{Kind: Interrupted, Refuse: true, FreqHz: f, Text: fmt.Sprintf(
				"the sweep was interrupted: the sound stops at about %s", plainHz(f))}
		}
	}
	return nil
}

// slip finds samples that are missing or repeated: from there on all frequencies come earlier or later, which shows in
// the delays of the octaves.
func (c *core) slip(r *Response, h []float64, at int) *Finding {
	rate := c.spec.RateHz
	f, d := c.octaveDelays(r, h, at)
	for i := 1; i < len(f); i++ {
		// The path's own delay differs between octaves by a good part of a period.
		if jump := d[i] - d[i-1]; math.Abs(jump) > 0.001+1.5/f[i-1] {
			what := "missing"
			if jump > 0 {
				what = "too many"
			}
			at := math.Sqrt(f[i] * f[i-1])
			return &Finding{Kind: Interrupted, Refuse: true, FreqHz: at, Amount: jump * rate, Text: fmt.Sprintf(
				"the sound was interrupted: about %.0f ms of samples are %s from about %s on", math.Abs(jump)*1000, what, plainHz(at))}
		}
	}
	return nil
}

// octaveDelays returns the delay in seconds at which each clear octave arrives, by the peak of its envelope.
func (c *core) octaveDelays(r *Response, h []float64, at int) (midHz, delay []float64) {
	rate := c.spec.RateHz
	span := int(0.45 * c.spec.HarmonicLeadSeconds(2) * rate)
	cut := win{pre: span, flat: span / 2, fade: span / 2}.cut(h, at)
	n := fastLen(2 * len(cut))
	hz := rate / float64(n)
	fft := fourier.NewFFT(n)
	x, q := make([]float64, n), make([]float64, n)
	copy(x, cut)
	sp := fft.Coefficients(nil, x)
	work, quad := make([]complex128, len(sp)), make([]complex128, len(sp))
	for o, centreHz := range octaveMidHz {
		if centreHz < 100 || centreHz*1.5 > c.spec.EndHz || !(r.OctaveSNRDB[o] > 12) {
			continue
		}
		clear(work)
		clear(quad)
		for k := max(int(centreHz/2/hz), 1); k <= min(int(2*centreHz/hz), len(sp)-1); k++ {
			g := math.Cos(math.Pi / 2 * min(math.Abs(math.Log2(float64(k)*hz/centreHz)), 1))
			work[k] = sp[k] * complex(g*g, 0)
			quad[k] = work[k] * complex(0, -1)
		}
		fft.Sequence(x, work)
		fft.Sequence(q, quad)
		best, lag := 0.0, 0
		for i := range cut {
			if v := x[i]*x[i] + q[i]*q[i]; v > best {
				best, lag = v, i-span
			}
		}
		midHz, delay = append(midHz, centreHz), append(delay, float64(lag)/rate)
	}
	return midHz, delay
}

// Limits of the search for bursts; common practice, no source. A block is suspicious when it holds ten times the usual
// power of what the response does not explain, and it matters when that is above −40 dB of the signal there.
const burstFactor, burstMattersDB = 10.0, -40.0

// burst compares the recording with what the measured response and its harmonics would have given. A noise during the
// sweep is spread by the deconvolution over all delays, so the window keeps most of it out of the response, and it
// stays in the difference, at the time it happened.
func (c *core) burst(y, h []float64, at int, w win, start, end int) *Finding {
	rate := c.spec.RateHz
	reach := int(c.spec.HarmonicLeadSeconds(6) * rate)
	wide := win{pre: reach + w.pre, flat: w.flat, fade: w.fade}
	kept := make([]float64, c.n)
	for i, v := range wide.cut(h, at) {
		kept[wrap(at-wide.pre+i, c.n)] = v
	}
	hs := c.fft.Coefficients(nil, kept)
	x := make([]float64, c.n)
	copy(x, y)
	ys := c.fft.Coefficients(nil, x)
	res := make([]complex128, len(ys))
	lo, hi := int(max(40, 1.5*c.spec.StartHz)/c.hz), int(0.95*c.spec.EndHz/c.hz)
	for k := range ys {
		if k < lo || k > hi {
			hs[k] = 0
			continue
		}
		hs[k] *= c.s[k] / c.shape(float64(k)*c.hz)
		res[k] = ys[k] - hs[k]
	}
	// In octaves, each against its own median over time: what usually is in an octave, rumble or hiss, does not hide what
	// happened in another.
	block := int(0.02 * rate)
	blocks := (end - start) / block
	fft := fourier.NewFFT(fastLen(block))
	buf, bins := make([]float64, fft.Len()), make([]complex128, fft.Len()/2+1)
	hz := rate / float64(fft.Len())
	bands := func(sp []complex128) (total []float64, by [10][]float64) {
		t := c.fft.Sequence(nil, sp)
		total = make([]float64, blocks)
		for o := range by {
			by[o] = make([]float64, blocks)
		}
		for i := range blocks {
			for j := range block {
				// Hann, so that a loud octave does not leak into the others.
				buf[j] = t[start+i*block+j] / float64(c.n) * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(j)+0.5)/float64(block)))
			}
			fft.Coefficients(bins, buf)
			for k := 1; k < len(bins)-1; k++ {
				by[octaveOf(float64(k)*hz)][i] += abs2(bins[k])
				total[i] += abs2(bins[k])
			}
		}
		return
	}
	er, eo := bands(res)
	es, _ := bands(hs)
	score := make([]float64, blocks)
	const first = 2 // 126 Hz: below, a block holds too little of a period
	for _, e := range eo[first:] {
		usual := slices.Clone(e)
		slices.Sort(usual)
		median := max(usual[blocks/2], 1e-300)
		for i, v := range e {
			score[i] += v / median / float64(len(eo)-first)
		}
	}
	worst, block0 := 0.0, -1
	for i, v := range score {
		// The edges of the band that is looked at belong to the filter.
		if f := c.spec.StartHz * math.Exp(float64(i*block)/rate/c.spec.GrowthSeconds()); f < 60 || f > 0.85*c.spec.EndHz {
			continue
		}
		if v > burstFactor && 10*math.Log10(er[i]/max(es[i], 1e-300)) > burstMattersDB && v > worst {
			worst, block0 = v, i
		}
	}
	if block0 < 0 {
		return nil
	}
	t := float64(block0*block) / rate
	f := c.spec.StartHz * math.Exp(t/c.spec.GrowthSeconds())
	return &Finding{Kind: Burst, Refuse: true, FreqHz: f, Amount: 10 * math.Log10(worst), Text: fmt.Sprintf(
		"a noise disturbed the sweep %.1f s after its start, at about %s; keep quiet and repeat the seat", t, plainHz(f))}
}

// CheckEar tells whether the sweep came in the other channel: there by 12 dB and more louder, or only there. Both
// recordings as for Deconvolve; nil if all is well, or if neither holds the sweep.
func CheckEar(wanted, other []float64, spec Spec) *Finding {
	if spec.Check() != nil {
		return nil
	}
	w, wok := presence(wanted, spec)
	o, ook := presence(other, spec)
	if !ook || wok && o < 4*w {
		return nil
	}
	return &Finding{Kind: WrongEar, Refuse: true, Text: "the sweep comes in the other channel: " +
		"the other ear is on the rig, or left and right are exchanged"}
}

// presence is the height of the deconvolved peak and whether it is a sweep at all.
func presence(x []float64, spec Spec) (float64, bool) {
	if len(x) == 0 || silent(x) != nil {
		return 0, false
	}
	c := newCore(spec, len(x))
	h := c.deconvolve(x)
	at, prominence := c.peak(h)
	return math.Abs(h[at]), prominence >= minProminence
}
