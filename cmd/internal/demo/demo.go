// Package demo shows the whole live path on the demonstration bench, whose data are invented, with a simulated device
// in place of a sound card.
package demo

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"cushwright/cmd/internal/bench"
	"cushwright/cmd/internal/service"
	"cushwright/cmd/internal/words"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/dsp/plot"
	"cushwright/engine"
	"cushwright/engine/sim"
)

// Run shows the live path on the demonstration bench and says on w what it measures. p is the plot of the first
// correction it met.
func Run(ctx context.Context, w io.Writer) (p *plot.Plot, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	dir, err := os.MkdirTemp("", "cushwright-demo-")
	if err != nil {
		return nil, fmt.Errorf("cushwright: demo: %w", err)
	}
	defer os.RemoveAll(dir)
	if _, err := config.FirstRun(dir); err != nil {
		return nil, err
	}
	snap, err := config.Load(dir)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(w, "\nA conference interpreters' booth (invented data): cushions %s.\n",
		strings.Join(snap.CushionNames(), ", "))
	fmt.Fprintln(w, "The engine runs on a simulated device; every figure below was computed from the samples of "+
		"this run.")

	fitted, err := service.Pick(snap, "")
	if err != nil {
		return nil, err
	}
	b := &booth{}
	svc, err := service.New(service.Options{Dir: dir, Snap: snap, Fitted: fitted,
		Driver: &sim.Driver{Source: b.source, Sink: b.sink, Speed: 10},
		Fix: func(s engine.Settings) engine.Settings {
			s.Capture, s.Output, s.RateHz = "simulated-capture", "simulated-output", rateHz
			return s
		}})
	if err != nil {
		return nil, err
	}
	ended := make(chan error, 1)
	go func() { ended <- svc.Play(ctx) }()
	var watching sync.WaitGroup
	watching.Go(func() { config.Watch(ctx, dir, svc.Loaded) })
	defer watching.Wait()
	defer cancel()
	if err := until(ctx, func() bool { return svc.Status().State == engine.Running }); err != nil {
		return nil, err
	}
	if p, err = show(ctx, w, b, svc, snap); err != nil {
		return nil, err
	}
	cancel()
	return p, <-ended
}

// show goes through what the engine does.
func show(ctx context.Context, w io.Writer, b *booth, svc *service.Service, snap *config.Snapshot) (p *plot.Plot,
	err error) {
	if _, err := b.pass(ctx, make([]float64, 2*rateHz), 0); err != nil { // past the fade-in
		return nil, err
	}
	lines, err := wearEach(ctx, w, b, svc, snap)
	if err != nil {
		return nil, err
	}
	if err := edit(ctx, w, b, svc, snap); err != nil {
		return nil, err
	}
	if err := bypass(ctx, w, b, svc, snap.Settings.Bypass.Match); err != nil {
		return nil, err
	}
	if err := clip(ctx, w, b, svc); err != nil {
		return nil, err
	}
	st := svc.Status()
	fmt.Fprintf(w, "\n%s; breaks %d, trims %d, bad blocks %d\n", st.Summary, st.Counters.Underruns, st.Counters.Trims,
		st.Counters.BadBlocks)
	if len(lines) > 0 {
		p = &plot.Plot{Title: "correction as designed and as measured at the engine's output", Lines: lines,
			Note: "invented data"}
	}
	return p, nil
}

// wearEach wears each cushion and measures its correction at the engine's output.
func wearEach(ctx context.Context, w io.Writer, b *booth, svc *service.Service, snap *config.Snapshot) ([]plot.Line,
	error) {
	hz := bench.PlotHz()
	fmt.Fprintln(w, "\nwearing each cushion: correction measured at the engine's output against the one designed "+
		"(analog)")
	lines := []plot.Line{}
	for _, name := range snap.CushionNames() {
		if err := svc.Wear(ctx, name); err != nil {
			return nil, err
		}
		if _, err := b.pass(ctx, make([]float64, 2*rateHz*2), 0); err != nil { // past the change
			return nil, err
		}
		left, right, err := b.measure(ctx, hz)
		if err != nil {
			return nil, err
		}
		sel, err := service.Selection(snap, nil, name, "")
		if err != nil {
			return nil, err
		}
		worst, at, designed := 0.0, 0.0, []float64{}
		for i, f := range hz {
			d := sel.Correction.AnalogDB(dsp.Left, f) + svc.Status().HeadroomDB
			designed = append(designed, d)
			for _, e := range []float64{left[i] - d, right[i] - (sel.Correction.AnalogDB(dsp.Right,
				f) + svc.Status().HeadroomDB)} {
				if math.Abs(e) > worst {
					worst, at = math.Abs(e), f
				}
			}
		}
		fmt.Fprintf(w, "  %-12s %d bands, %.2f dB headroom, largest deviation %.4f dB at %.0f Hz\n", name,
			len(sel.Correction.Bands()),
			0-svc.Status().HeadroomDB, worst, at)
		if len(lines) == 0 && len(sel.Correction.Bands()) > 0 {
			lines = append(lines, plot.Line{Name: name + " designed", FreqHz: hz, LevelDB: designed},
				plot.Line{Name: name + " measured", FreqHz: hz, LevelDB: left})
		}
	}
	return lines, nil
}

// bypass sets the loudness with and without the correction against each other.
func bypass(ctx context.Context, w io.Writer, b *booth, svc *service.Service, match string) error {
	fmt.Fprintln(w, "\nbypass on pink noise: loudness by ITU-R BS.1770 at the output")
	noise := sim.Pink(6*rateHz, 0.05)
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

// clip plays a passage beyond full scale.
func clip(ctx context.Context, w io.Writer, b *booth, svc *service.Service) error {
	fmt.Fprintln(w, "\na clipped passage: a 100 Hz sine driven 6 dB beyond full scale")
	before := svc.Status().Counters
	loud := make([]float64, 2*rateHz)
	for i := range loud {
		loud[i] = max(-1, min(1, 2*math.Sin(2*math.Pi*100*float64(i/2)/rateHz)))
	}
	rec, err := b.pass(ctx, loud, 0.5)
	if err != nil {
		return err
	}
	after := svc.Status().Counters
	peak := 0.0
	for _, x := range rec {
		peak = max(peak, math.Abs(x))
	}
	fmt.Fprintf(w, "  runs at full scale in the input %d, overs before the guard %d, largest guard reduction %.2f "+
		"dB, largest output sample %.2f dBFS\n",
		after.ClippedRuns-before.ClippedRuns, after.Overs-before.Overs, after.GuardMaxDB, dsp.DB(peak))
	return nil
}

// edit edits the fitted correction on disk, then breaks it, and shows what is heard.
func edit(ctx context.Context, w io.Writer, b *booth, svc *service.Service, snap *config.Snapshot) error {
	name := ""
	for _, n := range snap.CushionNames() {
		if _, ok := snap.Correction(n); ok {
			name = n
		}
	}
	if err := svc.Wear(ctx, name); err != nil {
		return err
	}
	file := filepath.Join(snap.Dir, "corrections", name+".toml")
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("cushwright: demo: %w", err)
	}
	edited := string(text) + "\n[[band]]\nshape = \"bell\"\nfreq_hz = 1000\ngain_db = -6.0\nq = 2.0\n"
	one := []float64{1000}
	settle := func() (float64, error) {
		if _, err := b.pass(ctx, make([]float64, 2*rateHz*2), 0); err != nil {
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
	bands := svc.Status().Bands
	fmt.Fprintf(w, "\nediting corrections/%s.toml while it runs\n", name)
	start := time.Now()
	if err := config.WriteAtomic(file, []byte(edited)); err != nil {
		return err
	}
	if err := until(ctx, func() bool { return svc.Status().Bands == bands+1 }); err != nil {
		return err
	}
	took := time.Since(start)
	now, err := settle()
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "  a bell of -6 dB at 1 kHz added: taken over after %.0f ms, level at 1 kHz %.2f → %.2f dB\n",
		took.Seconds()*1e3, was, now)
	if err := config.WriteAtomic(file, []byte(strings.Replace(edited, "q = 2.0", "q = 200.0", 1))); err != nil {
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
