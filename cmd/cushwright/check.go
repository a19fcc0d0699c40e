package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/engine"
	"cushwright/platform"
)

func (a *app) checkCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "check", Short: "Check the bench folder for mistakes.", Args: cobra.NoArgs,
		Long: `Reads every file of the bench, seats and wanted responses too, and names what is wrong with each: file, line,
key, value and what is allowed. The exit code is 1 if anything is.`,
		RunE: func(c *cobra.Command, _ []string) error {
			dir, err := a.dir()
			if err != nil {
				return err
			}
			type problem struct {
				File    string `json:"file"`
				Line    int    `json:"line"`
				Key     string `json:"key"`
				Value   string `json:"value"`
				Allowed string `json:"allowed"`
				Message string `json:"message"`
			}
			out := struct {
				Bench    string    `json:"bench"`
				Cushions []string  `json:"cushions"`
				Problems []problem `json:"problems"`
				Warnings []string  `json:"warnings"` // odd, but the engine runs
			}{Bench: dir, Cushions: []string{}, Problems: []problem{}, Warnings: []string{}}
			snap, err := config.LoadGood(dir)
			var ps config.Problems
			switch {
			case errors.As(err, &ps):
			case err != nil:
				return err
			default:
				ps = snap.Bad
				out.Cushions = snap.CushionNames()
				found, warnings := misnamed(c.Context(), snap, outputFinder())
				for _, p := range found {
					out.Problems = append(out.Problems, problem{p.File, p.Line, p.Key, p.Value, p.Allowed, p.Error()})
				}
				bare, err := snap.SeatsWithoutRecord()
				if err != nil {
					return err
				}
				for _, name := range bare {
					out.Warnings = append(out.Warnings, fmt.Sprintf("seats/%s has seats, and there is no record cushions/%s.toml: "+
						"\"cushwright cushions new %s\" begins it; if the name is a slip, \"cushwright cushions rename %s NAME\"",
						name, name, name, name))
				}
				out.Warnings = append(out.Warnings, warnings...)
				large, err := largeHeadrooms(snap)
				if err != nil {
					return err
				}
				out.Warnings = append(out.Warnings, large...)
			}
			for _, p := range append(ps, config.Bench{Dir: dir}.CheckResponses()...) {
				out.Problems = append(out.Problems, problem{p.File, p.Line, p.Key, p.Value, p.Allowed, p.Error()})
			}
			if asJSON {
				if err := writeJSON(c, out); err != nil {
					return err
				}
			} else if warn(c, out.Warnings); len(out.Problems) == 0 {
				fmt.Fprintf(c.OutOrStdout(), "%s: in order, %d cushions\n", dir, len(out.Cushions))
			} else {
				for _, p := range out.Problems {
					fmt.Fprintln(c.OutOrStdout(), p.Message)
				}
			}
			if len(out.Problems) > 0 {
				return answerNo{fmt.Errorf("cushwright: check %q: %s", dir, words.Plural(uint64(len(out.Problems)),
					"problem"))}
			}
			return nil
		}}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// outputFinder says which outputs are there, nil where there is no routing and any device can be named.
func outputFinder() engine.OutputFinder {
	router, err := platform.NewRouter(platform.RouterOptions{})
	if err != nil {
		return nil
	}
	f, _ := router.(engine.OutputFinder)
	return f
}

// misnamed finds the names in a bench that stand for nothing: references that it does not describe, and an output that
// is not there. The bench's other warnings stay warnings.
func misnamed(ctx context.Context, snap *config.Snapshot, outputs engine.OutputFinder) (found []*config.Problem, warnings []string) {
	b := config.Bench{Dir: snap.Dir}
	for _, w := range snap.Warnings {
		if w.Key != "reference" {
			warnings = append(warnings, w.Error())
			continue
		}
		p := *w
		p.Line = b.LineOf(p.File, p.Key)
		found = append(found, &p)
	}
	sound := snap.Settings.Sound
	if sound.Output == "" || sound.Capture != "" || outputs == nil {
		return found, warnings
	}
	err := outputs.FindOutput(ctx, sound.Output)
	var e *engine.Error
	switch {
	case err == nil:
	case errors.As(err, &e) && (errors.Is(err, engine.ErrNoOutput) || e.Reaction == engine.GiveUp):
		const file, key = "settings.toml", "sound.output"
		found = append(found, &config.Problem{File: file, Line: b.LineOf(file, key), Key: key,
			Value:   fmt.Sprintf("%q: %v", sound.Output, e.Err),
			Allowed: `an output that "cushwright devices" lists, or "" for the default one`})
	default:
		warnings = append(warnings, fmt.Sprintf("settings.toml: whether sound.output %q is there was not looked up: %v",
			sound.Output, err))
	}
	return found, warnings
}

// largeHeadrooms warns of corrections whose automatic headroom is beyond mostHeadroomDB at 48 kHz.
func largeHeadrooms(snap *config.Snapshot) (warnings []string, err error) {
	for _, name := range snap.CushionNames() {
		c, ok := snap.Correction(name)
		if !ok {
			continue
		}
		ch, err := c.Correction.Compile(48000, dsp.Options{})
		if err != nil {
			return nil, fmt.Errorf("cushwright: check the correction of %q: %w", name, err)
		}
		if n := bench.HeadroomNote(c.Correction, ch); n != "" {
			warnings = append(warnings, "corrections/"+name+".toml: "+n)
		}
	}
	return warnings, nil
}
