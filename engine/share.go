package engine

import (
	"cmp"
	"math"
	"slices"
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
	levels map[float64]shared          // by rate, Hz
	known  map[float64]map[Member]loud // of each member, at its own headroom
}

// shared is a loudness in LU over the programme's, ≤ 0, and whose correction asks for it; "" for none's.
type shared struct {
	db float64
	by string
}

// loud is how loud a correction is by itself, in LU over the programme's: about, and as compiled; NaN: it was not.
type loud struct{ sketchDB, ownDB float64 }

// NewShared makes the shared level of so many corrections. What before knows of them is not computed again; it may be
// nil.
func NewShared(members []Member, before *Shared) *Shared {
	s := &Shared{members: members, levels: map[float64]shared{}, known: map[float64]map[Member]loud{}}
	if before == nil {
		return s
	}
	before.mu.Lock()
	defer before.mu.Unlock()
	for rateHz, known := range before.known {
		kept := map[Member]loud{}
		for _, m := range members {
			if k, ok := known[m]; ok {
				kept[m] = k
			}
		}
		s.known[rateHz] = kept
	}
	return s
}

// sketchErrDB is how far a correction's loudness may be from what its analog prototypes make it. A band of a chain is
// within 0.3 dB of its prototype, and most are far nearer.
const sketchErrDB = 1.0

// mostCompiled is how many candidates are compiled at most, the quietest by their sketches first. Where more are that much
// alike, the level may be a little above the quietest of them: that one then plays by so much lower.
const mostCompiled = 16

// LevelDB is the shared loudness at a rate, in LU over the programme's on pink noise, ≤ 0, and the name of the cushion
// whose correction sets it, "" where it is 0. The first call of a rate computes what is not known yet: it sketches every
// correction by its analog prototypes, and compiles only those that can be the quietest by that (BenchmarkSharedLevel).
func (s *Shared) LevelDB(rateHz float64) (db float64, by string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if l, ok := s.levels[rateHz]; ok {
		return l.db, l.by
	}
	known := s.known[rateHz]
	if known == nil {
		known = map[Member]loud{}
		s.known[rateHz] = known
	}
	order := slices.Clone(s.members)
	for _, m := range order {
		if _, ok := known[m]; !ok {
			known[m] = loud{sketchDB: sketchDB(m.Correction, rateHz), ownDB: math.NaN()}
		}
	}
	slices.SortStableFunc(order, func(a, b Member) int { return cmp.Compare(known[a].sketchDB, known[b].sketchDB) })
	l, compiled := shared{}, 0
	for _, m := range order {
		k := known[m]
		if k.sketchDB-sketchErrDB > l.db {
			break
		}
		if math.IsNaN(k.ownDB) {
			if compiled == mostCompiled {
				break
			}
			compiled++
			k.ownDB = math.Inf(-1) // what cannot be compiled at the rate cannot be heard either
			if c, err := m.Correction.Compile(rateHz, dsp.Options{NoLag: true}); err == nil {
				k.ownDB = pinkDB(c)
			}
			known[m] = k
		}
		if k.ownDB < l.db && k.ownDB >= -MostSharedDB {
			l = shared{k.ownDB, m.Name}
		}
	}
	s.levels[rateHz] = l
	return l.db, l.by
}

// sketchDB is about what pinkDB is of the correction's chain.
func sketchDB(c *dsp.Correction, rateHz float64) float64 {
	left, right := c.AnalogPower(dsp.Left), c.AnalogPower(dsp.Right)
	headroomDB := c.FixedHeadroomDB()
	if c.AutoHeadroom() {
		top := dsp.ProgrammeTopHz(rateHz)
		peak := 1.0
		for f := 1.0; f < top; f *= 1.03 {
			peak = max(peak, left(f), right(f))
		}
		for _, b := range c.Bands() {
			peak = max(peak, left(min(b.FreqHz, top)), right(min(b.FreqHz, top)))
		}
		headroomDB = -10 * math.Log10(peak)
	}
	return headroomDB + loudness.PinkGainDB(func(f float64) float64 { return (left(f) + right(f)) / 2 })
}

// pinkDB is the loudness change a chain makes on pink noise, mean power of both ears, headroom included.
func pinkDB(c *dsp.Chain) float64 {
	return c.HeadroomDB() + loudness.PinkGainDB(func(f float64) float64 {
		return (c.Power(dsp.Left, f) + c.Power(dsp.Right, f)) / 2
	})
}
