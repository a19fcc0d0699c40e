package engine

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"cushwright/dsp"
)

// randomMembers are corrections of random bells and shelves with automatic headroom, at most most dB up or down.
func randomMembers(t testing.TB, r *rand.Rand, count, bands int, most float64) (m []Member) {
	t.Helper()
	for i := range count {
		var bs []dsp.Band
		for range bands {
			bs = append(bs, dsp.Band{Shape: []dsp.Shape{dsp.Bell, dsp.LowShelf, dsp.HighShelf}[r.IntN(3)],
				Ear: []dsp.Ear{dsp.Both, dsp.Left, dsp.Right}[r.IntN(3)], FreqHz: 30 * math.Pow(300, r.Float64()),
				GainDB: (2*r.Float64() - 1) * most, Q: 0.4 + r.Float64()})
		}
		c, err := dsp.NewCorrection(bs, dsp.AutoHeadroom)
		if err != nil {
			t.Fatal(err)
		}
		m = append(m, Member{strconv.Itoa(i), c})
	}
	return m
}

// At the shared level no cushion lifts any sine above full scale, by the complex responses of the sections on a
// fine grid; and one just reaches it, or lifts nothing and plays unlowered, so that no level is given away.
func TestSharedLevelNeverClips(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 8))
	for round := range 20 {
		members := randomMembers(t, r, 1+r.IntN(6), 5, 6)
		s := NewShared(members, nil)
		tops := []float64{}
		for _, m := range members {
			p, err := compile(Selection{Correction: m.Correction, Shared: s}, DelayNormal.chains(), MatchPink, 48000)
			if err != nil {
				t.Fatal(err)
			}
			ch, err := m.Correction.Compile(48000, dsp.Options{})
			if err != nil {
				t.Fatal(err)
			}
			top := -200.0
			for f := 0.02; f < 20000; f *= 1.002 {
				top = max(top, ch.DB(dsp.Left, f), ch.DB(dsp.Right, f))
			}
			tops = append(tops, max(top, 0)+p.level.headroomDB)
		}
		flat, err := dsp.NewCorrection(nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		p, err := compile(Selection{Correction: flat, Shared: s}, DelayNormal.chains(), MatchPink, 48000)
		if err != nil {
			t.Fatal(err)
		}
		tops = append(tops, p.level.headroomDB)
		if top := slices.Max(tops); math.Abs(top) > 0.01 {
			t.Errorf("round %d: the highest reaches %+.2f dB: %.2f", round, top, tops)
		}
	}
}

// A correction that takes nearly all sound away sets the level of itself alone.
func TestSharedLevelLeavesSound(t *testing.T) {
	cut, err := dsp.NewCorrection(nil, -40)
	if err != nil {
		t.Fatal(err)
	}
	mild, err := dsp.NewCorrection(nil, -5)
	if err != nil {
		t.Fatal(err)
	}
	s := NewShared([]Member{{"cut", cut}, {"mild", mild}}, nil)
	if db, by := s.LevelDB(48000); db != -5 || by != "mild" {
		t.Errorf("%g dB by %q, want -5 by mild", db, by)
	}
	for c, want := range map[*dsp.Correction]float64{cut: -40, mild: -5} {
		p, err := compile(Selection{Correction: c, Shared: s}, DelayNormal.chains(), MatchPink, 48000)
		if err != nil || p.level.headroomDB != want {
			t.Errorf("%+v, %v, want %g", p.level, err, want)
		}
	}
}

// The sketches leave out none that matters: the level is that of the quietest of all, compiled one by one.
func TestSharedLevelIsOfTheQuietest(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 1))
	worst := 0.0
	for _, rate := range []float64{44100, 48000, 96000} {
		for range 6 {
			members := randomMembers(t, r, 15, 10, 5)
			want, whose := 0.0, ""
			for _, m := range members {
				ch, err := m.Correction.Compile(rate, dsp.Options{NoLag: true})
				if err != nil {
					t.Fatal(err)
				}
				own := pinkDB(ch)
				worst = max(worst, math.Abs(sketchDB(m.Correction, rate)-own))
				if own < want && own >= -MostSharedDB {
					want, whose = own, m.Name
				}
			}
			if got, by := NewShared(members, nil).LevelDB(rate); got != want || by != whose {
				t.Errorf("%g Hz: %g dB by %s, want %g by %s", rate, got, by, want, whose)
			}
		}
	}
	if t.Logf("a sketch is %.2f dB off at most", worst); worst > sketchErrDB {
		t.Errorf("a sketch is %.2f dB off, allowed: %g", worst, sketchErrDB)
	}
}

// What is known of a correction is not computed again: of 2,000, of which one is edited, only that one is.
func TestSharedLevelIsKept(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	members := randomMembers(t, r, 200, 10, 6)
	first := NewShared(members, nil)
	first.LevelDB(48000)
	edited := slices.Clone(members)
	edited[7] = randomMembers(t, r, 1, 10, 6)[0]
	next := NewShared(edited, first)
	if n := len(next.known[48000]); n != 199 {
		t.Errorf("%d of 199 levels are known", n)
	}
	got, by := next.LevelDB(48000)
	if want, whose := NewShared(edited, nil).LevelDB(48000); got != want || by != whose {
		t.Errorf("%g dB by %s, computed anew %g by %s", got, by, want, whose)
	}
	if n := testing.AllocsPerRun(5, func() { next.LevelDB(48000) }); n != 0 {
		t.Errorf("a level that is known takes %g allocations", n)
	}
}

// BenchmarkSharedLevel is the cost of the shared level of 2,000 corrections of ten bands: at a start, and after an edit
// of one.
func BenchmarkSharedLevel(b *testing.B) {
	r := rand.New(rand.NewPCG(3, 3))
	members := randomMembers(b, r, 2000, 10, 6)
	b.Run("start", func(b *testing.B) {
		for b.Loop() {
			NewShared(members, nil).LevelDB(48000)
		}
	})
	b.Run("edit", func(b *testing.B) {
		known := NewShared(members, nil)
		known.LevelDB(48000)
		for b.Loop() {
			edited := slices.Clone(members)
			edited[7] = randomMembers(b, r, 1, 10, 6)[0]
			NewShared(edited, known).LevelDB(48000)
		}
	})
}
