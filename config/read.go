package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
	"time"
)

// The largest files that are read.
const (
	MaxTOMLBytes        = 256 << 10
	MaxSeatBytes        = 16 << 20
	MaxMeasurementBytes = 16 << 20
)

// readTime is how long a file may take to be read.
const readTime = 2 * time.Second

// readFile reads a plain file of at most max bytes. Anything else (folder, pipe, device, socket, a loop of links) is
// refused without waiting on it and without opening it where its kind shows before. The error is the bare cause.
func readFile(path string, max int64) ([]byte, error) {
	if err := plain(os.Stat(path)); err != nil {
		return nil, err
	}
	// What stands there may have been exchanged since: open so that a pipe cannot block, and look again.
	f, err := os.OpenFile(path, os.O_RDONLY|nonBlock, 0)
	if err != nil {
		return nil, cause(err)
	}
	defer f.Close()
	if err := plain(f.Stat()); err != nil {
		return nil, err
	}
	// Some files of the kernel's look plain and wait for ever; where a deadline cannot be had, reading does not wait.
	_ = f.SetReadDeadline(time.Now().Add(readTime))
	b, err := io.ReadAll(io.LimitReader(f, max+1))
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil, fmt.Errorf("it had not come to an end after %v", readTime)
	}
	if err != nil {
		return nil, cause(err)
	}
	if int64(len(b)) > max {
		return nil, fmt.Errorf("the file is larger than %d bytes", max)
	}
	return b, nil
}

func plain(i fs.FileInfo, err error) error {
	switch {
	case errors.Is(err, syscall.ELOOP):
		return errors.New("the link leads in a loop")
	case err != nil:
		return cause(err)
	case i.Mode().IsRegular():
		return nil
	case i.IsDir():
		return errors.New("is a folder, not a file")
	case i.Mode()&fs.ModeNamedPipe != 0:
		return errors.New("is a pipe, not a file")
	case i.Mode()&fs.ModeDevice != 0:
		return errors.New("is a device, not a file")
	}
	return errors.New("is not a plain file")
}

// cause strips operation and path from an error of the os package: messages name the file themselves.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
