//go:build linux

package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"cushwright/dsp"
)

// fadeIn checks that the corrected sound that began last came up over 200 ms.
func (r *faultRig) fadeIn() {
	r.t.Helper()
	time.Sleep(250 * time.Millisecond)
	var up []heard // the corrected sound, from its first trace
	for _, h := range r.ears["phones"].since(r.turn.after) {
		if h.low < 1e-3 || math.Abs(h.diff-r.ratio()) > 2.5 {
			if len(up) < 10 { // later it is a break, which is no beginning
				up = nil
			}
			continue
		}
		up = append(up, h)
	}
	if len(up) < 25 {
		r.doubt("the beginning of the sound was not found (%d windows)", len(up))
		return
	}
	full := up[len(up)-1].low
	at := func(k int) float64 { return up[k].low / full }
	// a raised cosine of 200 ms into the guard's ceiling: at most so loud after 30 and 60 ms (unguarded, and half as
	// much again; the windows stand anyhow, and the first one found may begin 15 ms late)
	r.note("fade-in: %.3f after 30 ms, %.3f after 60 ms, %.3f after 100 ms", at(3), at(6), at(10))
	drive := 1.5 * lowTone * dsp.Ratio(9) / full
	for _, k := range []int{3, 6} {
		if most := drive * (0.5 - 0.5*math.Cos(math.Pi*(float64(k)+2.5)/20)); at(k) > most {
			r.doubt("%d ms after it began the sound is at %.3f of its level, allowed: %.3f", 10*k, at(k), most)
		}
	}
}

// hearing goes through all that the outputs played in a script: at no moment above the ceiling, and no steps that the
// programme does not make, but where the machine itself stood still. Where a server was cut off from its sound there is
// a cut into silence, which no program can prevent; a beginning, and a jump from sound to sound, are ours, unless the
// programme itself was disturbed just before, or the engine counted a break.
func (r *faultRig) hearing() {
	t := r.t
	t.Helper()
	loudest, where, loudAt := 0.0, "", ""
	var fed []time.Time
	for _, s := range r.ears[programme].all() {
		fed = append(fed, disturbed(s)...)
	}
	steps, own, cuts, stood := 0, 0, 0, 0
	var raw time.Duration
	for name, e := range r.ears {
		if name == programme {
			continue
		}
		for _, s := range e.all() {
			f := stepsIn(s, r.turn.began)
			raw += f.raw
			if f.loudest > loudest {
				when := s.rec.At(f.loudAt).Sub(r.turn.began).Seconds()
				loudest, loudAt = f.loudest, fmt.Sprintf("%s at %.3f s, %d Hz", name, when, s.rate)
			}
			cuts += f.cuts
			for _, i := range f.steps {
				steps++
				at := s.rec.At(i)
				if slices.ContainsFunc(fed, func(d time.Time) bool {
					return d.After(at.Add(-300*time.Millisecond)) && d.Before(at.Add(50*time.Millisecond))
				}) {
					continue
				}
				if r.stood(at) {
					stood++
					continue
				}
				if own++; own < 10 {
					where += fmt.Sprintf(" %s at %.3f s", name, at.Sub(r.turn.began).Seconds())
					for k := max(1, i-3); k < min(i+3, len(s.rec.Samples())/2); k++ {
						where += fmt.Sprintf(" %.3f", s.rec.Samples()[2*k])
					}
					where += ";"
				}
			}
		}
	}
	counted := int(r.breaks())
	if counted >= int(r.turn.breaks) {
		counted -= int(r.turn.breaks)
	}
	r.note("loudest %.2f dBFS (%s), raw %v, cuts %d, steps %d, %d of them where the machine stood still, %d not in the "+
		"programme%s, breaks counted %d", dsp.DB(max(loudest, 1e-9)), loudAt, raw, cuts, steps, stood, own, where, counted)
	// A server resamples for an output whose rate is not that of its graph or below ours: what was at the ceiling then
	// swings about it.
	over := 1e-4
	if r.resampled {
		over = 0.1
	}
	if loudest > dsp.Ratio(ceilingDB)+over {
		t.Errorf("the output reached %.2f dBFS, the ceiling is %.1f", dsp.DB(loudest), ceilingDB)
	}
	if own > 2*counted {
		r.doubt("%d steps that the programme has not, and the engine counted %d breaks:%s", own, counted, where)
	}
}

// disturbed are the times of the 10 ms windows in which the programme is not just its two tones, or begins or ends.
func disturbed(s *segment) (at []time.Time) {
	y := s.rec.Samples()
	n := s.rate / 100
	was := false
	for k := range len(y) / 2 / n {
		w := y[2*k*n : 2*(k+1)*n]
		l, h := tones(w, s.rate)
		e := 0.0
		for i := 0; i < len(w); i += 2 {
			e += float64(w[i]) * float64(w[i])
		}
		e /= float64(n)
		sound := e > 1e-9
		if sound != was || sound && math.Abs(e-(l*l+h*h)/2) > 1e-3*e {
			at = append(at, s.rec.At(k*n))
		}
		was = sound
	}
	return append(at, s.rec.At(len(y)/2))
}

type stepped struct {
	loudest float64
	loudAt  int
	raw     time.Duration // of the uncorrected programme
	cuts    int           // into silence
	steps   []int         // frames
}

// stepsIn finds the places where a recording moves faster than the programme can, and the loudest sample. Where the
// server plays the raw programme, before we have it or after, and perhaps mixes it with the last of ours, it is passed
// over.
func stepsIn(s *segment, since time.Time) (f stepped) {
	w := 2 * math.Pi / float64(s.rate)
	// both tones in phase, raw, or the low tone at the ceiling with what is left of the other
	most := 1.15 * max((dsp.Ratio(ceilingDB)*1000+0.15*3000)*w, (lowTone*1000+highTone*3000)*w)
	y := s.rec.Samples()
	n := s.rate / 100
	quiet := s.rate / 200
	raw := make([]bool, len(y)/2/n+2) // windows of 10 ms, and their neighbours
	for k := range len(y) / 2 / n {
		if _, h := tones(y[2*k*n:2*(k+1)*n], s.rate); h > highTone/2 {
			raw[max(0, k-1)], raw[k], raw[k+1] = true, true, true
			if s.rec.At(k * n).After(since) {
				f.raw += 10 * time.Millisecond
			}
		}
	}
	silent := func(from, to int) bool {
		for k := max(0, from); k < min(to, len(y)/2); k++ {
			if math.Abs(float64(y[2*k])) > 1e-5 {
				return false
			}
		}
		return true
	}
	last := -s.rate
	for i := max(0, int(since.Sub(s.rec.At(0)).Seconds()*float64(s.rate))) + 1; i < len(y)/2; i++ {
		a, b := float64(y[2*i-2]), float64(y[2*i])
		if raw[i/n] {
			continue
		}
		if x := math.Abs(b); x > f.loudest {
			f.loudest, f.loudAt = x, i
		}
		if math.Abs(b-a) <= most || i-last < quiet {
			continue
		}
		last = i
		if silent(i, i+quiet) {
			f.cuts++
		} else {
			f.steps = append(f.steps, i)
		}
	}
	return f
}
