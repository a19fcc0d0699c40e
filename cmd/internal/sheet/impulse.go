package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"path/filepath"
	"strconv"
	"strings"

	"cushwright/cmd/internal/bench"
	"cushwright/config"
	"cushwright/dsp"
	"cushwright/platform/soundfile"
)

// impulses makes the files of the impulse response and lists them on the page.
func (p *Page) impulses(c *dsp.Correction, stem string) (files []config.File, err error) {
	if strings.ContainsAny(filepath.Base(stem), ":") { // a link to "a:b" is no file beside the page
		return nil, errors.New(`the page's name holds a colon`)
	}
	for _, hz := range ratesHz {
		ch, err := c.Compile(hz, dsp.Options{})
		if err != nil {
			return nil, err
		}
		ir, err := c.Impulse(hz)
		if err != nil {
			return nil, err
		}
		worst := 0.0
		for i, e := range bench.Ears {
			for _, f := range bench.PlotHz() {
				worst = max(worst, math.Abs(dsp.DB(cmplx.Abs(dsp.ResponseOf(ir[i], f, hz)))-ch.DB(e,
					f)-ch.HeadroomDB()))
			}
		}
		n := len(ir[0])
		s := &soundfile.Sound{RateHz: int(hz), Channels: 2, Samples: make([]float64, 2*n)}
		for i := range n {
			s.Samples[2*i], s.Samples[2*i+1] = ir[0][i], ir[1][i]
		}
		var wav bytes.Buffer
		if err := soundfile.EncodeWAV(&wav, s); err != nil {
			return nil, err
		}
		add := func(ext, what string, data []byte) {
			file := fmt.Sprintf("%s-%.0f%s", stem, hz, ext)
			files = append(files, config.File{Path: file, Data: data})
			p.Files = append(p.Files, impulseFile{filepath.Base(file), what, hz, n,
				strconv.FormatFloat(math.Ceil(worst*1000)/1000, 'f', -1, 64)})
		}
		add(".wav", "WAV, 32-bit float", wav.Bytes())
		if hz == impulseRateHz {
			var csv bytes.Buffer
			fmt.Fprintf(&csv, "# impulse response of %s as %s, level taken off\n# rate_hz: %g\nframe,left,right\n",
				p.New.Name, p.Reference.Name, hz)
			for i := range n {
				fmt.Fprintf(&csv, "%d,%s,%s\n", i, exact(ir[0][i]), exact(ir[1][i]))
			}
			add(".csv", "text: frame, left, right", csv.Bytes())
		}
	}
	return files, nil
}
