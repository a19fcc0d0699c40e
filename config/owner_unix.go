//go:build unix

package config

import (
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

func ownedByUs(i fs.FileInfo) error {
	if st, ok := i.Sys().(*syscall.Stat_t); ok && int(st.Uid) != os.Geteuid() {
		return fmt.Errorf("belongs to user %d", st.Uid)
	}
	return nil
}
