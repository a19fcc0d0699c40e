package service

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"cushwright/config"
	"cushwright/dsp/testrun"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// window is 100 ms, and the period of the noise that is played: every window of a steady sound has the same power.
const window = rateHz / 10

// pinkPeriod is pink noise of one period, both ears apart: every 10 Hz from 20 Hz to 20 kHz a line of a power of 1/f.
func pinkPeriod(rms float64) []float32 {
	r := rand.New(rand.NewPCG(5, 6))
	x, sum := make([]float64, 2*window), 0.0
	for ear := range 2 {
		for f := 20.0; f <= 20000; f += 10 {
			a, phase := math.Sqrt(2/f), 2*math.Pi*r.Float64()
			for i := range window {
				x[2*i+ear] += a * math.Sin(2*math.Pi*f*float64(i)/rateHz+phase)
			}
		}
	}
	for _, v := range x {
		sum += v * v
	}
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v * rms / math.Sqrt(sum/float64(len(x))))
	}
	return out
}

// weighed is the loudness of each window, in dB, by the K-weighting of ITU-R BS.1770-5, whose coefficients at 48 kHz
// stand in its tables 1 and 2.
func weighed(y []float32) (db []float64) {
	filters := [2][5]float64{ // b0 b1 b2 a1 a2
		{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585},
		{1, -2, 1, -1.99004745483398, 0.99007225036621}}
	var z [2][2][2]float64 // by ear and filter
	sum := 0.0
	for i, s := range y {
		v := float64(s)
		for f, c := range filters {
			st := &z[i%2][f]
			out := c[0]*v + st[0]
			st[0], st[1] = c[1]*v-c[3]*out+st[1], c[2]*v-c[4]*out
			v = out
		}
		if sum += v * v; (i+1)%(2*window) == 0 {
			db = append(db, 10*math.Log10(sum/window+1e-20))
			sum = 0
		}
	}
	return db
}

// atMost is how far a swap may move the loudness, dB.
const atMost = 0.5

// stepped is a service on a device that plays on only when it is told to.
type stepped struct {
	t   *testing.T
	svc *Service
	d   *sim.Driver
	dir string
	at  int // samples looked at so far

	mu     sync.Mutex // guards what follows
	moved  *sync.Cond
	out    []float32
	target int // samples to be played
}

func newStepped(t *testing.T, files map[string]string, fitted string) *stepped {
	t.Helper()
	s := &stepped{t: t, dir: t.TempDir()}
	s.moved = sync.NewCond(&s.mu)
	noise := pinkPeriod(0.02)
	s.d = &sim.Driver{Source: func(frame uint64, in []float32) {
		for i := range in {
			in[i] = noise[(2*frame+uint64(i))%uint64(len(noise))]
		}
	}, Sink: func(_ uint64, out []float32) {
		s.mu.Lock()
		defer s.mu.Unlock()
		for len(s.out) >= s.target {
			s.moved.Wait()
		}
		s.out = append(s.out, out...)
		s.moved.Broadcast()
	}}
	for name, text := range files {
		s.write(name, text)
	}
	snap, err := config.Load(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	s.svc, err = New(Options{Dir: s.dir, Snap: snap, Fitted: fitted, Driver: s.d,
		Fix: func(e engine.Settings) engine.Settings {
			e.Capture, e.Output, e.RateHz = "simulated-capture", "simulated-output", rateHz
			return e
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { s.svc.Play(ctx) })
	t.Cleanup(func() { s.until(math.MaxInt); cancel(); wg.Wait() })
	s.play(20)
	return s
}

func (s *stepped) write(name, text string) {
	s.t.Helper()
	file := filepath.Join(s.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		s.t.Fatal(err)
	}
	if err := config.WriteAtomic(file, []byte(text)); err != nil {
		s.t.Fatal(err)
	}
}

// until lets so many samples be played in all.
func (s *stepped) until(samples int) {
	s.mu.Lock()
	s.target = samples
	s.moved.Broadcast()
	s.mu.Unlock()
}

// play plays so many windows, and gives the loudness of each.
func (s *stepped) play(windows int) []float64 {
	s.t.Helper()
	from := s.at
	s.at += 2 * window * windows
	s.until(s.at)
	lead := min(from, 4*window) // lets the weighting settle
	var y []float32
	s.mu.Lock()
	for len(s.out) < s.at {
		s.moved.Wait()
	}
	y = append(y, s.out[from-lead:s.at]...)
	s.mu.Unlock()
	return weighed(y)[lead/(2*window):]
}

// settle plays at least so many windows, and on until nothing rises any more.
func (s *stepped) settle(windows int) []float64 {
	s.t.Helper()
	all := s.play(windows)
	for more := 0; more < 100; more += 3 {
		next := s.play(3)
		all = append(all, next...)
		if n := len(all); all[n-1] > -60 && math.Abs(all[n-1]-all[n-3]) < 0.01 {
			return all
		}
	}
	s.t.Error("the loudness does not settle")
	return all
}

// lose lets the device stand still until the engine opens it anew, and plays on.
func (s *stepped) lose(meanwhile func()) {
	s.t.Helper()
	n := s.svc.session.Status().Reopened
	s.d.Stall()
	s.mu.Lock()
	s.target = len(s.out) + 1 // the callback under way
	s.moved.Broadcast()
	s.mu.Unlock()
	if err := until(s.t.Context(), func() bool { return s.svc.session.Status().Reopened > n }); err != nil {
		s.t.Fatal(err)
	}
	meanwhile()
	s.d.Revive()
}

// bands is a correction of random bands, and by chance a headroom of its own.
func bands(r *rand.Rand) string {
	var b strings.Builder
	b.WriteString([]string{"headroom_db = \"auto\"\n", "reference = \"woven\"\n", "headroom_db = -9\n", "headroom_db = 0\n"}[r.IntN(4)])
	most := []float64{3, 8, 12}[r.IntN(3)]
	for range 1 + r.IntN(8) {
		gain := (2*r.Float64() - 1) * most
		if most == 12 {
			gain = -math.Abs(gain) / 2 // cuts alone
		}
		fmt.Fprintf(&b, "[[band]]\nshape = %q\near = %q\nfreq_hz = %.1f\ngain_db = %.2f\nq = %.2f\n",
			[]string{"bell", "bell", "low-shelf", "high-shelf"}[r.IntN(4)],
			[]string{"both", "both", "left", "right"}[r.IntN(4)], 30*math.Pow(400, r.Float64()), gain, 0.4+r.Float64())
	}
	return b.String()
}

// bound is what the loudness of windows after a deed may be, against that before it: never further away than near, and
// no more above it than 0.5 dB and a rise of 6 dB/s make. The window that holds the crossfade may be 0.3 dB further away:
// in its 20 ms two filters of different phase are added, and the deep ones of the new are not settled yet. The first windows may be lower: a fade-in. No window is louder
// than the one before by more than the rise, the one with the crossfade and those of a fade-in apart.
func (s *stepped) bound(what string, before float64, after []float64, near float64, fading int) {
	s.t.Helper()
	for i, l := range after {
		up, near := 0.5+0.6*(float64(i)+0.5), near
		if i == 0 && near == atMost {
			near += 0.3
		}
		if l-before > min(up, near) || before-l > near && i >= fading || i > max(1, fading) && l-after[i-1] > 0.65 {
			s.t.Errorf("%s: in 100 ms number %d the loudness is %+.2f dB from what it was, after %+.2f", what, i+1,
				l-before, after[max(0, i-1)]-before)
			return
		}
	}
}

// TestNothingJumps plays pink noise while cushions are swapped, corrections edited, deleted and spoilt, bypassed, and the
// device lost, in random order: swaps and bypass move the loudness by 0.5 dB at most, whatever else happens lets it rise
// by 6 dB/s at most. With every cushion at its own level the rise alone is bounded.
func TestNothingJumps(t *testing.T) {
	for _, c := range []struct {
		name, settings string
		shared         bool // swaps move nothing
		even           bool // and bypass moves nothing
	}{
		{"as it comes", "# all defaults\n", true, true},
		{"by programme", "[bypass]\nmatch = \"programme\"\n", true, true},
		{"bypass is not matched", "[bypass]\nmatch = \"off\"\n", true, false},
		{"each at its own level", "[sound]\nshare_level = false\n", false, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			heard := extremes{least: math.Inf(1), most: math.Inf(-1)}
			for seed := range uint64(testrun.Pick(1, 20)) {
				swapAndSpoil(t, c.settings, 10*uint64(len(c.name))+seed, c.shared, c.even, &heard)
			}
			t.Logf("past the crossfade, what must move nothing moved the loudness by %.2f dB at most; all was between %.1f and %.1f dB",
				heard.apart, heard.least, heard.most)
			if heard.most-heard.least < 3 {
				t.Error("the corrections ask for almost the same level: nothing was tried")
			}
		})
	}
}

// extremes are those of the loudness: what was between windows that must be alike, and of all, dB.
type extremes struct{ apart, least, most float64 }

func swapAndSpoil(t *testing.T, settings string, seed uint64, shared, even bool, heard *extremes) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 77))
	names := []string{"woven", "wipe-clean", "deep-foam", "velvet", "gel"} // woven has no correction
	files := map[string]string{"settings.toml": settings}
	for _, n := range names {
		files["cushions/"+n+".toml"] = "cover = \"invented\"\n"
		if n != "woven" {
			files["corrections/"+n+".toml"] = bands(r)
		}
	}
	s := newStepped(t, files, names[r.IntN(len(names))])
	ctx := t.Context()
	reload := func() { s.svc.Loaded(config.Load(s.dir)) }
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	any := math.Inf(1)
	ifTrue := func(ok bool) float64 {
		if ok {
			return atMost
		}
		return any
	}
	last := s.settle(5)
	before := last[len(last)-1]
	for step := range 40 {
		name := names[1+r.IntN(len(names)-1)]
		what, near, fading := "", any, 0
		n := s.svc.session.Status().Reopened
		switch kind := r.IntN(24); {
		case kind < 6:
			name = names[r.IntN(len(names))]
			what, near = "wear "+name, ifTrue(shared && (even || !s.svc.Status().Bypass))
			must(s.svc.Wear(ctx, name))
		case kind < 12:
			with := ""
			if _, ok := s.svc.snap.Correction(name); ok && r.IntN(2) == 0 {
				with = name
			}
			what, near = "bypass with "+with, ifTrue(even && (shared || with == "" || with == s.svc.with))
			_, err := s.svc.Bypass(ctx, "toggle", with)
			must(err)
		case kind < 16:
			what = "edit " + name
			s.write("corrections/"+name+".toml", bands(r))
			reload()
		case kind < 18:
			what = "delete " + name
			os.Remove(filepath.Join(s.dir, "corrections", name+".toml"))
			if r.IntN(4) == 0 {
				what = "delete all"
				must(os.RemoveAll(filepath.Join(s.dir, "corrections")))
			}
			reload()
		case kind < 20:
			what, near = "spoil "+name, 0.05
			file := "corrections/" + name + ".toml"
			was, err := os.ReadFile(filepath.Join(s.dir, file))
			s.write(file, "headroom_db = 3\n")
			reload()
			if err == nil {
				s.write(file, string(was))
			} else {
				must(os.Remove(filepath.Join(s.dir, file)))
			}
		case kind < 23:
			what, near, fading = "frames lost", atMost, 7
			s.d.Lose(30) // 0.3 s
		default: // takes half a second of real time
			edit := r.IntN(2) == 0
			what, n = "lost", n+1
			s.lose(func() {
				if edit {
					what = "lost, and edit " + name
					s.write("corrections/"+name+".toml", bands(r))
					reload()
				}
			})
			if !edit {
				near = atMost
			}
			fading = 5
		}
		if s.svc.session.Status().Counters.Overs > 0 {
			t.Fatal("the guard worked: the noise is too loud for this test")
		}
		after := s.settle(max(5, fading))
		if s.svc.session.Status().Reopened != n { // the machine stood still: nothing is heard for a while
			after = append(after, s.settle(20)...)
			fading = len(after)
		}
		s.bound(fmt.Sprintf("seed %d, step %d, %s", seed, step, what), before, after, near, fading)
		for i := max(1, fading); i < len(after) && near == atMost; i++ {
			heard.apart = max(heard.apart, math.Abs(after[i]-before))
		}
		heard.least, heard.most = min(heard.least, before), max(heard.most, before)
		before = after[len(after)-1]
	}
}

// TestNothingJumpsWhenSoundIsBack: all corrections are deleted while the device is lost. What was needed for them is not
// there at once.
func TestNothingJumpsWhenSoundIsBack(t *testing.T) {
	s := newStepped(t, map[string]string{"cushions/woven.toml": "cover = \"invented\"\n",
		"corrections/gel.toml": "[[band]]\nshape = \"bell\"\nfreq_hz = 60\ngain_db = 12\nq = 2\n"}, "woven")
	before := s.play(10)[9]
	s.lose(func() {
		if err := os.RemoveAll(filepath.Join(s.dir, "corrections")); err != nil {
			t.Fatal(err)
		}
		s.write("cushions/gel.toml", "cover = \"invented\"\n")
		s.svc.Loaded(config.Load(s.dir))
	})
	after := s.play(40)
	s.bound("back", before, after, math.Inf(1), 5)
	if up := after[39] - before; up < 8 {
		t.Errorf("in the end it is %.2f dB louder; a bell of 12 dB at 60 Hz took more", up)
	}
}

// TestLevelIsSaid: a cushion without a correction says why it plays lower, and the setting that is named has it
// otherwise. A bench without a correction takes nothing off.
func TestLevelIsSaid(t *testing.T) {
	const bass = "[[band]]\nshape = \"bell\"\nfreq_hz = 60\ngain_db = 12\nq = 2\n"
	programme := weighed(append(pinkPeriod(0.02), pinkPeriod(0.02)...))[1]
	s := newStepped(t, map[string]string{"cushions/woven.toml": "cover = \"invented\"\n"}, "woven")
	settled := func() float64 {
		s.t.Helper()
		l := s.play(30)
		return l[29] - programme
	}
	if l, st := settled(), s.svc.Status(); math.Abs(l) > 0.02 || st.HeadroomDB != 0 || st.Lower != "" {
		t.Errorf("without any correction: %+.2f dB, %+v", l, st)
	}
	s.write("corrections/gel.toml", bass)
	s.svc.Loaded(config.Load(s.dir))
	l, st := settled(), s.svc.Status()
	if l > -10 || math.Abs(l-st.HeadroomDB) > 0.1 || math.Abs(l-st.ShareDB) > 0.1 || st.ShareFor != "gel" {
		t.Errorf("beside a correction: %+.2f dB, %+v", l, st)
	}
	for _, want := range []string{fmt.Sprintf("%.1f dB lower", -st.ShareDB), "gel", "sound.share_level = false"} {
		if !strings.Contains(st.Lower, want) {
			t.Errorf("it says %q, not %q", st.Lower, want)
		}
	}
	if err := s.svc.Wear(t.Context(), "gel"); err != nil {
		t.Fatal(err)
	}
	if st := s.svc.Status(); st.Lower != "" || st.ShareFor != "" {
		t.Errorf("the correction that sets the level: %+v", st)
	}
	if err := s.svc.Wear(t.Context(), "woven"); err != nil {
		t.Fatal(err)
	}
	s.write("settings.toml", "[sound]\nshare_level = false\n")
	s.svc.Loaded(config.Load(s.dir))
	if l, st := settled(), s.svc.Status(); math.Abs(l) > 0.02 || st.HeadroomDB != 0 || st.Lower != "" {
		t.Errorf("each at its own level: %+.2f dB, %+v", l, st)
	}
}
