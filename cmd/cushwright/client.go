package main

import (
	"encoding/json"
	"os"
	"path/filepath"

	"cushwright/config"
	"cushwright/engine/control"
)

// socketPath is where the running engine of this user listens.
func socketPath() (string, error) {
	dir, err := config.RuntimeDir()
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "engine.sock"), nil
}

func newClient() (*control.Client, error) {
	s, err := socketPath()
	if err != nil {
		return nil, err
	}
	return control.NewClient(s), nil
}

func printJSON(v any) error {
	e := json.NewEncoder(os.Stdout)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
