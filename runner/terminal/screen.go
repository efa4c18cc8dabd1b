package terminal

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"unicode/utf8"

	"fullthrow/reports/wording"

	"golang.org/x/term"
)

// The codes of styles (ECMA-48, SGR): the only ones within lines.
const (
	strongCode = "\x1b[1m"
	faintCode  = "\x1b[2m"
	plainCode  = "\x1b[0m"
)

// Screen writes to people. On a terminal its last line is live: what is going
// on now, written over again and again. Piped, or with NO_COLOR set, it writes
// plain lines and nothing that moves a cursor. It may be used from any
// goroutine.
type Screen struct {
	mu    sync.Mutex
	w     io.Writer
	live  bool
	width int    // of the terminal, in columns
	line  string // the live line now shown
}

func NewScreen(w io.Writer) *Screen {
	w = Bare(w) // it does the same itself, but for its own codes
	s := &Screen{w: w}
	f := fileOf(w)
	if f == nil || os.Getenv("NO_COLOR") != "" || os.Getenv("TERM") == "dumb" || !term.IsTerminal(int(f.Fd())) {
		return s
	}
	s.live, s.width = true, 80
	if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 0 {
		s.width = w
	}
	return s
}

// Say writes whole lines.
func (s *Screen) Say(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := lines(fmt.Sprintf(format, args...), s.live)
	if !strings.HasSuffix(text, "\n") {
		text += "\n"
	}
	if s.live {
		// One column less: a full line makes a terminal begin another by itself.
		text = wording.Wrap(text, s.width-1)
	}
	if s.line != "" {
		text = "\r\x1b[K" + text + s.line
	}
	io.WriteString(s.w, text)
}

// Now sets the live line; "" takes it away. Without a terminal it does nothing.
func (s *Screen) Now(format string, args ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.live {
		return
	}
	text := Line(fmt.Sprintf(format, args...))
	if utf8.RuneCountInString(text) >= s.width {
		text = string([]rune(text)[:s.width-2]) + "…"
	}
	if text != s.line {
		io.WriteString(s.w, "\r\x1b[K"+text)
		s.line = text
	}
}

// Strong marks text that must be seen from afar; faint what may be passed
// over. Meaning is never in the style alone.
func (s *Screen) Strong(text string) string { return s.style(strongCode, text) }
func (s *Screen) Faint(text string) string  { return s.style(faintCode, text) }

func (s *Screen) style(code, text string) string {
	if !s.live || text == "" {
		return text
	}
	return code + text + plainCode
}

// fileOf is the file that w writes to, nil if it is none.
func fileOf(w any) *os.File {
	switch f := w.(type) {
	case *os.File:
		return f
	case interface{ File() *os.File }:
		return f.File()
	}
	return nil
}
