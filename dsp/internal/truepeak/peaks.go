package truepeak

func (p *Interpolator) peaks(dst, x []float32) { p.peaksGo(dst, x) }
