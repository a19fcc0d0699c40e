package platform

import (
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
	urgentNice     = -11
)

func setScheduling(a schedAttr) bool {
	a.size = schedAttrBytes
	_, _, e := unix.Syscall(unix.SYS_SCHED_SETATTR, 0, uintptr(unsafe.Pointer(&a)), 0)
	return e == 0
}

// urgent asks for real-time scheduling of the calling thread, which must be locked, or else for a better nice value. The
// result undoes it and tells whether it could; it is nil where neither is permitted: the thread is as it was.
func urgent() (ordinary func() bool) {
	if setScheduling(schedAttr{policy: schedRR, flags: resetOnFork, priority: urgentPriority}) {
		return func() bool { return setScheduling(schedAttr{policy: schedOther}) }
	}
	if unix.Setpriority(unix.PRIO_PROCESS, unix.Gettid(), urgentNice) == nil {
		return func() bool { return unix.Setpriority(unix.PRIO_PROCESS, unix.Gettid(), 0) == nil }
	}
	return nil
}
