package main

import (
	"fmt"
	"io"
	"strconv"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
)

// earlierListed is an earlier correction as earlier prints it.
type earlierListed struct {
	Number    int    `json:"number"`
	File      string `json:"file"`    // relative to the bench
	Written   string `json:"written"` // local time, to the second
	Bands     int    `json:"bands"`
	Reference string `json:"reference,omitempty"`
	Problem   string `json:"problem,omitempty"` // why it cannot be put back
}

func (a *app) earlierCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "earlier NAME [NUMBER]", Short: "List a cushion's earlier corrections, or put one back.",
		Args: cobra.RangeArgs(1, 2),
		Long: fmt.Sprintf(`Lists the corrections of a cushion that others have replaced, the latest first. With a NUMBER of the list it
puts that one back: a running engine plays it at once, and the present one joins the list. The last %d are kept, in
earlier/NAME/ of the bench folder.`, config.KeptCorrections),
		RunE: func(c *cobra.Command, args []string) error {
			snap, err := a.open()
			if err != nil {
				return err
			}
			if err := service.Known(snap, "earlier corrections of", args[0]); err != nil {
				return err
			}
			if len(args) == 2 {
				return putBack(c, snap.Dir, args[0], args[1])
			}
			list, err := config.EarlierCorrections(snap.Dir, args[0])
			if err != nil {
				return err
			}
			out := []earlierListed{}
			for _, e := range list {
				l := earlierListed{Number: e.Number, File: e.File, Written: e.Written.Local().Format("2006-01-02 15:04:05")}
				if e.Err != nil {
					l.Problem = e.Err.Error()
				} else {
					l.Bands, l.Reference = len(e.Correction.Correction.Bands()), e.Correction.Reference
				}
				out = append(out, l)
			}
			if asJSON {
				return writeJSON(c, out)
			}
			return printTo(c, func(w io.Writer) { printEarlier(w, args[0], out) })
		}}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printEarlier(w io.Writer, name string, list []earlierListed) {
	if len(list) == 0 {
		fmt.Fprintf(w, "%s has no earlier corrections\n", name)
		return
	}
	for _, l := range list {
		switch {
		case l.Problem != "":
			fmt.Fprintf(w, "%4d  %s  %s\n", l.Number, l.Written, l.Problem)
		case l.Reference != "":
			fmt.Fprintf(w, "%4d  %s  %s towards %s\n", l.Number, l.Written, words.Plural(uint64(l.Bands), "band"),
				l.Reference)
		default:
			fmt.Fprintf(w, "%4d  %s  %s\n", l.Number, l.Written, words.Plural(uint64(l.Bands), "band"))
		}
	}
	fmt.Fprintf(w, "\"cushwright earlier %s %d\" puts the latest of these back\n", name, list[0].Number)
}

// putBack puts an earlier correction back and says so.
func putBack(c *cobra.Command, dir, name, number string) error {
	n, err := strconv.Atoi(number)
	if err != nil || n < 1 {
		return fmt.Errorf("cushwright: earlier %q: %w", name, &dsp.RangeError{Key: "NUMBER", Value: strconv.Quote(number),
			Allowed: "a number of the list"})
	}
	if err := config.PutBack(dir, name, n); err != nil {
		return err
	}
	careful(c.ErrOrStderr())
	fmt.Fprintf(c.OutOrStdout(), "correction %d of %s is back; the one before it joined the list\n", n, name)
	return nil
}
