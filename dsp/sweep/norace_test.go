//go:build !race

package sweep

const racing = false
