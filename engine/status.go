package engine

import "cushwright/engine/live"

// Counters are what the audio path reports.
type Counters = live.Counters

// Status is a snapshot for people and programs.
type Status struct {
	State      State    `json:"state"`
	Cushion    string   `json:"cushion"`
	Reference  string   `json:"reference"`
	Bypass     bool     `json:"bypass"`
	Other      string   `json:"other,omitempty"` // what bypass switches to, when that is a correction
	Muted      bool     `json:"muted"`
	Aside      bool     `json:"aside,omitempty"` // silent while somebody measures on the output
	Driver     string   `json:"driver"`
	Output     string   `json:"output"`
	OutputID   string   `json:"output_id"`
	RateHz     int      `json:"rate_hz"`
	HeadroomDB float64  `json:"headroom_db"`         // level change that does not come of the bands, ≤ 0
	ShareDB    float64  `json:"share_db,omitempty"`  // the part of it that makes all cushions equally loud, ≤ 0
	ShareFor   string   `json:"share_for,omitempty"` // the cushion whose correction asks for it
	Bands      int      `json:"bands"`
	DelayMS    float64  `json:"delay_ms"`
	GrownMS    float64  `json:"grown_ms,omitempty"` // what of the delay the output's buffer has grown by after breaks
	Reopened   int      `json:"reopened"`
	LastError  string   `json:"last_error,omitempty"`
	Counters   Counters `json:"counters"`
}

// Status returns the latest snapshot with the counters of this moment.
func (s *Session) Status() Status {
	st := *s.status.Load()
	st.Counters = s.meters.Snapshot()
	if st.State == Running {
		st.DelayMS += float64(st.Counters.RingFillFrames) / float64(st.RateHz) * 1e3
	}
	return st
}

// publish makes the supervisor's view readable. It reads what is known already: it compiles nothing and asks no driver.
func (v *supervisor) publish() {
	st := &Status{State: v.state, Cushion: v.sel.Cushion, Reference: v.sel.Reference, Bypass: v.wishes.Bypass,
		Other: v.sel.OtherName, Muted: v.muted, Aside: v.aside, Driver: v.driver.Name(), Output: v.route.OutputName,
		OutputID: v.route.OutputID, RateHz: v.route.RateHz, HeadroomDB: v.level.headroomDB,
		ShareDB: v.level.shareDB, ShareFor: v.level.shareFor, Reopened: v.reopened, LastError: v.lastErr}
	if v.sel.Correction != nil {
		st.Bands = len(v.sel.Correction.Bands())
	}
	if p := v.path.Load(); p != nil {
		st.DelayMS = float64(v.delay+p.LagFrames()) / float64(v.route.RateHz) * 1e3
	}
	if v.route.RateHz > 0 {
		st.GrownMS = float64(v.buffers.grown()) / float64(v.route.RateHz) * 1e3
	}
	v.status.Store(st)
}
