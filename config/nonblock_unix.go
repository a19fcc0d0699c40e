//go:build unix

package config

import "syscall"

const nonBlock = syscall.O_NONBLOCK
