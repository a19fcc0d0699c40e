//go:build linux

package main

import (
	"context"
	"io"
	"math/rand/v2"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"cushwright/engine/control"
)

// hostile lets clients that mean harm loose on the engine's socket, more than there are places, and asks properly among
// them.
func (r *faultRig) hostile(d time.Duration) {
	socket := filepath.Join(r.Dir, "cushwright", "engine.sock")
	from, answered := time.Now(), 0
	over := func() bool { return time.Since(from) > d }
	var wg sync.WaitGroup
	var tries atomic.Int64
	for k := range 8 {
		begin := r.rnd.Uint64()
		wg.Go(func() {
			rnd := rand.New(rand.NewPCG(begin, uint64(k)))
			var idle []net.Conn
			for !over() {
				c, err := net.DialTimeout("unix", socket, time.Second)
				if err != nil {
					continue
				}
				tries.Add(1)
				c.SetDeadline(time.Now().Add(time.Second))
				switch k {
				case 0: // never says a word
					if idle = append(idle, c); len(idle) < 1500 {
						continue
					}
				case 1:
					b := make([]byte, 4096)
					for i := range b {
						b[i] = byte(rnd.Uint32())
					}
					c.Write(b)
				case 2:
					io.WriteString(c, "POST /wear HTTP/1.1\r\nHost: x\r\nContent-Length: 100000000\r\n\r\n{\"cushion\":\""+strings.Repeat("a", 1<<20))
				case 3:
					io.WriteString(c, strings.Repeat("GET /status HTTP/1.1\r\nHost: x\r\n\r\n", 500))
				default:
					io.WriteString(c, "POST /wear HTTP/1.1\r\nHost: x\r\nContent-Length: 40\r\n\r\n{\"cushion\":\"../../../../etc/passwd\\u0000\"}")
					io.CopyN(io.Discard, c, 100)
				}
				c.Close()
			}
			for _, c := range idle {
				c.Close()
			}
		})
	}
	for !over() {
		if _, err := control.NewClient(socket).Status(context.Background()); err != nil {
			r.t.Errorf("a proper client among hostile ones: %v", err)
		}
		answered++
		time.Sleep(20 * time.Millisecond)
	}
	wg.Wait()
	whole, all := r.wholeSince(from)
	r.note("%d hostile connections, %d proper ones answered, the sound was whole in %d of %d windows of 10 ms", tries.Load(), answered, whole, all)
	if whole < all*9/10 || answered < 2 {
		r.doubt("under a hostile client the sound was whole in %d of %d windows of 10 ms, %d proper requests were answered", whole, all, answered)
	}
}
