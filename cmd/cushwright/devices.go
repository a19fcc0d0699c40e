package main

import (
	"fmt"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"cushwright/platform"
)

func (a *app) devicesCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "devices", Short: "List the devices that record and play.", Args: cobra.NoArgs,
		Long: `Lists what the sound system records from and plays to. The ID is what settings.toml names. The default
output is what the engine plays to unless the settings name another.`,
		RunE: func(c *cobra.Command, _ []string) error {
			d, err := platform.NewDriver(platform.ServerString())
			if err != nil {
				return err
			}
			list, err := d.Devices()
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(c, list)
			}
			w := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(w, "ID\tKIND\tRATE\tCHANNELS\tNAME")
			for _, d := range list {
				kind := "output"
				switch {
				case d.Monitor:
					kind = "monitor of an output"
				case d.Capture:
					kind = "input"
				}
				if d.Default {
					kind += ", default"
				}
				fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%s\n", platform.Readable(d.ID), kind, d.RateHz, d.Channels, d.Name)
			}
			return w.Flush()
		}}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
