package fit

import "slices"

// DeriveApart fits each ear's own bands, both at one common level, so that the balance between the ears stays as it is:
// levels left free ear by ear would shift it. balanceDB is the level by which the left ear wants more than the right; like
// a level common to both it is left to the listener's controls, unless Options.FixedLevel takes it literally.
func DeriveApart(left, right Target, o Options) (l, r Result, balanceDB float64, err error) {
	if o.FixedLevel {
		if l, err = Derive(left, o); err == nil {
			r, err = Derive(right, o)
		}
		return l, r, 0, err
	}
	both, err := Together(left, right)
	if err != nil {
		return l, r, 0, err
	}
	common, err := Derive(both, o)
	if err != nil {
		return l, r, 0, err
	}
	if left, err = left.onGrid(); err != nil {
		return l, r, 0, err
	}
	if right, err = right.onGrid(); err != nil {
		return l, r, 0, err
	}
	apart := make([]float64, len(left.WantDB))
	for i := range apart {
		apart[i] = left.WantDB[i] - right.WantDB[i]
	}
	balanceDB = levelOf(apart) // of the difference, which is nearly flat where the wants themselves are not
	o.FixedLevel = true
	one := func(t Target, level float64) (Result, error) {
		t.WantDB, t.BelievedDB = lowered(t.WantDB, level), lowered(t.BelievedDB, level)
		res, err := Derive(t, o)
		if err != nil {
			return res, err
		}
		res.LevelDB = level
		// What no band at all would leave has its best level too.
		res.Before, _ = residual(res.Prepared.AskedDB, make([]float64, len(t.WantDB)), res.Prepared.Weight, false)
		return res, nil
	}
	if l, err = one(left, common.LevelDB+balanceDB/2); err == nil {
		r, err = one(right, common.LevelDB-balanceDB/2)
	}
	return l, r, balanceDB, err
}

func lowered(v []float64, by float64) []float64 {
	out := slices.Clone(v)
	for i := range out {
		out[i] -= by
	}
	return out
}
