package receiver

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/gpio"
)

// send writes each portion to the port's other end after the time before it.
func send(peer io.Writer, gap time.Duration, portions ...[]byte) {
	for _, p := range portions {
		time.Sleep(gap)
		if _, err := peer.Write(p); err != nil {
			return
		}
	}
}

// always sends SBUS frames every 7 ms until the port is closed.
func always(t *testing.T) drivers.Port {
	port, peer := drivertest.Pipe("wire", drivers.System)
	go func() {
		for i := 0; ; i++ {
			time.Sleep(7 * time.Millisecond)
			if _, err := peer.Write(AppendSBUS(nil, &SBUSFrame{Channels: wave(i)})); err != nil {
				return
			}
		}
	}()
	t.Cleanup(func() { _ = port.Close(); time.Sleep(10 * time.Millisecond) })
	return port
}

func open(t *testing.T, port drivers.Port, format string) *Receiver {
	t.Helper()
	r, err := Open("receiver", port, drivers.System, Options{Format: format})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestReceiverIsADevice(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
		b := sbusStream(40)
		port, peer := drivertest.Pipe("wire", drivers.System)
		// Not in a bubble: enough frames arrive whenever somebody listens.
		stop := make(chan struct{})
		t.Cleanup(func() { close(stop) })
		go func() {
			for {
				select {
				case <-stop:
					return
				case <-time.After(time.Millisecond):
					_, _ = peer.Write(b)
				}
			}
		}()
		return open(t, port, "SBUS")
	})
}

func TestRecordSBUS(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := open(t, always(t), "SBUS")
		time.Sleep(99 * time.Millisecond) // 14 frames wait: they are not of this capture
		start := time.Now()
		f, err := r.Record(t.Context(), 700*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		if got := time.Since(start); got != 700*time.Millisecond {
			t.Errorf("took %v, want 700ms", got)
		}
		if len(f.Frames) != 100 || f.Damaged != 0 || f.SkippedBytes != 0 || f.Length != 700*time.Millisecond || !f.Start.Equal(start) ||
			f.Format != "SBUS" || f.Period != 0 {
			t.Fatalf("got %d frames, %d damaged, %d skipped, %v from %v %s %v", len(f.Frames), f.Damaged, f.SkippedBytes, f.Length, f.Start, f.Format, f.Period)
		}
		for i, fr := range f.Frames {
			if want := time.Duration(6+7*i) * time.Millisecond; fr.At != want {
				t.Errorf("frame %d at %v, want %v", i, fr.At, want)
			}
			if ch := wave(14 + i); [Channels]uint16(fr.Channels) != ch {
				t.Errorf("frame %d: got %v, want %v", i, fr.Channels, ch)
			}
		}
	})
}

// An adapter that hands over 30 ms of frames at once.
func TestFramesOfOneReadAreSpread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "SBUS")
		b := sbusStream(12)
		go send(peer, 30*time.Millisecond, b[:4*25], b[4*25:8*25], b[8*25:])
		f, err := r.Record(t.Context(), 95*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		var got []time.Duration
		for _, fr := range f.Frames {
			got = append(got, fr.At/time.Millisecond)
		}
		want := []time.Duration{9, 16, 23, 30, 39, 46, 53, 60, 69, 76, 83, 90}
		if len(got) != len(want) {
			t.Fatalf("got %v, want %v ms", got, want)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("frame %d at %d ms, want %d", i, got[i], want[i])
			}
		}
	})
}

func TestSpreadStaysInOrder(t *testing.T) {
	at := make([]time.Duration, 4)
	spread(4, 30*time.Millisecond, 7*time.Millisecond, func(i int) *time.Duration { return &at[i] }, 20*time.Millisecond)
	before := 20 * time.Millisecond
	for i, a := range at {
		if a <= before || a > 30*time.Millisecond {
			t.Errorf("frame %d at %v, after %v: want order within 20..30 ms", i, a, before)
		}
		before = a
	}
}

func TestRecordLostAndFailsafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "SBUS")
		go send(peer, 7*time.Millisecond,
			AppendSBUS(nil, &SBUSFrame{Channels: wave(0)}),
			AppendSBUS(nil, &SBUSFrame{Channels: wave(0), Lost: true}),
			AppendSBUS(nil, &SBUSFrame{Channels: wave(0), Lost: true, Failsafe: true}))
		f, err := r.Record(t.Context(), 25*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Frames) != 3 || f.Frames[0].Lost || !f.Frames[1].Lost || f.Frames[1].Failsafe || !f.Frames[2].Failsafe {
			t.Errorf("got %+v", f.Frames)
		}
	})
}

func TestRecordCRSFWithoutHandset(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "CRSF")
		link := AppendCRSFLink(nil, CRSFLink{UpRSSI1: 120, UpQuality: 0, UpSNR: -20})
		go send(peer, 100*time.Millisecond, link, link, link)
		f, err := r.Record(t.Context(), 250*time.Millisecond)
		if err != nil {
			t.Fatalf("a receiver that hears no handset is no fault of the bench: %v", err)
		}
		if len(f.Frames) != 0 || len(f.Link) != 2 || f.Link[1] != (drivers.LinkStatistics{At: 200 * time.Millisecond, RSSI: -120, SNR: -20}) {
			t.Errorf("got %d frames and link %+v", len(f.Frames), f.Link)
		}
		// Shorter than the receiver's own rhythm: it is heard out before judging.
		go send(peer, 100*time.Millisecond, link)
		time.Sleep(60 * time.Millisecond)
		if f, err = r.Record(t.Context(), 10*time.Millisecond); err != nil || len(f.Link) != 0 || f.Length != 10*time.Millisecond {
			t.Errorf("short capture: got %v, %d link statistics", err, len(f.Link))
		}
	})
}

func TestReceiverFaults(t *testing.T) {
	for _, c := range []struct {
		name string
		// play stands at the other end
		play func(peer io.ReadWriteCloser)
		kind drivers.Kind
		text string
		took time.Duration
	}{
		{"silent", func(io.ReadWriteCloser) {}, drivers.NoReply, "not a byte in 500ms", 500 * time.Millisecond},
		{"garbled", func(p io.ReadWriteCloser) {
			for range 60 {
				send(p, 7*time.Millisecond, []byte("\xF3\x80\x00\xFE\x01\x7F\xF3\x80"))
			}
		}, drivers.Garbled, "480 bytes in 500ms and not one whole SBUS frame", 500 * time.Millisecond},
		{"partial", func(p io.ReadWriteCloser) { send(p, 7*time.Millisecond, sbusStream(1)[:20]) }, drivers.Garbled,
			"20 bytes in 500ms and not one whole SBUS frame", 500 * time.Millisecond},
		{"unplugged before", func(p io.ReadWriteCloser) { _ = p.Close() }, drivers.Gone, "", 0},
		{"unplugged in the middle", func(p io.ReadWriteCloser) {
			send(p, 7*time.Millisecond, sbusStream(1), sbusStream(1))
			time.Sleep(6 * time.Millisecond)
			_ = p.Close()
		}, drivers.Gone, "", 20 * time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				port, peer := drivertest.Pipe("wire", drivers.System)
				r := open(t, port, "SBUS")
				go c.play(peer)
				synctest.Wait()
				start := time.Now()
				f, err := r.Record(t.Context(), 500*time.Millisecond)
				if drivers.KindOf(err) != c.kind || !strings.HasPrefix(err.Error(), "receiver: record: ") || !strings.Contains(err.Error(), c.text) {
					t.Errorf("got %v (%q), want %q of kind %q", err, drivers.KindOf(err), c.text, c.kind)
				}
				if len(f.Frames) != 0 {
					t.Errorf("got %d frames beside the error", len(f.Frames))
				}
				var e *drivers.Error
				if errors.As(err, &e) && c.kind != drivers.Gone && e.Hint == "" {
					t.Error("no hint")
				}
				if got := time.Since(start); got != c.took {
					t.Errorf("took %v, want %v", got, c.took)
				}
			})
		})
	}
	t.Run("slow", func(t *testing.T) { // byte by byte, 4 ms apart: late, but whole
		synctest.Test(t, func(t *testing.T) {
			port, peer := drivertest.Pipe("wire", drivers.System)
			r := open(t, port, "SBUS")
			go func() {
				for _, b := range sbusStream(4) {
					send(peer, 4*time.Millisecond, []byte{b})
				}
			}()
			f, err := r.Record(t.Context(), 450*time.Millisecond)
			if err != nil || len(f.Frames) != 4 || f.Frames[3].At != 400*time.Millisecond {
				t.Errorf("got %d frames, %v", len(f.Frames), err)
			}
		})
	})
}

// A stream that stands still: the receiver's fault wherever it is, unless the
// bytes come after all, late and all at once.
func TestStalledStream(t *testing.T) {
	sbus := func(k int) []byte { return sbusStream(k) }
	link := func(int) []byte { return AppendCRSFLink(nil, CRSFLink{UpRSSI1: 120, UpSNR: -20}) }
	for _, c := range []struct {
		name, format string
		frame        func(n int) []byte
		period       time.Duration
		from, to     time.Duration // still between these
		kept         bool          // what was due meanwhile comes at its end
		text         string        // "": no error
	}{
		{"at the beginning", "SBUS", sbus, 7 * time.Millisecond, 0, 150 * time.Millisecond, false, "not a byte for 154ms, from 0s on"},
		{"in the middle", "SBUS", sbus, 7 * time.Millisecond, 200 * time.Millisecond, 310 * time.Millisecond, false, "not a byte for 119ms, from 196ms on"},
		{"at the end", "SBUS", sbus, 7 * time.Millisecond, 500 * time.Millisecond, time.Hour, false, "not a byte for 103ms, from 497ms on"},
		{"short", "SBUS", sbus, 7 * time.Millisecond, 200 * time.Millisecond, 290 * time.Millisecond, false,
			"13 frames that a receiver sends always are missing, 13 of them from 196ms on"},
		{"three frames", "SBUS", sbus, 7 * time.Millisecond, 200 * time.Millisecond, 220 * time.Millisecond, false,
			"3 frames that a receiver sends always are missing, 3 of them from 196ms on"},
		{"two frames", "SBUS", sbus, 7 * time.Millisecond, 200 * time.Millisecond, 216 * time.Millisecond, false, ""},
		{"held back", "SBUS", sbus, 7 * time.Millisecond, 200 * time.Millisecond, 450 * time.Millisecond, true, ""},
		{"statistics go on", "CRSF", link, 100 * time.Millisecond, time.Hour, time.Hour, false, ""},
		{"one of the statistics missing", "CRSF", link, 100 * time.Millisecond, 250 * time.Millisecond, 350 * time.Millisecond, false, ""},
		{"two missing", "CRSF", link, 100 * time.Millisecond, 150 * time.Millisecond, 350 * time.Millisecond, false, "not a byte for 300ms, from 100ms on"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				port, peer := drivertest.Pipe("wire", drivers.System)
				r := open(t, port, c.format)
				go func() {
					held := 0
					for at := c.period; at <= 650*time.Millisecond; at += c.period {
						time.Sleep(c.period)
						if at > c.from && at < c.to {
							held++
							continue
						}
						n := 1
						if c.kept {
							n, held = n+held, 0
						}
						send(peer, 0, c.frame(n))
					}
				}()
				f, err := r.Record(t.Context(), 600*time.Millisecond)
				time.Sleep(100 * time.Millisecond) // the other end is done
				if c.text == "" {
					if err != nil {
						t.Errorf("got %v", err)
					}
					return
				}
				var e *drivers.Error
				kind := drivers.NoReply
				if strings.Contains(c.text, "missing") {
					kind = drivers.Late
				}
				if drivers.KindOf(err) != kind || !strings.HasSuffix(err.Error(), "record: "+c.text) || !errors.As(err, &e) || e.Hint == "" {
					t.Errorf("got %v (%q), want no reply, %s", err, drivers.KindOf(err), c.text)
				}
				if len(f.Frames) != 0 {
					t.Errorf("%d frames beside the error", len(f.Frames))
				}
			})
		})
	}
}

func TestReady(t *testing.T) {
	for _, c := range []struct {
		format string
		silent time.Duration
	}{{"SBUS", 100 * time.Millisecond}, {"CRSF", 250 * time.Millisecond}} {
		synctest.Test(t, func(t *testing.T) {
			port, peer := drivertest.Pipe("wire", drivers.System)
			r := open(t, port, c.format)
			start := time.Now()
			if _, err := r.Ready(t.Context()); drivers.KindOf(err) != drivers.NoReply || time.Since(start) != c.silent {
				t.Errorf("%s, silent: got %v after %v, want no reply after %v", c.format, err, time.Since(start), c.silent)
			}
			b := sbusStream(1)
			if c.format == "CRSF" {
				b = AppendCRSFLink(nil, CRSFLink{})
			}
			go send(peer, 90*time.Millisecond, b)
			start = time.Now()
			if _, err := r.Ready(t.Context()); err != nil || time.Since(start) != 90*time.Millisecond {
				t.Errorf("%s: got %v after %v, want ready after 90ms", c.format, err, time.Since(start))
			}
		})
	}
}

func TestCancelledRecordAndSecondCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := open(t, always(t), "SBUS")
		why := errors.New("operator stopped")
		ctx, cancel := context.WithCancelCause(t.Context())
		go func() { time.Sleep(300 * time.Millisecond); cancel(why) }()
		done := make(chan error)
		go func() { _, err := r.Record(ctx, time.Hour); done <- err }()
		time.Sleep(100 * time.Millisecond)
		start := time.Now()
		if err := r.Safe(t.Context()); err != nil || time.Since(start) != 0 {
			t.Errorf("Safe: %v after %v, want at once", err, time.Since(start))
		}
		f, err := r.Record(t.Context(), 70*time.Millisecond) // waits for the first
		if err != nil || len(f.Frames) < 9 || time.Since(start) != 270*time.Millisecond {
			t.Errorf("second caller: %d frames, %v after %v", len(f.Frames), err, time.Since(start))
		}
		if err := <-done; !errors.Is(err, why) {
			t.Errorf("got %v, want the cause", err)
		}
	})
}

func TestOpenRefuses(t *testing.T) {
	for _, format := range []string{"", "sbus", "PPM"} {
		if _, err := Open("receiver", nil, drivers.System, Options{Format: format}); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("format %q: got %v", format, err)
		}
	}
	r := open(t, nil, "SBUS")
	for _, over := range []time.Duration{0, -1} {
		if _, err := r.Record(t.Context(), over); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("Record(%v): got %v", over, err)
		}
	}
}

// pulseInput is an input of a chip in memory.
func pulseInput(t *testing.T) (*gpio.Fake, drivers.EdgeRecorder) {
	t.Helper()
	f := gpio.NewFake(1)
	chip, err := gpio.New("chip", f)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = chip.Close() })
	in, err := chip.Input("pin", 0, false)
	if err != nil {
		t.Fatal(err)
	}
	return f, in.(drivers.EdgeRecorder)
}

// play drives the chip's line by edges, of which the first is at the beginning.
func play(f *gpio.Fake, edges []drivers.Edge) {
	start := time.Now()
	for _, e := range edges {
		time.Sleep(time.Until(start.Add(e.At.Sub(edges[0].At))))
		f.Drive(0, e.Rising)
	}
}

func TestPulseReceiverIsADevice(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
		_, in := pulseInput(t)
		return OpenPPM("receiver", in, drivers.System, false)
	})
}

func TestRecordPPM(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip, in := pulseInput(t)
		r := OpenPPM("pulses", in, drivers.System, false)
		if _, err := r.Ready(t.Context()); err != nil {
			t.Fatal(err)
		}
		chip.Drive(0, true) // before the capture: not meant
		chip.Drive(0, false)
		time.Sleep(time.Millisecond)
		time.AfterFunc(5*time.Millisecond, func() { play(chip, train(PPMPeriod, eight(1500), eight(1600), eight(1700), eight(1800))) })
		start := time.Now()
		f, err := r.Record(t.Context(), 200*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Frames) != 2 || f.Microseconds(0, 1) != 1600 || f.Microseconds(1, 8) != 1700 || f.Length != 200*time.Millisecond || time.Since(start) != f.Length || !f.Start.Equal(start) {
			t.Errorf("got %+v after %v", f, time.Since(start))
		}
		if want := 5*time.Millisecond + PPMPeriod + 8*1600*time.Microsecond; f.Frames[0].At != want {
			t.Errorf("first frame at %v, want %v", f.Frames[0].At, want)
		}
		if f, err = r.Record(t.Context(), time.Second); err != nil || len(f.Frames) != 0 {
			t.Errorf("silence: %d frames, %v; want an empty capture", len(f.Frames), err)
		}
		time.AfterFunc(time.Second, func() { chip.Break(drivers.Errorf("chip", "wait", drivers.Gone, "no such device")) })
		if _, err = r.Record(t.Context(), 2*time.Second); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("unplugged: got %v", err)
		}
		if _, err = r.Ready(t.Context()); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("ready when unplugged: got %v", err)
		}
		chip.Break(nil)
		if err := errors.Join(r.Safe(t.Context()), r.Close()); err != nil {
			t.Error(err)
		}
		if _, err = r.Record(t.Context(), time.Second); drivers.KindOf(err) != drivers.Closed {
			t.Errorf("after Close: got %v", err)
		}
	})
}

// A computer that is held up must not make a sound handset's frames look
// damaged: they are whole, to the last 0.1 us, or the capture is an error.
func TestRecordPPMOnABusyComputer(t *testing.T) {
	var frames [][]float64
	for i := range 200 { // of 22.5 ms: 4.5 s; 18 edges each
		frames = append(frames, eight(1100+4*float64(i)))
	}
	for _, c := range []struct {
		late time.Duration
		kind drivers.Kind
	}{
		{0, ""},
		{400 * time.Microsecond, ""}, // more than a pulse
		{5 * time.Millisecond, ""},   // more than three channels
		{time.Second, ""},            // 800 edges wait
		{2 * time.Second, drivers.Late},
	} {
		t.Run(c.late.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				chip, in := pulseInput(t)
				chip.Delay(0, c.late)
				r := OpenPPM("pulses", in, drivers.System, false)
				if _, err := r.Ready(t.Context()); err != nil {
					t.Fatal(err)
				}
				go play(chip, train(PPMPeriod, frames...))
				f, err := r.Record(t.Context(), 5*time.Second)
				if drivers.KindOf(err) != c.kind {
					t.Fatalf("got %v, want kind %q", err, c.kind)
				}
				if err != nil {
					if !strings.Contains(err.Error(), "edges were lost") || len(f.Frames) != 0 {
						t.Errorf("got %d frames and %v", len(f.Frames), err)
					}
					return
				}
				if len(f.Frames) != len(frames)-2 || f.Damaged != 0 {
					t.Fatalf("%d frames, %d damaged; want %d, none", len(f.Frames), f.Damaged, len(frames)-2)
				}
				for i, fr := range f.Frames {
					want := frames[i+1][0]
					if f.Microseconds(i, 1) != want || f.Microseconds(i, 8) != want || fr.At != PPMPeriod*time.Duration(i+1)+time.Duration(8*want)*time.Microsecond {
						t.Fatalf("frame %d: %v us at %v, want %v us", i, f.Microseconds(i, 1), fr.At, want)
					}
				}
			})
		})
	}
}

// A run ended by another device's time-out: that is not this receiver's.
func TestCancelledByAnothersTimeOut(t *testing.T) {
	cause := drivers.Errorf("guard", "read level", drivers.NoReply, "no reply in 1s")
	for name, open := range map[string]func(t *testing.T) drivers.Receiver{
		"SBUS": func(t *testing.T) drivers.Receiver { return open(t, always(t), "SBUS") },
		"PPM": func(t *testing.T) drivers.Receiver {
			_, in := pulseInput(t)
			return OpenPPM("receiver", in, drivers.System, false)
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := open(t)
				ctx, cancel := context.WithCancelCause(t.Context())
				go func() { time.Sleep(100 * time.Millisecond); cancel(cause) }()
				start := time.Now()
				_, err := r.Record(ctx, time.Hour)
				if !errors.Is(err, cause) || drivers.KindOf(err) == drivers.NoReply || time.Since(start) != 100*time.Millisecond {
					t.Errorf("got %v (%q) after %v, want the cause after 100ms", err, drivers.KindOf(err), time.Since(start))
				}
			})
		})
	}
}
