package sweep

import (
	"fmt"
	"math"
)

// Spec describes an exponential sweep.
type Spec struct {
	StartHz, EndHz float64 // 1 Hz ≤ StartHz, 2·StartHz ≤ EndHz ≤ 0.49·RateHz
	Seconds        float64 // wanted length of the sweep itself; DurationSeconds is the real one
	RateHz         float64
	LevelDB        float64 // peak against full scale, ≤ 0
	FadeSeconds    float64 // raised cosine at the end, within the sweep, at most a quarter of it; see fadeInFrames
	LeadSeconds    float64 // silence before
	TrailSeconds   float64 // silence after: room for the response to die away and for the noise to be heard
	Synchronised   bool    // length adjusted so that every harmonic is a time-shifted copy of the sweep (Novak 2015)
}

// Default is the sweep of a seat: 5 s from 10 Hz to near the top of what the rate can carry, so that 20 Hz to 20 kHz
// lie clear of the fades. It starts quiet, at −40 dB.
func Default(rateHz float64) Spec {
	return Spec{StartHz: 10, EndHz: min(22000, 0.485*rateHz), Seconds: 5, RateHz: rateHz, LevelDB: -40,
		FadeSeconds: 0.02, LeadSeconds: 0.3, TrailSeconds: 1, Synchronised: true}
}

// Short is the sweep that tells cushions apart: 1.5 s with its silences.
func Short(rateHz float64) Spec {
	return Spec{StartHz: 15, EndHz: min(22000, 0.485*rateHz), Seconds: 1.05, RateHz: rateHz, LevelDB: -40,
		FadeSeconds: 0.008, LeadSeconds: 0.05, TrailSeconds: 0.35, Synchronised: true}
}

// Check returns an error that names the first value outside its permitted range.
func (s Spec) Check() error {
	bad := func(what string, v float64, want string) error {
		return fmt.Errorf("sweep: check %q: %g is not %s", what, v, want)
	}
	switch {
	case !(s.RateHz >= 8000 && s.RateHz <= 384000):
		return bad("rate", s.RateHz, "8000 to 384000 Hz")
	case !(s.StartHz >= 1):
		return bad("start", s.StartHz, "1 Hz or more")
	case !(s.EndHz >= 2*s.StartHz && s.EndHz <= 0.49*s.RateHz):
		return bad("end", s.EndHz, fmt.Sprintf("from one octave above the start to %g Hz", 0.49*s.RateHz))
	case !(s.Seconds >= 0.1 && s.Seconds <= 60):
		return bad("length", s.Seconds, "0.1 to 60 s")
	case !(s.LevelDB <= 0 && s.LevelDB >= -120):
		return bad("level", s.LevelDB, "-120 to 0 dB")
	case !(s.FadeSeconds >= 0 && s.FadeSeconds <= s.Seconds/4):
		return bad("fade", s.FadeSeconds, "0 to a quarter of the length")
	case !(s.LeadSeconds >= 0 && s.LeadSeconds <= 10):
		return bad("lead", s.LeadSeconds, "0 to 10 s")
	case !(s.TrailSeconds >= 0.1 && s.TrailSeconds <= 10):
		return bad("trail", s.TrailSeconds, "0.1 to 10 s")
	case s.Synchronised && math.Round(s.StartHz*s.Seconds/math.Log(s.EndHz/s.StartHz)) < 1:
		return bad("length", s.Seconds, "long enough to be synchronised")
	}
	return nil
}

// GrowthSeconds is L, the time in which the frequency grows by a factor of e: T/ln(f2/f1) (Farina), rounded to whole
// periods of f1 when synchronised (Novak).
func (s Spec) GrowthSeconds() float64 {
	l := s.Seconds / math.Log(s.EndHz/s.StartHz)
	if s.Synchronised {
		l = math.Round(s.StartHz*l) / s.StartHz
	}
	return l
}

// DurationSeconds is T = L·ln(f2/f1), the sweep's length without silences.
func (s Spec) DurationSeconds() float64 { return s.GrowthSeconds() * math.Log(s.EndHz/s.StartHz) }

// HarmonicLeadSeconds is by how much harmonic n comes before the linear response: L·ln n.
func (s Spec) HarmonicLeadSeconds(n int) float64 { return s.GrowthSeconds() * math.Log(float64(n)) }

// atSeconds is when the sweep passes freqHz, counted from its first sample.
func (s Spec) atSeconds(freqHz float64) float64 {
	return s.GrowthSeconds() * math.Log(freqHz/s.StartHz)
}

// fadeInFrames is FadeSeconds, but at least the third of an octave: the direct component that even-order distortion
// adds must not come on as a step, whose spectrum would lie over the lowest response. The fade itself is divided out
// exactly.
func (s Spec) fadeInFrames() float64 {
	if s.FadeSeconds == 0 {
		return 0
	}
	return s.RateHz * max(s.FadeSeconds, math.Ln2/3*s.GrowthSeconds())
}

func (s Spec) leadFrames() int  { return int(math.Round(s.LeadSeconds * s.RateHz)) }
func (s Spec) sweepFrames() int { return int(math.Round(s.DurationSeconds() * s.RateHz)) }

// Signal returns lead silence, sweep and trail silence: x(t) = A·sin(2π·f1·L·(exp(t/L) − 1)). The −1 makes any sweep
// start at phase 0; for a synchronised one it is a whole number of turns. A spec that Check refuses gives nil.
func (s Spec) Signal() []float64 {
	if s.Check() != nil {
		return nil
	}
	lead, n := s.leadFrames(), s.sweepFrames()
	x := make([]float64, lead+n+int(math.Round(s.TrailSeconds*s.RateHz)))
	l, a := s.GrowthSeconds(), math.Pow(10, s.LevelDB/20)
	fade, fadeIn := s.FadeSeconds*s.RateHz, s.fadeInFrames()
	for i := range n {
		t := float64(i) / s.RateHz
		// Whole turns are taken off before the sine: the phase runs to some 10⁵ radians.
		turns := s.StartHz * l * math.Expm1(t/l)
		v := a * math.Sin(2*math.Pi*(turns-math.Floor(turns)))
		if d := float64(i); d < fadeIn {
			v *= 0.5 - 0.5*math.Cos(math.Pi*d/fadeIn)
		}
		if d := float64(n - 1 - i); d < fade {
			v *= 0.5 - 0.5*math.Cos(math.Pi*d/fade)
		}
		x[lead+i] = v
	}
	return x
}

// Grid returns the frequencies of every response of this package: 481 points, 1/48 octave apart (G = 10^0.3, IEC
// 61260-1:2014), 20 Hz to 20 kHz with both ends.
func Grid() []float64 {
	g := make([]float64, gridPoints)
	for i := range g {
		g[i] = 20 * math.Pow(10, float64(i)*0.3/48)
	}
	g[gridPoints-1] = 20000
	return g
}

const gridPoints = 481

// gridEdge is the factor from a grid point to the edge of its band (IEC 61260-1:2014, G^(1/96)).
var gridEdge = math.Pow(10, 0.3/96)

// OctaveMidHz are the exact mid-band frequencies of the ten octaves within the grid, IEC 61260-1:2014.
var octaveMidHz = func() (m [10]float64) {
	for i := range m {
		m[i] = 1000 * math.Pow(10, 0.3*float64(i-5))
	}
	return
}()

// octaveOf is the index of the octave that holds freqHz, held to the outermost.
func octaveOf(freqHz float64) int {
	return min(max(int(math.Floor(math.Log10(freqHz/1000)/0.3+5.5)), 0), 9)
}

// OctaveMidHz returns the exact mid-bands 31.6 Hz to 15.8 kHz, IEC 61260-1:2014.
func OctaveMidHz() []float64 { return append([]float64(nil), octaveMidHz[:]...) }

// plainHz writes a frequency the way people say it.
func plainHz(f float64) string {
	if f >= 950 {
		return fmt.Sprintf("%.3g kHz", f/1000)
	}
	return fmt.Sprintf("%.3g Hz", f)
}
