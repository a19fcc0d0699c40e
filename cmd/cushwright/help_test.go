package main

import (
	"strings"
	"testing"
)

// TestHelpIsGrouped: every command stands in a group, says in a line what it does, and the help lists the groups in their order.
func TestHelpIsGrouped(t *testing.T) {
	root := newRoot()
	for _, c := range root.Commands() {
		if c.GroupID == "" || c.Short == "" {
			t.Errorf("%s: group %q, %q", c.Name(), c.GroupID, c.Short)
		}
	}
	var out strings.Builder
	root.SetOut(&out)
	if err := root.Help(); err != nil {
		t.Fatal(err)
	}
	at := 0
	for _, g := range []string{"Listening:", "The bench:", "The rig:", "Handing on:", "The system:", "Help:"} {
		i := strings.Index(out.String()[at:], g)
		if i < 0 {
			t.Fatalf("%q is missing, or stands too early, in\n%s", g, out.String())
		}
		at += i
	}
}
