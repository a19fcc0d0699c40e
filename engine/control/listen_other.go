//go:build !unix

package control

import "net"

// listen relies on the folder's own permissions: the runtime folder belongs to the user.
func listen(socket string) (net.Listener, error) { return net.Listen("unix", socket) }
