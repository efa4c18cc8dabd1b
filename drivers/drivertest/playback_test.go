package drivertest

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
)

const head = "what: a test\nrecorded: never\nexpect: nothing\n\n"

func parse(t *testing.T, steps string) *Transcript {
	t.Helper()
	tr, err := Parse("t.txt", []byte(head+steps))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// ask is the smallest driver: it sends "V?\n" and wants "3.7\n" within 1 s.
func ask(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
	if err := port.Write(ctx, []byte("V?\n")); err != nil {
		return drivers.Wrap("d", "ask", err)
	}
	var got []byte
	end := clock.Now().Add(time.Second)
	for !strings.HasSuffix(string(got), "\n") {
		buf := make([]byte, 64)
		n, err := port.Read(ctx, buf, end.Sub(clock.Now()))
		if err != nil {
			return drivers.Wrap("d", "ask", err)
		}
		got = append(got, buf[:n]...)
	}
	if string(got) != "3.7\n" {
		return drivers.Errorf("d", "ask", drivers.Garbled, "%q", got)
	}
	return nil
}

func TestFaultsOfTheSmallestDriver(t *testing.T) {
	TestFaults(t, parse(t, "> \"V?\\n\"\n~ 300ms\n< \"3.7\\n\"\n"), ask)
}

func TestPlayback(t *testing.T) {
	read := func(p drivers.Port, timeout time.Duration) (string, drivers.Kind) {
		b := make([]byte, 16)
		n, err := p.Read(context.Background(), b, timeout)
		return string(b[:n]), drivers.KindOf(err)
	}
	write := func(p drivers.Port, s string) error { return p.Write(context.Background(), []byte(s)) }
	const sec = time.Second

	synctest.Test(t, func(t *testing.T) {
		// A late reply is still late for the next question.
		p := NewPlayback(parse(t, "> \"A\"\n~ 2s\n< \"a\"\n> \"B\"\n< \"b\"\n"), drivers.System)
		start := time.Now()
		if err := write(p, "A"); err != nil {
			t.Fatal(err)
		}
		if got, kind := read(p, sec); got != "" || kind != drivers.NoReply || time.Since(start) != sec {
			t.Errorf("got %q %q after %v, want no reply after 1s", got, kind, time.Since(start))
		}
		if err := write(p, "B"); err != nil {
			t.Fatal(err)
		}
		if got, _ := read(p, 2*sec); got != "ab" || time.Since(start) != 2*sec {
			t.Errorf("got %q after %v, want \"ab\" after 2s", got, time.Since(start))
		}
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		if _, kind := read(p, sec); kind != drivers.Closed {
			t.Errorf("read after close: kind %q", kind)
		}
	})

	t.Run("difference", func(t *testing.T) {
		p := NewPlayback(parse(t, "> \"VOLT 3.7\\n\"\n< \"x\"\n"), drivers.System)
		_ = write(p, "VOLT ")
		err := write(p, "3.8\n")
		if err == nil || !strings.Contains(err.Error(), `t.txt:5: the driver sends "3.8\n", the transcript has "VOLT 3.7\n" (first difference at byte 7)`) {
			t.Errorf("got %v", err)
		}
		if _, kind := read(p, sec); kind != drivers.Fault {
			t.Errorf("read after a difference: kind %q", kind)
		}
		if p.Close() == nil {
			t.Error("close does not repeat the difference")
		}
	})
	for _, c := range []struct{ name, steps, send, want string }{
		{"never sent", `> "AB"`, "A", `t.txt:5: the driver never sent "B"`},
		{"never read", "> \"A\"\n< \"xy\"\n", "A", `t.txt:6: the driver never read "xy"`},
		{"too much", `> "A"`, "AZ", `after the last line the driver sends "Z"`},
		{"all said", `> "A"`, "A", ""},
		{"silent to the end", "> \"A\"\n! silent", "A", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := NewPlayback(parse(t, c.steps), drivers.System)
			_ = write(p, c.send)
			err := p.Close()
			if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	t.Run("cancelled and closed while waiting", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := NewPlayback(parse(t, "> \"A\"\n"), drivers.System)
			why := errors.New("operator stopped")
			ctx, cancel := context.WithCancelCause(t.Context())
			time.AfterFunc(sec, func() { cancel(why) })
			if _, err := p.Read(ctx, make([]byte, 1), time.Hour); !errors.Is(err, why) {
				t.Errorf("got %v, want the cause", err)
			}
			time.AfterFunc(sec, func() { _ = p.Close() })
			if _, kind := read(p, time.Hour); kind != drivers.Closed {
				t.Errorf("closed while reading: kind %q", kind)
			}
		})
	})
}

func TestRecordReplays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := Pipe("wire", drivers.System)
		go func() {
			b := make([]byte, 16)
			for {
				if _, err := peer.Read(b); err != nil {
					return
				}
				time.Sleep(40 * time.Millisecond)
				_, _ = io.WriteString(peer, "3.7\n")
			}
		}()
		r := NewRecord(port, drivers.System, "one question", "in memory", "no error")
		if err := ask(t.Context(), r, drivers.System); err != nil {
			t.Fatal(err)
		}
		_ = peer.Close()
		if _, err := r.Read(t.Context(), make([]byte, 1), time.Second); drivers.KindOf(err) != drivers.Gone {
			t.Fatalf("read of an unplugged pipe: %v", err)
		}
		got := string(r.Transcript().Format())
		want := "what: one question\nrecorded: in memory\nexpect: no error\n\n> \"V?\\n\"\n~ 40ms\n< \"3.7\\n\"\n! gone\n"
		if got != want {
			t.Errorf("got\n%s\nwant\n%s", got, want)
		}
		tr, err := Parse("r.txt", []byte(got))
		if err != nil {
			t.Fatal(err)
		}
		if err := ask(t.Context(), NewPlayback(tr, drivers.System), drivers.System); err != nil {
			t.Errorf("replay: %v", err)
		}
	})
}

func TestRespondLines(t *testing.T) {
	port := Respond("board", drivers.System, Lines(func(line string) string { return "<" + line + ">" }))
	for _, s := range []string{"a", "b\nc\n"} {
		if err := port.Write(t.Context(), []byte(s)); err != nil {
			t.Fatal(err)
		}
	}
	b := make([]byte, 64)
	n, err := port.Read(t.Context(), b, 0)
	if err != nil || string(b[:n]) != "<ab>\n<c>\n" {
		t.Errorf("got %q, %v", b[:n], err)
	}
}

func TestParseErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no head", "> \"A\"\n", "t.txt:1: the head wants lines"},
		{"head incomplete", "what: x\nexpect: y\n\n", "t.txt:3: the head lacks \"recorded: ...\""},
		{"empty head line", "what:\n", "t.txt:1: what: nothing is said"},
		{"mark", head + "= 12", "t.txt:5: a step begins with >, <, ~ or !, not \"=\""},
		{"quote", head + "> \"A", "t.txt:5: \"A is no quoted string"},
		{"hex", head + "< 0G", "t.txt:5: \"0G\" is neither"},
		{"half a byte", head + "< 0", "t.txt:5: \"0\" is neither"},
		{"no bytes", head + ">", "t.txt:5: no bytes"},
		{"wait", head + "~ soon", "t.txt:5: \"soon\" is no time"},
		{"negative wait", head + "~ -1s", "t.txt:5: \"-1s\" is no time"},
		{"fault", head + "! asleep", "t.txt:5: unknown fault \"asleep\""},
		{"argument", head + "! gone 3s", "t.txt:5: \"3s\" after \"! gone\""},
		{"after the end", head + "! gone\n> \"A\"", "t.txt:6: nothing can follow \"! gone\""},
		{"partial of nothing", head + "! partial", "t.txt:5: \"! partial\" wants a reply"},
		{"garbled request", head + "! garbled\n> \"A\"", "t.txt:6: \"! garbled\" wants a reply"},
		{"after partial", head + "! partial\n< \"A\"\n< \"B\"", "t.txt:7: nothing can follow \"! partial\""},
		{"not text", "what: \xff\n", "t.txt:1: not UTF-8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse("t.txt", []byte(c.text))
			if err == nil || !strings.HasPrefix(err.Error(), c.want) {
				t.Errorf("got %v, want %s...", err, c.want)
			}
		})
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none.txt")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(head + "> \"A\\n\"\n~ 20ms\n! slow 3ms\n< 01 02 FF\n! gone\n")
	f.Add(head + "# c\n! garbled\n< \"x\"\n! partial\n< \"yz\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		tr, err := Parse("f", []byte(text))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "f:") {
				t.Errorf("error without a place: %v", err)
			}
			return
		}
		again, err := Parse("f", tr.Format())
		if err != nil {
			t.Fatalf("its own format is refused: %v\n%s", err, tr.Format())
		}
		if a, b := string(tr.Format()), string(again.Format()); a != b {
			t.Errorf("format changed:\n%s\n%s", a, b)
		}
	})
}
