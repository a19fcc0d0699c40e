package config

import (
	"bytes"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cushwright/dsp"
)

var update = flag.Bool("update", false, "write the seats of the demo bench anew")

// The invented model behind the demo's seats. Level at the rig = headphone with the woven cushion + what the cushion changes +
// ear + scatter of the seat. Curves are monotone cubics (Fritsch, Carlson 1980) in log frequency through these points of Hz, dB.
// The sealed cushion follows a habit of the trade, without a source: a porous fabric cushion replaced by a sealed one about
// 3 mm thicker gains most at 250 Hz (7 to 8 dB), then 125 Hz (6), 63 Hz (5), 31 Hz (4 to 5); 1 kHz loses 3 to 4, 2 kHz gains 2
// to 3, 4 kHz loses 3 to 4.
var (
	demoHeadphone = [][2]float64{{20, 86}, {40, 92}, {80, 95}, {150, 95}, {300, 93.5}, {700, 93}, {1300, 94.5}, {2600, 101}, {3600, 100},
		{5200, 93}, {7000, 96}, {9000, 88}, {11000, 92}, {14000, 84}, {20000, 74}}
	demoChange = map[string][][2]float64{
		"woven": {{20, 0}, {20000, 0}},
		"wipe-clean": {{20, 4.3}, {31.5, 4.6}, {63, 5.1}, {125, 6.2}, {250, 7.6}, {500, 2.1}, {1000, -3.6}, {2000, 2.6}, {4000, -3.6},
			{5600, 0.8}, {7000, -1.6}, {8200, 1.4}, {10000, -2}, {12500, 1}, {20000, -1}},
		"deep-foam": {{20, -6.8}, {31.5, -5.2}, {63, -2.8}, {125, -1.1}, {250, 0.6}, {500, 1.2}, {1000, 0.4}, {2000, -1.6}, {3150, -3},
			{4500, -0.6}, {6000, 2.4}, {8000, 0.4}, {10000, -3}, {12500, -1}, {16000, -2.4}, {20000, -3}},
	}
	// Right minus left of the headphone.
	demoRight = [][2]float64{{20, 0.3}, {200, 0.2}, {1000, 0}, {3000, -0.4}, {8000, 0.6}, {20000, -0.5}}
	// Standard deviation from seat to seat: no published figure by frequency was confirmed; invented.
	demoScatter = [][2]float64{{20, 3}, {100, 3}, {200, 1}, {3600, 1}, {4400, 3}, {7600, 3}, {8800, 5}, {20000, 5}}
)

const demoSeats = 5 // of a visit to the rig

// demoVisits are the days on which a cushion of the demo was measured, demoSeats an ear on each: the reference twice, so that
// its ageing can be looked at.
func demoVisits(cushion string) []string {
	if cushion == "woven" {
		return []string{"2026-01-12", "2026-09-02"}
	}
	return []string{"2026-09-02"}
}

func demoSeatsOf(cushion string) int { return demoSeats * len(demoVisits(cushion)) }

// through evaluates the monotone cubic through the points at freqHz.
func through(p [][2]float64, freqHz float64) float64 {
	x := make([]float64, len(p))
	for i := range p {
		x[i] = math.Log2(p[i][0])
	}
	slope := func(i int) float64 { return (p[i+1][1] - p[i][1]) / (x[i+1] - x[i]) }
	tangent := func(i int) float64 {
		if i == 0 || i == len(p)-1 {
			return 0
		}
		a, b := slope(i-1), slope(i)
		if a*b <= 0 {
			return 0
		}
		return 2 * a * b / (a + b) // harmonic mean: no overshoot
	}
	u := math.Log2(freqHz)
	i := min(max(0, slices.IndexFunc(x, func(v float64) bool { return v > u })-1), len(p)-2)
	if u >= x[len(x)-1] {
		return p[len(p)-1][1]
	}
	h := x[i+1] - x[i]
	t := (u - x[i]) / h
	return p[i][1]*(1+2*t)*(1-t)*(1-t) + h*tangent(i)*t*(1-t)*(1-t) + p[i+1][1]*t*t*(3-2*t) + h*tangent(i+1)*t*t*(t-1)
}

// wander is a smooth random curve over log frequency with variance 1: forty cosines of random pace and phase.
func wander(r *rand.Rand, octaves float64) func(freqHz float64) float64 {
	const n = 40
	var pace, phase [n]float64
	for i := range n {
		// Sum of twelve uniforms: a normal deviate that depends on nothing but the generator.
		s := -6.0
		for range 12 {
			s += r.Float64()
		}
		pace[i], phase[i] = s/octaves, 2*math.Pi*r.Float64()
	}
	return func(f float64) float64 {
		y := 0.0
		for i := range n {
			y += math.Cos(pace[i]*math.Log2(f) + phase[i])
		}
		return y * math.Sqrt(2.0/n)
	}
}

func demoSeat(cushion string, ear dsp.Ear, n int) Seat {
	r := rand.New(rand.NewPCG(uint64(n)*2+uint64(ear), uint64(slices.Index([]string{"woven", "wipe-clean", "deep-foam"}, cushion))+77))
	offset := 0.4 * (2*r.Float64() - 1)
	bass, mid, treble := wander(r, 2), wander(r, 0.5), wander(r, 0.12)
	s := Seat{Ear: ear, Date: demoVisits(cushion)[(n-1)/demoSeats], RateHz: 48000, Rig: "invented rig", Headphone: "invented headset", SweepLevelDB: -30, SignalDB: math.Round(10*(58+4*r.Float64())) / 10,
		Notes: []string{"invented: this response comes from a formula, nothing was measured"}}
	// Mid-bands of 1/24 octave, base ten (IEC 61260-1:2014), a step beyond 20 Hz and 20 kHz.
	for k := -137; k <= 104; k++ {
		f := 1000 * math.Pow(10, 0.3*(float64(k)+0.5)/24)
		v := through(demoHeadphone, f) + through(demoChange[cushion], f) + offset
		if ear == dsp.Right {
			v += through(demoRight, f)
		}
		// Slow in the bass, where a leak moves everything together; quick in the treble.
		lo := 1 / (1 + math.Pow(f/200, 4))
		hi := 1 / (1 + math.Pow(4000/f, 8))
		v += through(demoScatter, f) * (math.Sqrt(lo)*bass(f) + math.Sqrt(max(0, 1-lo-hi))*mid(f) + math.Sqrt(hi)*treble(f))
		s.FreqHz = append(s.FreqHz, math.Round(f*1000)/1000)
		s.LevelDB = append(s.LevelDB, math.Round(v*100)/100)
	}
	return s
}

// The seats in the binary are those of the model: nobody can edit one by hand unnoticed.
func TestDemoSeatsComeFromTheModel(t *testing.T) {
	n := 0
	for cushion := range demoChange {
		for _, ear := range []dsp.Ear{dsp.Left, dsp.Right} {
			for i := 1; i <= demoSeatsOf(cushion); i++ {
				file := filepath.Join("demo", filepath.FromSlash(seatFile(cushion, ear, i)))
				want, err := demoSeat(cushion, ear, i).Text()
				if err != nil {
					t.Fatal(err)
				}
				if *update {
					if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
						t.Fatal(err)
					}
					if err := os.WriteFile(file, want, 0o644); err != nil {
						t.Fatal(err)
					}
				}
				got, err := os.ReadFile(file)
				if err != nil {
					t.Fatal(err)
				}
				// Machines with fused multiplication may round the last digit otherwise.
				a, err1 := ParseSeat(file, got)
				b, err2 := ParseSeat(file, want)
				if err1 != nil || err2 != nil || len(a.FreqHz) != len(b.FreqHz) {
					t.Fatal(file, err1, err2)
				}
				for k := range a.FreqHz {
					if a.FreqHz[k] != b.FreqHz[k] || math.Abs(a.LevelDB[k]-b.LevelDB[k]) > 0.0101 {
						t.Fatalf("%s: %g Hz %g dB, the model says %g Hz %g dB", file, a.FreqHz[k], a.LevelDB[k], b.FreqHz[k], b.LevelDB[k])
					}
				}
				n++
			}
		}
	}
	if n != 4*2*demoSeats {
		t.Fatalf("%d seats", n)
	}
}

// The scatter of the demo's seats is that of the model's figures, as far as five seats of three cushions can tell.
func TestDemoScatter(t *testing.T) {
	for _, c := range []struct{ lo, hi, sd float64 }{{20, 100, 3}, {220, 3500, 1}, {4500, 7500, 3}, {9000, 20000, 5}} {
		sum, n := 0.0, 0
		for cushion := range demoChange {
			for _, ear := range []dsp.Ear{dsp.Left, dsp.Right} {
				var seats []Seat
				for i := 1; i <= demoSeats; i++ {
					seats = append(seats, demoSeat(cushion, ear, i))
				}
				for k, f := range seats[0].FreqHz {
					if f < c.lo || f > c.hi {
						continue
					}
					mean := 0.0
					for _, s := range seats {
						mean += s.LevelDB[k] / demoSeats
					}
					for _, s := range seats {
						sum += (s.LevelDB[k] - mean) * (s.LevelDB[k] - mean)
					}
					n += demoSeats - 1
				}
			}
		}
		if sd := math.Sqrt(sum / float64(n)); sd < 0.7*c.sd || sd > 1.3*c.sd {
			t.Errorf("%g to %g Hz: standard deviation %.2f dB, the model says %g", c.lo, c.hi, sd, c.sd)
		}
	}
}

// Each demo correction takes most of the change away.
func TestDemoCorrectionsAreInverses(t *testing.T) {
	dir := t.TempDir()
	if _, err := FirstRun(dir); err != nil {
		t.Fatal(err)
	}
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"wipe-clean", "deep-foam"} {
		c, ok := s.Correction(name)
		if !ok || c.Reference != "woven" {
			t.Fatalf("%s: %+v", name, c)
		}
		if n := len(c.Correction.Bands()); n < 6 || n > 10 {
			t.Errorf("%s: %d bands", name, n)
		}
		var before, after float64
		n := 0
		for f := 30.0; f < 8000; f *= 1.02 {
			d := through(demoChange[name], f)
			e := d + c.Correction.AnalogDB(dsp.Left, f)
			before, after = before+d*d, after+e*e
			n++
			if math.Abs(e) > 2 {
				t.Errorf("%s: %.1f dB left at %.0f Hz", name, e, f)
			}
		}
		before, after = math.Sqrt(before/float64(n)), math.Sqrt(after/float64(n))
		t.Logf("%s: %.2f dB RMS before, %.2f after, 30 Hz to 8 kHz", name, before, after)
		if after > 0.6 || after > before/3 {
			t.Errorf("%s: %.2f dB RMS before, %.2f after", name, before, after)
		}
	}
	if _, ok := s.Correction("woven"); ok {
		t.Error("the reference has a correction")
	}
}

func TestFirstRun(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "bench")
	created, err := FirstRun(dir)
	if err != nil {
		t.Fatal(err)
	}
	if created[len(created)-1] != "settings.toml" || len(created) < 3+2+3+30+1 {
		t.Fatalf("created %q", created)
	}
	for _, f := range created {
		data, err := os.ReadFile(filepath.Join(dir, f))
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(f, "equalisers/") && f != "settings.toml" && !bytes.Contains(bytes.ToLower(data), []byte("invented")) {
			t.Errorf("%s does not say that it is invented", f)
		}
	}
	s, err := Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Warnings) > 0 {
		t.Error(s.Warnings)
	}
	if got := s.CushionNames(); !slices.Equal(got, []string{"deep-foam", "wipe-clean", "woven"}) {
		t.Error(got)
	}
	if got := s.EqualiserNames(); len(got) != 3 {
		t.Error(got)
	}
	want := DefaultSettings()
	want.Reference = "woven"
	if s.Settings != want {
		t.Errorf("settings %+v", s.Settings)
	}
	for _, c := range s.CushionNames() {
		refs, err := s.Seats(c)
		if err != nil || len(refs) != 2*demoSeatsOf(c) {
			t.Fatalf("%s: %d seats, %v", c, len(refs), err)
		}
		for _, r := range refs {
			if seat, err := s.LoadSeat(r); err != nil || seat.Ear != r.Ear || len(seat.FreqHz) < 200 {
				t.Fatal(r, err)
			}
		}
	}
	// A second time, or in a folder that holds something, nothing is written.
	if again, err := FirstRun(dir); err != nil || again != nil {
		t.Error(again, err)
	}
	other := t.TempDir()
	if err := os.WriteFile(filepath.Join(other, "mine"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if c, err := FirstRun(other); err != nil || c != nil {
		t.Error(c, err)
	}
	if e, _ := os.ReadDir(other); len(e) != 1 {
		t.Error("wrote into a folder in use")
	}
	// A file in the way is an error.
	if _, err := FirstRun(filepath.Join(other, "mine")); err == nil {
		t.Error("no error for a file")
	}
}

// Every key of the settings stands in the default file, commented out, and switching them all on changes nothing.
func TestDefaultSettingsTOML(t *testing.T) {
	s, ps := parseSettings("settings.toml", []byte(DefaultSettingsTOML))
	if len(ps) > 0 || s != DefaultSettings() {
		t.Fatal(s, ps)
	}
	var on strings.Builder
	for l := range strings.Lines(DefaultSettingsTOML) {
		if k, _, ok := strings.Cut(l, " = "); ok && strings.HasPrefix(k, "# ") && !strings.Contains(k[2:], " ") && k != "# reference" {
			l = l[2:]
		}
		on.WriteString(l)
	}
	s, ps = parseSettings("settings.toml", []byte(on.String()))
	if len(ps) > 0 || s != DefaultSettings() {
		t.Fatal(s, ps)
	}
	if n := strings.Count(on.String(), " = "); n != countKeys(reflect.TypeOf(Settings{})) {
		t.Fatalf("%d of %d keys", n, countKeys(reflect.TypeOf(Settings{})))
	}
}

func countKeys(t reflect.Type) int {
	n := 0
	for i := range t.NumField() {
		switch f := t.Field(i); {
		case f.Type.Kind() == reflect.Struct:
			n += countKeys(f.Type)
		default:
			n++
		}
	}
	return n
}
