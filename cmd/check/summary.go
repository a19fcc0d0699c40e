package main

import (
	"fmt"
	"strings"
)

// gather keeps the notes of the tests of the step that runs.
func (c *checker) gather(r result) {
	c.tested = true
	for _, n := range r.leftOut {
		n.step = c.step
		c.leftOut = append(c.leftOut, n)
	}
	for _, n := range r.repeated {
		n.step = c.step
		c.repeated = append(c.repeated, n)
	}
}

// summarise says what was left out and what was repeated, and counts too many repetitions as a failure.
func (c *checker) summarise() {
	if c.tested && !c.long {
		c.leftOut = append(c.leftOut, note{"", "the long forms of the tests", "they run with -long"})
	}
	list := func(title string, notes []note) {
		fmt.Fprintf(c.out, "%s\n", title)
		for _, n := range merged(notes) {
			if n.step != "" {
				n.step += ": "
			}
			fmt.Fprintf(c.out, "  %s%s: %s\n", n.step, strings.ReplaceAll(n.test, c.module+"/", ""), n.text)
		}
	}
	if len(c.leftOut) > 0 {
		list("left out:", c.leftOut)
	}
	for _, r := range []struct {
		what  string
		notes []note
	}{{"tests", c.repeated}, {"fuzz runs", c.refuzzed}} {
		list(fmt.Sprintf("%d %s were repeated, at most %d may be", len(r.notes), r.what, mostRepeated), r.notes)
		if len(r.notes) > mostRepeated {
			c.fail("repeated "+r.what, fmt.Sprintf("%d were repeated, allowed: %d", len(r.notes), mostRepeated))
		}
	}
}

// merged joins notes that differ in their steps alone, in the order of their first one.
func merged(notes []note) (out []note) {
	at := map[[2]string]int{}
	for _, n := range notes {
		key := [2]string{n.test, n.text}
		if i, ok := at[key]; !ok {
			at[key] = len(out)
			out = append(out, n)
		} else if !strings.Contains(", "+out[i].step+",", ", "+n.step+",") {
			out[i].step += ", " + n.step
		}
	}
	return out
}

// closing is the last line. That of a whole run is read by programs.
func (c *checker) closing(whole bool, ran []string) string {
	counts := fmt.Sprintf("%d passed, %d failed", c.passed, c.failed)
	if whole {
		return counts
	}
	return fmt.Sprintf("of %d steps only %s: %s", len(steps), strings.Join(ran, ", "), counts)
}
