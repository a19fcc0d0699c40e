package config

import (
	"fmt"
	"strings"
	"testing"
)

// Every fault of a seat is named, also where the folder holds a file with no name of a seat.
func TestEveryFaultOfASeat(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "seats/linen/left-1.csv", []byte("freq_hz,level_db\n20,90\n40,90\n"))
	put(t, dir, "seats/linen/left-x.csv", []byte("freq_hz,level_db\n20,90\n40,90\n"))
	put(t, dir, "seats/linen/left-02.csv", []byte("# rate_hz: fast\nfreq_hz,level_db\n20,90\nrubbish\n40,9O\n30,90\n30,91\n50,999\n60,90\n"))
	put(t, dir, "wanted/house.csv", []byte("freq_hz,level_db\n20,90\n20,90\n10,90\n40,90\n"))
	var got []string
	for _, p := range (Bench{dir}).CheckResponses() {
		got = append(got, fmt.Sprintf("%s:%d", p.File, p.Line))
	}
	want := "seats/linen/left-02.csv:1 seats/linen/left-02.csv:4 seats/linen/left-02.csv:5 seats/linen/left-02.csv:7 " +
		"seats/linen/left-02.csv:8 seats/linen/left-1.csv:0 seats/linen/left-x.csv:0 wanted/house.csv:3 wanted/house.csv:4"
	if strings.Join(got, " ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, " "), want)
	}
}

// A line that is no TOML hides no fault before or behind it, and no fault is made up for what it may have said.
func TestFaultsBehindWhatIsNoTOML(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -2,5\nq = 1\n", "4"},
		{"headroom_db = -2,5\nreferenc = \"woven\"\n[[band]]\nshape = \"bell\"\nfreq_hz = 5\nq 1\ngain_db = 3\n", "1 2 5 6"},
		{"[[band]]\nshape = \"bell\"\nfreq_hz = \"1\ngain_db = 99\n", "1 3 4"},
		// A list that does not end may hold all that follows.
		{"[derived]\nleft = [\n\"a\"\nq = 3\n", "4"},
		{"[[ba\nq = 1\nfreq_hz = 2,5\n", "1"},
	} {
		_, ps := parseCorrection("corrections/x.toml", "x", []byte(c.text))
		at := map[int]bool{}
		var got []string
		for n := range 20 {
			for _, p := range ps {
				if p.Line == n && !at[n] {
					at[n], got = true, append(got, fmt.Sprint(n))
				}
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%q: faults in lines %v, want %s:\n%v", c.text, got, c.want, ps)
		}
	}
}

// A number with a decimal comma is told how to be written.
func TestDecimalComma(t *testing.T) {
	for value, want := range map[string]string{"-2,5": "write -2.5", "0,25 # loud": "write 0.25", `"-2,5"`: "write -2.5",
		"1,500": "write 1.500 or 1500", "−2,5": "write -2.5"} {
		_, ps := parseCorrection("corrections/x.toml", "x", []byte("[[band]]\nshape = \"bell\"\nfreq_hz = 1000\nq = 1\ngain_db = "+value+"\n"))
		if len(ps) != 1 || !strings.HasSuffix(ps[0].Error(), want) || ps[0].Line != 5 {
			t.Errorf("%s: %v", value, ps)
		}
	}
}
