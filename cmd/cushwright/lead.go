package main

import (
	"bufio"
	"fmt"
	"os"
	"strings"

	"github.com/charmbracelet/x/term"
	"github.com/spf13/cobra"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
)

// ask asks a person at a terminal a question. asked is false where nobody is there to answer.
func (a *app) ask(c *cobra.Command, question string) (yes, asked bool) {
	in := c.InOrStdin()
	if f, ok := in.(*os.File); ok && !term.IsTerminal(f.Fd()) {
		return false, false
	}
	fmt.Fprint(c.ErrOrStderr(), question, " [y/N] ")
	s := bufio.NewScanner(in)
	if !s.Scan() {
		return false, true
	}
	answer := strings.ToLower(strings.TrimSpace(s.Text()))
	return answer == "y" || answer == "yes", true
}

// leadIn says how a cushion that the bench does not have gets into it.
func (a *app) leadIn(name string) string {
	return fmt.Sprintf("\"cushwright cushions\" lists the cushions; \"cushwright cushions new %s\" begins this one", name)
}

// uncorrected is nextSteps for a cushion that is worn without a correction; none for the reference.
func uncorrected(dir, name string) []string {
	snap, err := config.LoadGood(dir)
	if err != nil || snap.Settings.Reference == name {
		return nil
	}
	if _, ok := snap.Correction(name); ok {
		return nil
	}
	return append([]string{name + " has no correction, so it plays uncorrected"}, nextSteps(dir, name)...)
}

// enoughSeats is how many seats of an ear are worth measuring: fewer hardly show how far seats scatter.
const enoughSeats = 3

// nextSteps says what a cushion of the bench still lacks until its correction can be heard, and the command for it.
func nextSteps(dir, name string) (out []string) {
	snap, err := config.LoadGood(dir)
	if err != nil {
		return nil
	}
	n := map[dsp.Ear]int{}
	refs, err := snap.Seats(name)
	if err != nil {
		return nil
	}
	for _, r := range refs {
		n[r.Ear]++
	}
	if k, ok := snap.Cushion(name); !ok || !k.Recorded {
		out = append(out, fmt.Sprintf("%s has no record yet: \"cushwright cushions new %s\" begins cushions/%s.toml", name, name,
			name))
	}
	if least := min(n[dsp.Left], n[dsp.Right]); least < enoughSeats {
		out = append(out, fmt.Sprintf("%s has %s of the left ear and %d of the right; %d of each show how far seats "+
			"scatter: \"cushwright add %s --ear right FILE…\"", name, words.Plural(uint64(n[dsp.Left]), "seat"), n[dsp.Right],
			enoughSeats, name))
	}
	ref := snap.Settings.Reference
	_, corrected := snap.Correction(name)
	switch {
	case ref == "":
		out = append(out, "no reference is named: write reference = \"NAME\" into settings.toml, the cushion whose "+
			"sound is wanted")
	case ref == name && len(snap.CushionNames()) > 1:
	case ref == name:
		out = append(out, fmt.Sprintf("%s is the reference; next come the seats of another cushion: \"cushwright add OTHER "+
			"--new --ear left FILE…\"", name))
	case !corrected && len(refs) > 0:
		out = append(out, fmt.Sprintf("next: \"cushwright derive %s\", then \"cushwright run\" and \"cushwright wear %s\"", name,
			name))
	}
	return out
}
