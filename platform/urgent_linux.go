package platform

import (
	"context"
	"unsafe"

	"golang.org/x/sys/unix"
)

// schedAttr is struct sched_attr of sched_setattr(2).
type schedAttr struct {
	size     uint32
	policy   uint32
	flags    uint64
	nice     int32
	priority uint32
	runtime  uint64
	deadline uint64
	period   uint64
}

// The figures of <sched.h> are from memory of sched(7); the priority is this design's own.
const (
	schedOther     = 0
	schedRR        = 2
	resetOnFork    = 1
	schedAttrBytes = 48
	urgentPriority = 5
)

func setScheduling(a schedAttr) bool {
	a.size = schedAttrBytes
	_, _, e := unix.Syscall(unix.SYS_SCHED_SETATTR, 0, uintptr(unsafe.Pointer(&a)), 0)
	return e == 0
}

// urgent asks for real-time scheduling of the calling thread, which must be locked: of the kernel, where that is permitted,
// else of RealtimeKit, whose answer comes later. Where neither grants it the thread stays as it is.
func urgent() {
	if setScheduling(schedAttr{policy: schedRR, flags: resetOnFork, priority: urgentPriority}) {
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
func ordinary() bool { return setScheduling(schedAttr{policy: schedOther}) }
