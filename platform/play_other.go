//go:build !linux

package platform

import "errors"

// Play does not exist on this system yet.
func Play(func([]float32) (int, error), int) (stop func(), err error) {
	return nil, errors.New("platform: play \"loop\": not on this system yet: play the file in any player that repeats it")
}
