// Package render runs a correction on a sound file's samples.
package render

import (
	"fmt"
	"math"
	"slices"

	"cushwright/cmd/internal/bench"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

// Result is what came of a sound.
type Result struct {
	HeadroomDB float64  // level change before the bands, ≤ 0
	Peak       float64  // largest sample; 1 is full scale
	Notes      []string // what a listener may not expect
}

// Run runs a correction on a sound of one or two channels, in place.
func Run(s *soundfile.Sound, c *dsp.Correction) (Result, error) {
	ch, err := c.Compile(float64(s.RateHz), dsp.Options{})
	if err != nil {
		return Result{}, err
	}
	bad := silenceNoNumbers(s.Samples)
	peak := process(s, ch)
	return Result{ch.HeadroomDB(), peak, notesOf(s.Channels, bad, peak, c)}, nil
}

// notesOf says what a listener to the file may not expect: bad is how many samples were no numbers, peak the
// largest sample of the result.
func notesOf(channels, bad int, peak float64, corr *dsp.Correction) (notes []string) {
	if channels == 1 {
		n := "one channel: it gets the left ear's correction"
		if !sameEars(corr) {
			n += "; the right ear's is another one, which takes a file of two channels"
		}
		notes = append(notes, n)
	}
	switch {
	case bad == 1:
		notes = append(notes, "1 sample is no number: it was silenced")
	case bad > 1:
		notes = append(notes, fmt.Sprintf("%d samples are no numbers: they were silenced", bad))
	}
	if float32(peak) > 1 { // as the file holds it
		notes = append(notes,
			"samples above full scale: kept as they are in the float file; "+
				"lower headroom_db before it is made an integer file")
	}
	return notes
}

// sameEars reports whether both ears have the same bands.
func sameEars(c *dsp.Correction) bool {
	var of [2][]dsp.Band
	for _, b := range c.Bands() {
		for i, e := range bench.Ears {
			if b.Covers(e) {
				k := b
				k.Ear = dsp.Both
				of[i] = append(of[i], k)
			}
		}
	}
	return slices.Equal(of[0], of[1])
}

// silenceNoNumbers puts zeros in place of NaN and Inf and returns how many there were. The chain would silence all that
// surrounds them.
func silenceNoNumbers(samples []float64) (n int) {
	for i, v := range samples {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			samples[i] = 0
			n++
		}
	}
	return n
}

// process runs the chain over a sound in place, less the chain's delay, and returns the largest sample. A mono sound
// gets the left ear's correction.
func process(s *soundfile.Sound, ch *dsp.Chain) (peak float64) {
	const block = 4096
	n, lag := s.Frames(), ch.LagFrames()
	buf := make([]float64, 2*block)
	for at := 0; at < n+lag; at += block {
		for i := range block {
			var l, r float64
			if k := at + i; k < n {
				l = s.Samples[k*s.Channels]
				r = s.Samples[k*s.Channels+s.Channels-1]
			}
			buf[2*i], buf[2*i+1] = l, r
		}
		ch.Process(buf)
		for i := range block {
			if k := at + i - lag; k >= 0 && k < n {
				for c := range s.Channels {
					v := buf[2*i+c]
					s.Samples[k*s.Channels+c] = v
					peak = max(peak, math.Abs(v))
				}
			}
		}
	}
	return peak
}
