package live

import "math"

const spliceS = 0.01

// splice is a crossfade between two places in the ring, from and to frames ahead of the next one that is consumed. It
// takes delay out, or puts it in, without a click.
//
// Owner: the playback thread.
type splice struct {
	from, to  int
	at, total int // frames done, of how many; none is under way at a total of 0
}

// ahead is how far beyond what is consumed a splice reads.
func (s *splice) ahead() int { return max(s.from, s.to) }

// watch begins a splice where a larger output buffer is about to take frames from the ring, or where a second's worth
// of fills shows that a stall has left more than the delay needs.
func (f *feed) watch() {
	if f.splice.total > 0 {
		return
	}
	switch more := int(f.wishes.spare.Load()) - f.spare; {
	case more < 0: // the buffer has taken them
		f.spare += more
	case more > 0 && f.lengthen(more):
		f.spare += more
		return
	}
	if f.window <= f.seconds(1) {
		return
	}
	if f.leastFill != math.MaxInt && f.leastFill > f.target+2*f.period+f.seconds(0.002) {
		f.trim(f.leastFill - max(0, f.target)) // what stands in the device's own buffer is out of reach
	}
	f.newWindow()
}

func (f *feed) newWindow() { f.leastFill, f.window = math.MaxInt, 0 }

// trim takes skip frames of delay out. An output with a buffer of its own waits until the ring has them.
func (f *feed) trim(skip int) {
	if skip > 0 && (f.ring.fill() > skip || f.asks && skip <= 2*f.period) && f.splice.total == 0 {
		f.splice = splice{to: skip, total: f.seconds(spliceS)}
		f.m.playback.trims.Add(1)
	}
}

// lengthen puts more frames of delay in: frames that are read already are read again. The servo is not told, because it
// has not begun or the frames are spare. It reports false where it cannot be done at this time.
func (f *feed) lengthen(more int) bool {
	if f.splice.total > 0 || !f.ring.unread(more) {
		return false
	}
	f.splice = splice{from: more, total: f.seconds(spliceS)}
	return true
}

// mixSplice mixes into src, which holds the frames of the side that goes, those of the side that comes.
func (f *feed) mixSplice(src []float64) {
	s := &f.splice
	if s.total == 0 {
		return
	}
	n := len(src) / 2
	for at := 0; at < n; at += blockFrames {
		k := min(blockFrames, n-at)
		comes := f.comes[:2*k]
		f.ring.peek(comes, s.to+at, 1)
		for i := range k {
			w := 1.0
			if x := float64(s.at+at+i) + 0.5; x < float64(s.total) {
				w = 0.5 - 0.5*math.Cos(math.Pi*x/float64(s.total))
			}
			j := 2 * (at + i)
			src[j] += w * (comes[2*i] - src[j])
			src[j+1] += w * (comes[2*i+1] - src[j+1])
		}
	}
}

// moveSplice goes on by so many frames, and ends the splice when it is over.
func (f *feed) moveSplice(used int) {
	s := &f.splice
	if s.total == 0 {
		return
	}
	if s.at += used; s.at < s.total {
		return
	}
	f.ring.consume(s.to)
	f.steering.servo.Shift(-float64(s.to))
	f.splice = splice{}
	f.newWindow()
}
