package service

import (
	"strings"
	"testing"

	"cushwright/engine"
	"cushwright/engine/control"
)

// TestGrownDelayIsTold: what breaks have added to the delay is said in words, once in the summary.
func TestGrownDelayIsTold(t *testing.T) {
	st := control.Status{Status: engine.Status{State: engine.Running, Cushion: "woven", DelayMS: 24.2}}
	if s := Summary(st); !strings.HasSuffix(s, ", 24 ms delay") {
		t.Errorf("%q", s)
	}
	st.GrownMS = 9.1
	if s := Summary(st); !strings.HasSuffix(s, ", 24 ms delay (grown by 9 ms after a break)") ||
		strings.Count(s, "delay") != 1 {
		t.Errorf("%q", s)
	}
}
