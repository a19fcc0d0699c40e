//go:build linux

package service

import (
	"context"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"cushwright/dsp/loudness"
	"cushwright/dsp/testrun"
	"cushwright/engine/control"
	"cushwright/engine/sim"
)

// superiority is the share of pairs in which b is larger (ties count half): 0.5 where a single reading tells nothing, 0
// or 1 where it tells all (H. B. Mann, D. R. Whitney, Ann. Math. Statist. 18(1), 1947). sd is its standard deviation
// where a and b are alike.
func superiority(a, b []float64) (share, sd float64) {
	for _, x := range a {
		for _, y := range b {
			switch {
			case y > x:
				share++
			case y == x:
				share += .5
			}
		}
	}
	n, m := float64(len(a)), float64(len(b))
	return share / (n * m), math.Sqrt((n + m + 1) / (12 * n * m))
}

// tape keeps what a simulated output plays. The mutex is shared with the simulated device.
type tape struct {
	mu  sync.Mutex
	out []float64
}

func (r *tape) sink(_ uint64, out []float32) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, x := range out {
		r.out = append(r.out, float64(x))
	}
}

func (r *tape) frames() int { r.mu.Lock(); defer r.mu.Unlock(); return len(r.out) / 2 }

func (r *tape) cut(from, to int) []float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.out[2*from : 2*to]
}

// TestTrialCannotBeTold moves a trial to and fro in random order. Neither which side is heard, nor whether a move
// changed it, shows in how long a request takes or how long the sound is away; and both sides are equally loud.
func TestTrialCannotBeTold(t *testing.T) {
	noise := sim.Pink(20*rateHz, 0.05)
	rec := &tape{}
	svc := startServiceOn(t, &sim.Driver{Speed: 4, Sink: rec.sink, Source: func(frame uint64, in []float32) {
		for i := range in {
			in[i] = float32(noise[(2*int(frame)+i)%len(noise)])
		}
	}})
	socket := filepath.Join(t.TempDir(), "s")
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { control.Serve(ctx, socket, svc) })
	defer wg.Wait()
	defer cancel()
	cl := control.NewClient(socket)
	if err := until(ctx, func() bool { _, err := cl.Status(ctx); return err == nil }); err != nil {
		t.Fatal(err)
	}
	ask := func(q control.TrialRequest) {
		t.Helper()
		q.Token = token
		if err := cl.Trial(ctx, q); err != nil {
			t.Fatal(err)
		}
	}
	ask(control.TrialRequest{Hidden: true, First: None, Second: "wipe-clean"})
	begun := rec.frames()
	if err := until(ctx, func() bool { return rec.frames() > begun+6*rateHz }); err != nil { // the match settles
		t.Fatal(err)
	}
	type group [2][]float64
	var tookSide, tookMove, goneSide, goneMove group
	var heard [2]*loudness.Meter
	for i := range heard {
		m, err := loudness.New(rateHz)
		if err != nil {
			t.Fatal(err)
		}
		heard[i] = m
	}
	r := rand.New(rand.NewPCG(21, 22))
	last := 0
	for i := range testrun.Pick(40, 400) {
		side := r.IntN(2)
		start, from := time.Now(), rec.frames()
		ask(control.TrialRequest{Hidden: true, Side: []string{"first", "second"}[side]})
		took := time.Since(start).Seconds() * 1e3
		back := rec.frames()
		if err := until(ctx, func() bool { return rec.frames() > back+rateHz/2 }); err != nil {
			t.Fatal(err)
		}
		// In pieces of 10 ms: where in the tails of two sounds a threshold lies says what they sound like, no more.
		gone := 0.0 // ms
		const piece = 2 * rateHz / 100
		whole := rec.cut(from, back+rateHz/4)
		for at := 0; at+piece <= len(whole); at += piece {
			sum := 0.0
			for _, x := range whole[at : at+piece] {
				sum += x * x
			}
			if sum/piece < 1e-8 {
				gone += 10
			}
		}
		heard[side].Process(rec.cut(back+rateHz/4, back+rateHz/2))
		if i > 0 { // before the first, nobody chose
			moved := 0
			if side != last {
				moved = 1
			}
			tookSide[side], goneSide[side] = append(tookSide[side], took), append(goneSide[side], gone)
			tookMove[moved], goneMove[moved] = append(tookMove[moved], took), append(goneMove[moved], gone)
		}
		last = side
	}
	for what, g := range map[string]group{"the time a request takes, by side": tookSide, "the time a request takes, by whether the side changed": tookMove,
		"the silence between, by side": goneSide, "the silence between, by whether the side changed": goneMove} {
		share, sd := superiority(g[0], g[1])
		t.Logf("%s: medians %.1f and %.1f ms, superiority %.3f (0.5 tells nothing; %.3f standard deviation)", what, median(g[0]), median(g[1]), share, sd)
		if math.Abs(share-.5) > 4*sd {
			t.Errorf("%s: superiority %.3f: a reading tells something", what, share)
		}
		if median(g[0]) < 5 {
			t.Errorf("%s: a median of %.1f ms: nothing was measured", what, median(g[0]))
		}
		// The test itself can tell: one side that takes longer would stand out. How much longer depends on the number
		// of moves and on how busy the machine is.
		factor := float64(testrun.Pick(4, 2))
		late := make([]float64, len(g[1]))
		for i, x := range g[1] {
			late[i] = factor * x
		}
		if share, sd := superiority(g[0], late); share-.5 < 4*sd {
			t.Errorf("%s: %g times as long would not be seen (%.3f)", what, factor, share)
		}
	}
	a, b := heard[0].IntegratedLUFS(), heard[1].IntegratedLUFS()
	t.Logf("loudness of the sides: %.2f and %.2f LUFS", a, b)
	if !(math.Abs(a-b) < .3) {
		t.Errorf("one side is louder by %.2f LU", b-a)
	}
	ask(control.TrialRequest{})
}

// median is the middle of the values; of an even number, the upper one of the two.
func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	if len(s) == 0 {
		return math.NaN()
	}
	return s[len(s)/2]
}
