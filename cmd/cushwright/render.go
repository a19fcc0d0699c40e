package main

import (
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

func (a *app) renderCommand() *cobra.Command {
	var cushion string
	c := &cobra.Command{Use: "render IN OUT", Short: "run a correction on a WAV or FLAC file; the result is a 32-bit float WAV", Args: cobra.ExactArgs(2),
		Long: `Runs a cushion's correction, headroom included, on a WAV or FLAC file and writes a 32-bit float WAV of the same rate,
channels and length. A file of one channel gets the left ear's correction. Samples that are no numbers (NaN, Inf) become silence.`,
		RunE: func(c *cobra.Command, args []string) error {
			_, sel, err := a.played("render with", cushion)
			if err != nil {
				return err
			}
			in, err := soundfile.Read(args[0])
			if err != nil {
				return err
			}
			if in.Channels > 2 {
				return fmt.Errorf("cushwright: render %q: %d channels, allowed: 1 or 2", args[0], in.Channels)
			}
			ch, err := sel.Correction.Compile(float64(in.RateHz), dsp.Options{})
			if err != nil {
				return fmt.Errorf("cushwright: render %q: %w", args[0], err)
			}
			bad := silenceNoNumbers(in.Samples)
			peak := renderSound(in, ch)
			if err := soundfile.WriteWAV(args[1], in); err != nil {
				return err
			}
			fmt.Fprintf(c.ErrOrStderr(), "%s: %d frames at %d Hz, headroom %s dB, largest sample %s dBFS\n", args[1],
				in.Frames(), in.RateHz,
				words.Decimals(ch.HeadroomDB(), 1), words.Decimals(dsp.DB(math.Max(peak, 1e-10)), 1))
			warn(c, renderNotes(in.Channels, bad, peak, sel.Correction))
			return nil
		}}
	c.Flags().StringVar(&cushion, "cushion", "", "the cushion whose correction to run")
	c.MarkFlagRequired("cushion")
	return c
}

// renderNotes says what a listener to the file may not expect: bad is how many samples were no numbers, peak the
// largest sample of the result.
func renderNotes(channels, bad int, peak float64, corr *dsp.Correction) (notes []string) {
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

// renderSound runs the chain over a sound in place, less the chain's delay, and returns the largest sample. A mono sound
// gets the left ear's correction.
func renderSound(s *soundfile.Sound, ch *dsp.Chain) (peak float64) {
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
