package live

import (
	"math/rand/v2"
	"runtime"
	"testing"
)

// A writer and a reader on goroutines of their own: every frame that was written comes out once and in order, also
// where the reader reads frames anew. The race detector sees whether the two ever touch the same memory.
func TestRing(t *testing.T) {
	const frames, size = 200_000, 256
	r := newRing(size)
	go func() {
		rnd := rand.New(rand.NewPCG(1, 1))
		in := make([]float32, 2*size/4)
		for next := 0; next < frames; {
			n := min(frames-next, rnd.IntN(size/4+1))
			for i := range n {
				in[2*i], in[2*i+1] = float32(next+i), -float32(next+i)
			}
			next += n - r.write(in[:2*n])
			if rnd.IntN(4) == 0 {
				runtime.Gosched()
			}
		}
	}()
	rnd := rand.New(rand.NewPCG(2, 2))
	out := make([]float64, 2*size)
	again := 0
	for next := 0; next < frames; {
		fill := r.fill()
		if fill < 0 || fill > size {
			t.Fatalf("at frame %d the fill is %d of %d", next, fill, size)
		}
		n := rnd.IntN(fill + 1)
		skip := rnd.IntN(n + 1)
		r.peek(out[:2*(n-skip)], skip, 2)
		for i := range n - skip {
			if want := 2 * float64(next+skip+i); out[2*i] != want || out[2*i+1] != -want {
				t.Fatalf("frame %d reads %v and %v", next+skip+i, out[2*i]/2, out[2*i+1]/2)
			}
		}
		r.consume(n)
		next += n
		if back := rnd.IntN(size/4 + 1); rnd.IntN(3) == 0 && r.unread(back) {
			next -= back
			again += back
		}
		if fill == 0 {
			runtime.Gosched()
		}
	}
	if again == 0 {
		t.Error("no frame was read anew")
	}
	if r.fill() != 0 {
		t.Errorf("%d frames are left", r.fill())
	}
}

// What does not fit is dropped and counted, and what is there stays as it is.
func TestRingDropsWhatDoesNotFit(t *testing.T) {
	r := newRing(8)
	in := make([]float32, 2*11)
	for i := range in {
		in[i] = float32(i)
	}
	if got := r.write(in); got != 3 || r.fill() != 8 {
		t.Errorf("%d of 11 frames were dropped, the fill is %d of 8", got, r.fill())
	}
	if got := r.write(in); got != 11 {
		t.Errorf("into a full ring: %d of 11 were dropped", got)
	}
	out := make([]float64, 16)
	r.peek(out, 0, 1)
	for i, v := range out {
		if v != float64(i) {
			t.Fatalf("it reads %v", out)
		}
	}
}

// Frames are given back only as far as they cannot have been written over.
func TestUnread(t *testing.T) {
	r := newRing(16)
	in := make([]float32, 2*16)
	for _, c := range []struct {
		written, consumed int // more than before
		n                 int
		ok                bool
	}{
		{8, 2, 3, false}, // before the first
		{0, 0, 2, false}, // more than a quarter of the size is there
		{0, 2, 4, true},
		{0, 4, 5, false}, // more than a quarter
		{0, 0, -1, false},
		{0, 0, 0, true},
		{0, 4, 4, true},
	} {
		r.write(in[:2*c.written])
		r.consume(c.consumed)
		before := r.fill()
		if ok := r.unread(c.n); ok != c.ok {
			t.Errorf("%+v at a fill of %d: %v", c, before, ok)
		} else if want := before + c.n; ok && r.fill() != want || !ok && r.fill() != before {
			t.Errorf("%+v: the fill went from %d to %d", c, before, r.fill())
		}
	}
}
