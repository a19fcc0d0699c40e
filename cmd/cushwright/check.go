package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
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
				for _, w := range snap.Warnings {
					out.Warnings = append(out.Warnings, w.Error())
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
