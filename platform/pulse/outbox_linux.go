package pulse

import (
	"sync"
	"time"

	"cushwright/engine"
)

// outbox hands events to a reader that may be slow: of each kind the newest waits.
type outbox struct {
	out chan engine.RouteEvent

	mu      sync.Mutex
	pending []engine.RouteEvent
	waiting bool // a timer will try again
}

const outboxAgain = 5 * time.Millisecond

func (o *outbox) put(e engine.RouteEvent) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for i := range o.pending {
		if o.pending[i].Kind == e.Kind {
			o.pending[i] = e
			return
		}
	}
	o.pending = append(o.pending, e)
	o.flush()
}

// flush hands over what the reader has room for; mu is held.
func (o *outbox) flush() {
	for len(o.pending) > 0 {
		select {
		case o.out <- o.pending[0]:
			o.pending = o.pending[1:]
			continue
		default:
		}
		if !o.waiting {
			o.waiting = true
			time.AfterFunc(outboxAgain, func() {
				o.mu.Lock()
				defer o.mu.Unlock()
				o.waiting = false
				o.flush()
			})
		}
		return
	}
}

// clear takes back what the reader has not had yet: the route is repaired, and what was reported before is news no
// more.
func (o *outbox) clear() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.pending = nil
	for {
		select {
		case <-o.out:
		default:
			return
		}
	}
}
