package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/rig"
	"cushwright/cmd/internal/service"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
	"cushwright/engine/control"
)

func (a *app) whichCommand() *cobra.Command {
	var w rigFlags
	var wear bool
	c := &cobra.Command{Use: "which", Short: "Tell by one short sweep which recorded cushion is fitted.",
		Args: cobra.NoArgs,
		Long: `Plays one sweep of less than 1.5 s on the rig and compares it with the seats of every cushion, by
likelihood under their own scatter. The answer is a name with its confidence, "unknown", or "ambiguous between …"; it
never guesses. Each cushion needs two seats of that ear and more; five are good. The exit code is 1 where there is no
name.

` + rig.Caution,
		RunE: func(c *cobra.Command, _ []string) error { return a.which(c, w, wear) }}
	w.flags(c, "left")
	c.Flags().BoolVar(&wear, "wear", false, "make it the fitted cushion: the engine switches")
	return c
}

// whichAnswer is what which prints for programs.
type whichAnswer struct {
	Verdict    swept.Verdict      `json:"verdict"`
	Cushion    string             `json:"cushion,omitempty"`
	Between    []string           `json:"between,omitempty"`
	Confidence float64            `json:"confidence"`
	Likely     map[string]float64 `json:"likely"`
	Text       string             `json:"text"`
	Worn       bool               `json:"worn"`
	LeftOut    []string           `json:"left_out"` // cushions with too few seats of this ear
}

func (a *app) which(c *cobra.Command, w rigFlags, wear bool) error {
	const action = "which"
	snap, err := a.open()
	if err != nil {
		return err
	}
	side, err := w.ears()
	if err == nil && len(side) != 1 {
		err = errors.New("--ear both: one sweep goes to one ear, left or right")
	}
	if err != nil {
		return fmt.Errorf("cushwright: %s: %w", action, err)
	}
	if err := a.canWear(c.Context(), wear); err != nil {
		return err
	}
	recorded, few, err := recordedOf(snap, side[0])
	if err != nil {
		return err
	}
	if len(recorded) == 0 {
		return fmt.Errorf("cushwright: which: no cushion has two seats of the %s ear: measure them with sweep first", side[0])
	}
	judge, err := swept.NewJudge(swept.Grid(), recorded)
	if err != nil {
		return fmt.Errorf("cushwright: %s: %w", action, err)
	}
	out := whichAnswer{Likely: map[string]float64{}, LeftOut: few}
	j, err := a.openRig(c, action, snap, w, nil)
	if err != nil {
		return err
	}
	defer j.Close()
	if len(out.LeftOut) > 0 {
		j.Talk.Say("left out, with fewer than two seats of the %s ear: %s", side[0], strings.Join(out.LeftOut, ", "))
	}
	// There is only one sweep. It has the level of the seats: that level was asked for when they were measured, and is
	// asked for again.
	yes, err := j.Talk.Confirm(c.Context(), fmt.Sprintf("Sweep for %.1f s at %.0f dB?", j.ShortSeconds(), j.WantDB()))
	if err == nil && !yes {
		err = answerNo{fmt.Errorf("cushwright: %s: not asked to go on", action)}
	}
	var heard *swept.Response
	if err == nil {
		heard, err = j.One(c.Context(), side[0])
	}
	if err != nil {
		return interrupted(err, action, 0, 1)
	}
	answer, err := judge.Which(heard.LevelDB)
	if err != nil {
		return fmt.Errorf("cushwright: %s: %w", action, err)
	}
	out.Verdict, out.Cushion, out.Between, out.Confidence, out.Text = answer.Verdict, answer.Name, answer.Between,
		answer.Confidence, answer.Text
	for i, r := range recorded {
		out.Likely[r.Name] = answer.Likely[i]
	}
	j.Close()
	if wear && answer.Verdict == swept.Known {
		text, _, err := service.Fit(c.Context(), a.bench, answer.Name, func() (*config.Snapshot, error) { return snap, nil })
		if err != nil {
			return err
		}
		out.Worn = true
		j.Talk.Say("%s", text)
	}
	if w.asJSON {
		err = writeJSON(c, out)
	} else {
		fmt.Fprintln(c.OutOrStdout(), answer.Text)
	}
	if err == nil && answer.Verdict != swept.Known {
		err = answerNo{}
		if wear {
			err = answerNo{errors.New("nothing was switched")}
		}
	}
	return err
}

// canWear says before the sweep why the answer cannot be worn after it.
func (a *app) canWear(ctx context.Context, wear bool) error {
	if !wear {
		return nil
	}
	_, _, err := a.engine(ctx)
	if errors.Is(err, control.ErrNoEngine) {
		return nil // the next engine starts with it
	}
	return err
}

// recordedOf reads the cushions that have two seats or more of an ear; few are those that have fewer.
func recordedOf(snap *config.Snapshot, ear dsp.Ear) (recorded []swept.Recorded, few []string, err error) {
	names, err := measuredNames(snap)
	few = []string{}
	for _, n := range names {
		seats, err := bench.StoredSeats(snap.Dir, n, ear, nil)
		if err != nil {
			return nil, nil, err
		}
		if len(seats) < 2 {
			few = append(few, n)
			continue
		}
		recorded = append(recorded, swept.Recorded{Name: n, LevelDB: bench.LevelsOf(seats)})
	}
	return recorded, few, err
}

// measuredNames are the cushions that have seats, sorted, whether they have a record or not.
func measuredNames(snap *config.Snapshot) (names []string, err error) {
	all, err := os.ReadDir(filepath.Join(snap.Dir, "seats"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("cushwright: list the seats: %w", err)
	}
	for _, e := range all {
		if config.CheckName(e.Name()) == nil {
			names = append(names, e.Name())
		}
	}
	return names, nil
}
