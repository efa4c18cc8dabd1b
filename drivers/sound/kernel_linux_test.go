//go:build kernel

package sound

import (
	"context"
	"errors"
	"math"
	"os"
	"strings"
	"testing"
	"time"
	"unsafe"

	"fullthrow/drivers"
)

// These tests need a kernel with snd-aloop, card "Loop" with one subdevice, and
// run in the emulated computer of .ci/kernel. What is played into
// /dev/snd/pcmC0D0p comes out of hw:Loop,1.

const input = "hw:Loop,1"

func openLoop(t *testing.T, opts Options) *Recorder {
	t.Helper()
	r, err := Open("mic", input, drivers.System, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = r.Close() })
	return r
}

// play plays a tone of amplitude 0.5 until the test ends, or stop is called.
func play(t *testing.T, rate uint32, channels int, w width, hz float64) (stop func()) {
	t.Helper()
	f, err := os.OpenFile("/dev/snd/pcmC0D0p", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	a := &alsa{file: f}
	p := newHWParams(rate, channels, w, period)
	if err := a.ioctl(ioctlHWParams|unsafe.Sizeof(*p)<<16, unsafe.Pointer(p)); err != nil {
		t.Fatal(err)
	}
	if err := a.ioctl(ioctlPrepare, nil); err != nil {
		t.Fatal(err)
	}
	end, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		frame := 0
		for {
			var b []byte
			for range rate / 10 {
				v := int32(math.Round(0.5 * (1 << 31) * math.Sin(2*math.Pi*hz*float64(frame)/float64(rate))))
				full := []byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24)}
				for range channels {
					b = append(b, full[4-w.bytes:]...)
				}
				frame++
			}
			if _, err := f.Write(b); err != nil {
				return
			}
			select {
			case <-end:
				return
			default:
			}
		}
	}()
	done := false
	stop = func() {
		if !done {
			done = true
			close(end)
			_ = a.ioctl(ioctlDrop, nil)
			<-ended
			_ = f.Close()
		}
	}
	t.Cleanup(stop)
	time.Sleep(300 * time.Millisecond)
	return stop
}

// fit fits a*sin + b*cos of the frequency near hz that leaves least: its
// frequency, its amplitude, and the root mean square of what is left.
func fit(v []float64, rate, hz float64) (f, amplitude, left float64) {
	at := func(f float64) (amplitude, left float64) {
		var ss, sc, cc, sv, cv, vv float64
		for i, x := range v {
			s, c := math.Sincos(2 * math.Pi * f * float64(i) / rate)
			ss, sc, cc, sv, cv, vv = ss+s*s, sc+s*c, cc+c*c, sv+s*x, cv+c*x, vv+x*x
		}
		d := ss*cc - sc*sc
		a, b := (sv*cc-cv*sc)/d, (cv*ss-sv*sc)/d
		return math.Hypot(a, b), math.Sqrt(max(0, vv-a*sv-b*cv) / float64(len(v)))
	}
	low, high := hz-0.4, hz+0.4
	for range 60 {
		third := (high - low) / 3
		_, l := at(low + third)
		_, h := at(high - third)
		if l < h {
			high -= third
		} else {
			low += third
		}
	}
	f = (low + high) / 2
	amplitude, left = at(f)
	return f, amplitude, left
}

func TestKernelList(t *testing.T) {
	got, err := List()
	if err != nil || len(got) != 2 || got[1].Name != "hw:0,1" || got[1].Card != "Loop" {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestKernelTone(t *testing.T) {
	for _, c := range []struct {
		opts     Options
		width    width
		channels int
		hz       float64
		step     float64 // of one bit
	}{
		{Options{}, widths[0], 1, 1046.5, 1. / (1 << 31)},
		{Options{Rate: 96000, Channels: 2}, widths[1], 2, 3901, 1. / (1 << 23)},
		// The input can do only what is played: two channels of 16 bits.
		{Options{Rate: 44100}, widths[2], 2, 1318.5, 1. / (1 << 15)},
	} {
		t.Run(c.width.name, func(t *testing.T) {
			rate := orDefault(c.opts.Rate)
			defer play(t, uint32(rate), c.channels, c.width, c.hz)()
			r := openLoop(t, c.opts)
			defer r.Close()
			id, err := r.Ready(t.Context())
			if err != nil || !strings.HasPrefix(id, "Loopback") || !strings.HasSuffix(id, c.width.name) {
				t.Errorf("identity %q, %v; want width %s", id, err, c.width.name)
			}
			start := time.Now()
			s, err := r.Record(t.Context(), time.Second)
			took := time.Since(start)
			if err != nil {
				t.Fatal(err)
			}
			if s.Rate != rate || s.Channels != c.channels || s.Count() != int(rate) {
				t.Fatalf("%v samples/s, %d channels, %d samples", s.Rate, s.Channels, s.Count())
			}
			// Too late is the recorder's own business. The simulated card counts
			// time by the kernel's clock of 4 ms.
			if took < 950*time.Millisecond {
				t.Errorf("1 s took %v", took)
			}
			one := make([]float64, s.Count())
			for i := range one {
				one[i] = s.Values[i*s.Channels+s.Channels-1]
			}
			// The tone may begin anew where the player starts, not within.
			f, amplitude, left := fit(one[len(one)/10:], rate, c.hz)
			t.Logf("%.4f Hz of amplitude %.9f, %.2g left, in %v", f, amplitude, left, took)
			// 1e-6: how near the search for the frequency comes.
			if math.Abs(f-c.hz) > 1e-3 || math.Abs(amplitude-0.5) > c.step || left > c.step+1e-6 {
				t.Errorf("want %v Hz, 0.5, at most %.2g left", c.hz, c.step+1e-6)
			}
		})
	}
}

func orDefault(rate float64) float64 {
	if rate == 0 {
		return 48000
	}
	return rate
}

func TestKernelOpen(t *testing.T) {
	r := openLoop(t, Options{})
	if _, err := Open("mic", input, drivers.System, Options{}); drivers.KindOf(err) != drivers.Busy {
		t.Errorf("opened twice: %v (kind %q)", err, drivers.KindOf(err))
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	stop := play(t, 44100, 2, widths[2], 1000)
	_, err := Open("mic", input, drivers.System, Options{Rate: 48000})
	if drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("a rate that the input cannot do: %v (kind %q)", err, drivers.KindOf(err))
	}
	stop()
	_, err = Open("mic", input, drivers.System, Options{Channels: 64})
	if drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("more channels than the input has: %v (kind %q)", err, drivers.KindOf(err))
	}
	if _, err := Open("mic", "hw:0,7", drivers.System, Options{}); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("no such device: %v (kind %q)", err, drivers.KindOf(err))
	}
}

// Samples that nobody takes until the kernel's buffer is full are lost, which
// is an error, and only of that capture.
func TestKernelOverrun(t *testing.T) {
	r := openLoop(t, Options{Rate: 192000, Channels: 32})
	a := r.src.(*alsa)
	if _, _, err := a.Begin(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(3 * time.Second)
	var err error
	for range 100 {
		if _, err = a.Read(t.Context(), 1<<20, time.Second); err != nil {
			break
		}
	}
	if drivers.KindOf(err) != drivers.Late || !strings.Contains(err.Error(), "overrun") {
		t.Errorf("got %v (kind %q)", err, drivers.KindOf(err))
	}
	if err := a.End(); err != nil {
		t.Error(err)
	}
	// Nothing is played: zeros, which the recorder takes for a dead converter.
	if _, err := r.Record(t.Context(), 10*time.Millisecond); drivers.KindOf(err) != drivers.Fault || !strings.Contains(err.Error(), "1920 samples and every one is 0") {
		t.Errorf("afterwards: %v", err)
	}
}

func TestKernelCancelAndClose(t *testing.T) {
	play(t, 48000, 1, widths[0], 1000)
	r := openLoop(t, Options{})
	ctx, cancel := context.WithCancelCause(t.Context())
	why := errors.New("operator stopped")
	time.AfterFunc(300*time.Millisecond, func() { cancel(why) })
	start := time.Now()
	if _, err := r.Record(ctx, time.Minute); !errors.Is(err, why) || time.Since(start) > time.Second {
		t.Errorf("cancelled: %v after %v", err, time.Since(start))
	}
	if s, err := r.Record(t.Context(), 100*time.Millisecond); err != nil || s.Count() != 4800 {
		t.Errorf("afterwards: %d samples, %v", s.Count(), err)
	}
	time.AfterFunc(300*time.Millisecond, func() { _ = r.Close() })
	start = time.Now()
	if _, err := r.Record(t.Context(), time.Minute); drivers.KindOf(err) != drivers.Closed || time.Since(start) > time.Second {
		t.Errorf("closed: %v after %v", err, time.Since(start))
	}
}

// Last: the card does not come back.
func TestKernelUnplugged(t *testing.T) {
	r := openLoop(t, Options{})
	unbound := make(chan error, 1)
	time.AfterFunc(300*time.Millisecond, func() {
		// Returns when the last file of the card is closed.
		unbound <- os.WriteFile("/sys/bus/platform/drivers/snd_aloop/unbind", []byte("snd_aloop.0"), 0o200)
	})
	start := time.Now()
	_, err := r.Record(t.Context(), time.Minute)
	if drivers.KindOf(err) != drivers.Gone || time.Since(start) > 2*time.Second {
		t.Errorf("recording: %v (kind %q) after %v", err, drivers.KindOf(err), time.Since(start))
	}
	if _, err := r.Ready(t.Context()); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("ready: %v (kind %q)", err, drivers.KindOf(err))
	}
	if _, err := r.Record(t.Context(), time.Second); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("recording again: %v (kind %q)", err, drivers.KindOf(err))
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if err := <-unbound; err != nil {
		t.Error(err)
	}
	if _, err := Open("mic", input, drivers.System, Options{}); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("opened when gone: %v (kind %q)", err, drivers.KindOf(err))
	}
}
