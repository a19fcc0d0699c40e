package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
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
func rendered(t *testing.T, folder, cushion string, in *soundfile.Sound) (out *soundfile.Sound, said string) {
	t.Helper()
	dir := t.TempDir()
	from, to := filepath.Join(dir, "in.wav"), filepath.Join(dir, "out.wav")
	if err := soundfile.WriteWAV(from, in); err != nil {
		t.Fatal(err)
	}
	_, said, err := command(folder, "render", from, to, "--cushion", cushion)
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
		{"apart", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -3, 1, "right"), 1,
			"right ear's is another", ""},
		{"same, but told ear by ear", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -6, 1, "right"), 1,
			"left ear", "right"},
		{"two channels", bandText("bell", 1000, -6, 1, "left") + bandText("bell", 1000, -3, 1, "right"), 2, "", "ear"},
	} {
		out, said := rendered(t, benchWith(t, "deep-foam", "headroom_db = \"auto\"\n"+c.text), "deep-foam",
			sine(1000, c.channels, 48000))
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
	folder := benchWith(t, "deep-foam", "headroom_db = 0\n"+bandText("bell", 1000, -6, 1, "both"))
	in := sine(1000, 2, 9600)
	clean := *in
	clean.Samples = append([]float64(nil), in.Samples...)
	for i, v := range map[int]float64{3000: math.NaN(), 3001: math.Inf(1), 9001: math.Inf(-1), 9005: math.NaN()} {
		in.Samples[i], clean.Samples[i] = v, 0
	}
	got, said := rendered(t, folder, "deep-foam", in)
	want, quiet := rendered(t, folder, "deep-foam", &clean)
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
	if _, said := rendered(t, folder, "deep-foam", one); !strings.Contains(said, "1 sample is no number") {
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
		{"sine at the peak", "headroom_db = \"auto\"\n" + bandText("bell", 1000, 6, 1, "both"),
			sine(1000, 2, 96000), false},
		{"sine at another peak", "headroom_db = \"auto\"\n" + bandText("bell", 3000, 7.3, 2, "both"),
			sine(3000, 2, 96000), false},
		{"above by less than the file holds", "headroom_db = -5.9999998\n" + bandText("bell", 1000, 6, 1, "both"),
			sine(1000, 2, 96000), false},
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
	folder := benchWith(t, "deep-foam", "headroom_db = \"auto\"\n"+bandText("notch", 20, 0, 10, "both")+
		bandText("notch", 20, 0, 2, "left")+
		bandText("notch", 20000, 0, 4, "right"))
	for _, rate := range []string{"44100", "48000", "96000", "192000"} {
		out, _, err := command(folder, "show", "deep-foam", "--csv", "--rate", rate)
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
		out, _, err := command(folder, args...)
		if err != nil || strings.Contains(out, "Inf") || strings.Contains(out, "NaN") ||
			strings.Contains(out, ": -0.000000") {
			t.Errorf("%v: %v\n%.300s", args, err, out)
		}
	}
}

// An automatic headroom beyond 24 dB makes everything that much quieter: check and derive warn of it.
func TestLargeHeadroomIsAWarning(t *testing.T) {
	much := bandText("bell", 1000, 15, 1, "both") + bandText("bell", 1100, 14, 1, "both")
	for text, warns := range map[string]bool{"headroom_db = \"auto\"\n" + much: true,
		"headroom_db = -26\n" + much:                                       false,
		"headroom_db = \"auto\"\n" + bandText("bell", 1000, 24, 1, "both"): false} {
		folder := benchWith(t, "deep-foam", text)
		_, said, err := command(folder, "check")
		if err != nil {
			t.Fatal(err)
		}
		if (strings.Contains(said, "corrections/deep-foam.toml") &&
			strings.Contains(said, "headroom takes 28.")) != warns {
			t.Errorf("%s\ncheck says %q", text, said)
		}
		type answer struct {
			Bench              string
			Cushions, Warnings []string
			Problems           []any
		}
		if a := reply[answer](t, folder, "check"); (len(a.Warnings) == 1) != warns {
			t.Errorf("%s\ncheck's warnings are %q", text, a.Warnings)
		}
	}
}

// derive warns of it as well: a band that it keeps may boost beyond its limit.
func TestDeriveWarnsOfALargeHeadroom(t *testing.T) {
	for q, warns := range map[float64]bool{20: true, 1: false} { // a low-cut of Q 20 has a peak of 26 dB
		dir := t.TempDir()
		rng := rand.New(rand.NewPCG(7, 9))
		ref := func(hz float64) float64 { return 2*math.Sin(1.7*math.Log(hz)) - 30 }
		writeSeats(t, dir, "woven", 6, func() config.Seat { return inventedSeat(rng, ref, "2026-01-10") })
		if err := os.MkdirAll(filepath.Join(dir, "corrections"), 0o755); err != nil {
			t.Fatal(err)
		}
		text := "reference = \"woven\"\nheadroom_db = \"auto\"\n" + bandText("bell", 300, 4, 1, "both") +
			bandText("low-cut", 21, 0, q, "both")
		if err := os.WriteFile(filepath.Join(dir, "corrections", "wipe-clean.toml"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		snap, err := config.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		before, _ := snap.Correction("wipe-clean")
		through, _, err := bench.ProvenSeats(before)
		if err != nil {
			t.Fatal(err)
		}
		for range 6 {
			for _, e := range bench.Ears {
				s := inventedSeat(rng, func(hz float64) float64 {
					u := math.Log2(hz/900) / 0.4
					return ref(hz) + 4*math.Exp(-u*u/2)
				}, "2026-02-01", through)
				s.Ear = e
				if _, err := config.WriteSeat(filepath.Join(dir, bench.Proofs), "wipe-clean", e, s); err != nil {
					t.Fatal(err)
				}
			}
		}
		_, said, err := command(dir, "derive", "wipe-clean", "--refine", "--dry")
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(said, "the automatic headroom takes 2") != warns {
			t.Errorf("low-cut of Q %g: says %q", q, said)
		}
	}
}

// No number that is printed is a negative zero.
func TestNoNegativeZeros(t *testing.T) {
	zero := math.Copysign(0, -1)
	for _, c := range []struct{ got, want string }{
		{words.Short(zero, 1), "0"}, {words.Short(-0.04, 1), "0"}, {words.Short(-0.06, 1), "-0.1"}, {words.Short(-10, 0), "-10"},
		{words.Short(0.5, 3), "0.5"},
		{words.Signed(zero), "0"}, {words.Signed(-0.001), "0"}, {words.Signed(0.004), "0"}, {words.Signed(0.005), "+0.01"},
		{words.Signed(-0.5), "-0.5"},
		{words.Decimals(zero, 2), "0.00"}, {words.Decimals(-0.004, 2), "0.00"}, {words.Decimals(-0.006, 2), "-0.01"},
		{words.Decimals(-300, 6), "-300.000000"}, {words.Decimals(-0.04, 0), "0"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
	folder := benchWith(t, "deep-foam", "headroom_db = \"auto\"\nreference = \"woven\"\n"+
		bandText("bell", 1000, -6, 1, "both"))
	for _, args := range [][]string{{"derive", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--dry"},
		{"derive", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--dry", "--json"},
		{"sliders", "wipe-clean", "--reference", "woven", "--max-boost", "0"},
		{"sliders", "wipe-clean", "--reference", "woven", "--max-boost", "0", "--json"},
		{"show", "deep-foam"}} {
		out, said, err := command(folder, args...)
		if err != nil {
			t.Errorf("%v: %v", args, err)
		}
		for _, w := range strings.FieldsFunc(out+said, func(r rune) bool {
			return strings.ContainsRune(" \n,:()[]", r)
		}) {
			if x, err := strconv.ParseFloat(w, 64); err == nil && x == 0 && strings.ContainsAny(w[:1], "+-") {
				t.Errorf("%v prints %q", args, w)
			}
		}
	}
}

// seatsOf takes in three seats of a response for each ear named; a seat's gain on the rig says nothing.
func seatsOf(t *testing.T, folder, cushion string, ears []string, levelDB func(ear string, hz float64) float64) {
	t.Helper()
	for _, ear := range ears {
		args := []string{"add", cushion, "--new", "--ear", ear}
		for seat := range 3 {
			var b strings.Builder
			for f := 20.0; f < 20500; f *= 1.01 {
				fmt.Fprintf(&b, "%.3f %.4f\n", f, levelDB(ear, f)+0.5*float64(seat))
			}
			file := filepath.Join(t.TempDir(), fmt.Sprint(cushion, ear, seat))
			if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
				t.Fatal(err)
			}
			args = append(args, file)
		}
		if _, _, err := command(folder, args...); err != nil {
			t.Fatal(err)
		}
	}
}

// The level between two cushions is the rig's gain as often as not: it goes into the sliders only on demand, in one ear
// and in two, and with the ears apart a level of one ear is told as balance. What is printed says which.
func TestSlidersLeaveLevelToTheVolume(t *testing.T) {
	ref := func(_ string, f float64) float64 { return 90 + 3*math.Sin(math.Log(f)) }
	set := func(left, right float64) func(string, float64) float64 {
		return func(ear string, f float64) float64 {
			v := ref(ear, f) - dsp.Band{Shape: dsp.Bell, FreqHz: 250, GainDB: -4, Q: 1}.AnalogDB(f) -
				dsp.Band{Shape: dsp.Bell, FreqHz: 4000, GainDB: 3, Q: 1}.AnalogDB(f)
			return v + map[string]float64{"left": left, "right": right}[ear]
		}
	}
	gains := func(r bench.SliderRow) (g, naive []float64) {
		for _, s := range r.Sliders {
			g, naive = append(g, s.GainDB), append(naive, s.NaiveDB)
		}
		return g, naive
	}
	for _, c := range []struct {
		name        string
		ears        []string
		left, right float64
		how         []string
	}{
		{"one ear, gain turned down", []string{"left"}, -9, 0, nil},
		{"both ears, gain turned up", []string{"left", "right"}, 5, 5, nil},
		{"ears apart, one turned down", []string{"left", "right"}, -9, 0, []string{"--ears", "apart"}},
	} {
		folder := demoBench(t)
		seatsOf(t, folder, "old", c.ears, ref)
		seatsOf(t, folder, "even", c.ears, set(0, 0))
		seatsOf(t, folder, "moved", c.ears, set(c.left, c.right))
		a := reply[bench.SliderAnswer](t, folder, append([]string{"sliders", "even", "--reference", "old"}, c.how...)...)
		b := reply[bench.SliderAnswer](t, folder, append([]string{"sliders", "moved", "--reference", "old"}, c.how...)...)
		for i := range a.Rows {
			g, n := gains(a.Rows[i])
			g2, n2 := gains(b.Rows[i])
			if !slices.Equal(g, g2) || !slices.Equal(n, n2) ||
				math.Abs(a.Rows[i].BeforeRMSDB-b.Rows[i].BeforeRMSDB) > 1e-3 {
				t.Errorf("%s: %v (naive %v), at even gains %v (%v)", c.name, g2, n2, g, n)
			}
			if a.Rows[i].HeadroomDB != a.Rows[0].HeadroomDB {
				t.Errorf("%s: headroom shifts the balance: %g and %g dB", c.name, a.Rows[0].HeadroomDB,
					a.Rows[i].HeadroomDB)
			}
		}
		if want := c.right - c.left; len(a.Rows) == 2 && math.Abs(b.BalanceDB-a.BalanceDB-want) > 0.01 {
			t.Errorf("%s: balance %.2f dB, moved by %.2f", c.name, b.BalanceDB, want)
		}
		m := reply[bench.SliderAnswer](t, folder, append([]string{"sliders", "moved", "--reference", "old",
			"--level", "measured"}, c.how...)...)
		g, _ := gains(m.Rows[0])
		g2, _ := gains(b.Rows[0])
		if slices.Equal(g, g2) || m.Level != "measured" || b.Level != "free" || m.BalanceDB != 0 {
			t.Errorf("%s: on demand the level is in the sliders: %v, otherwise %v", c.name, g, g2)
		}
		for level, says := range map[string]string{
			"free": "left to the volume control", "measured": "is in the sliders"} {
			out, _, err := command(folder, append([]string{"sliders", "moved", "--reference", "old", "--level", level},
				c.how...)...)
			if err != nil || strings.Count(out, "level: ") != 1 || !strings.Contains(out, says) {
				t.Errorf("%s, level %s: %v\n%s", c.name, level, err, out)
			}
		}
	}
}

// What is printed as left over is true on the bells that the equaliser has, each by its own sections; and the limits
// hold for the naive row, on both ears.
func TestSlidersSayWhatEachKindLeaves(t *testing.T) {
	folder := demoBench(t)
	for _, bells := range []string{"any", "analog", "bilinear"} {
		for _, ears := range []string{"together", "apart"} {
			a := reply[bench.SliderAnswer](t, folder, "sliders", "wipe-clean", "--reference", "woven", "--bells", bells,
				"--ears", ears, "--max-boost", "1", "--gentle=5")
			for _, r := range a.Rows {
				worst := 0.0
				for _, k := range r.Kinds {
					if bells == "any" || k.Bells == bells {
						worst = max(worst, k.ResidualRMSDB)
					}
				}
				if len(r.Kinds) != 3 || worst != r.ResidualRMSDB || a.Bells != bells {
					t.Errorf("%s: %.4f dB at most, of %+v", bells, r.ResidualRMSDB, r.Kinds)
				}
				set, naive := func(s bench.Slider) float64 { return s.GainDB }, func(s bench.Slider) float64 { return s.NaiveDB }
				for what, gain := range map[string]func(bench.Slider) float64{"set": set, "naive": naive} {
					for _, k := range r.Kinds {
						if bells != "any" && k.Bells != bells {
							continue
						}
						top := 0.0
						for f := 20.0; f <= 20000; f *= 1.01 {
							sum := 0.0
							for _, s := range r.Sliders {
								b := dsp.Band{Shape: dsp.Bell, FreqHz: s.FreqHz, GainDB: gain(s), Q: r.Q}
								if math.Abs(gain(s)) > 5 {
									t.Errorf("%s, ears %s: %s moves by %g dB", bells, ears, what, gain(s))
								}
								if k.RateHz == 0 {
									sum += b.AnalogDB(f)
									continue
								}
								sec, err := dsp.Bilinear(b, k.RateHz)
								if err != nil {
									t.Fatal(err)
								}
								sum += sec.DB(f, k.RateHz)
							}
							top = max(top, sum)
						}
						if top > 1.002 {
							t.Errorf("%s, ears %s: %s boosts by %.2f dB on %s bells, allowed 1", bells, ears, what, top,
								k.Bells)
						}
					}
				}
			}
		}
	}
	out, _, err := command(folder, "sliders", "wipe-clean", "--reference", "woven")
	for _, w := range []string{"on analog bells:", "on bilinear bells at 44.1 kHz:", "on bilinear bells at 48 kHz:"} {
		if err != nil || !strings.Contains(out, w) {
			t.Errorf("%v: %q is not in\n%s", err, w, out)
		}
	}
}
