package control

import (
	"fmt"
	"net"
	"os"
	"syscall"
)

// owner is whose processes are served; tests change it.
var owner = os.Geteuid

// ownPeer returns an error unless the process at the other end runs as this user (SO_PEERCRED, unix(7)): the socket's
// mode keeps others out, and this does where the mode was changed or the socket handed on.
func ownPeer(c net.Conn) error {
	u, ok := c.(*net.UnixConn)
	if !ok {
		return fmt.Errorf("not a local connection")
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return err
	}
	var cred *syscall.Ucred
	var got error
	if err := raw.Control(func(fd uintptr) {
		cred, got = syscall.GetsockoptUcred(int(fd), syscall.SOL_SOCKET, syscall.SO_PEERCRED)
	}); err != nil {
		return err
	}
	if got != nil {
		return got
	}
	if int(cred.Uid) != owner() {
		return fmt.Errorf("this engine belongs to another user")
	}
	return nil
}
