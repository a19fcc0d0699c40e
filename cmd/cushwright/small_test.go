package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"cushwright/platform/soundfile"
)

// benchWith is the demonstration bench with one more correction of that text.
func benchWith(t *testing.T, name, text string) string {
	t.Helper()
	dir := demoBench(t)
	if err := os.WriteFile(filepath.Join(dir, "corrections", name+".toml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// bandText is one band of a correction file.
func bandText(shape string, hz, db, q float64, ear string) string {
	gain := fmt.Sprintf("gain_db = %g\n", db)
	if db == 0 {
		gain = ""
	}
	return fmt.Sprintf("[[band]]\nshape = %q\nfreq_hz = %g\n%sq = %g\near = %q\n", shape, hz, gain, q, ear)
}

// rendered writes a sound, runs render on it, and reads what came of it.
func rendered(t *testing.T, bench, cushion string, in *soundfile.Sound) (out *soundfile.Sound, said string) {
	t.Helper()
	dir := t.TempDir()
	from, to := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav")
	if err := soundfile.WriteWAV(from, in); err != nil {
		t.Fatal(err)
	}
	_, said, err := command(bench, "render", from, to, "--cushion", cushion)
	if err != nil {
		t.Fatal(err)
	}
	if out, err = soundfile.Read(to); err != nil {
		t.Fatal(err)
	}
	return out, said
}

// sine is a sine of full scale that begins softly.
func sine(hz float64, channels, frames int) *soundfile.Sound {
	s := &soundfile.Sound{RateHz: 48000, Channels: channels}
	for i := range frames {
		v := math.Sin(2*math.Pi*hz*float64(i)/48000) * min(1, float64(i)/4800)
		for range channels {
			s.Samples = append(s.Samples, v)
		}
	}
	return s
}

// A sound of one channel gets the left ear's correction, and render says so; where the right ear's is another one, too.
func TestRenderSaysWhatOneChannelGets(t *testing.T) {
	for _, c := range []struct {
		name, text   string
		channels     int
		says, saysNo string
	}{
		{"same", bandText("bell", 1000, -6, 1, "both"), 1, "left ear", "right"},
		{"apart", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -3, 1, "right"), 1, "right ear's is another", ""},
		{"same, but told ear by ear", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -6, 1, "right"), 1, "left ear", "right"},
		{"two channels", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -3, 1, "right"), 2, "", "ear"},
	} {
		out, said := rendered(t, benchWith(t, "deep-foam", "headroom_db = \"auto\"\n"+c.text), "deep-foam", sine(1000, c.channels, 48000))
		if !strings.Contains(said, c.says) || c.saysNo != "" && strings.Contains(said, c.saysNo) {
			t.Errorf("%s: says %q", c.name, said)
		}
		peak := 0.0
		for i := 24000 * c.channels; i < len(out.Samples); i += c.channels {
			peak = max(peak, math.Abs(out.Samples[i]))
		}
		if db := 20 * math.Log10(peak); math.Abs(db+6) > 0.02 {
			t.Errorf("%s: the first channel has %.2f dB at 1 kHz, the left ear's correction -6", c.name, db)
		}
	}
}

// Samples that are no numbers are silenced, they alone, and counted.
func TestRenderCountsWhatIsNoNumber(t *testing.T) {
	bench := benchWith(t, "deep-foam", "headroom_db = 0\n"+bandText("bell", 1000, -6, 1, "both"))
	in := sine(1000, 2, 9600)
	clean := *in
	clean.Samples = append([]float64(nil), in.Samples...)
	for i, v := range map[int]float64{3000: math.NaN(), 3001: math.Inf(1), 9001: math.Inf(-1), 9005: math.NaN()} {
		in.Samples[i], clean.Samples[i] = v, 0
	}
	got, said := rendered(t, bench, "deep-foam", in)
	want, quiet := rendered(t, bench, "deep-foam", &clean)
	if !strings.Contains(said, "4 samples are no numbers") || strings.Contains(quiet, "number") {
		t.Errorf("says %q, and of the clean file %q", said, quiet)
	}
	for i, v := range got.Samples {
		if v != want.Samples[i] {
			t.Fatalf("sample %d is %g, with zeros in place of what is no number %g", i, v, want.Samples[i])
		}
	}
	one := sine(1000, 1, 4800)
	one.Samples[100] = math.NaN()
	if _, said := rendered(t, bench, "deep-foam", one); !strings.Contains(said, "1 sample is no number") {
		t.Errorf("says %q", said)
	}
}

// Full scale is no overload, also where rounding on the way comes out above it by less than the file can hold.
func TestRenderWarnsAboveFullScaleOnly(t *testing.T) {
	square := &soundfile.Sound{RateHz: 48000, Channels: 2}
	for i := range 4800 {
		v := 1 - 2*float64(i/50%2)
		square.Samples = append(square.Samples, v, -v)
	}
	loud := &soundfile.Sound{RateHz: 48000, Channels: 1, Samples: []float64{0, 1.0000002, 0}}
	for _, c := range []struct {
		name, text string
		in         *soundfile.Sound
		warns      bool
	}{
		{"square through nothing", "headroom_db = 0\n", square, false},
		{"sine at the peak", "headroom_db = \"auto\"\n" + bandText("bell", 1000, 6, 1, "both"), sine(1000, 2, 96000), false},
		{"sine at another peak", "headroom_db = \"auto\"\n" + bandText("bell", 3000, 7.3, 2, "both"), sine(3000, 2, 96000), false},
		{"above by less than the file holds", "headroom_db = -5.9999998\n" + bandText("bell", 1000, 6, 1, "both"), sine(1000, 2, 96000), false},
		{"the least above", "headroom_db = 0\n", loud, true},
		{"sine above", "headroom_db = -5.99\n" + bandText("bell", 1000, 6, 1, "both"), sine(1000, 2, 96000), true},
	} {
		_, said := rendered(t, benchWith(t, "deep-foam", c.text), "deep-foam", c.in)
		if strings.Contains(said, "above full scale") != c.warns {
			t.Errorf("%s: says %q", c.name, said)
		}
		if strings.Contains(said, "-0.0 ") {
			t.Errorf("%s: a negative zero in %q", c.name, said)
		}
	}
}

// Every number that show prints is one, in a notch's zero as well, and none is a negative zero.
func TestShowPrintsNumbers(t *testing.T) {
	bench := benchWith(t, "deep-foam", "headroom_db = \"auto\"\n"+bandText("notch", 20, 0, 10, "both")+bandText("notch", 20, 0, 2, "left")+
		bandText("notch", 20000, 0, 4, "right"))
	for _, rate := range []string{"44100", "48000", "96000", "192000"} {
		out, _, err := command(bench, "show", "deep-foam", "--csv", "--rate", rate)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(out, "-0.000000") {
			t.Errorf("%s Hz: a negative zero:\n%.300s", rate, out)
		}
		_, data, _ := strings.Cut(out, "freq_hz,left_db,right_db\n")
		rows, err := csv.NewReader(strings.NewReader(data)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		least := 0.0
		for _, r := range rows {
			for _, cell := range r[1:] {
				v, err := strconv.ParseFloat(cell, 64)
				if err != nil || !(v >= -300 && v < 1) {
					t.Errorf("%s Hz: %q at %s Hz", rate, cell, r[0])
				}
				least = min(least, v)
			}
		}
		if least > -150 {
			t.Errorf("%s Hz: the zeros are %g dB at least", rate, least)
		}
	}
	// A sheet and a plot can be made of it.
	for _, args := range [][]string{{"show", "deep-foam", "--svg", filepath.Join(t.TempDir(), "p.svg")},
		{"show", "deep-foam", "--coefficients"}, {"sheet", "deep-foam", "--out", t.TempDir(), "--json"}} {
		out, _, err := command(bench, args...)
		if err != nil || strings.Contains(out, "Inf") || strings.Contains(out, "NaN") || strings.Contains(out, ": -0.000000") {
			t.Errorf("%v: %v\n%.300s", args, err, out)
		}
	}
}

// An automatic headroom beyond 24 dB makes everything that much quieter: check and derive warn of it.
func TestLargeHeadroomIsAWarning(t *testing.T) {
	much := bandText("bell", 1000, 15, 1, "both") + bandText("bell", 1100, 14, 1, "both")
	for text, warns := range map[string]bool{"headroom_db = \"auto\"\n" + much: true, "headroom_db = -26\n" + much: false,
		"headroom_db = \"auto\"\n" + bandText("bell", 1000, 24, 1, "both"): false} {
		bench := benchWith(t, "deep-foam", text)
		_, said, err := command(bench, "check")
		if err != nil {
			t.Fatal(err)
		}
		if (strings.Contains(said, "corrections/deep-foam.toml") && strings.Contains(said, "headroom takes 28.")) != warns {
			t.Errorf("%s\ncheck says %q", text, said)
		}
		type answer struct {
			Bench              string
			Cushions, Warnings []string
			Problems           []any
		}
		if a := reply[answer](t, bench, "check"); (len(a.Warnings) == 1) != warns {
			t.Errorf("%s\ncheck's warnings are %q", text, a.Warnings)
		}
	}
}

// No number that is printed is a negative zero.
func TestNoNegativeZeros(t *testing.T) {
	zero := math.Copysign(0, -1)
	for _, c := range []struct{ got, want string }{
		{short(zero, 1), "0"}, {short(-0.04, 1), "0"}, {short(-0.06, 1), "-0.1"}, {short(-10, 0), "-10"}, {short(0.5, 3), "0.5"},
		{signed(zero), "0"}, {signed(-0.001), "0"}, {signed(0.004), "0"}, {signed(0.005), "+0.01"}, {signed(-0.5), "-0.5"},
		{decimals(zero, 2), "0.00"}, {decimals(-0.004, 2), "0.00"}, {decimals(-0.006, 2), "-0.01"}, {decimals(-300, 6), "-300.000000"}, {decimals(-0.04, 0), "0"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	bench := benchWith(t, "deep-foam", "headroom_db = \"auto\"\nreference = \"woven\"\n"+bandText("bell", 1000, -6, 1, "both"))
	for _, args := range [][]string{{"derive", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--dry"},
		{"derive", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--dry", "--json"},
		{"sliders", "wipe-clean", "--reference", "woven", "--max-boost", "0"}, {"sliders", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--json"},
		{"show", "deep-foam"}} {
		out, said, err := command(bench, args...)
		if err != nil {
			t.Errorf("%v: %v", args, err)
		}
		for _, w := range strings.FieldsFunc(out+said, func(r rune) bool { return strings.ContainsRune(" \n,:()[]", r) }) {
			if x, err := strconv.ParseFloat(w, 64); err == nil && x == 0 && strings.ContainsAny(w[:1], "+-") {
				t.Errorf("%v prints %q", args, w)
			}
		}
	}
}
