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

const (
	schedRR          = 2 // from memory of <sched.h>; sched(7)
	resetOnFork      = 1
	urgentPriority   = 5
	urgentNice       = -11
	schedAttrBytes   = 48
	niceWithoutRight = 0
)

// urgent asks for real-time scheduling of the calling thread, then for a better nice value; where neither is permitted the
// thread stays as it is.
func urgent() {
	a := schedAttr{size: schedAttrBytes, policy: schedRR, flags: resetOnFork, priority: urgentPriority}
	if _, _, e := unix.Syscall(unix.SYS_SCHED_SETATTR, 0, uintptr(unsafe.Pointer(&a)), 0); e == 0 {
		return
	}
	unix.Setpriority(unix.PRIO_PROCESS, unix.Gettid(), urgentNice)
}
