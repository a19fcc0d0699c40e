package main

import (
	"fmt"
	"math"

	"github.com/spf13/cobra"

	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

func (a *app) renderCommand() *cobra.Command {
	var cushion string
	c := &cobra.Command{Use: "render IN OUT", Short: "run a correction on a WAV or FLAC file; the result is a 32-bit float WAV", Args: cobra.ExactArgs(2),
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
			peak := renderSound(in, ch)
			if err := soundfile.WriteWAV(args[1], in); err != nil {
				return err
			}
			fmt.Fprintf(c.ErrOrStderr(), "%s: %d frames at %d Hz, headroom %.1f dB, largest sample %.1f dBFS\n", args[1], in.Frames(), in.RateHz,
				ch.HeadroomDB(), dsp.DB(math.Max(peak, 1e-10)))
			if peak > 1 {
				fmt.Fprintln(c.ErrOrStderr(), "samples above full scale: kept as they are in the float file; lower headroom_db before it is made an integer file")
			}
			return nil
		}}
	c.Flags().StringVar(&cushion, "cushion", "", "the cushion whose correction to run")
	c.MarkFlagRequired("cushion")
	return c
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
