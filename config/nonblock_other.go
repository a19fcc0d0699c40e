//go:build !unix

package config

const nonBlock = 0
