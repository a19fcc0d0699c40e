package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/loudness"
	"cushwright/dsp/plot"
	"cushwright/engine"
	"cushwright/engine/sim"
)

func (a *app) demoCommand() *cobra.Command {
	var png string
	c := &cobra.Command{Use: "demo", Short: "the whole live path on a built-in, invented bench, without a sound card", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return demo(c.Context(), c.OutOrStdout(), png)
		}}
	c.Flags().StringVar(&png, "png", "cushwright-demo.png", "write the plot here")
	return c
}

const demoRate = 48000

// booth is the simulated headphone amplifier of the demonstration: it plays what it is given into the engine and keeps
// what the engine sends to its output. The mutex is shared with the simulated device's goroutine.
type booth struct {
	mu     sync.Mutex
	play   []float64 // stereo frames still to come
	keep   bool
	record []float64
}

func (b *booth) source(_ uint64, in []float32) {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := min(len(in), len(b.play))
	for i, x := range b.play[:n] {
		in[i] = float32(x)
	}
	b.play = b.play[n:]
}

func (b *booth) sink(_ uint64, out []float32) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.keep {
		return
	}
	for _, x := range out {
		b.record = append(b.record, float64(x))
	}
}

// pass plays the signal through the running engine and returns what came out from that moment until tail seconds after
// the signal's end.
func (b *booth) pass(ctx context.Context, signal []float64, tail float64) ([]float64, error) {
	b.mu.Lock()
	b.play, b.record, b.keep = signal, nil, true
	b.mu.Unlock()
	want := len(signal) + 2*int(tail*demoRate)
	for {
		b.mu.Lock()
		if len(b.record) >= want {
			b.keep = false
			rec := b.record
			b.mu.Unlock()
			return rec, nil
		}
		b.mu.Unlock()
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// ear picks one ear's samples of stereo frames.
func ear(frames []float64, e dsp.Ear) []float64 {
	out := make([]float64, len(frames)/2)
	for i := range out {
		out[i] = frames[2*i+int(e-dsp.Left)]
	}
	return out
}

// measure sends an impulse through the engine and returns the level of the output over the input at each frequency.
func (b *booth) measure(ctx context.Context, hz []float64) (leftDB, rightDB []float64, err error) {
	const amplitude = 0.25
	impulse := make([]float64, 2*demoRate/10)
	impulse[0], impulse[1] = amplitude, amplitude
	rec, err := b.pass(ctx, impulse, 1)
	if err != nil {
		return nil, nil, err
	}
	for _, f := range hz {
		leftDB = append(leftDB, dsp.DB(cmplx.Abs(dsp.ResponseOf(ear(rec, dsp.Left), f, demoRate))/amplitude))
		rightDB = append(rightDB, dsp.DB(cmplx.Abs(dsp.ResponseOf(ear(rec, dsp.Right), f, demoRate))/amplitude))
	}
	return leftDB, rightDB, nil
}

// lufs is the loudness of stereo frames.
func lufs(frames []float64) (float64, error) {
	m, err := loudness.New(demoRate)
	if err != nil {
		return 0, err
	}
	for at := 0; at < len(frames); at += 2 * 4800 {
		m.Process(frames[at:min(len(frames), at+2*4800)])
	}
	return m.IntegratedLUFS(), nil
}

// pink makes stereo pink noise by P. Kellet's filter of white noise (published on the music-dsp list; from memory, good
// to a fraction of a decibel, and only its loudness through two paths is compared).
func pink(frames int, rms float64) []float64 {
	r := rand.New(rand.NewPCG(1, 2))
	out := make([]float64, 2*frames)
	var st [2][3]float64
	for i := range out {
		s, w := &st[i&1], r.NormFloat64()
		s[0] = 0.99765*s[0] + w*0.0990460
		s[1] = 0.96300*s[1] + w*0.2965164
		s[2] = 0.57000*s[2] + w*1.0526913
		out[i] = s[0] + s[1] + s[2] + w*0.1848
	}
	sum := 0.0
	for _, x := range out {
		sum += x * x
	}
	g := rms / math.Sqrt(sum/float64(len(out)))
	for i := range out {
		out[i] *= g
	}
	return out
}

func demo(ctx context.Context, w io.Writer, png string) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	dir, err := os.MkdirTemp("", "cushwright-demo-")
	if err != nil {
		return fmt.Errorf("cushwright: demo: %w", err)
	}
	defer os.RemoveAll(dir)
	if _, err := config.FirstRun(dir); err != nil {
		return err
	}
	snap, err := config.Load(dir)
	if err != nil {
		return err
	}
	fmt.Fprintln(w, caution)
	fmt.Fprintf(w, "\nA conference interpreters' booth (invented data): cushions %s.\n", strings.Join(snap.CushionNames(), ", "))
	fmt.Fprintln(w, "The engine runs on a simulated device; every figure below was computed from the samples of this run.")

	fitted, err := pick(snap, "")
	if err != nil {
		return err
	}
	sel, err := selection(snap, fitted, "")
	if err != nil {
		return err
	}
	b := &booth{}
	driver := &sim.Driver{Source: b.source, Sink: b.sink, Speed: 10}
	set := engineSettings(snap.Settings)
	set.Capture, set.Output, set.RateHz = "simulated-capture", "simulated-output", demoRate
	quiet := slog.New(slog.DiscardHandler)
	svc := &service{dir: dir, log: quiet, quit: cancel, keep: func(string) error { return nil }, snap: snap, fitted: fitted,
		fix: func(s engine.Settings) engine.Settings {
			s.Capture, s.Output, s.RateHz = set.Capture, set.Output, set.RateHz
			return s
		}}
	svc.session = engine.New(driver, nil, set, sel, quiet)
	ended := make(chan error, 1)
	go func() { ended <- svc.session.Run(ctx) }()
	var watching sync.WaitGroup
	watching.Go(func() { config.Watch(ctx, dir, svc.loaded) })
	defer watching.Wait()
	defer cancel()
	if err := until(ctx, func() bool { return svc.session.Status().State == engine.Running }); err != nil {
		return err
	}
	if _, err := b.pass(ctx, make([]float64, 2*demoRate), 0); err != nil { // past the fade-in
		return err
	}

	lines, err := demoWear(ctx, w, b, svc, snap)
	if err != nil {
		return err
	}
	if err := demoReload(ctx, w, b, svc, dir); err != nil {
		return err
	}

	if err := demoBypass(ctx, w, b, svc, snap.Settings.Bypass.Match); err != nil {
		return err
	}
	if err := demoClip(ctx, w, b, svc); err != nil {
		return err
	}
	st := svc.Status()
	fmt.Fprintf(w, "\n%s; breaks %d, trims %d, bad blocks %d\n", st.Summary, st.Counters.Underruns, st.Counters.Trims, st.Counters.BadBlocks)
	if len(lines) > 0 {
		p := &plot.Plot{Title: "correction as designed and as measured at the engine's output", Lines: lines, Note: "invented data"}
		if err := writePlot(png, p, (*plot.Plot).PNG); err != nil {
			return err
		}
		fmt.Fprintln(w, "plot written to", png)
	}
	cancel()
	return <-ended
}

// demoWear wears each cushion and measures its correction at the engine's output.
func demoWear(ctx context.Context, w io.Writer, b *booth, svc *service, snap *config.Snapshot) ([]plot.Line, error) {
	hz := plotHz()
	fmt.Fprintln(w, "\nwearing each cushion: correction measured at the engine's output against the one designed (analog)")
	lines := []plot.Line{}
	for _, name := range snap.CushionNames() {
		if err := svc.Wear(ctx, name); err != nil {
			return nil, err
		}
		if _, err := b.pass(ctx, make([]float64, 2*demoRate*2), 0); err != nil { // past the change
			return nil, err
		}
		left, right, err := b.measure(ctx, hz)
		if err != nil {
			return nil, err
		}
		sel, err := selection(snap, name, "")
		if err != nil {
			return nil, err
		}
		worst, at, designed := 0.0, 0.0, []float64{}
		for i, f := range hz {
			d := sel.Correction.AnalogDB(dsp.Left, f) + svc.session.Status().HeadroomDB
			designed = append(designed, d)
			for _, e := range []float64{left[i] - d, right[i] - (sel.Correction.AnalogDB(dsp.Right, f) + svc.session.Status().HeadroomDB)} {
				if math.Abs(e) > worst {
					worst, at = math.Abs(e), f
				}
			}
		}
		fmt.Fprintf(w, "  %-12s %d bands, headroom %.2f dB, largest deviation %.4f dB at %.0f Hz\n", name, len(sel.Correction.Bands()),
			0-svc.session.Status().HeadroomDB, worst, at)
		if len(lines) == 0 && len(sel.Correction.Bands()) > 0 {
			lines = append(lines, plot.Line{Name: name + " designed", FreqHz: hz, LevelDB: designed},
				plot.Line{Name: name + " measured", FreqHz: hz, LevelDB: left})
		}
	}
	return lines, nil
}

// demoBypass sets the loudness with and without the correction against each other.
func demoBypass(ctx context.Context, w io.Writer, b *booth, svc *service, match string) error {
	fmt.Fprintln(w, "\nbypass on pink noise: loudness by ITU-R BS.1770 at the output")
	noise := pink(6*demoRate, 0.05)
	var loud [2]float64
	for i, mode := range []string{"off", "on"} {
		if _, err := svc.Bypass(ctx, mode, ""); err != nil {
			return err
		}
		rec, err := b.pass(ctx, noise, 0.2)
		if err != nil {
			return err
		}
		if loud[i], err = lufs(rec); err != nil {
			return err
		}
		fmt.Fprintf(w, "  bypass %-3s  %.2f LUFS\n", mode, loud[i])
	}
	fmt.Fprintf(w, "  difference %s LU (match %q)\n", words.Decimals(loud[1]-loud[0], 2), match)
	_, err := svc.Bypass(ctx, "off", "")
	return err
}

// demoClip plays a passage beyond full scale.
func demoClip(ctx context.Context, w io.Writer, b *booth, svc *service) error {
	fmt.Fprintln(w, "\na clipped passage: a 100 Hz sine driven 6 dB beyond full scale")
	before := svc.session.Status().Counters
	clip := make([]float64, 2*demoRate)
	for i := range clip {
		clip[i] = max(-1, min(1, 2*math.Sin(2*math.Pi*100*float64(i/2)/demoRate)))
	}
	rec, err := b.pass(ctx, clip, 0.5)
	if err != nil {
		return err
	}
	after := svc.session.Status().Counters
	peak := 0.0
	for _, x := range rec {
		peak = max(peak, math.Abs(x))
	}
	fmt.Fprintf(w, "  runs at full scale in the input %d, overs before the guard %d, largest guard reduction %.2f dB, largest output sample %.2f dBFS\n",
		after.ClippedRuns-before.ClippedRuns, after.Overs-before.Overs, after.GuardMaxDB, dsp.DB(peak))
	return nil
}

// demoReload edits the fitted correction on disk, then breaks it, and shows what is heard.
func demoReload(ctx context.Context, w io.Writer, b *booth, svc *service, dir string) error {
	name := ""
	for _, n := range svc.snap.CushionNames() {
		if _, ok := svc.snap.Correction(n); ok {
			name = n
		}
	}
	if err := svc.Wear(ctx, name); err != nil {
		return err
	}
	file := filepath.Join(dir, "corrections", name+".toml")
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("cushwright: demo: %w", err)
	}
	edit := string(text) + "\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -6.0\nq = 2.0\n"
	one := []float64{1000}
	settle := func() (float64, error) {
		if _, err := b.pass(ctx, make([]float64, 2*demoRate*2), 0); err != nil {
			return 0, err
		}
		l, _, err := b.measure(ctx, one)
		if err != nil {
			return 0, err
		}
		return l[0], nil
	}
	was, err := settle()
	if err != nil {
		return err
	}
	bands := svc.session.Status().Bands
	fmt.Fprintf(w, "\nediting corrections/%s.toml while it runs\n", name)
	start := time.Now()
	if err := config.WriteAtomic(file, []byte(edit)); err != nil {
		return err
	}
	if err := until(ctx, func() bool { return svc.session.Status().Bands == bands+1 }); err != nil {
		return err
	}
	took := time.Since(start)
	now, err := settle()
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "  a bell of -6 dB at 1 kHz added: taken over after %.0f ms, level at 1 kHz %.2f -> %.2f dB\n", took.Seconds()*1e3, was, now)
	if err := config.WriteAtomic(file, []byte(strings.Replace(edit, "q = 2.0", "q = 200.0", 1))); err != nil {
		return err
	}
	if err := until(ctx, func() bool { return len(svc.Status().Problems) > 0 }); err != nil {
		return err
	}
	held, err := settle()
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "  a bad edit: %s\n  the sound goes on: level at 1 kHz %.2f dB\n", svc.Status().Problems[0], held)
	return config.WriteAtomic(file, text)
}

// until waits for a condition, at most 10 s.
func until(ctx context.Context, ok func() bool) error {
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		switch {
		case ok():
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case time.Now().After(end):
			return fmt.Errorf("cushwright: demo: the engine did not get there within 10 s")
		}
	}
}
