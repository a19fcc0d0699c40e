package service

import (
	"fmt"
	"math"
	"strings"

	"cushwright/cmd/internal/words"
	"cushwright/engine"
	"cushwright/engine/control"
)

// Unmatched is the caution where bypass.match is "off".
const Unmatched = "bypass is not matched in loudness: switching can jump, and the louder side seems the better one"

const MatchOff = string(engine.MatchOff)

// LoudnessOf says how loud the other side of bypass is.
func LoudnessOf(match string) string {
	if match == MatchOff {
		return "not matched in loudness"
	}
	return "equally loud"
}

// Summary says in one sentence what an engine is doing.
func Summary(st control.Status) string {
	var p []string
	if st.Cushion == None {
		p = append(p, fittedText(None))
	} else {
		p = append(p, st.Cushion+" fitted")
	}
	switch {
	case st.State != engine.Running:
		p = append(p, st.State.String())
	case st.Trial:
		p = append(p, "a listening trial is under way")
	case st.Bypass && st.Other != "":
		p = append(p, "comparing with the correction "+st.Other)
	case st.Bypass:
		p = append(p, "bypassed")
	case st.Bands == 0:
		p = append(p, "no correction")
	case st.Reference != "":
		p = append(p, "corrected towards "+st.Reference)
	default:
		p = append(p, "corrected")
	}
	if st.Muted {
		p = append(p, "muted")
	}
	if st.Aside {
		p = append(p, "standing aside, silent, for a measurement")
	}
	p = append(p, fmt.Sprintf("%.1f dB headroom", math.Abs(st.HeadroomDB)), words.Plural(st.Counters.Overs, "over"))
	if st.State == engine.Running {
		p = append(p, Delay(st))
	}
	return strings.Join(p, ", ")
}

// Delay says how late the sound is, and whether breaks have made it later.
func Delay(st control.Status) string {
	s := fmt.Sprintf("%.0f ms delay", st.DelayMS)
	if st.GrownMS >= 0.5 {
		s += fmt.Sprintf(" (grown by %.0f ms after a break)", st.GrownMS)
	}
	return s
}

// Heard says in words what is heard.
func Heard(st control.Status) string {
	switch {
	case st.Trial:
		return "hidden while a listening trial is under way"
	case st.Muted:
		return "nothing: muted"
	case st.State != engine.Running:
		return "nothing: " + st.State.String()
	case st.Bypass && st.Other != "":
		return "the correction of " + st.Other
	case st.Bypass:
		return "bypass: no correction, " + LoudnessOf(st.Match)
	case st.Bands == 0:
		return "no correction"
	case st.Reference != "":
		return fmt.Sprintf("corrected towards %s, %s", st.Reference, words.Plural(uint64(st.Bands), "band"))
	}
	return "corrected, " + words.Plural(uint64(st.Bands), "band")
}

// Lower says why a cushion plays lower than it has to by itself, and how to have it otherwise; "" where it does not.
func Lower(st control.Status) string {
	if st.ShareDB > -0.05 {
		return ""
	}
	return fmt.Sprintf("plays %.1f dB lower than it has to by itself: all cushions are as loud as the correction of %s "+
		"can be, so that a swap makes no jump; sound.share_level = false plays each at its own level, and then a swap "+
		"changes the loudness: down at once, up at 6 dB/s", -st.ShareDB, st.ShareFor)
}
