//go:build linux

package control

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Without root no other user can be had: the check is tried the other way round, with another owner.
func TestStrangersAreToldSo(t *testing.T) {
	ln, err := net.Listen("unix", filepath.Join(t.TempDir(), "s"))
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	mine, err := net.Dial("unix", ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer mine.Close()
	c, err := ln.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := ownPeer(c); err != nil {
		t.Errorf("our own connection: %v", err)
	}
	owner = func() int { return os.Geteuid() + 1 }
	defer func() { owner = os.Geteuid }()
	if err := ownPeer(c); err == nil || !strings.Contains(err.Error(), "another user") {
		t.Errorf("a stranger's connection: %v", err)
	}
	a, b := net.Pipe()
	defer a.Close()
	defer b.Close()
	if ownPeer(a) == nil {
		t.Error("a connection without a peer that can be known was taken")
	}
}
