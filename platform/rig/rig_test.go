package rig

import (
	"math"
	"testing"
	"time"
)

// Frames that never come are told by the clock, a machine that stumbles is not taken for that.
func TestLostFramesAreTold(t *testing.T) {
	feed := func(missing int, stumble time.Duration) int {
		p := Arrivals{Rate: 48000}
		start, frames := time.Unix(0, 0), 0
		for i := range 300 {
			now := start.Add(time.Duration(i+1) * 20 * time.Millisecond)
			frames += 960
			if i == 150 {
				frames -= missing
			}
			if i > 200 && i < 210 {
				now = now.Add(stumble)
			}
			p.Packet(now, frames)
		}
		return p.Lost()
	}
	for _, c := range []struct {
		missing int
		stumble time.Duration
		want    int
	}{{0, 0, 0}, {0, 300 * time.Millisecond, 0}, {9600, 0, 9600}, {9600, 100 * time.Millisecond, 9600}} {
		if got := feed(c.missing, c.stumble); math.Abs(float64(got-c.want)) > 100 {
			t.Errorf("%d missing, stumbled %v: told %d", c.missing, c.stumble, got)
		}
	}
}
