package engine

import (
	"testing"

	"cushwright/dsp"
)

// What cannot be compiled changes nothing, whether streams are open or not: neither the settings, nor the selection,
// nor what the streams are to be reopened for.
func TestAllOrNothing(t *testing.T) {
	flat, err := dsp.NewCorrection(nil, -3)
	if err != nil {
		t.Fatal(err)
	}
	for _, isOpen := range []bool{false, true} {
		b := &buffered{}
		v := b.opened(t, DelayNormal)
		if !isOpen {
			v.close(false)
		}
		type all struct {
			asked, set Settings
			sel        Selection
			reopenFor  string
			level      level
		}
		now := func() all { return all{v.asked, v.set, v.sel, v.reopenFor, v.level} }
		before := now()
		other := v.asked
		other.Match, other.Output, other.Delay = MatchProgramme, "another", DelaySafe
		rematched := v.asked
		rematched.Match = MatchOff
		for what, err := range map[string]error{
			"a selection":                        v.apply(nil, &Selection{Cushion: "x"}),
			"settings and a selection":           v.apply(&other, &Selection{Cushion: "x"}),
			"settings as before and a selection": v.apply(&before.asked, &Selection{Cushion: "x"}),
			"another match, and a selection":     v.apply(&rematched, &Selection{Cushion: "x"}),
		} {
			if err == nil {
				t.Errorf("open %v: %s: no error", isOpen, what)
			}
		}
		odd := other
		odd.RateHz, v.route.RateHz = -1, 0
		if err := v.apply(&odd, nil); err == nil {
			t.Errorf("open %v: a rate that is none: no error", isOpen)
		}
		if got := now(); got != before {
			t.Errorf("open %v: it is %+v, was %+v", isOpen, got, before)
		}
		v.route.RateHz = 48000
		// Settings whose match cannot be made for what is selected change nothing either.
		v.sel = Selection{Cushion: "broken"}
		before = now()
		if err := v.apply(&other, nil); err == nil || now() != before {
			t.Errorf("open %v: %v, it is %+v, was %+v", isOpen, err, now(), before)
		}
		// What can be compiled is taken over whole.
		if err := v.apply(&other, &Selection{Cushion: "good", Correction: flat}); err != nil {
			t.Fatal(err)
		}
		if v.asked != other || v.set != other || v.sel.Cushion != "good" || v.reopenFor == "" || v.level.headroomDB != -3 {
			t.Errorf("open %v: it is %+v", isOpen, now())
		}
	}
}

// The status is put together from what is known: compiling ten bands for each request would take many allocations.
func TestPublishCompilesNothing(t *testing.T) {
	c, err := dsp.NewCorrection(tenBands(), dsp.AutoHeadroom)
	if err != nil {
		t.Fatal(err)
	}
	b := &buffered{}
	v := b.opened(t, DelayNormal)
	if err := v.apply(nil, &Selection{Correction: c}); err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(20, v.publish); n > 4 {
		t.Errorf("%v allocations", n)
	}
	v.publish()
	if st := v.Status(); st.Bands != 10 || st.HeadroomDB > -1 {
		t.Errorf("status %+v", st)
	}
}
