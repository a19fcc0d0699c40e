package engine

import (
	"context"
	"errors"
	"time"
)

// Every call of a driver or router that can take time goes through wait: a server that stands still can hold it up for
// seconds, and requests are answered meanwhile.

// wait makes a call on a goroutine of its own and serves requests until it is over. The call must not touch what
// belongs to the supervisor. No other call of the driver or router is made meanwhile.
func wait[T any](v *supervisor, call func() (T, error)) (T, error) {
	type result struct {
		v   T
		err error
	}
	done := make(chan result, 1)
	go func() {
		got, err := call()
		done <- result{got, err}
	}()
	for {
		select {
		case r := <-done:
			return r.v, r.err
		case request := <-v.requests:
			request(v)
		}
	}
}

const (
	mostTries  = 3
	retryPause = 50 * time.Millisecond
)

// insist is wait for a call that may be repeated. After an error with the reaction Retry it makes the same call again,
// after a pause, mostTries times in all. The last error is returned; it counts as one that time may mend.
func insist[T any](ctx context.Context, v *supervisor, call func() (T, error)) (got T, err error) {
	for try := 1; ; try++ {
		got, err = wait(v, call)
		var e *Error
		if !errors.As(err, &e) || e.Reaction != Retry || try == mostTries || ctx.Err() != nil {
			return got, err
		}
		v.log.Debug("the same call again", "after", err)
		v.rest(ctx, retryPause)
	}
}

// rest serves requests for a while.
func (v *supervisor) rest(ctx context.Context, d time.Duration) {
	v.serve(ctx, d, func() bool { return false })
}

// serve serves requests until something is so, at most for a while.
func (v *supervisor) serve(ctx context.Context, most time.Duration, so func() bool) {
	const every = 2 * time.Millisecond
	end := time.NewTimer(most)
	defer end.Stop()
	look := time.NewTicker(every)
	defer look.Stop()
	for !so() {
		select {
		case <-ctx.Done():
			return
		case request := <-v.requests:
			request(v)
		case <-end.C:
			return
		case <-look.C:
		}
	}
}
