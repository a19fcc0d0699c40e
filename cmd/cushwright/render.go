package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/render"
	"cushwright/cmd/internal/words"
	"cushwright/cmd/internal/written"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

func (a *app) renderCommand() *cobra.Command {
	var cushion string
	var force bool
	c := &cobra.Command{Use: "render IN OUT", Short: "Run a correction on a WAV or FLAC file.",
		Args: cobra.ExactArgs(2),
		Long: `Runs a cushion's correction, headroom included, on a WAV or FLAC file and writes a 32-bit float WAV of
the same rate, channels and length. A file of one channel gets the left ear's correction. Samples that are no numbers
(NaN, Inf) become silence. OUT is never IN; a file there that cushwright did not write is overwritten with --force
only.`,
		RunE: func(c *cobra.Command, args []string) error {
			_, sel, err := a.played("render with", cushion)
			if err != nil {
				return err
			}
			if written.SameFile(args[0], args[1]) {
				return fmt.Errorf("cushwright: render %q: OUT is the file that is read: name another one", args[0])
			}
			if err := written.Check(force, args[1]); err != nil {
				return err
			}
			in, err := soundfile.Read(args[0])
			if err != nil {
				return err
			}
			if in.Channels > 2 {
				return fmt.Errorf("cushwright: render %q: %d channels, allowed: 1 or 2", args[0], in.Channels)
			}
			r, err := render.Run(in, sel.Correction)
			if err != nil {
				return fmt.Errorf("cushwright: render %q: %w", args[0], err)
			}
			if err := soundfile.WriteWAV(args[1], in); err != nil {
				return err
			}
			written.Note(args[1])
			fmt.Fprintf(c.ErrOrStderr(), "%s: %d frames at %d Hz, %s dB headroom, largest sample %s dBFS\n", args[1],
				in.Frames(), in.RateHz,
				words.Decimals(0-r.HeadroomDB, 1), words.Decimals(dsp.DB(max(r.Peak, 1e-10)), 1))
			warn(c, r.Notes)
			return nil
		}}
	c.Flags().StringVar(&cushion, "cushion", "", "the cushion whose correction to run")
	c.Flags().BoolVar(&force, "force", false, forceUsage)
	c.MarkFlagRequired("cushion")
	return c
}
