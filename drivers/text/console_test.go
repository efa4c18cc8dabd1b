package text

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// fits waits for a line that begins so.
func fits(begin string) drivers.Awaited {
	return drivers.Awaited{As: begin, Fits: func(b []byte) (bool, error) { return bytes.HasPrefix(b, []byte(begin)), nil }}
}

func transcript(t *testing.T, name string) *drivertest.Transcript {
	t.Helper()
	tr, err := drivertest.Load("testdata/" + name)
	require.NoError(t, err)
	return tr
}

func TestConsoleFaults(t *testing.T) {
	drivertest.TestFaults(t, transcript(t, "console.transcript"), func(ctx context.Context, port drivers.Port,
		clock drivers.Clock) error {
		c, err := Open("console", port, clock, Options{LineEnd: "\r", Prompt: "k8> ", Echo: true})
		require.NoError(t, err)
		a, err := c.Ask(ctx, "version", fits("version "))
		if err == nil && string(a.Said) != "version 2.7" {
			return fmt.Errorf("got %q", a.Said)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "console: ask: ") {
			return fmt.Errorf("%w does not name the device", err)
		}
		return err
	})
}

// shell is a peer as consoles on microcontrollers are: it echoes characters as they
// come, ends its lines with CR LF, and shows a prompt.
type shell struct {
	echo, prompt bool
	answers      map[string]string
	before       string // said before each answer
	mute         bool
	line         []byte
}

func (s *shell) reply(sent []byte) (out []byte) {
	for _, c := range sent {
		if c != '\r' && c != '\n' {
			s.line = append(s.line, c)
			if s.echo {
				out = append(out, c)
			}
			continue
		}
		answer := s.answers[string(s.line)]
		s.line = nil
		if s.echo {
			out = append(out, "\r\n"...)
		}
		if s.mute {
			continue
		}
		out = append(append(out, s.before...), answer...)
		if s.prompt {
			out = append(out, "k8> "...)
		}
	}
	return out
}

func open(t *testing.T, s *shell, o Options) *Console {
	t.Helper()
	c, err := Open("console", drivertest.Respond("wire", drivers.System, s.reply), drivers.System, o)
	require.NoError(t, err)
	return c
}

func TestAsk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		s := &shell{echo: true, prompt: true, before: "# warm\r\n", answers: map[string]string{
			"version": "version 2.7\r\n", "dump": "a\r\nb\r\nend\r\n", "name?": "Name: "}}
		c := open(t, s, Options{Prompt: "k8> ", Echo: true})
		a, err := c.Ask(ctx, "version", fits("version"))
		require.NoError(t, err)
		require.Equal(t, drivers.Answer{Said: []byte("version 2.7"), Heard: true}, a, "the echo is no answer")
		a, err = c.Ask(ctx, "dump", fits("end"))
		require.NoError(t, err)
		require.Equal(t, "end", string(a.Said))
		others, err := c.Others(ctx)
		require.NoError(t, err)
		require.Equal(t, []string{"# warm", "# warm", "a", "b"}, others)
		others, err = c.Others(ctx)
		require.NoError(t, err)
		require.Empty(t, others)
		require.Equal(t, "    0.000 > version\\n\n    0.000 < version\\r\\n\n    0.000 < # warm\\r\\n\n"+
			"    0.000 < version 2.7\\r\\n\n    0.000 < k8> \n", strings.SplitAfter(c.Talk().Text(), "k8> \n")[0])

		// A question without a line end.
		s.prompt, c.o.Prompt, s.before = false, "", ""
		_, err = c.Ask(ctx, "name?", fits("Name:"))
		require.Equal(t, drivers.Garbled, drivers.KindOf(err))
		require.ErrorContains(t, err, `console: ask: no answer to "name?" that fits Name: in 2s; received "Name: " `+
			`without a line end`)
		want := fits("Name:")
		want.Unfinished = true
		began := time.Now()
		a, err = c.Ask(ctx, "name?", want)
		require.NoError(t, err)
		require.Equal(t, "Name: ", string(a.Said))
		require.Less(t, time.Since(began), 2*time.Second, "of the bubble's time")
	})
}

// Every way in which a peer misbehaves is an error of the bench that names the device
// and says what came, never an answer.
func TestMisbehaves(t *testing.T) {
	for _, k := range []struct {
		name string
		s    shell
		o    Options
		kind drivers.Kind
		says string
	}{
		{"silent", shell{mute: true}, Options{}, drivers.NoReply, `no reply in 2s to "version"`},
		{"only an echo", shell{mute: true, echo: true}, Options{Echo: true}, drivers.NoReply, `no reply in 2s`},
		{"only a prompt", shell{prompt: true}, Options{Prompt: "k8> "}, drivers.Garbled, `received "k8> " without`},
		{"another answer", shell{answers: map[string]string{"version": "? what\r\n"}}, Options{}, drivers.Garbled,
			`no answer to "version" that fits version in 2s; received "? what"`},
		{"echo nobody spoke of", shell{echo: true, answers: map[string]string{"version": "version 2\r\n"}}, Options{},
			drivers.Garbled, `it sent back what it was sent: "version"`},
		{"echo after a prompt nobody spoke of", shell{echo: true, prompt: true,
			answers: map[string]string{"version": "version 2\r\n"}}, Options{}, drivers.Garbled,
			`it sent back what it was sent: `},
		{"no echo where one is", shell{answers: map[string]string{"version": "version 2\r\n"}}, Options{Echo: true},
			drivers.Garbled, `no echo of "version" in 2s; received "version 2"`},
		{"no prompt where one is", shell{answers: map[string]string{"version": "version 2\r\n"}},
			Options{Prompt: "k8> "}, drivers.Garbled, `the prompt "k8> " did not come`},
		{"half a line", shell{answers: map[string]string{"version": "version 2"}}, Options{}, drivers.Garbled,
			`received "version 2" without a line end`},
		{"control bytes", shell{answers: map[string]string{"version": "\x1b]0;x\a\xff\r\n"}}, Options{}, drivers.Garbled,
			`received "\x1B]0;x\x07\xFF"`},
		{"a line without end", shell{answers: map[string]string{"version": "version " + strings.Repeat("x", 9000) + "\r\n"}},
			Options{}, drivers.Garbled, `"version xxx`},
		{"without end", shell{answers: map[string]string{"version": strings.Repeat("x\r\n", 100_000)}}, Options{},
			drivers.Garbled, `it talks without end: 256 KiB`},
	} {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := open(t, &k.s, k.o)
				if k.o.Prompt != "" || k.s.prompt { // the second time there is a prompt before
					_, _ = c.Ask(t.Context(), "x", fits("never"))
				}
				a, err := c.Ask(t.Context(), "version", fits("version"))
				require.Equal(t, k.kind, drivers.KindOf(err), "%v, answer %q", err, a.Said)
				require.ErrorContains(t, err, "console: ask: ")
				require.ErrorContains(t, err, k.says)
				var e *drivers.Error
				require.True(t, errors.As(err, &e))
				require.NotEmpty(t, e.Hint)
			})
		})
	}
}

// Of a unit silence may be a result; another answer never is.
func TestSilenceIsAResult(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &shell{mute: true}
		c := open(t, s, Options{Unit: true})
		require.True(t, c.OfUnit())
		want := fits("version")
		want.Silence = true
		a, err := c.Ask(t.Context(), "version", want)
		require.NoError(t, err)
		require.False(t, a.Heard)
		s.mute, s.answers = false, map[string]string{"version": "boot loop\r\n"}
		_, err = c.Ask(t.Context(), "version", want)
		require.Equal(t, drivers.Garbled, drivers.KindOf(err))
	})
}

// An answer that comes too late is not taken for that to the next question.
func TestLateAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		c, err := Open("console", port, drivers.System, Options{})
		require.NoError(t, err)
		go func() {
			buf := make([]byte, 64)
			_, _ = peer.Read(buf)
			time.Sleep(2100 * time.Millisecond)
			_, _ = io.WriteString(peer, "value 1\n")
			_, _ = peer.Read(buf)
			_, _ = io.WriteString(peer, "value 2\n")
		}()
		_, err = c.Ask(t.Context(), "first", fits("value"))
		require.Equal(t, drivers.NoReply, drivers.KindOf(err))
		a, err := c.Ask(t.Context(), "second", fits("value"))
		require.NoError(t, err)
		require.Equal(t, "value 2", string(a.Said))
		require.NoError(t, c.Close())
	})
}

// Lines come in pieces of any size, with any of the line ends: the answer is whole.
func TestPieces(t *testing.T) {
	for _, end := range []string{"\n", "\r\n", "\r", "\n\r", "\r\n\x00"} {
		for piece := 1; piece < 12; piece++ {
			synctest.Test(t, func(t *testing.T) {
				port, peer := drivertest.Pipe("wire", drivers.System)
				c, err := Open("console", port, drivers.System, Options{})
				require.NoError(t, err)
				said := []byte("boot" + end + "ready 12.34" + end + "more" + end)
				done := make(chan bool)
				go func() {
					defer close(done)
					for len(said) > 0 {
						n := min(piece, len(said))
						_, _ = peer.Write(said[:n])
						said = said[n:]
						time.Sleep(time.Millisecond)
					}
				}()
				for _, want := range []string{"ready 12.34", "more"} {
					a, err := c.Expect(t.Context(), fits(want[:4]))
					require.NoError(t, err)
					require.Equal(t, want, string(a.Said))
				}
				<-done
				require.NoError(t, c.Close())
			})
		}
	}
}

func TestSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var got []string
		on := true
		answer := "OK off"
		port := drivertest.Respond("wire", drivers.System, drivertest.Lines(func(line string) string {
			got = append(got, line)
			if line == "heater off" {
				on = false
				return answer
			}
			return ""
		}))
		c, err := Open("heater", port, drivers.System, Options{Safe: []string{"heater off"}, Confirm: "OK"})
		require.NoError(t, err)
		asked := make(chan error, 1)
		go func() { _, err := c.Ask(t.Context(), "measure", drivers.Awaited{Within: time.Hour}); asked <- err }()
		synctest.Wait()
		began := time.Now()
		require.NoError(t, c.Safe(t.Context()))
		require.False(t, on)
		require.ErrorIs(t, <-asked, drivers.ErrMadeSafe)
		require.Less(t, time.Since(began), safeTime)
		answer = "ERR"
		err = c.Safe(t.Context())
		require.Equal(t, drivers.NoReply, drivers.KindOf(err))
		require.ErrorContains(t, err, `heater: make safe: "heater off" was not confirmed by "OK" in 400ms; received "ERR"`)
		require.Equal(t, []string{"measure", "heater off", "heater off"}, got)
	})
}

func TestDevice(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
		return open(t, &shell{answers: map[string]string{"id": "tool 1\r\n"}}, Options{Hello: "id"})
	})
	for _, o := range []Options{{LineEnd: "x"}, {Prompt: " "}, {Prompt: "a\n"}, {Unit: true, Hello: "id"},
		{Safe: []string{"a\nb"}}} {
		_, err := Open("console", drivertest.Respond("wire", drivers.System, nil), drivers.System, o)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%+v", o)
	}
	c := open(t, &shell{}, Options{})
	for _, bad := range []string{"a\nb", "a\rb", strings.Repeat("x", 5000)} {
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(c.Send(t.Context(), bad)))
	}
	require.Empty(t, c.Talk().Text(), "nothing was sent")
}

// What is kept of a talk is bounded, with its beginning and its end.
func TestTalk(t *testing.T) {
	var talk drivers.Talk
	require.Empty(t, talk.Text())
	at := time.Now()
	for i := range 20_000 {
		talk.Heard(at.Add(time.Duration(i)*time.Millisecond), fmt.Appendf(nil, "line %d\x1b[2J\n", i))
	}
	text := talk.Text()
	require.LessOrEqual(t, len(text), drivers.MaxTalk)
	require.Greater(t, len(text), drivers.MaxTalk*9/10)
	require.True(t, strings.HasPrefix(text, "    0.000 < line 0\\x1B[2J\\n\n"))
	require.True(t, strings.HasSuffix(text, "line 19999\\x1B[2J\\n\n"))
	var left int
	at2 := strings.Index(text, "... ")
	_, err := fmt.Sscanf(text[at2:], "... %d lines are left out here", &left)
	require.NoError(t, err)
	require.Equal(t, 20_000, left+strings.Count(text, "< line"))
	talk.Sent(at, []byte("\u202e\u00e9\u00a0\\"))
	require.Contains(t, talk.Text(), `> \xE2\x80\xAEé\xC2\xA0\\`)
	talk.Forget()
	require.Empty(t, talk.Text())
}
