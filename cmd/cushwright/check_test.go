package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cushwright/config"
	"cushwright/engine"
)

// There are the outputs of these names.
type outputs []string

func (o outputs) FindOutput(_ context.Context, output string) error {
	if o == nil {
		return &engine.Error{Action: "connect to", Object: "server", Err: engine.ErrNoServer}
	}
	for _, name := range o {
		if name == output {
			return nil
		}
	}
	return &engine.Error{Action: "use output", Object: output, Err: fmt.Errorf("%w; there are %s", engine.ErrNoOutput, strings.Join(o, ", "))}
}

// TestCheckNamesAMisspeltReference: check says no and names the line, in the settings and in a correction.
func TestCheckNamesAMisspeltReference(t *testing.T) {
	t.Setenv("PULSE_SERVER", "unix:"+filepath.Join(t.TempDir(), "none"))
	for _, file := range []string{"settings.toml", "corrections/wipe-clean.toml"} {
		dir := demoBench(t)
		name := filepath.Join(dir, filepath.FromSlash(file))
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if out, _, err := command(dir, "check"); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		wrong := strings.Replace(string(text), `reference = "woven"`, `reference = "wooven"`, 1)
		if err := os.WriteFile(name, []byte(wrong), 0o644); err != nil {
			t.Fatal(err)
		}
		at := 1 + strings.Count(wrong[:strings.Index(wrong, `reference = "wooven"`)], "\n")
		out, _, err := command(dir, "check")
		if no := (answerNo{}); !errors.As(err, &no) || !strings.Contains(out, fmt.Sprintf("%q: line %d: reference is \"wooven\"", file, at)) {
			t.Errorf("%s: %v: %s", file, err, out)
		}
	}
}

// TestCheckNamesAMisspeltOutput: where somebody can say which outputs there are.
func TestCheckNamesAMisspeltOutput(t *testing.T) {
	dir := demoBench(t)
	if err := os.WriteFile(filepath.Join(dir, "settings.toml"), []byte("[sound]\noutput = \"phoness\"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	found, warnings := misnamed(t.Context(), snap, outputs{"phones", "speakers"})
	if len(found) != 1 || len(warnings) != 0 || found[0].Line != 2 || found[0].Key != "sound.output" ||
		!strings.Contains(found[0].Error(), "phoness") || !strings.Contains(found[0].Error(), "phones, speakers") {
		t.Errorf("%v, %q", found, warnings)
	}
	if found, warnings := misnamed(t.Context(), snap, outputs{"phoness"}); len(found) != 0 || len(warnings) != 0 {
		t.Errorf("it is there: %v, %q", found, warnings)
	}
	if found, warnings := misnamed(t.Context(), snap, outputs(nil)); len(found) != 0 || len(warnings) != 1 {
		t.Errorf("nobody can say: %v, %q", found, warnings)
	}
	if found, _ := misnamed(t.Context(), snap, nil); len(found) != 0 {
		t.Errorf("no routing: %v", found)
	}
}
