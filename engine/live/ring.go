package live

import "sync/atomic"

// ring carries stereo float32 frames from the capture thread (only writer) to the playback thread (only reader).
// Invariants: r ≤ w ≤ r+size; w is stored by the writer alone, r by the reader alone; the frames [r, w) belong to the
// reader, the rest to the writer. Positions count frames since the start and never wrap in practice.
type ring struct {
	buf  []float32 // 2·size samples; owner: by the invariants
	size uint64    // frames, a power of two; never changes
	_    [48]byte  // keeps the two positions on cache lines of their own
	w    atomic.Uint64
	_    [56]byte
	r    atomic.Uint64
}

func newRing(minFrames int) *ring {
	n := uint64(1)
	for n < uint64(minFrames) {
		n <<= 1
	}
	return &ring{buf: make([]float32, 2*n), size: n}
}

// fill is the number of frames ready to be read.
func (r *ring) fill() int { return int(r.w.Load() - r.r.Load()) }

// write appends whole frames and returns how many do not fit and are dropped.
func (r *ring) write(in []float32) (dropped int) {
	w := r.w.Load()
	n := uint64(len(in) / 2)
	free := r.size - min(r.size, w-r.r.Load()) // unread may step back too far for a moment
	if n > free {
		dropped = int(n - free)
		n = free
	}
	at := 2 * (w & (r.size - 1))
	k := copy(r.buf[at:], in[:2*n])
	copy(r.buf, in[k:2*n])
	r.w.Store(w + n)
	return dropped
}

// peek copies the frames from skip onwards (which must be filled) into dst, scaled by gain, without consuming them.
func (r *ring) peek(dst []float64, skip int, gain float64) {
	at := (r.r.Load() + uint64(skip)) & (r.size - 1)
	for i := 0; i < len(dst); i += 2 {
		dst[i] = float64(r.buf[2*at]) * gain
		dst[i+1] = float64(r.buf[2*at+1]) * gain
		at = (at + 1) & (r.size - 1)
	}
}

// consume frees n frames that are filled.
func (r *ring) consume(n int) { r.r.Store(r.r.Load() + uint64(n)) }

// unread gives n frames back to be read again, and reports false where it cannot: n is at most a quarter of the size,
// and the fill is at most half of it afterwards. The writer adds at most a quarter at once by a position that it loaded
// before, so the frames given back are not written over.
func (r *ring) unread(n int) bool {
	at := r.r.Load()
	if n < 0 || uint64(n) > r.size/4 || uint64(n) > at || uint64(r.fill()) > r.size/4 {
		return false
	}
	r.r.Store(at - uint64(n))
	if r.w.Load()-(at-uint64(n)) > r.size/2 { // the reader was interrupted here, and the writer got ahead
		r.r.Store(at)
		return false
	}
	return true
}
