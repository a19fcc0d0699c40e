package rig

import (
	"context"
	"math"
	"time"

	swept "cushwright/dsp/sweep"
	"cushwright/engine/control"
)

// tornSpan is a time between two looks.
type tornSpan struct{ from, to time.Time }

// watchBreaks looks at the engine that a sweep goes through, again and again, until stop is called, which says when its
// sound broke off. Where the sweep goes through none, there is nothing to see.
func (j *Job) watchBreaks(breaks uint64) (stop func() []tornSpan) {
	if j.engine == nil {
		return func() []tornSpan { return nil }
	}
	quit, done := make(chan struct{}), make(chan []tornSpan, 1)
	go func() {
		var torn []tornSpan
		last := time.Now()
		for over := false; ; {
			select {
			case <-quit:
				over = true
			case <-time.After(50 * time.Millisecond):
			}
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
			st, err := j.engine.Status(ctx)
			cancel()
			now := time.Now()
			if n := engineBreaks(st); err != nil || n != breaks { // an engine that does not answer tells nothing good
				torn = append(torn, tornSpan{last, now})
				if err == nil {
					breaks = n
				}
			}
			last = now
			if over {
				done <- torn
				return
			}
		}
	}()
	return func() []tornSpan {
		close(quit)
		return <-done
	}
}

// tornWhile reports whether the engine's sound broke off while the sweep went through it, not before or after.
func (s shot) tornWhile() *swept.Finding {
	for _, t := range s.torn {
		if s.response != nil {
			second := func(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }
			from := s.began.Add(second(s.spec.LeadSeconds - 0.05))
			to := s.began.Add(second(s.spec.LeadSeconds + s.response.DelaySeconds + s.spec.DurationSeconds() + s.response.WindowSeconds + 0.05))
			if t.to.Before(from) || t.from.After(to) {
				continue
			}
		}
		return &swept.Finding{Kind: swept.Interrupted, Refuse: true,
			Text: "the sweep was interrupted: the engine's sound broke off; should that go on, sound.delay = \"safe\" gives it more time"}
	}
	return nil
}

// engineBreaks counts what may have torn a sweep that went through the engine.
func engineBreaks(st control.Status) uint64 {
	n := st.Counters
	return n.Underruns + n.Underflows + n.Trims + uint64(st.Reopened)
}

// calm waits until the engine that the sweep goes through has settled: no breaks, and its resampler at the ratio that
// it was asked to keep, for a sweep would be stretched otherwise. It counts the breaks so far.
func (j *Job) calm(ctx context.Context) (breaks uint64, err error) {
	if j.engine == nil {
		return 0, nil
	}
	const enough, moving = 400 * time.Millisecond, 1 // ppm
	var since time.Time
	ppm := math.Inf(1)
	for end := time.Now().Add(10 * time.Second); ; {
		st, err := j.engine.Status(ctx)
		if err != nil {
			return 0, j.fail(err)
		}
		n, now := engineBreaks(st), time.Now()
		if n != breaks || math.Abs(st.Counters.DriftPPM-ppm) > moving || since.IsZero() {
			breaks, ppm, since = n, st.Counters.DriftPPM, now
		}
		if now.Sub(since) > enough || now.After(end) {
			return breaks, nil
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}
