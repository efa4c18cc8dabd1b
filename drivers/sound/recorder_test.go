package sound

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/wav"
)

// tone is a source in memory: a 1 kHz tone, delivered in 10 ms pieces on a
// clock, with a fault after some samples.
type tone struct {
	clock    drivers.Clock
	channels int
	fault    drivertest.Fault
	after    int  // frames delivered before the fault
	still    bool // the same value always
	frames   int
	begun    int
	ended    int
	closed   chan struct{}
	once     sync.Once
}

func newTone(clock drivers.Clock) *tone {
	return &tone{clock: clock, channels: 1, closed: make(chan struct{})}
}

// A converter that delivers one value only is dead or muted.
func TestStillInput(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, channels := range []int{1, 2} {
			src := newTone(drivers.System)
			src.still, src.channels = true, channels
			r := New("mic", src, drivers.System, drivers.Calibration{})
			s, err := r.Record(t.Context(), 25*time.Millisecond)
			var e *drivers.Error
			if drivers.KindOf(err) != drivers.Fault || !strings.HasPrefix(err.Error(), "mic: record: 1200 samples and every one is -0.25") || !errors.As(err, &e) || e.Hint == "" || s.Values != nil {
				t.Errorf("%d channels: got %d values, %v", channels, len(s.Values), err)
			}
			if _, err := r.Record(t.Context(), 20*time.Millisecond); err != nil {
				t.Errorf("%d channels: too few samples to say, and got %v", channels, err)
			}
		}
	})
}

func (s *tone) Identity() (string, error) {
	if s.fault == drivertest.Gone {
		return "", drivers.Errorf("tone", "ask identity", drivers.Gone, "unplugged")
	}
	return "tone", nil
}

func (s *tone) Begin() (float64, int, error) {
	s.begun++
	if s.fault == drivertest.Stuck {
		return 0, 0, drivers.Errorf("tone", "start", drivers.Fault, "the driver refuses")
	}
	return 48000, s.channels, nil
}

func (s *tone) Read(ctx context.Context, max int, timeout time.Duration) ([]float64, error) {
	n, wait := min(max, 480), 10*time.Millisecond
	if s.frames >= s.after {
		switch s.fault {
		case drivertest.Silent:
			if err := s.wait(ctx, timeout); err != nil {
				return nil, err
			}
			return nil, drivers.Errorf("tone", "read", drivers.NoReply, "no samples")
		case drivertest.Gone:
			return nil, drivers.Errorf("tone", "read", drivers.Gone, "unplugged")
		case drivertest.Garbled:
			return make([]float64, n*s.channels+1), nil
		case drivertest.Partial: // lost samples
			return nil, drivers.Errorf("tone", "read", drivers.Fault, "samples were lost (overrun)")
		case drivertest.Slow:
			wait *= 3
		}
	}
	if err := s.wait(ctx, wait); err != nil {
		return nil, err
	}
	out := make([]float64, 0, n*s.channels)
	for i := range n {
		for range s.channels {
			if s.still {
				out = append(out, -0.25)
				continue
			}
			out = append(out, 0.5*math.Sin(2*math.Pi*1000*float64(s.frames+i)/48000))
		}
	}
	s.frames += n
	return out, nil
}

func (s *tone) wait(ctx context.Context, d time.Duration) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		select {
		case <-s.closed:
			cancel(drivers.Errorf("tone", "read", drivers.Closed, "closed"))
		case <-stop:
		}
	}()
	return s.clock.Sleep(ctx, d)
}

func (s *tone) End() error   { s.ended++; return nil }
func (s *tone) Close() error { s.once.Do(func() { close(s.closed) }); return nil }

func writeWAV(t *testing.T, seconds float64) string {
	t.Helper()
	s := drivers.Samples{Rate: 8000, Channels: 2}
	for i := range int(8000 * seconds) {
		v := float64(i%256) / 256
		s.Values = append(s.Values, v, -v)
	}
	path := filepath.Join(t.TempDir(), "tune.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(wav.Encode(f, s), f.Close()); err != nil {
		t.Fatal(err)
	}
	return path
}

// jump is a clock on which sleeping costs nothing.
type jump struct {
	drivers.Clock
	now time.Time
}

func (j *jump) Now() time.Time { return j.now }
func (j *jump) Sleep(ctx context.Context, d time.Duration) error {
	j.now = j.now.Add(max(d, 0))
	return context.Cause(ctx)
}

func newJump() *jump { return &jump{drivers.System, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)} }

func TestRecorderPromises(t *testing.T) {
	t.Run("source in memory", func(t *testing.T) {
		drivertest.TestRecorder(t, func(t *testing.T) drivers.Recorder {
			clock := newJump()
			return New("mic", newTone(clock), clock, drivers.Calibration{})
		})
	})
	t.Run("file", func(t *testing.T) {
		path := writeWAV(t, 1)
		drivertest.TestRecorder(t, func(t *testing.T) drivers.Recorder {
			clock := newJump()
			f, err := OpenFile(path, clock)
			if err != nil {
				t.Fatal(err)
			}
			return New("mic", f, clock, drivers.Calibration{})
		})
	})
}

func TestRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := newTone(drivers.System)
		src.channels = 2
		r := New("mic", src, drivers.System, drivers.Calibration{Gain: 20})
		start := time.Now()
		s, err := r.Record(t.Context(), 100*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		if s.Count() != 4800 || s.Channels != 2 || s.Unit != "Pa" || !s.Start.Equal(start) || time.Since(start) != 100*time.Millisecond {
			t.Errorf("%d samples, %d channels, unit %q, start %v, took %v", s.Count(), s.Channels, s.Unit, s.Start, time.Since(start))
		}
		if peak := s.Values[2*12]; math.Abs(peak-10) > 1e-9 { // a quarter period in: 0.5 of full scale, 20 Pa each
			t.Errorf("peak %v Pa, want 10", peak)
		}
		if src.begun != 1 || src.ended != 1 {
			t.Errorf("begun %d times, ended %d times", src.begun, src.ended)
		}
		for _, over := range []time.Duration{0, -time.Second, 2 * time.Hour} {
			if _, err := r.Record(t.Context(), over); drivers.KindOf(err) != drivers.OutOfRange {
				t.Errorf("%v: %v", over, err)
			}
		}
	})
}

// Every fault in the middle of a capture is an error of its kind and leaves no
// samples; the source is stopped whatever happened.
func TestRecordFaults(t *testing.T) {
	for _, c := range []struct {
		fault drivertest.Fault
		kind  drivers.Kind
		want  string
	}{
		{drivertest.Silent, drivers.NoReply, "mic: record: silent after 960 of 48000 samples"},
		{drivertest.Garbled, drivers.Garbled, "mic: record: 961 values in 2 channels"},
		{drivertest.Partial, drivers.Fault, "mic: record: samples were lost (overrun)"},
		{drivertest.Gone, drivers.Gone, "mic: record: unplugged"},
		{drivertest.Slow, drivers.NoReply, "mic: record: only "},
		{drivertest.Stuck, drivers.Fault, "mic: record: the driver refuses"},
	} {
		t.Run(string(c.fault), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				src := newTone(drivers.System)
				src.fault, src.after, src.channels = c.fault, 960, 2
				r := New("mic", src, drivers.System, drivers.Calibration{})
				start := time.Now()
				s, err := r.Record(t.Context(), time.Second)
				if drivers.KindOf(err) != c.kind || !strings.HasPrefix(fmt.Sprint(err), c.want) || s.Values != nil {
					t.Errorf("got %d values, %v (kind %q); want %q, %s", len(s.Values), err, drivers.KindOf(err), c.kind, c.want)
				}
				if took := time.Since(start); took > 3*time.Second {
					t.Errorf("took %v", took)
				}
				if c.fault != drivertest.Stuck && src.ended != 1 {
					t.Errorf("the source was stopped %d times", src.ended)
				}
			})
		})
	}
}

func TestCloseAndCancelDuringRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := New("mic", newTone(drivers.System), drivers.System, drivers.Calibration{})
		why := errors.New("operator stopped")
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(55*time.Millisecond, func() { cancel(why) })
		start := time.Now()
		if _, err := r.Record(ctx, time.Minute); !errors.Is(err, why) || time.Since(start) != 55*time.Millisecond {
			t.Errorf("cancelled: %v after %v", err, time.Since(start))
		}
		time.AfterFunc(55*time.Millisecond, func() { _ = r.Close() })
		if _, err := r.Record(t.Context(), time.Minute); drivers.KindOf(err) != drivers.Closed {
			t.Errorf("closed: %v (kind %q)", err, drivers.KindOf(err))
		}
	})
}

func TestFile(t *testing.T) {
	clock := newJump()
	f, err := OpenFile(writeWAV(t, 0.5), clock)
	if err != nil {
		t.Fatal(err)
	}
	r := New("mic", f, clock, drivers.Calibration{})
	a, err := r.Record(t.Context(), 125*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	b, err := r.Record(t.Context(), 125*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	// Frame 1000 of the file follows the first 1000: 1000 % 256 = 232.
	if len(a.Values) != 2000 || a.Values[2] != 1./256 || b.Values[0] != 232./256 || b.Values[1] != -232./256 {
		t.Errorf("%d values, then %v", len(a.Values), b.Values[:2])
	}
	if took := clock.now.Sub(a.Start); took < 249*time.Millisecond || took > 251*time.Millisecond {
		t.Errorf("played in %v, want 250ms", took)
	}
	if _, err := r.Record(t.Context(), time.Second); drivers.KindOf(err) != drivers.Gone || !strings.Contains(err.Error(), "ends after 500ms") {
		t.Errorf("past the end: %v", err)
	}
	if _, err := OpenFile(filepath.Join(t.TempDir(), "none.wav"), clock); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("no file: %v", err)
	}
}

// Invented texts in the form the kernel writes (sound/core/init.c,
// snd_card_info_read; sound/core/pcm.c, snd_pcm_proc_read).
func TestList(t *testing.T) {
	proc := fstest.MapFS{
		"asound/cards": {Data: []byte(" 0 [PCH            ]: HDA-Intel - HDA Intel PCH\n                      HDA Intel PCH at 0x1 irq 2\n 1 [Mic            ]: USB-Audio - Bench [one]\n                      Invented Bench microphone\n")},
		"asound/pcm":   {Data: []byte("00-00: ALC0 Analog : ALC0 Analog : playback 1 : capture 1\n00-03: HDMI 0 : HDMI 0 : playback 1\n01-00: USB Audio : USB Audio : capture 1\nnonsense\n-: x : capture\n")},
	}
	got, err := list(proc)
	want := "[{hw:0,0 PCH ALC0 Analog} {hw:1,0 Mic USB Audio}]"
	if err != nil || fmt.Sprint(got) != want {
		t.Errorf("got %v, %v, want %s", got, err, want)
	}
	if got, err := list(fstest.MapFS{}); got != nil || err != nil {
		t.Errorf("no sound: %v, %v", got, err)
	}
}

func FuzzParseList(f *testing.F) {
	f.Add(" 0 [PCH  ]: x - y\n", "00-00: a : b : capture 1\n")
	f.Fuzz(func(t *testing.T, cards, pcm string) {
		for _, i := range parseList([]byte(cards), []byte(pcm)) {
			if !strings.HasPrefix(i.Name, "hw:") || !strings.Contains(i.Name, ",") {
				t.Errorf("device %q", i.Name)
			}
		}
	})
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		format string
		data   []byte
		want   string
	}{
		{"S16_LE", []byte{0, 0x80, 0xFF, 0x7F}, "[-1 0.999969482421875]"},
		{"S24_3LE", []byte{0, 0, 0x80, 0, 0, 0x40}, "[-1 0.5]"},
		{"S32_LE", []byte{0, 0, 0, 0x80, 0, 0, 0, 0x20}, "[-1 0.25]"},
	} {
		for _, w := range widths {
			if w.name != c.format {
				continue
			}
			got, err := w.decode(c.data, 2)
			if err != nil || fmt.Sprint(got) != c.want {
				t.Errorf("%s: %v, %v, want %s", c.format, got, err, c.want)
			}
			if _, err := w.decode(c.data[1:], 2); err == nil {
				t.Errorf("%s: half a frame is taken", c.format)
			}
		}
	}
}
