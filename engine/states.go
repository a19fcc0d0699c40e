package engine

import "fmt"

// State is where a session stands. The supervisor alone changes it. The function next is the table:
//
//	from        event      to          action
//	stopped     begun      opening     open
//	opening     sounding   running     watch
//	opening     troubled   failed      fail
//	opening     hopeless   failed      fail
//	opening     ended      stopped     leave
//	running     disturbed  recovering  reopen
//	running     ended      stopped     leave
//	recovering  sounding   running     watch
//	recovering  troubled   recovering  again
//	recovering  hopeless   failed      fail
//	recovering  ended      stopped     leave
//
// Any other event in a state fails the session.
type State uint8

// The states of a session.
const (
	Stopped    State = iota // before Run and after it
	Opening                 // Run waits for the first sound
	Running                 // both devices call
	Recovering              // the streams are to be opened anew
	Failed                  // Run ended with an error
)

var stateNames = [...]string{"stopped", "opening", "running", "recovering", "failed"}

func (s State) String() string { return stateNames[s] }

// MarshalText writes the state's name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state's name.
func (s *State) UnmarshalText(b []byte) error {
	for i, n := range stateNames {
		if n == string(b) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("engine: read state %q: unknown", b)
}

// event is what an action of the supervisor ends with.
type event uint8

const (
	begun     event = iota // Run was called
	sounding               // the streams are open, and the first callbacks came
	troubled               // opening failed, or no callback came in time; time may mend it
	hopeless               // opening failed with the reaction GiveUp
	disturbed              // streams that run must be opened anew: no callbacks, another route, settings, a request
	ended                  // the context ended
)

var eventNames = [...]string{"begun", "sounding", "troubled", "hopeless", "disturbed", "ended"}

func (e event) String() string { return eventNames[e] }

// action is what the supervisor does next.
type action uint8

const (
	open   action = iota // take the route, open the streams, wait for the first sound
	watch                // look after the streams until something disturbs them
	reopen               // fade out and close, then as open
	again                // close and pause, then as open
	fail                 // close, and end with the error
	leave                // fade out and close, and end
)

var actionNames = [...]string{"open", "watch", "reopen", "again", "fail", "leave"}

func (a action) String() string { return actionNames[a] }

// next is the transition function of a session.
func next(s State, e event) (State, action) {
	switch {
	case s == Stopped && e == begun:
		return Opening, open
	case (s == Opening || s == Recovering) && e == sounding:
		return Running, watch
	case s == Running && e == disturbed:
		return Recovering, reopen
	case s == Recovering && e == troubled:
		return Recovering, again
	case (s == Opening || s == Running || s == Recovering) && e == ended:
		return Stopped, leave
	}
	return Failed, fail
}
