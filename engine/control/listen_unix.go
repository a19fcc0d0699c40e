//go:build unix

package control

import (
	"net"
	"syscall"
)

// listen makes the socket with mode 0600 from its first moment.
func listen(socket string) (net.Listener, error) {
	old := syscall.Umask(0o177)
	defer syscall.Umask(old)
	return net.Listen("unix", socket)
}
