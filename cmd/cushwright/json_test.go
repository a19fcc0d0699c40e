package main

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"cushwright/cmd/internal/bench"
	"cushwright/engine"
	"cushwright/engine/control"
)

// fieldsOf collects the names under which a type's fields are written.
func fieldsOf(t reflect.Type, into map[string]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		fieldsOf(t.Elem(), into)
	case reflect.Struct:
		for i := range t.NumField() {
			f := t.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name == "-" || !f.IsExported() {
				continue
			}
			if name != "" {
				into[name] = true
			}
			fieldsOf(f.Type, into)
		}
	}
}

// keysOf collects the names in a decoded answer.
func keysOf(v any, into map[string]bool) {
	switch x := v.(type) {
	case []any:
		for _, e := range x {
			keysOf(e, into)
		}
	case map[string]any:
		for k, e := range x {
			into[k] = true
			keysOf(e, into)
		}
	}
}

// TestJSONFieldsAreDocumented: "help json" has each field of each answer, and none that no answer has.
func TestJSONFieldsAreDocumented(t *testing.T) {
	dir := demoBench(t)
	have := map[string]bool{}
	for _, v := range []any{control.Status{}, bench.Derived{}, bench.SliderAnswer{}, bench.Comparison{}, bench.AgeReport{},
		proofPrinted{}, sweptSeats{}, whichAnswer{}, []engine.Device{}} {
		fieldsOf(reflect.TypeOf(v), have)
	}
	file := filepath.Join(t.TempDir(), "rig.txt")
	text := ""
	for i := range 31 {
		text += fmt.Sprintf("%d %d\n", 20*(i+1)*(i+1), 70+i%3)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, line := range [][]string{{"add", "woven", "--ear", "left", file}, {"check"}, {"sheet", "wipe-clean", "--out", t.TempDir()},
		{"derive", "wipe-clean", "--reference", "woven", "--dry"}, {"sliders", "wipe-clean", "--reference", "woven"},
		{"compare", "woven", "wipe-clean"}} {
		var v any
		out, msg, _ := command(dir, append(line, "--json")...)
		if err := json.Unmarshal([]byte(out), &v); err != nil {
			t.Fatalf("%q: %v\n%s\n%s", line, err, out, msg)
		}
		keysOf(v, have)
		// All that is said beside the answer is in the answer.
		for l := range strings.Lines(msg) {
			n, note := strings.CutPrefix(strings.TrimSpace(l), "note: ")
			if b, _ := json.Marshal(n); note && !strings.Contains(out, strings.Trim(string(b), `"`)) {
				t.Errorf("%q: the note is not in the JSON: %s", line, n)
			}
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "settings.toml"), []byte("guard.ceiling_db = 9\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out, _, _ := command(dir, "check", "--json")
	var v any
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatal(err)
	}
	keysOf(v, have)
	help, _, err := command(dir, "help", "json")
	if err != nil {
		t.Fatal(err)
	}
	for k := range have {
		if !strings.Contains(help, "\n  "+k+" ") {
			t.Errorf("%q is printed and not documented", k)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(jsonFields)) {
		if !have[k] {
			t.Errorf("%q is documented and never printed", k)
		}
		if m := jsonFields[k]; m == "" || m == k {
			t.Errorf("%q means %q", k, m)
		}
	}
}
