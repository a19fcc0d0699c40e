package thread

import (
	"context"
	"fmt"
	"os"
	"time"

	"github.com/godbus/dbus/v5"
	"golang.org/x/sys/unix"
)

// rtkitLimit is how long a real-time thread may run without a pause; the service grants nothing without such a limit
// (RealtimeKit's README: RLIMIT_RTTIME, 200 ms at most by default).
const rtkitLimit = 200 * time.Millisecond

// askRealtimeKit asks the system's RealtimeKit to schedule a thread of this process as urgent() would: what an ordinary
// user's programs may not do themselves. It takes some milliseconds.
func askRealtimeKit(ctx context.Context, tid int) error {
	conn, err := dbus.ConnectSystemBus(dbus.WithContext(ctx))
	if err != nil {
		return fmt.Errorf("platform: connect to %q: %w", "system bus", err)
	}
	defer conn.Close()
	kit := conn.Object("org.freedesktop.RealtimeKit1", "/org/freedesktop/RealtimeKit1")
	if most, err := kit.GetProperty("org.freedesktop.RealtimeKit1.MaxRealtimePriority"); err == nil {
		if v, ok := most.Value().(int32); ok && v < urgentPriority {
			return fmt.Errorf("platform: ask %q: it grants priority %d at most", "RealtimeKit", v)
		}
	}
	us := uint64(rtkitLimit / time.Microsecond)
	var old unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_RTTIME, &old); err != nil {
		return fmt.Errorf("platform: read limit %q: %w", "RTTIME", err)
	}
	if old.Max > us {
		if err := unix.Setrlimit(unix.RLIMIT_RTTIME, &unix.Rlimit{Cur: us, Max: us}); err != nil {
			return fmt.Errorf("platform: set limit %q: %w", "RTTIME", err)
		}
	}
	call := kit.CallWithContext(ctx, "org.freedesktop.RealtimeKit1.MakeThreadRealtimeWithPID", 0,
		uint64(os.Getpid()), uint64(tid), uint32(urgentPriority))
	if call.Err != nil {
		return fmt.Errorf("platform: ask %q: %w", "RealtimeKit", call.Err)
	}
	return nil
}
