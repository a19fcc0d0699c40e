package config

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// KeptCorrections is how many earlier corrections of a cushion are kept.
const KeptCorrections = 10

// Earlier is a correction that another one has replaced.
type Earlier struct {
	Number     int       // counts up from 1
	File       string    // relative to the bench
	Written    time.Time // when it was written
	Correction Correction
	Err        error // why it cannot be put back; a Problems
}

// earlierFolder is where the earlier corrections of a cushion are, relative to the bench. The engine does not read it.
func earlierFolder(name string) string { return filepath.Join("earlier", name) }

// earlierFile is the name of an earlier correction in its folder.
func earlierFile(number int) string { return fmt.Sprintf("%04d.toml", number) }

// earlierNumbers are the numbers of the earlier corrections in a folder, ascending. A missing folder has none.
func earlierNumbers(folder string) (numbers []int, err error) {
	names, err := readDir(folder)
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		number, ok := strings.CutSuffix(n, ".toml")
		if i, err := strconv.Atoi(number); ok && err == nil && i > 0 && n == earlierFile(i) {
			numbers = append(numbers, i)
		}
	}
	slices.Sort(numbers)
	return numbers, nil
}

// EarlierCorrections lists what corrections/NAME.toml held before, the latest first.
func EarlierCorrections(dir, name string) (list []Earlier, err error) {
	fail := func(err error) ([]Earlier, error) {
		return nil, fmt.Errorf("config: list the earlier corrections of %q: %w", clip(name), cause(err))
	}
	if err := CheckName(name); err != nil {
		return fail(err)
	}
	numbers, err := earlierNumbers(filepath.Join(dir, earlierFolder(name)))
	if err != nil {
		return fail(err)
	}
	for _, n := range slices.Backward(numbers) {
		e := Earlier{Number: n, File: filepath.ToSlash(filepath.Join(earlierFolder(name), earlierFile(n)))}
		file := filepath.Join(dir, filepath.FromSlash(e.File))
		info, err := os.Stat(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue // pruned meanwhile
		}
		if err != nil {
			return fail(err)
		}
		e.Written = info.ModTime()
		if data, err := readFile(file, MaxTOMLBytes); err != nil {
			e.Err = Problems{{File: e.File, Err: err}}
		} else {
			e.Correction, e.Err = ParseCorrection(e.File, name, data)
		}
		list = append(list, e)
	}
	return list, nil
}

// PutBack makes an earlier correction of a cushion the one that the engine plays; the present one becomes an earlier
// one. A number that is not there, or a file that is not in order, changes nothing.
func PutBack(dir, name string, number int) error {
	fail := func(err error) error {
		return fmt.Errorf("config: put back correction %d of %q: %w", number, clip(name), cause(err))
	}
	list, err := EarlierCorrections(dir, name)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(list, func(e Earlier) bool { return e.Number == number })
	switch {
	case i < 0 && len(list) == 0:
		return fail(errors.New("there are no earlier ones"))
	case i < 0:
		var have []string
		for _, e := range list {
			have = append(have, strconv.Itoa(e.Number))
		}
		return fail(fmt.Errorf("there are %s", strings.Join(have, ", ")))
	case list[i].Err != nil:
		return fail(list[i].Err)
	}
	data, err := readFile(filepath.Join(dir, filepath.FromSlash(list[i].File)), MaxTOMLBytes)
	if err != nil {
		return fail(err)
	}
	return replaceCorrection(dir, name, data)
}

// replaceCorrection writes corrections/NAME.toml. What it held is kept as an earlier one, unless it is the same.
func replaceCorrection(dir, name string, data []byte) error {
	file := filepath.Join(dir, "corrections", name+".toml")
	old, err := readFile(file, MaxTOMLBytes)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case bytes.Equal(old, data):
		return nil
	default:
		// A copy, not a rename: at no moment is the cushion without its correction.
		if err := keepEarlier(dir, name, file, old); err != nil {
			return err
		}
	}
	return WriteAtomic(file, data)
}

// keepEarlier keeps the content of a correction's file as the latest of its earlier ones, once, and lets the oldest go.
func keepEarlier(dir, name, file string, data []byte) error {
	folder := filepath.Join(dir, earlierFolder(name))
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return cause(err)
	}
	numbers, err := earlierNumbers(folder)
	if err != nil {
		return err
	}
	next := 1
	if len(numbers) > 0 {
		next = numbers[len(numbers)-1] + 1
	}
	to := filepath.Join(folder, earlierFile(next))
	if err := WriteAtomic(to, data); err != nil {
		return err
	}
	if info, err := os.Stat(file); err == nil {
		_ = os.Chtimes(to, time.Time{}, info.ModTime()) // when it was written; without it, when it was replaced
	}
	for i, n := range numbers {
		f := filepath.Join(folder, earlierFile(n))
		if same, err := readFile(f, MaxTOMLBytes); i <= len(numbers)-KeptCorrections || err == nil && bytes.Equal(same, data) {
			_ = os.Remove(f) // one more than need be does no harm
		}
	}
	return nil
}
