package demo

import (
	"context"
	"math/cmplx"
	"sync"
	"time"

	"cushwright/dsp"
	"cushwright/dsp/loudness"
)

const rateHz = 48000

// booth is the simulated headphone amplifier of the demonstration: it plays what it is given into the engine and
// records what the engine sends to its output. The mutex is shared with the simulated device's goroutine.
type booth struct {
	mu        sync.Mutex
	play      []float64 // stereo frames still to come
	recording bool
	record    []float64
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
	if !b.recording {
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
	b.play, b.record, b.recording = signal, nil, true
	b.mu.Unlock()
	want := len(signal) + 2*int(tail*rateHz)
	for {
		b.mu.Lock()
		if len(b.record) >= want {
			b.recording = false
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
	impulse := make([]float64, 2*rateHz/10)
	impulse[0], impulse[1] = amplitude, amplitude
	rec, err := b.pass(ctx, impulse, 1)
	if err != nil {
		return nil, nil, err
	}
	for _, f := range hz {
		leftDB = append(leftDB, dsp.DB(cmplx.Abs(dsp.ResponseOf(ear(rec, dsp.Left), f, rateHz))/amplitude))
		rightDB = append(rightDB, dsp.DB(cmplx.Abs(dsp.ResponseOf(ear(rec, dsp.Right), f, rateHz))/amplitude))
	}
	return leftDB, rightDB, nil
}

// lufs is the loudness of stereo frames.
func lufs(frames []float64) (float64, error) {
	m, err := loudness.New(rateHz)
	if err != nil {
		return 0, err
	}
	for at := 0; at < len(frames); at += 2 * 4800 {
		m.Process(frames[at:min(len(frames), at+2*4800)])
	}
	return m.IntegratedLUFS(), nil
}
