package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	swept "cushwright/dsp/sweep"
)

// inventedSeat is a seat of a response with scatter: two smooth departures, a decibel in the bass, half of one above.
func inventedSeat(rng *rand.Rand, response func(hz float64) float64, date string, notes ...string) config.Seat {
	s := config.Seat{Date: date, RateHz: 48000, SweepLevelDB: -30, SignalDB: 60, Notes: notes}
	bass, middle, top := rng.NormFloat64(), 0.4*rng.NormFloat64(), 0.6*rng.NormFloat64()
	bump := func(f, hz float64) float64 { u := math.Log2(f / hz); return math.Exp(-u * u / 2) }
	for _, f := range swept.Grid() {
		s.FreqHz = append(s.FreqHz, f)
		s.LevelDB = append(s.LevelDB, words.Typed(response(f)+bass*bump(f, 40)+middle*bump(f, 700)+top*bump(f, 7000)+0.05*rng.NormFloat64(), 1e-4))
	}
	return s
}

// runIn runs a command in this process on a bench.
func runIn(t *testing.T, bench string, args ...string) (stdout, stderr string, err error) {
	t.Helper()
	root := newRoot()
	var o, e bytes.Buffer
	root.SetOut(&o)
	root.SetErr(&e)
	root.SetIn(strings.NewReader(""))
	root.SetArgs(append([]string{"--bench", bench}, args...))
	err = root.ExecuteContext(t.Context())
	return o.String(), e.String(), err
}

func writeSeats(t *testing.T, dir, cushion string, n int, seat func() config.Seat) {
	t.Helper()
	for range n {
		for _, e := range bench.Ears {
			s := seat()
			s.Ear = e
			if _, err := config.WriteSeat(dir, cushion, e, s); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A cushion that has softened is told from one that has only been seated again, and what rests on it is named.
func TestCushionAges(t *testing.T) {
	plain := func(hz float64) float64 { return 1.5*math.Sin(math.Log(hz)) - 40 }
	softer := func(hz float64) float64 { return plain(hz) - 4/(1+math.Pow(hz/180, 2)) }
	for _, c := range []struct {
		name    string
		later   func(float64) float64
		drifted bool
	}{{"woven", plain, false}, {"worn", softer, true}} {
		dir := t.TempDir()
		rng := rand.New(rand.NewPCG(5, 5))
		// A third visit in between, and one before, have no say.
		old := func(hz float64) float64 { return plain(hz) + 8*math.Cos(math.Log(hz)) }
		writeSeats(t, dir, "wipe-clean", 2, func() config.Seat { return inventedSeat(rng, old, "2025-12-01T10:00:00Z") })
		writeSeats(t, dir, "wipe-clean", 6, func() config.Seat { return inventedSeat(rng, plain, "2026-01-10T09:30:00Z") })
		writeSeats(t, dir, "wipe-clean", 2, func() config.Seat { return inventedSeat(rng, old, "2026-03-03") })
		writeSeats(t, dir, "wipe-clean", 6, func() config.Seat { return inventedSeat(rng, c.later, "2026-06-11T16:00:00+02:00") })
		writeSeats(t, dir, "woven", 6, func() config.Seat { return inventedSeat(rng, func(float64) float64 { return -40 }, "2026-01-10") })
		if out, said, err := runIn(t, dir, "derive", "wipe-clean", "--reference", "woven"); err != nil {
			t.Fatalf("%v %s%s", err, out, said)
		}
		text, said, err := runIn(t, dir, "compare", "wipe-clean", "--since", "2026-01-01", "--json")
		var got bench.AgeReport
		if e := json.Unmarshal([]byte(text), &got); e != nil {
			t.Fatalf("%v: %s%s %v", e, text, said, err)
		}
		_, no := err.(answerNo)
		if got.Drifted != c.drifted || no != c.drifted || len(got.Ears) != 2 || got.Ears[0].First != "2026-01-10" || got.Ears[0].Latest != "2026-06-11" {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		if c.drifted && (len(got.Derive) != 1 || got.Derive[0] != "wipe-clean" || !strings.Contains(got.Text, "derive wipe-clean --since 2026-06-11") || !strings.Contains(got.Ears[0].Text, "Hz")) {
			t.Errorf("%s: %+v", c.name, got)
		}
		if !c.drifted {
			continue
		}
		// What it advises works, and takes the latest seats alone.
		out, said, err := runIn(t, dir, "derive", "wipe-clean", "--reference", "woven", "--since", "2026-06-11", "--json")
		var d bench.Derived
		if e := json.Unmarshal([]byte(out), &d); e != nil || err != nil {
			t.Fatalf("%v %v: %s", e, err, said)
		}
		snap, err := config.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		corr, _ := snap.Correction("wipe-clean")
		if corr.Derived.Seats != 12 || !strings.Contains(said, "woven was not measured since") {
			t.Errorf("%d seats: %s", corr.Derived.Seats, said)
		}
		at := func(hz float64) float64 { return corr.Correction.AnalogDB(dsp.Left, hz) }
		if d := at(60) - at(1000) + (softer(60) - softer(1000)); math.Abs(d) > 1.5 {
			t.Errorf("the correction is off by %.1f dB at 60 Hz", d)
		}
	}
}

func TestCushionAgesRefusals(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(6, 6))
	writeSeats(t, dir, "woven", 3, func() config.Seat { return inventedSeat(rng, math.Log, "2026-01-10") })
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"compare", "woven", "--since", "yesterday"}, "YYYY-MM-DD"},
		{[]string{"compare", "woven", "--since", "2026-01-01"}, "two visits"},
		{[]string{"compare", "woven", "--since", "2026-01-01", "--align"}, "align"},
		{[]string{"compare", "woven", "deep-foam", "--since", "2026-01-01"}, "compare NAME --since DAY"},
		{[]string{"compare", "deep-foam", "--since", "2026-01-01"}, "deep-foam"},
		{[]string{"compare", "woven"}, "Write: cushwright compare REF NEW"},
		{[]string{"derive", "woven", "--since", "soon", "--reference", "deep-foam"}, "YYYY-MM-DD"},
	} {
		_, _, err := runIn(t, dir, c.args...)
		if _, no := err.(answerNo); err == nil || no || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v", c.args, err)
		}
	}
}

// What a proof found left over is fitted into the correction: the response moves by it, the bands stay as many, the
// headroom is right, and bands without gain stay as they are.
func TestRefineFitsWhatIsLeft(t *testing.T) {
	bump := func(db, at float64) func(float64) float64 {
		return func(hz float64) float64 { u := math.Log2(hz/at) / 0.4; return db * math.Exp(-u*u/2) }
	}
	for _, c := range []struct {
		name        string
		left, right func(float64) float64
		bands       string
	}{
		{"ears together", bump(4, 900), bump(4, 900), "[[band]]\nshape = \"low-shelf\"\nfreq_hz = 110\ngain_db = -5\nq = 0.7\n[[band]]\nshape = \"low-cut\"\nfreq_hz = 21\nq = 0.7\n"},
		{"ears apart", bump(4, 900), bump(-4, 2000), "[[band]]\nshape = \"bell\"\near = \"left\"\nfreq_hz = 300\ngain_db = 4\nq = 1\n[[band]]\nshape = \"bell\"\near = \"right\"\nfreq_hz = 300\ngain_db = 3\nq = 1\n"},
	} {
		dir := t.TempDir()
		rng := rand.New(rand.NewPCG(7, 7))
		ref := func(hz float64) float64 { return 2*math.Sin(1.7*math.Log(hz)) - 30 }
		writeSeats(t, dir, "woven", 6, func() config.Seat { return inventedSeat(rng, ref, "2026-01-10") })
		if err := os.MkdirAll(filepath.Join(dir, "corrections"), 0o755); err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, "corrections", "wipe-clean.toml")
		if err := config.WriteAtomic(file, []byte("reference = \"woven\"\nheadroom_db = \"auto\"\n"+c.bands)); err != nil {
			t.Fatal(err)
		}
		if _, _, err := runIn(t, dir, "derive", "wipe-clean", "--refine"); err == nil || !strings.Contains(err.Error(), "prove wipe-clean") {
			t.Errorf("%s: refined without a proof: %v", c.name, err)
		}
		snap, err := config.Load(dir)
		if err != nil {
			t.Fatal(err)
		}
		before, _ := snap.Correction("wipe-clean")
		note, _, err := bench.ProvenSeats(before)
		if err != nil {
			t.Fatal(err)
		}
		for range 6 {
			for e, left := range map[dsp.Ear]func(float64) float64{dsp.Left: c.left, dsp.Right: c.right} {
				s := inventedSeat(rng, func(hz float64) float64 { return ref(hz) + left(hz) - 7 }, "2026-02-01", note)
				s.Ear = e
				if _, err := config.WriteSeat(filepath.Join(dir, bench.Proofs), "wipe-clean", e, s); err != nil {
					t.Fatal(err)
				}
			}
		}
		// The stored seats alone give the verdict, without a rig.
		text, said, err := runIn(t, dir, "prove", "wipe-clean", "--seats", "0", "--json")
		var proof proofPrinted
		if e := json.Unmarshal([]byte(text), &proof); e != nil {
			t.Fatalf("%s: %v %v %s", c.name, e, err, said)
		}
		if _, no := err.(answerNo); !no || proof.Outcome != swept.Missed || !strings.Contains(proof.Next, "--refine") || proof.Ears[0].AfterSeats != 6 {
			t.Errorf("%s: %v, %+v", c.name, err, proof)
		}
		out, said, err := runIn(t, dir, "derive", "wipe-clean", "--refine", "--json")
		var d bench.Derived
		if e := json.Unmarshal([]byte(out), &d); e != nil || err != nil {
			t.Fatalf("%s: %v %v %s", c.name, e, err, said)
		}
		if snap, err = config.Load(dir); err != nil {
			t.Fatal(err)
		}
		after, _ := snap.Correction("wipe-clean")
		for e, left := range map[dsp.Ear]func(float64) float64{dsp.Left: c.left, dsp.Right: c.right} {
			moved := func(hz float64) float64 {
				return after.Correction.AnalogDB(e, hz) - before.Correction.AnalogDB(e, hz) + left(hz)
			}
			worst, at := 0.0, 0.0
			for _, hz := range []float64{100, 200, 300, 400, 600, 900, 1300, 2000, 3000, 4500, 6500, 9000} {
				if v := math.Abs(moved(hz) - moved(500)); v > worst {
					worst, at = v, hz
				}
			}
			t.Logf("%s, %s ear: what is left of what was left over: %.2f dB at %g Hz; %.2f dB RMS had been left", c.name, e, worst, at, d.LeftOver[0].RMSDB)
			if worst > 0.9 {
				t.Errorf("%s, %s ear: %.2f dB away at %g Hz", c.name, e, worst, at)
			}
		}
		kept := strings.Contains(c.bands, "low-cut")
		for _, e := range bench.Ears {
			n, cuts := 0, 0
			for _, b := range after.Correction.Bands() {
				if b.Covers(e) && b.Shape.HasGain() {
					n++
				} else if b.Covers(e) {
					cuts++
				}
			}
			if n > 8 || (cuts == 1) != kept {
				t.Errorf("%s, %s ear: %d bands, %d cuts", c.name, e, n, cuts)
			}
		}
		chain, err := after.Correction.Compile(48000, dsp.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !after.Correction.AutoHeadroom() || math.Abs(chain.HeadroomDB()+max(chain.PeakDB(), 0)) > 0.01 || d.HeadroomDB != chain.HeadroomDB() {
			t.Errorf("%s: headroom %.2f dB, peak %.2f", c.name, chain.HeadroomDB(), chain.PeakDB())
		}
		// The proof was of another correction: it does not count any more.
		if _, _, err := runIn(t, dir, "derive", "wipe-clean", "--refine"); err == nil || !strings.Contains(err.Error(), "prove wipe-clean") {
			t.Errorf("%s: refined by a proof of another correction: %v", c.name, err)
		}
	}
}

// Nothing is refined where only scatter is left.
func TestRefineLeavesScatterAlone(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(8, 8))
	ref := func(hz float64) float64 { return 2*math.Sin(1.7*math.Log(hz)) - 30 }
	writeSeats(t, dir, "woven", 6, func() config.Seat { return inventedSeat(rng, ref, "2026-01-10") })
	corr, err := dsp.NewCorrection([]dsp.Band{{Shape: dsp.Bell, FreqHz: 500, GainDB: -3, Q: 1}}, dsp.AutoHeadroom)
	if err != nil {
		t.Fatal(err)
	}
	c := config.Correction{Name: "wipe-clean", Reference: "woven", Correction: corr}
	if err := config.WriteCorrection(dir, "wipe-clean", c, nil); err != nil {
		t.Fatal(err)
	}
	note, _, err := bench.ProvenSeats(c)
	if err != nil {
		t.Fatal(err)
	}
	writeSeats(t, filepath.Join(dir, bench.Proofs), "wipe-clean", 6, func() config.Seat { return inventedSeat(rng, ref, "2026-02-01", note) })
	_, _, err = runIn(t, dir, "derive", "wipe-clean", "--refine")
	if _, no := err.(answerNo); !no || !strings.Contains(err.Error(), "nothing to refine") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "earlier")); err == nil {
		t.Error("something was written")
	}
	if text, _, err := runIn(t, dir, "prove", "wipe-clean", "--seats", "0"); err != nil || !strings.HasSuffix(strings.TrimSpace(text), "proven") {
		t.Errorf("%v: %s", err, text)
	}
}

// A wanted response can be proved against, too: the rig's calibration is taken off.
func TestProveAgainstWantedResponse(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(9, 9))
	rig := func(hz float64) float64 { return 6 / (1 + math.Pow(hz/3000, 2)) }
	var cal, want strings.Builder
	want.WriteString("freq_hz,level_db\n")
	for _, f := range swept.Grid() {
		fmt.Fprintf(&cal, "%.4f %.4f\n", f, rig(f))
		fmt.Fprintf(&want, "%.4f,%.4f\n", f, -2*math.Log10(f))
	}
	for name, text := range map[string]string{"settings.toml": "[rig]\ncalibration = \"rig.txt\"\n", "rig.txt": cal.String(), "wanted/calm.csv": want.String()} {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := config.WriteAtomic(filepath.Join(dir, name), []byte(text)); err != nil {
			t.Fatal(err)
		}
	}
	corr, err := dsp.NewCorrection(nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	c := config.Correction{Name: "woven", Reference: "calm", Correction: corr}
	if err := config.WriteCorrection(dir, "woven", c, nil); err != nil {
		t.Fatal(err)
	}
	note, _, err := bench.ProvenSeats(c)
	if err != nil {
		t.Fatal(err)
	}
	writeSeats(t, filepath.Join(dir, bench.Proofs), "woven", 6, func() config.Seat {
		return inventedSeat(rng, func(hz float64) float64 { return -2*math.Log10(hz) + rig(hz) }, "2026-02-01", note)
	})
	text, said, err := runIn(t, dir, "prove", "woven", "--seats", "0", "--json")
	var proof proofPrinted
	if e := json.Unmarshal([]byte(text), &proof); e != nil {
		t.Fatalf("%v %v %s", e, err, said)
	}
	for _, e := range proof.Ears {
		if e.Outcome == swept.Missed || e.AfterRMSDB > 0.6 {
			t.Errorf("%+v", e)
		}
	}
}
