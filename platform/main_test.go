//go:build linux

package platform

import (
	"context"
	"fmt"
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"cushwright/engine"
)

func TestMain(m *testing.M) {
	if handled, code := GuardianMain(os.Args[1:]); handled {
		os.Exit(code)
	}
	if len(os.Args) > 1 && os.Args[1] == childArg {
		os.Exit(childMain())
	}
	if len(os.Args) > 1 && os.Args[1] == sessionArg {
		sid, err := unix.Getsid(0)
		fmt.Println("leads its session:", err == nil && sid == os.Getpid())
		fmt.Fprintln(os.Stderr, "said on standard error")
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// Hidden arguments of the test binary.
const (
	childArg   = "take-the-route"
	sessionArg = "say-your-session"
)

// childMain is an engine's life in short: the lock, a guardian, the route; then it waits to be killed.
func childMain() int {
	dir, _ := RuntimeDir()
	fail := func(err error) int { fmt.Println("error:", err); return 1 }
	if _, _, err := Lock(dir); err != nil {
		return fail(err)
	}
	if _, err := StartGuardian(RouterOptions{}); err != nil {
		return fail(err)
	}
	r, err := NewRouter(RouterOptions{})
	if err != nil {
		return fail(err)
	}
	if _, err := r.Take(context.Background(), ""); err != nil {
		return fail(err)
	}
	fmt.Println("taken")
	select {}
}

func newRouter(t *testing.T) engine.Router {
	t.Helper()
	r, err := NewRouter(RouterOptions{Log: func(m string) { t.Log("router:", m) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Release(context.Background()) })
	return r
}
