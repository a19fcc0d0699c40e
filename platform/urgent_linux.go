package platform

import (
	"context"

	"golang.org/x/sys/unix"
)

// urgentPriority is the audio threads' real-time priority: this design's own choice, low among those that a desktop grants.
const urgentPriority = 5

// setScheduling sets the calling thread's scheduling, see sched_setattr(2).
func setScheduling(a unix.SchedAttr) bool { return unix.SchedSetAttr(0, &a, 0) == nil }

// urgent asks for real-time scheduling of the calling thread, which must be locked: of the kernel, where that is permitted,
// else of RealtimeKit, whose answer comes later. Where neither grants it the thread stays as it is.
func urgent() {
	if setScheduling(unix.SchedAttr{Policy: unix.SCHED_RR, Flags: unix.SCHED_FLAG_RESET_ON_FORK, Priority: urgentPriority}) {
		return
	}
	tid := unix.Gettid()
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), requestTimeout)
		defer cancel()
		askRealtimeKit(ctx, tid) // without it the sound is as good as the machine is idle
	}()
}

// ordinary takes back what urgent got and reports whether the thread is fit for other work.
func ordinary() bool { return setScheduling(unix.SchedAttr{Policy: unix.SCHED_NORMAL}) }
