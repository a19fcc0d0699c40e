package engine

import (
	"math"
	"sync"

	"cushwright/dsp"
	"cushwright/dsp/loudness"
)

// Member is a cushion's correction among those that share a level.
type Member struct {
	Name       string
	Correction *dsp.Correction
}

// MostSharedDB is how much quieter than the programme a correction may be by its own headroom, in LU on pink noise, and
// still set the level of others. One that is quieter keeps its own level, or it would take the sound from all.
const MostSharedDB = 24.0

// Shared is the one loudness of all cushions of a headphone, so that a swap makes no jump. Any goroutine may use it.
//
// The rule: a correction at its own headroom (headroom_db: the peak of its response, or what its file says) makes pink
// noise so much louder or quieter, by the K-weighting of ITU-R BS.1770 and the mean power of both ears. The quietest of
// them all sets the loudness, or the programme itself (0) where all are louder. Every other correction, a cushion
// without one, and the other side of bypass are taken down to it. So nothing is ever taken down by less than its own
// headroom, and none reaches a higher peak than alone.
type Shared struct {
	members []Member // never change

	mu     sync.Mutex
	levels map[float64]shared             // by rate, Hz
	ownDB  map[float64]map[Member]float64 // the same of each member, at its own headroom
}

// shared is a loudness in LU over the programme's, ≤ 0, and whose correction asks for it; "" for none's.
type shared struct {
	db float64
	by string
}

// NewShared makes the shared level of so many corrections. What before knows of them is not computed again; it may be
// nil.
func NewShared(members []Member, before *Shared) *Shared {
	s := &Shared{members: members, levels: map[float64]shared{}, ownDB: map[float64]map[Member]float64{}}
	if before == nil {
		return s
	}
	before.mu.Lock()
	defer before.mu.Unlock()
	for rateHz, known := range before.ownDB {
		own := map[Member]float64{}
		for _, m := range members {
			if db, ok := known[m]; ok {
				own[m] = db
			}
		}
		s.ownDB[rateHz] = own
	}
	return s
}

// LevelDB is the shared loudness at a rate, in LU over the programme's on pink noise, ≤ 0, and the name of the cushion
// whose correction sets it, "" where it is 0. The first call of a rate computes what is not known yet, some 0.2 ms a
// correction.
func (s *Shared) LevelDB(rateHz float64) (db float64, by string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if l, ok := s.levels[rateHz]; ok {
		return l.db, l.by
	}
	own := s.ownDB[rateHz]
	if own == nil {
		own = map[Member]float64{}
		s.ownDB[rateHz] = own
	}
	l := shared{}
	for _, m := range s.members {
		db, ok := own[m]
		if !ok {
			db = math.Inf(-1) // what cannot be compiled at the rate cannot be heard either
			if c, err := m.Correction.Compile(rateHz, dsp.Options{NoLag: true}); err == nil {
				db = pinkDB(c)
			}
			own[m] = db
		}
		if db < l.db && db >= -MostSharedDB {
			l = shared{db, m.Name}
		}
	}
	s.levels[rateHz] = l
	return l.db, l.by
}

// pinkDB is the loudness change a chain makes on pink noise, mean power of both ears, headroom included.
func pinkDB(c *dsp.Chain) float64 {
	return c.HeadroomDB() + loudness.PinkGainDB(func(f float64) float64 {
		return (c.Power(dsp.Left, f) + c.Power(dsp.Right, f)) / 2
	})
}
