package rig

import (
	"bytes"
	"strings"
	"testing"

	"cushwright/config"
)

// The questions: a no, an end of input, --yes.
func TestTalk(t *testing.T) {
	var out bytes.Buffer
	k := &Talk{out: &out, in: strings.NewReader("y\nno\n\n")}
	ctx := t.Context()
	if yes, err := k.Confirm(ctx, "louder?"); !yes || err != nil {
		t.Error(yes, err)
	}
	if yes, err := k.Confirm(ctx, "louder?"); yes || err != nil {
		t.Error(yes, err)
	}
	if err := k.Enter(ctx, "seat"); err != nil {
		t.Error(err)
	}
	if err := k.Enter(ctx, "seat"); err == nil || !strings.Contains(err.Error(), "--yes") {
		t.Error(err)
	}
	if !strings.Contains(out.String(), "louder? [y/N]") || k.Bar("x") != nil {
		t.Errorf("%q", out.String())
	}
	k = &Talk{out: &out, in: strings.NewReader(""), yes: true, tty: true}
	if yes, err := k.Confirm(ctx, "louder?"); !yes || err != nil {
		t.Error(yes, err)
	}
	out.Reset()
	bar := k.Bar("left ear, seat 1 of 5")
	bar(0.5)
	k.EndBar()
	if want := "left ear, seat 1 of 5 [###############---------------]  50 %\n"; strings.TrimPrefix(out.String(), "\r") != want {
		t.Errorf("%q", out.String())
	}
}

// What a correction lifts counts against the level limit.
func TestLevelLimitBehindTheCorrection(t *testing.T) {
	j := &Job{set: config.Rig{SweepLevelDB: -14, MaxLevelDB: -12}, wantDB: -14, levelDB: -34}
	j.Limit(-3)
	if j.set.MaxLevelDB != -12 || j.wantDB != -14 || j.levelDB != -34 {
		t.Errorf("a correction that lowers: %+v", j)
	}
	j.Limit(5)
	if j.set.MaxLevelDB != -17 || j.wantDB != -17 || j.levelDB != -37 {
		t.Errorf("a correction that lifts by 5 dB: limit %g, wanted %g, quiet %g", j.set.MaxLevelDB, j.wantDB, j.levelDB)
	}
}
