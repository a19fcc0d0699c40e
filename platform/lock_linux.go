package platform

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const lockFile = "engine.lock"

// lockPatience is how long the lock is waited for: a process that was killed may still be on its way out, and one that
// asks whether anybody holds the lock (LiveEngine) has it for a moment.
const lockPatience = 300 * time.Millisecond

// Lock takes the single-instance lock in the folder (made if need be, for the user alone). If another process goes on
// holding it, holderPID is that process and the error wraps ErrLocked; else holderPID is 0. The kernel frees the lock
// when the process dies, however it dies. release may be called more than once.
func Lock(runtimeDir string) (release func(), holderPID int, err error) {
	fail := func(pid int, err error) (func(), int, error) {
		return nil, pid, fmt.Errorf("platform: lock %q: %w", filepath.Join(runtimeDir, lockFile), err)
	}
	if err := os.MkdirAll(runtimeDir, 0o700); err != nil {
		return fail(0, err)
	}
	f, err := os.OpenFile(filepath.Join(runtimeDir, lockFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fail(0, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	for end := time.Now().Add(lockPatience); errors.Is(err, syscall.EWOULDBLOCK) && time.Now().Before(end); {
		time.Sleep(5 * time.Millisecond)
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	}
	if err != nil {
		defer f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			pid := pidIn(f)
			return fail(pid, fmt.Errorf("%w (process %d)", ErrLocked, pid))
		}
		return fail(0, err)
	}
	// The file stays when the lock goes: removing it would let two processes hold locks on two files of one name.
	if err := f.Truncate(0); err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
		if err != nil {
			f.Close()
			return fail(0, err)
		}
	}
	return func() { f.Close() }, 0, nil
}

func pidIn(f *os.File) int {
	b := make([]byte, 32)
	n, _ := f.ReadAt(b, 0)
	pid, _ := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	return pid
}

// LiveEngine is the process that holds the lock in the folder, 0 if none does. It may be the caller.
func LiveEngine(runtimeDir string) int {
	f, err := os.Open(filepath.Join(runtimeDir, lockFile))
	if err != nil {
		return 0
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB); errors.Is(err, syscall.EWOULDBLOCK) {
		return pidIn(f)
	}
	return 0
}
