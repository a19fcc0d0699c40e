package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/rig"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/engine/control"
)

// What sweep, prove and which have in common.

// rigFlags are the wishes that all rig commands know.
type rigFlags struct {
	ear, mic string
	yes      bool
	levelDB  float64
	seconds  float64
	asJSON   bool
}

func (w *rigFlags) flags(c *cobra.Command, ear string) {
	f := c.Flags()
	f.StringVar(&w.ear, "ear", ear, "the ear on the rig: left, right or both")
	f.StringVar(&w.mic, "mic", "each", "the input's channels: each (a microphone for each ear, or one input for both), left or right (one microphone, on that channel)")
	f.BoolVar(&w.yes, "yes", false, "ask nothing: nobody wears the headphones")
	f.Float64Var(&w.levelDB, "level", 0, "level of the sweep in dB of full scale (default: rig.sweep_level_db of settings.toml)")
	f.BoolVar(&w.asJSON, "json", false, "print JSON")
}

func (w *rigFlags) ears() ([]dsp.Ear, error) {
	if w.ear == "both" {
		return bench.Ears, nil
	}
	e, err := dsp.ParseEar(w.ear)
	if err != nil || e == dsp.Both {
		return nil, &dsp.RangeError{Key: "--ear", Value: fmt.Sprintf("%q", w.ear), Allowed: "left, right or both"}
	}
	return []dsp.Ear{e}, nil
}

// series are the ears of a command that measures so many seats of each, at least so few.
func (w *rigFlags) series(seats, least int) ([]dsp.Ear, error) {
	side, err := w.ears()
	if err == nil && (seats < least || seats > 100) {
		err = &dsp.RangeError{Key: "--seats", Value: fmt.Sprint(seats), Allowed: fmt.Sprintf("%d to 100", least)}
	}
	return side, err
}

// openRig opens the rig; through is the status of the engine that the sweep goes through, nil where the engine steps aside.
func (a *app) openRig(c *cobra.Command, action string, snap *config.Snapshot, w rigFlags, through *control.Status) (*rig.Job, error) {
	cl, err := service.Client()
	if err != nil {
		return nil, err
	}
	return rig.Open(c.Context(), snap, rig.Options{Action: action, Mic: w.mic, Yes: w.yes, LevelDB: w.levelDB, HasLevel: c.Flags().Changed("level"), Seconds: w.seconds,
		Through: through, Talk: rig.NewTalk(c.InOrStdin(), c.ErrOrStderr(), w.yes), Engine: cl, Open: rig.OpenServer})
}

// written prints each seat as it is written, unless a program reads.
func (w rigFlags) written(c *cobra.Command) func(rig.SeatReport) error {
	if w.asJSON {
		return nil
	}
	return func(r rig.SeatReport) error { return printTo(c, func(out io.Writer) { printSeat(out, r) }) }
}

func printSeat(w io.Writer, r rig.SeatReport) {
	fmt.Fprintf(w, "%s ear: %s\n", r.Ear, r.Seat)
	fmt.Fprintf(w, "  recorded %.1f dB (peak %.1f), not clipped; sweep at %.1f dB\n", r.LevelDB, r.PeakDB, r.SweepLevelDB)
	fmt.Fprint(w, "  signal to noise by octave, dB:")
	for i, v := range r.OctaveSNRDB {
		if v != nil {
			fmt.Fprintf(w, " %s:%.0f", bench.OctaveName(r.OctaveHz[i]), *v)
		}
	}
	fmt.Fprintln(w)
	fmt.Fprintf(w, "  distortion: 100 Hz %s, 1 kHz %s\n", percent(r.Distortion100Hz, r.Distortion100Flr), percent(r.Distortion1kHz, r.Distortion1kFlr))
	switch {
	case r.AgreementDB == nil:
		fmt.Fprintln(w, "  no earlier seat of this visit to the rig to agree with, so a leak cannot be told yet")
	default:
		fmt.Fprintf(w, "  %.1f dB RMS from the mean of %s before; no leak suspected\n", *r.AgreementDB, words.Plural(uint64(r.Earlier), "seat"))
	}
	if r.UnusablePoints > 0 {
		fmt.Fprintf(w, "  %d points drown in noise and are left out\n", r.UnusablePoints)
	}
	for _, n := range r.Notes {
		fmt.Fprintln(w, "  note:", n)
	}
	if r.Impulse != "" {
		fmt.Fprintln(w, "  impulse response:", r.Impulse)
	}
}

func percent(ratio, floor float64) string {
	if ratio <= 0 {
		return fmt.Sprintf("below %.3f %%", 100*floor)
	}
	return fmt.Sprintf("%.3f %%", 100*ratio)
}

// inside is the path of a file as people see it, relative to the bench where it lies inside.
func inside(bench, file string) string {
	if r, err := filepath.Rel(bench, file); err == nil && !strings.HasPrefix(r, "..") {
		return filepath.ToSlash(r)
	}
	return file
}

// interrupted turns the end of a context, and a rig that refused, into an answer; the former says what is kept.
func interrupted(err error, action string, kept, wanted int) error {
	var r *rig.Refused
	if errors.As(err, &r) {
		return answerNo{err}
	}
	if errors.Is(err, context.Canceled) {
		return answerNo{fmt.Errorf("cushwright: %s: interrupted: %s of %d measured and kept", action, words.Plural(uint64(kept), "seat"), wanted)}
	}
	return err
}

// engineRuns checks that the engine plays the correction of a cushion and nothing else.
func engineRuns(st control.Status, name string) error {
	switch {
	case st.State != engine.Running:
		return fmt.Errorf("the engine is %v", st.State)
	case st.Trial:
		return errors.New("a listening trial is under way: end it first")
	case st.Cushion != name:
		return fmt.Errorf("the engine plays the correction of %s: say \"cushwright wear %s\" when that cushion is fitted", st.Cushion, name)
	case st.Bypass:
		return errors.New(`the correction is bypassed: say "cushwright bypass off"`)
	case st.Muted || st.Aside:
		return errors.New("the engine is muted")
	case len(st.Problems) > 0:
		return fmt.Errorf("the engine does not play what is on disk: %s", st.Problems[0])
	}
	return nil
}
