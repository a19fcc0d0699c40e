package soundtest

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"sync"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"cushwright/dsp/testrun"
)

// watchmanEnv makes a test binary a watchman instead; see Watch.
const watchmanEnv = "CUSHWRIGHT_WATCHMAN"

const (
	watchEvery = time.Millisecond       // how often the watchman looks
	watchFrom  = 500 * time.Microsecond // what it tells of
)

func init() {
	if os.Getenv(watchmanEnv) != "" {
		watchman()
	}
}

// Standstills are the times at which a processor of this machine ran nothing, told by a watchman: a process with a
// thread on each processor, above the priority of all sound threads, that wakes every millisecond and tells by how much
// it was late. On a virtual machine they are the host's doing, and no program on it can play through a standstill
// longer than what its buffers hold.
type Standstills struct {
	mu    sync.Mutex
	spans []standstill
	blind bool // the watchman did not get its priority
	once  sync.Once
}

type standstill struct{ from, to time.Time }

// Watch begins to watch, unless that has begun, until the process ends. Where the watchman does not get its priority
// (98, SCHED_FIFO) there are no standstills: then no break is put down to the machine.
func Watch(t testing.TB) *Standstills {
	t.Helper()
	s, err := watch()
	if err != nil {
		t.Fatalf("soundtest: the watchman: %v", err)
	}
	if s.blind {
		s.once.Do(func() {
			testrun.LeftOut(t, "the watch for standstills", "the watchman is not given his priority (98, SCHED_FIFO); what standstills break fails the tests")
		})
	}
	return s
}

var watch = sync.OnceValues(func() (*Standstills, error) {
	exe, err := os.Executable()
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(exe)
	// A thread that waits in the kernel keeps its scheduler slot here, so there must be more slots than processors. It
	// must not be taken off its work either, because the next thread in turn would have an ordinary priority.
	cmd.Env = append(os.Environ(), watchmanEnv+"=1", fmt.Sprintf("GOMAXPROCS=%d", 2*runtime.NumCPU()+2), "GODEBUG=asyncpreemptoff=1")
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL, Setpgid: true}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	s := &Standstills{}
	ready, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer cmd.Wait()
		defer close(gone)
		var b [16]byte
		for {
			if _, err := io.ReadFull(out, b[:]); err != nil {
				return
			}
			from, to := int64(binary.NativeEndian.Uint64(b[:])), int64(binary.NativeEndian.Uint64(b[8:]))
			if to == 0 { // the watchman watches
				close(ready)
				continue
			}
			now, mono := time.Now(), monotonic()
			s.mu.Lock()
			s.spans = append(s.spans, standstill{now.Add(time.Duration(from - mono)), now.Add(time.Duration(to - mono))})
			s.mu.Unlock()
		}
	}()
	select {
	case <-ready:
	case <-gone: // it has said why on standard error
		s.blind = true
	case <-time.After(10 * time.Second):
		cmd.Process.Kill()
		return nil, errors.New("he does not come to his post")
	}
	return s, nil
})

// Within is how long a processor stood still at the longest in standstills that touch the time from one moment to
// another.
func (s *Standstills) Within(from, to time.Time) (longest time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.spans {
		if x.to.After(from) && x.from.Before(to) {
			longest = max(longest, x.to.Sub(x.from))
		}
	}
	return longest
}

// Last is the last standstill of at least that length which began before a moment, and how long before; 0 where there
// was none.
func (s *Standstills) Last(before time.Time, least time.Duration) (length, ago time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.spans { // those of several processors are not in order
		if d := before.Sub(x.from); d >= 0 && x.to.Sub(x.from) >= least && (length == 0 || d < ago) {
			length, ago = x.to.Sub(x.from), d
		}
	}
	return length, ago
}

// watchman is the process: it never returns.
func watchman() {
	debug.SetGCPercent(-1)
	if os.Getppid() == 1 {
		os.Exit(1)
	}
	var posts sync.WaitGroup
	failed := make(chan error, 1024)
	cpus := allowed()
	for _, cpu := range cpus {
		posts.Add(1)
		go func() {
			runtime.LockOSThread()
			var set unix.CPUSet
			set.Set(cpu)
			err := errors.Join(unix.SchedSetaffinity(0, &set), fifo(98))
			if err != nil {
				failed <- err
			}
			posts.Done()
			if err != nil {
				return
			}
			look()
		}()
	}
	posts.Wait()
	select {
	case err := <-failed:
		fmt.Fprintln(os.Stderr, "watchman:", err)
		os.Exit(1)
	default:
	}
	tell(0, 0)
	select {}
}

// look never returns. It allocates nothing and has none of the places at which Go's scheduler takes a thread off its
// work, nor do those that it calls.
//
//go:norace
func look() {
	next := monotonic()
	for {
		next += int64(watchEvery)
		ts := unix.Timespec{Sec: next / 1e9, Nsec: next % 1e9}
		const absolute = 1 // TIMER_ABSTIME of <time.h>
		unix.RawSyscall6(unix.SYS_CLOCK_NANOSLEEP, unix.CLOCK_MONOTONIC, absolute, uintptr(unsafe.Pointer(&ts)), 0, 0, 0)
		if now := monotonic(); now-next > int64(watchFrom) {
			tell(next, now)
			next = now
		}
	}
}

//go:nosplit
//go:norace
func monotonic() int64 {
	var ts unix.Timespec
	unix.RawSyscall(unix.SYS_CLOCK_GETTIME, unix.CLOCK_MONOTONIC, uintptr(unsafe.Pointer(&ts)), 0)
	return ts.Sec*1e9 + ts.Nsec
}

//go:nosplit
//go:norace
func tell(from, to int64) {
	b := [2]int64{from, to}
	unix.RawSyscall(unix.SYS_WRITE, 1, uintptr(unsafe.Pointer(&b)), unsafe.Sizeof(b))
}

// allowed are the processors that this process may use.
func allowed() (cpus []int) {
	var set unix.CPUSet
	if unix.SchedGetaffinity(0, &set) != nil {
		return nil
	}
	for i := range 8 * int(unsafe.Sizeof(set)) {
		if set.IsSet(i) {
			cpus = append(cpus, i)
		}
	}
	return cpus
}

func fifo(priority int32) error {
	a := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: 1 /* SCHED_FIFO */, Priority: uint32(priority)}
	return unix.SchedSetAttr(0, &a, 0)
}
