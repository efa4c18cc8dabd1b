package measure

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// processor is the time in s that this process has had processors for, which
// other work on the computer does not lengthen as it does the clock's.
func processor(b *testing.B) float64 {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// twoSeconds is a capture of 2 s at 48 kHz in stereo: a tone with harmonics, a
// foreign tone and noise.
func twoSeconds() drivers.Samples {
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 96000
	mono := make([]float64, n)
	for h, a := range []float64{0.2, 0.01, 0.005, 0.002} {
		sine(mono, 48000, 1047.3*float64(h+1), a, 0.4)
	}
	sine(mono, 48000, 3900, 0.003, 0)
	s := samples(48000, "1", make([]float64, 2*n))
	s.Channels = 2
	for i, v := range mono {
		s.Values[2*i] = v + 1e-3*rng.NormFloat64()
		s.Values[2*i+1] = v + 1e-3*rng.NormFloat64()
	}
	return s
}

func must[T any](b *testing.B, v T, err error) T {
	if err != nil {
		b.Fatal(err)
	}
	return v
}

// The goal is 30 ms for all of it on one core.
func BenchmarkStereo(b *testing.B) {
	s := twoSeconds()
	for name, f := range map[string]func(ch int){
		"tone":  func(ch int) { _, err := SteadyTone(s, ToneOptions{Channel: ch}); must(b, 0, err) },
		"tones": func(ch int) { _, err := Tones(s, TonesOptions{Channel: ch}); must(b, 0, err) },
		"level": func(ch int) { _, err := Level(s, LevelOptions{Channel: ch}); must(b, 0, err) },
		"sine":  func(ch int) { _, err := Sine(s, SineOptions{Channel: ch}); must(b, 0, err) },
		"all": func(ch int) {
			_, err := SteadyTone(s, ToneOptions{Channel: ch})
			must(b, 0, err)
			_, err = Tones(s, TonesOptions{Channel: ch})
			must(b, 0, err)
			_, err = Level(s, LevelOptions{Channel: ch})
			must(b, 0, err)
		},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			began := processor(b)
			for b.Loop() {
				f(1)
				f(2)
			}
			b.ReportMetric(1000*(processor(b)-began)/float64(b.N), "ms-processor/op")
		})
	}
}

// Time in proportion to length: ns per sample must not grow with it.
func BenchmarkToneByLength(b *testing.B) {
	for _, n := range []int{6000, 48000, 384000, 3072000} {
		x := make([]float64, n)
		sine(x, 48000, 1047.3, 0.2, 0)
		sine(x, 48000, 2094.6, 0.01, 0)
		s := samples(48000, "1", x)
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			began := processor(b)
			for b.Loop() {
				_, err := SteadyTone(s, ToneOptions{})
				must(b, 0, err)
			}
			b.ReportMetric(1e9*(processor(b)-began)/float64(b.N)/float64(n), "ns-processor/sample")
		})
	}
}

// scipyScript does the same maths with NumPy and SciPy, in the way a careful
// writer would: vectors, no loop over samples, the sums of the normal equations
// as dot products. It prints the processor's time in s and a check value for
// each part.
const scipyScript = `
import sys, time
import numpy as np, scipy
from scipy import fft, linalg

rate = 48000.0
data = np.fromfile(sys.argv[1]).reshape(-1, 2)
n = len(data)
length = int(sys.argv[2])
hann = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
small = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(int(sys.argv[3])) / int(sys.argv[3]))
whole = 0.5 + 0.5 * np.cos(2 * np.pi * (np.arange(n) - (n - 1) / 2) / n)
t = np.arange(n) - (n - 1) / 2

def spectrum(x):
    a = (len(x) - length) // 2
    z = fft.rfft(x[a:a + length] * hann)
    return z.real**2 + z.imag**2

def peak(x):
    sixth = n // 6
    x = x[(n - sixth) // 2:][:sixth]
    m = int(sys.argv[3])
    a = (sixth - m) // 2
    p = np.abs(fft.rfft(x[a:a + m] * small))
    k = 2 + int(np.argmax(p[2:-2]))
    s, other = (1, p[k + 1]) if p[k + 1] > p[k - 1] else (-1, p[k - 1])
    r = other / p[k]
    return (k + s * (2 * r - 1) / (1 + r)) * 2 * np.pi / m

def fit4(x, w):
    a = b = 0.0
    for _ in range(10):
        c, s = np.cos(w * t), np.sin(w * t)
        if a == 0:
            m = np.array([[c @ c, c @ s, c.sum()], [0, s @ s, s.sum()], [0, 0, n]])
            m = m + np.triu(m, 1).T
            a, b, _c = linalg.solve(m, [x @ c, x @ s, x.sum()], assume_a='pos')
        d = t * (b * c - a * s)
        m = np.array([[c @ c, c @ s, c.sum(), c @ d], [0, s @ s, s.sum(), s @ d], [0, 0, n, d.sum()], [0, 0, 0, d @ d]])
        m = m + np.triu(m, 1).T
        a, b, o, step = linalg.solve(m, [x @ c, x @ s, x.sum(), x @ d])
        w += step
        if abs(step) < 1e-9 * 2 * np.pi / n:
            break
    return w, a, b, o

def harmonics(r, w, top=10):
    cols = []
    for h in range(2, top + 1):
        if h * w < np.pi:
            cols += [np.cos(h * w * t), np.sin(h * w * t)]
    m = np.array(cols)
    weighted = m * whole
    v = linalg.solve(weighted @ m.T, weighted @ r, assume_a='pos')
    return v, v @ m

def tone(x):
    x = x - x.mean()
    w, a, b, o = fit4(x, peak(x))
    for _ in range(2):
        r = x - a * np.cos(w * t) - b * np.sin(w * t) - o
        v, y = harmonics(r, w)
        w, a, b, o = fit4(x - y, w)
    r = x - a * np.cos(w * t) - b * np.sin(w * t) - o
    v, y = harmonics(r, w)
    rest = np.sqrt(r @ r / n)
    p = spectrum(r - y)
    floor = np.statistics.Median(p)
    foreign = np.argmax(p)
    return 20 * np.log10(np.hypot(a, b) / np.sqrt(2) / rest)

p1, p2, p3, p4 = 20.598997, 107.65265, 737.86223, 12194.217
def weight(f):
    c = p4**2 * f**2 / ((f**2 + p1**2) * (f**2 + p4**2))
    return (c * f**2 / np.sqrt((f**2 + p2**2) * (f**2 + p3**2)))**2, c**2

def level(x):
    m, edge = int(sys.argv[4]), 9600
    x = x - x.mean()
    rms2 = x @ x / n
    rise = np.sin(np.pi / 2 * (np.arange(edge) + 0.5) / edge)
    x[:edge] *= rise
    x[-edge:] *= rise[::-1]
    z = fft.rfft(x, m)
    p = z.real**2 + z.imag**2
    a, c = weight(np.arange(m // 2 + 1) * rate / m)
    a0, c0 = weight(np.array([1000.0]))
    return 10 * np.log10(2 * rms2 * (p @ a) / p.sum() / a0[0]) + 0 * (p @ c)

def timed(f, times):
    v = f()
    start = time.process_time()
    for _ in range(times):
        v = f()
    return (time.process_time() - start) / times, v

left, right = np.ascontiguousarray(data[:, 0]), np.ascontiguousarray(data[:, 1])
print('version', scipy.__version__, 0)
print('spectrum', *timed(lambda: (spectrum(left), float(np.sqrt(spectrum(right).max())))[1], 200))
print('tone', *timed(lambda: (tone(data[:, 0]), tone(data[:, 1]))[1], 5))
print('level', *timed(lambda: (level(data[:, 0]), level(data[:, 1]))[1], 50))
`

// BenchmarkAgainstSciPy does the same maths on the same capture in SciPy, in
// one process and thread of its own, and reports how much time of a processor is
// taken here for each second there, memory's upkeep included: the goal is 1 or less. It compares the results too.
func BenchmarkAgainstSciPy(b *testing.B) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import scipy").Run(); err != nil {
		b.Skipf("no SciPy to compare with (%s -c 'import scipy': %v); Debian has it as python3-scipy", python, err)
	}
	s := twoSeconds()
	raw := make([]byte, 0, 8*len(s.Values))
	for _, v := range s.Values {
		raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(v))
	}
	dir := b.TempDir()
	file := filepath.Join(dir, "capture.f64")
	if err := os.WriteFile(file, raw, 0o600); err != nil {
		b.Fatal(err)
	}
	length, _ := transformLength(s.Count())
	sixth, _ := transformLength(s.Count() / 6)
	cmd := exec.Command(python, "-c", scipyScript, file, strconv.Itoa(length), strconv.Itoa(sixth), strconv.Itoa(transformAbove(s.Count())))
	cmd.Env = append(os.Environ(), "OMP_NUM_THREADS=1", "OPENBLAS_NUM_THREADS=1")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		b.Fatalf("the script in SciPy: %v", err)
	}
	one := make([][]float64, 2)
	for ch := range one {
		x, err := mono("bench", s, ch+1, 1)
		one[ch] = must(b, x, err)
	}
	largest := func(sp spectrum) (v float64) {
		for _, p := range sp.power {
			v = max(v, p)
		}
		sp.release()
		return math.Sqrt(v)
	}
	ours := map[string]func() float64{
		"spectrum": func() float64 {
			newSpectrum(one[0], s.Rate).release()
			return largest(newSpectrum(one[1], s.Rate))
		},
		"tone": func() float64 {
			for ch := 1; ; ch++ {
				if r, err := SteadyTone(s, ToneOptions{Channel: ch}); ch == 2 {
					return must(b, r, err).SINAD
				}
			}
		},
		"level": func() float64 {
			for ch := 1; ; ch++ {
				if r, err := Level(s, LevelOptions{Channel: ch}); ch == 2 {
					return must(b, r, err).LevelA
				}
			}
		},
	}
	for line := range strings.Lines(string(out)) {
		var name, value string
		var check float64
		if _, err := fmt.Sscan(line, &name, &value, &check); err != nil {
			b.Fatalf("%q: %v", line, err)
		}
		if name == "version" {
			b.Logf("SciPy %s", value)
			continue
		}
		theirs, err := strconv.ParseFloat(value, 64)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			got := ours[name]()
			if math.Abs(got-check) > 1e-3*math.Abs(check) {
				b.Fatalf("%s is %v here, %v in SciPy", name, got, check)
			}
			began := processor(b)
			for b.Loop() {
				ours[name]()
			}
			mine := (processor(b) - began) / float64(b.N)
			b.ReportMetric(1000*mine, "ms-ours")
			b.ReportMetric(1000*theirs, "ms-SciPy")
			b.ReportMetric(mine/theirs, "ours/SciPy")
		})
	}
}
