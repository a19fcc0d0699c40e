package dsp

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

func benchBands(n int) []Band {
	var bs []Band
	for i := range n {
		bs = append(bs, Band{Shape: Bell, FreqHz: 30 * math.Pow(500, (float64(i)+0.5)/float64(n)), Q: 1, GainDB: 4})
	}
	return bs
}

// BenchmarkChain measures a chain over stereo blocks, including its checks for silence and bad numbers. ns/frame is the
// least of many blocks, which a busy machine disturbs little, without the clock's own time and that of laying out the next
// block (ffmpeg's figure, a slope, holds neither). Read it beside BenchmarkElsewhere of the same run.
func BenchmarkChain(b *testing.B) {
	for _, k := range kernels {
		for _, n := range []int{10, 20, 64} {
			for _, frames := range []int{128, 256, 480} {
				b.Run(fmt.Sprintf("%s/%d-sections/%d-frames", k.name, n, frames), func(b *testing.B) {
					ch := compileFor(b, benchBands(n), -40, 48000, Options{}, k)
					src := noise(rand.New(rand.NewPCG(1, 3)), frames)
					buf := make([]float64, len(src))
					b.ReportAllocs()
					empty, least, sum, runs := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64), time.Duration(0), 0
					for b.Loop() {
						for range 16 {
							copy(buf, src)
							t := time.Now()
							ch.Process(buf)
							d := time.Since(t)
							least, sum, runs = min(least, d), sum+d, runs+1
							t = time.Now()
							empty = min(empty, time.Since(t))
						}
					}
					b.ReportMetric(float64(least-empty)/float64(frames), "ns/frame")
					b.ReportMetric(float64(sum)/float64(runs)/float64(frames), "mean-ns/frame")
					b.ReportMetric(0, "ns/op")
				})
			}
		}
	}
}

// BenchmarkAtRest is the cost of silence.
func BenchmarkAtRest(b *testing.B) {
	ch := compileFor(b, benchBands(20), -40, 48000, Options{}, kernels[0])
	buf := make([]float64, 512)
	for b.Loop() {
		ch.Process(buf)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/256, "ns/frame")
}

func BenchmarkCompile(b *testing.B) {
	c, err := NewCorrection(randomCorrection(rand.New(rand.NewPCG(1, 1)), 10), AutoHeadroom)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := c.Compile(48000, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

const cLoop = `
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
typedef struct { double b0, b1, b2, a1, a2, s[2][2]; } section;
static void run(double *x, int frames, section *s) {
	double p = s->s[0][0], q = s->s[0][1], r = s->s[1][0], t = s->s[1][1];
	for (int i = 0; i < frames; i++) {
		double v = x[2 * i], w = x[2 * i + 1], y = s->b0 * v + p, z = s->b0 * w + r;
		p = s->b1 * v - s->a1 * y + q;
		q = s->b2 * v - s->a2 * y;
		r = s->b1 * w - s->a1 * z + t;
		t = s->b2 * w - s->a2 * z;
		x[2 * i] = y;
		x[2 * i + 1] = z;
	}
	s->s[0][0] = p, s->s[0][1] = q, s->s[1][0] = r, s->s[1][1] = t;
}
int main(int argc, char **argv) {
	int n = atoi(argv[1]), frames = atoi(argv[2]);
	long rounds = atol(argv[3]);
	section *s = calloc(n, sizeof *s);
	for (int i = 0; i < n; i++)
		if (scanf("%lf %lf %lf %lf %lf", &s[i].b0, &s[i].b1, &s[i].b2, &s[i].a1, &s[i].a2) != 5) return 1;
	double *src = malloc(frames * 16), *buf = malloc(frames * 16), sum = 0;
	for (int i = 0; i < 2 * frames; i++) src[i] = rand() / (double)RAND_MAX - 0.5;
	struct timespec t0, t1;
	double least = 1e18;
	for (long r = 0; r < rounds; r++) {
		clock_gettime(CLOCK_MONOTONIC, &t0);
		for (int k = 0; k < 16; k++) {
			memcpy(buf, src, frames * 16);
			for (int i = 0; i < n; i++) run(buf, frames, s + i);
			sum += buf[0];
		}
		clock_gettime(CLOCK_MONOTONIC, &t1);
		double d = (t1.tv_sec - t0.tv_sec) * 1e9 + (t1.tv_nsec - t0.tv_nsec);
		if (d < least) least = d;
	}
	fprintf(stderr, "%g\n", sum);
	printf("%.0f\n", least / 16);
}
`

// BenchmarkElsewhere measures what others need for the same sections: the usual loop (transposed direct form, a section at
// a time, both ears) in C at -O3, ffmpeg's and sox's
// equalizer filters (user time, slope over their number) and scipy's sosfilt. All at stereo; ns per frame, for 10
// sections unless named otherwise.
func BenchmarkElsewhere(b *testing.B) {
	var rows strings.Builder
	for _, band := range benchBands(20) {
		s, err := Matched(band, 48000)
		if err != nil {
			b.Fatal(err)
		}
		fmt.Fprintf(&rows, "%.17g %.17g %.17g %.17g %.17g\n", s.B0, s.B1, s.B2, s.A1, s.A2)
	}
	dir := b.TempDir()
	for _, n := range []int{10, 20} {
		b.Run(fmt.Sprintf("c/%d-sections/256-frames", n), func(b *testing.B) {
			src, bin := filepath.Join(dir, "loop.c"), filepath.Join(dir, "loop")
			if err := os.WriteFile(src, []byte(cLoop), 0o600); err != nil {
				b.Fatal(err)
			}
			if out, err := exec.Command("gcc", "-O3", "-o", bin, src).CombinedOutput(); err != nil {
				b.Fatalf("gcc: %v\n%s", err, out)
			}
			cmd := exec.Command(bin, fmt.Sprint(n), "256", fmt.Sprint(max(b.N, 500)))
			cmd.Stdin = strings.NewReader(rows.String())
			out, err := cmd.Output()
			if err != nil {
				b.Fatal(err)
			}
			ns, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(ns/256, "ns/frame")
		})
	}
	const seconds = 30
	slope := func(b *testing.B, args func(filters int) *exec.Cmd) {
		user := func(n int) float64 { // the least of three
			least := math.Inf(1)
			for range 3 {
				cmd := args(n)
				if out, err := cmd.CombinedOutput(); err != nil {
					b.Fatalf("%v: %v\n%s", cmd.Args, err, out)
				}
				least = min(least, float64(cmd.ProcessState.UserTime().Nanoseconds()))
			}
			return least / (seconds * 48000)
		}
		for range b.N { // least squares through 0, 10, 20, 40 filters
			var sx, sy, sxx, sxy float64
			for _, n := range []float64{0, 10, 20, 40} {
				y := user(int(n))
				sx, sy, sxx, sxy = sx+n, sy+y, sxx+n*n, sxy+n*y
			}
			b.ReportMetric(10*(4*sxy-sx*sy)/(4*sxx-sx*sx), "ns/frame")
		}
	}
	b.Run("ffmpeg", func(b *testing.B) {
		slope(b, func(n int) *exec.Cmd {
			af := "aformat=sample_fmts=dblp:channel_layouts=stereo"
			for _, band := range benchBands(n) {
				af += fmt.Sprintf(",equalizer=f=%g:t=q:w=1:g=1", band.FreqHz)
			}
			return exec.Command("ffmpeg", "-nostdin", "-v", "error", "-filter_threads", "1", "-f", "lavfi", "-i",
				fmt.Sprintf("sine=frequency=1000:sample_rate=48000:duration=%d", seconds), "-af", af, "-f", "null", "-")
		})
	})
	b.Run("sox", func(b *testing.B) {
		slope(b, func(n int) *exec.Cmd {
			args := strings.Fields(fmt.Sprintf("-V0 -r 48000 -c 2 -n -n synth %d sine 1000 gain -30", seconds))
			for _, band := range benchBands(n) {
				args = append(args, "equalizer", fmt.Sprint(band.FreqHz), "1q", "1")
			}
			return exec.Command("sox", args...)
		})
	})
	for _, frames := range []int{256, 48000} {
		b.Run(fmt.Sprintf("scipy/%d-frames", frames), func(b *testing.B) {
			script := fmt.Sprintf(`
import sys, time, numpy as np
from scipy.signal import sosfilt
c = np.loadtxt(sys.stdin)[:10]
sos = np.c_[c[:, :3], np.ones(10), c[:, 3:]]
x = np.random.default_rng(1).standard_normal((2, %[1]d))
zi = np.zeros((10, 2, 2))
best = 1e9
for _ in range(20):
    n = max(1, 96000 // %[1]d)
    t = time.perf_counter()
    for _ in range(n): y, zi = sosfilt(sos, x, axis=1, zi=zi)
    best = min(best, (time.perf_counter() - t) / n / %[1]d)
print(best * 1e9)
`, frames)
			for range b.N {
				cmd := exec.Command("/usr/bin/python3", "-c", script)
				cmd.Stdin = strings.NewReader(rows.String())
				out, err := cmd.Output()
				if err != nil {
					b.Fatalf("scipy: %v", err)
				}
				ns, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(ns, "ns/frame")
			}
		})
	}
}
