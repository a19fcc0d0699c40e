package main

import (
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"cushwright/config"
)

// alone keeps a test away from the engine and the state of whoever runs it.
func alone(t *testing.T) {
	t.Helper()
	t.Setenv("XDG_STATE_HOME", t.TempDir())
	t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
}

// visible is the content of a bench without what is kept for undoing.
func visible(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := content(t, dir)
	for f := range all {
		if strings.Contains(f, string(filepath.Separator)+".") {
			delete(all, f)
		}
	}
	return all
}

// What is removed is gone from the bench and comes back by undo, the latest first; nothing that stands there is replaced.
func TestCushionsRemoveAndUndo(t *testing.T) {
	alone(t)
	dir := demoBench(t)
	start := visible(t, dir)
	run := func(args ...string) string {
		t.Helper()
		out, msg, err := command(dir, append([]string{"cushions"}, args...)...)
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		return out + msg
	}
	run("remove", "woven", "--seat", "left-03")
	if refs, err := (config.Bench{Dir: dir}).Seats("woven"); err != nil || len(refs) != 19 {
		t.Errorf("%d seats, %v", len(refs), err)
	}
	one := visible(t, dir)
	if said := run("remove", "deep-foam"); !strings.Contains(said, "cushions undo") {
		t.Errorf("%q", said)
	}
	for f := range visible(t, dir) {
		if strings.Contains(f, "deep-foam") {
			t.Errorf("%s is left", f)
		}
	}
	if snap, err := config.Load(dir); err != nil || !slices.Equal(snap.CushionNames(), []string{"wipe-clean", "woven"}) {
		t.Errorf("%v", err)
	}
	// Something new stands in its place: undo refuses and changes nothing.
	run("new", "deep-foam")
	held := content(t, dir)
	if _, _, err := command(dir, "cushions", "undo"); err == nil || !strings.Contains(err.Error(), `"cushions/deep-foam.toml" is there again`) {
		t.Errorf("%v", err)
	}
	if !same(held, content(t, dir)) {
		t.Error("a refused undo changed something")
	}
	if err := os.Remove(filepath.Join(dir, "cushions", "deep-foam.toml")); err != nil {
		t.Fatal(err)
	}
	run("undo")
	if !same(one, visible(t, dir)) {
		t.Error("the cushion did not come back whole")
	}
	run("undo")
	if !same(start, visible(t, dir)) {
		t.Error("the seat did not come back")
	}
	for _, args := range [][]string{{"undo"}, {"remove", "linen"}, {"remove", "woven", "--seat", "left-99"}, {"remove", "woven", "--seat", "../x"},
		{"remove", "../woven"}, {"remove"}, {"remove", "woven", "--demo"}} {
		if _, _, err := command(dir, append([]string{"cushions"}, args...)...); err == nil {
			t.Errorf("%v is done", args)
		}
	}
	if !same(start, visible(t, dir)) {
		t.Error("a refused command changed the bench")
	}
}

// The demonstration goes as a whole and comes back; what has become the user's own stays.
func TestRemoveTheDemonstration(t *testing.T) {
	alone(t)
	dir := demoBench(t)
	start := visible(t, dir)
	if _, msg, err := command(dir, "cushions", "remove", "--demo"); err != nil || !strings.Contains(msg, "cushions new NAME") {
		t.Errorf("%v, %q", err, msg)
	}
	left := visible(t, dir)
	if len(left) != 1 || left[filepath.Join(dir, "settings.toml")] != config.DefaultSettingsTOML {
		t.Errorf("left: %d files", len(left))
	}
	if _, _, err := command(dir, "check"); err != nil {
		t.Error(err)
	}
	if _, _, err := command(dir, "cushions", "undo"); err != nil || !same(start, visible(t, dir)) {
		t.Errorf("it did not come back whole: %v", err)
	}
	// A seat of one's own, and an edited correction.
	file := rigText(t, func(hz, db float64) string { return trim(hz) + " " + trim(db) })
	if _, _, err := command(dir, "add", "woven", "--ear", "left", file); err != nil {
		t.Fatal(err)
	}
	putFile(t, dir, "cushions/linen.toml", "label = \"Linen\"\n")
	_, msg, err := command(dir, "cushions", "remove", "--demo")
	if err != nil || !strings.Contains(msg, "woven stays") {
		t.Errorf("%v, %q", err, msg)
	}
	if snap, err := config.Load(dir); err != nil || !slices.Equal(snap.CushionNames(), []string{"linen", "woven"}) || len(storedSeats(t, dir, "woven")) != 21 {
		t.Errorf("%v", err)
	}
}

// A cushion that is renamed takes along its seats, its corrections, and what names it as reference; and back again all is
// as it was.
func TestCushionsRename(t *testing.T) {
	alone(t)
	dir := demoBench(t)
	start := visible(t, dir)
	if err := config.SaveFitted("woven"); err != nil {
		t.Fatal(err)
	}
	if _, _, err := command(dir, "cushions", "rename", "woven", "fabric"); err != nil {
		t.Fatal(err)
	}
	snap, err := config.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	k, _ := snap.Correction("wipe-clean")
	if snap.Settings.Reference != "fabric" || k.Reference != "fabric" || len(snap.Warnings) != 0 || len(storedSeats(t, dir, "fabric")) != 20 || config.LoadFitted() != "fabric" {
		t.Errorf("%+v, %v", k, snap.Warnings)
	}
	for _, args := range [][]string{{"woven", "linen"}, {"fabric", "deep-foam"}, {"fabric", "../x"}} {
		if _, _, err := command(dir, "cushions", "rename", args[0], args[1]); err == nil {
			t.Errorf("%v is done", args)
		}
	}
	if _, _, err := command(dir, "cushions", "rename", "fabric", "woven"); err != nil || !same(start, visible(t, dir)) {
		t.Errorf("not as it was: %v", err)
	}
}

func TestCushionsList(t *testing.T) {
	alone(t)
	dir := demoBench(t)
	putFile(t, dir, "seats/wovne/left-01.csv", "freq_hz,level_db\n20,90\n20000,80\n")
	if err := config.SaveFitted("wipe-clean"); err != nil {
		t.Fatal(err)
	}
	out, _, err := command(dir, "cushions")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"deep-foam        seats: 5 left, 5 right, corrected towards woven, ", "wipe-clean       seats: 5 left, 5 right, corrected towards woven, fitted, ",
		"woven            seats: 10 left, 10 right, the reference, ", "wovne            seats: 1 left, 0 right, no correction, no record\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not said in\n%s", want, out)
		}
	}
	if l := reply[[]listed](t, dir, "cushions"); len(l) != 4 || !l[1].Fitted || l[1].Towards != "woven" || !l[2].Reference || l[3].Recorded {
		t.Errorf("%+v", l)
	}
	if out, msg, err := command(t.TempDir(), "cushions"); err != nil || out != "" || !strings.Contains(msg, "cushwright cushions new NAME") {
		t.Errorf("an empty bench: %v, %q, %q", err, out, msg)
	}
}

func trim(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
