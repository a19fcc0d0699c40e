package thread

import (
	"context"
	"time"

	"golang.org/x/sys/unix"
)

const (
	urgentPriority = 5 // this design's own
	kitTimeout     = 3 * time.Second
)

func schedule(a unix.SchedAttr) bool {
	a.Size = unix.SizeofSchedAttr
	return unix.SchedSetAttr(0, &a, 0) == nil
}

// Urgent asks for real-time scheduling of the calling thread, which must be locked: of the kernel, where that is
// permitted, else of RealtimeKit, whose answer comes later. Where neither grants it the thread stays as it is.
func Urgent() {
	if schedule(unix.SchedAttr{Policy: unix.SCHED_RR, Flags: unix.SCHED_FLAG_RESET_ON_FORK, Priority: urgentPriority}) {
		return
	}
	tid := unix.Gettid()
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), kitTimeout)
		defer cancel()
		askRealtimeKit(ctx, tid) // without it the sound is as good as the machine is idle
	}()
}

// Ordinary takes back what Urgent got and reports whether the thread is fit for other work.
func Ordinary() bool { return schedule(unix.SchedAttr{Policy: unix.SCHED_NORMAL}) }
