package main

import (
	"strings"
	"testing"
	"unicode"
)

// TestHelpIsGrouped: every command stands in a group, says in a whole sentence what it does and explains itself, and the help lists
// the groups in their order.
func TestHelpIsGrouped(t *testing.T) {
	root := newRoot()
	seen := map[string]bool{}
	for _, c := range root.Commands() {
		seen[c.Name()] = true
		if !root.ContainsGroup(c.GroupID) {
			t.Errorf("%s: group %q", c.Name(), c.GroupID)
		}
		if s := c.Short; s == "" || !unicode.IsUpper(rune(s[0])) || !strings.HasSuffix(s, ".") || len(s) > 80 {
			t.Errorf("%s: %q is no short sentence", c.Name(), s)
		}
		if strings.TrimSpace(c.Long) == "" || c.Long == c.Short {
			t.Errorf("%s does not explain itself", c.Name())
		}
		for _, l := range strings.Split(c.Long, "\n") {
			if c.GroupID != helpGroup && len([]rune(l)) > 120 {
				t.Errorf("%s: a line of %d columns", c.Name(), len([]rune(l)))
			}
		}
	}
	for _, name := range []string{"run", "derive", "sweep", "sheet", "restore", "help", "completion"} {
		if !seen[name] {
			t.Errorf("no command %s", name)
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
