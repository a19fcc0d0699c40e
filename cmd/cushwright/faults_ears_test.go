//go:build linux

package main

import (
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"cushwright/dsp"
	"cushwright/platform/soundtest"
)

// listener is what listens to one output: it records it again whenever it comes back.
type listener struct {
	mu       sync.Mutex
	segments []*segment
	stop     atomic.Bool
	wg       sync.WaitGroup
}

type segment struct {
	rec  *soundtest.Recording
	rate int
}

func (r *faultRig) listen(sink string) *listener {
	e := &listener{}
	e.wg.Go(func() {
		for !e.stop.Load() {
			rate := int(r.rate.Load())
			if sink != "phones" {
				rate = faultRate
			}
			rec, err := r.TryRecord(sink+".monitor", rate, sink == "phones" && r.channels.Load() > 2)
			if err != nil {
				time.Sleep(10 * time.Millisecond)
				continue
			}
			began := time.Now()
			e.mu.Lock()
			e.segments = append(e.segments, &segment{rec, rate})
			e.mu.Unlock()
			for !e.stop.Load() {
				select {
				case <-rec.Gone():
				case <-time.After(20 * time.Millisecond):
					n := rec.Frames()
					if n == 0 && time.Since(began) < time.Second || n > 0 && time.Since(rec.At(n)) < 400*time.Millisecond {
						continue
					} // it has lost samples: it tells no time any more
				}
				break
			}
			rec.Stop()
		}
	})
	return e
}

// again begins another recording: one that a server slept through tells no time any more.
func (e *listener) again() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if n := len(e.segments); n > 0 {
		go e.segments[n-1].rec.Stop()
	}
}

// forget drops what was heard, all but the recording under way.
func (e *listener) forget() {
	e.mu.Lock()
	defer e.mu.Unlock()
	if n := len(e.segments); n > 1 {
		e.segments = slices.Clone(e.segments[n-1:])
	}
}

func (e *listener) all() []*segment {
	e.mu.Lock()
	defer e.mu.Unlock()
	return slices.Clone(e.segments)
}

// tones are the amplitudes of both tones in 10 ms.
func tones(y []float32, rate int) (low, high float64) {
	var z [2]complex128
	n := rate / 100
	for i := range n {
		x := float64(y[2*i])
		for k, hz := range [2]float64{1000, 3000} {
			s, c := math.Sincos(2 * math.Pi * hz * float64(i) / float64(rate))
			z[k] += complex(x*c, x*s)
		}
	}
	at := func(z complex128) float64 { return 2 / float64(n) * math.Hypot(real(z), imag(z)) }
	return at(z[0]), at(z[1])
}

// heard is one 10 ms window.
type heard struct {
	at   time.Time
	low  float64
	diff float64 // dB, high less low tone
}

// since gives the windows that an ear heard since a moment.
func (e *listener) since(from time.Time) (all []heard) {
	for _, s := range e.all() {
		y := s.rec.Samples()
		n := s.rate / 100
		first := max(0, int(math.Ceil(from.Sub(s.rec.At(0)).Seconds()*float64(s.rate))))
		for at := first; at+n <= len(y)/2; at += n {
			l, h := tones(y[2*at:2*(at+n)], s.rate)
			all = append(all, heard{s.rec.At(at), l, dsp.DB(h / max(l, 1e-9))})
		}
	}
	return all
}
