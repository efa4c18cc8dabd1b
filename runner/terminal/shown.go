package terminal

import (
	"fmt"
	"io"
	"os"
	"reflect"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/term"

	"fullthrow/reports"
)

// What others wrote (serial numbers, notes, answers of devices, names of files) may
// hold what a terminal obeys: it would move the cursor, write over a verdict, turn
// text around. Two things stand against it. All output but data passes [Shown],
// which shows such characters instead; and what is drawn from a record passes
// [Plain] before, so that nothing in it begins a line of its own.

// longestLine is how much of one text of others is shown, in characters.
const longestLine = 4000

// visible appends r as it is shown: as an escape where a terminal would act on it or
// show nothing. What JSON may hold is written as JSON writes it, so that JSON stays
// what it is.
func visible(b *strings.Builder, r rune) {
	switch {
	case r < 0x20:
		fmt.Fprintf(b, `\x%02x`, r)
	case r >= 0x7F && r < 0xA0 || r == 0x2028 || r == 0x2029 || hidden(r) && r <= 0xFFFF:
		fmt.Fprintf(b, `\u%04x`, r)
	case hidden(r):
		high, low := utf16.EncodeRune(r)
		fmt.Fprintf(b, `\u%04x\u%04x`, high, low)
	default:
		b.WriteRune(r) // U+FFFD for a byte that is no UTF-8
	}
}

// hidden are characters that order or join others (Unicode's Cf), but for the two
// joiners that scripts need in words.
func hidden(r rune) bool { return unicode.Is(unicode.Cf, r) && r != 0x200C && r != 0x200D }

// plainAlready is quick, for what nearly all text is.
func plainAlready(s string) bool {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] >= 0x7F {
			return false
		}
	}
	return true
}

// Line is a text of others as it may stand within a line.
func Line(s string) string {
	if plainAlready(s) && len(s) <= longestLine {
		return s
	}
	var b strings.Builder
	n := 0
	for _, r := range s {
		if n++; n > longestLine {
			fmt.Fprintf(&b, "... (%d bytes in all)", len(s))
			break
		}
		switch r {
		case '\n':
			b.WriteString(`\n`)
		case '\r':
			b.WriteString(`\r`)
		case '\t':
			b.WriteString(`\t`)
		default:
			visible(&b, r)
		}
	}
	return b.String()
}

// Indented is a text of others of several lines, of which only the first begins at the margin.
func Indented(text string) string {
	list := strings.Split(text, "\n")
	for i := range list {
		list[i] = Line(list[i])
	}
	return strings.Join(list, "\n    ")
}

// lines is text of several lines as it may be written; with styles it keeps the
// codes of [Screen.Strong] and [Screen.Faint].
func lines(s string, styles bool) string {
	if plainAlready(s) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		if styles && s[i] == 0x1B {
			if n := styleAt(s[i:]); n > 0 {
				b.WriteString(s[i : i+n])
				i += n
				continue
			}
		}
		r, n := utf8.DecodeRuneInString(s[i:])
		i += n
		if r == '\n' {
			b.WriteByte('\n')
			continue
		}
		visible(&b, r)
	}
	return b.String()
}

// styleAt is how long the code of ours is with which s begins, 0 if with none.
func styleAt(s string) int {
	for _, code := range []string{strongCode, faintCode, plainCode} {
		if strings.HasPrefix(s, code) {
			return len(code)
		}
	}
	return 0
}

// visibly is an output for people.
type visibly struct {
	w    io.Writer
	rest []byte // the beginning of a character whose end has not come yet
}

// Shown is w for text of ours and of others: only line feeds are obeyed. A [Screen]
// on it has its styles. What must arrive as it is goes to [Raw].
func Shown(w io.Writer) io.Writer {
	if s, ok := w.(*visibly); ok {
		return s
	}
	return &visibly{w: w}
}

// Raw is where data of exact bytes goes: past [Shown], unless a person reads it at a
// terminal.
func Raw(w io.Writer) io.Writer {
	s, ok := w.(*visibly)
	if !ok {
		return w
	}
	if f := fileOf(s.w); f != nil && term.IsTerminal(int(f.Fd())) {
		return s
	}
	return s.w
}

// Bare is what is below [Shown], to put something between.
func Bare(w io.Writer) io.Writer {
	if s, ok := w.(*visibly); ok {
		return s.w
	}
	return w
}

// File is the file below, nil if it is none.
func (s *visibly) File() *os.File { return fileOf(s.w) }

func (s *visibly) Write(p []byte) (int, error) {
	text := p
	if len(s.rest) > 0 {
		text = append(s.rest, p...)
		s.rest = nil
	}
	// At most three bytes wait for the rest of their character.
	for i := 1; i < utf8.UTFMax && i <= len(text); i++ {
		if end := text[len(text)-i:]; utf8.RuneStart(end[0]) {
			if !utf8.FullRune(end) {
				s.rest = append([]byte(nil), end...)
				text = text[:len(text)-i]
			}
			break
		}
	}
	if _, err := io.WriteString(s.w, lines(string(text), false)); err != nil {
		return 0, err
	}
	return len(p), nil
}

// Plain is a copy of v in which every text may stand within a line: see [Line].
func Plain[T any](v T) T {
	out := reflect.New(reflect.TypeFor[T]()).Elem()
	out.Set(plain(reflect.ValueOf(&v).Elem()))
	return out.Interface().(T)
}

var typeValue = reflect.TypeFor[reports.Value]()

// plain copies what holds text, down to what it points to; what is not exported
// (times, values) stays as it is.
func plain(v reflect.Value) reflect.Value {
	if v.Type() == typeValue {
		if text, ok := v.Interface().(reports.Value).Text(); ok {
			return reflect.ValueOf(reports.Text(Line(text)))
		}
		return v
	}
	out := reflect.New(v.Type()).Elem()
	out.Set(v)
	switch v.Kind() {
	case reflect.String:
		out.SetString(Line(v.String()))
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				out.Field(i).Set(plain(v.Field(i)))
			}
		}
	case reflect.Pointer:
		if !v.IsNil() {
			p := reflect.New(v.Type().Elem())
			p.Elem().Set(plain(v.Elem()))
			out.Set(p)
		}
	case reflect.Interface:
		if !v.IsNil() && v.Elem().Kind() != reflect.Pointer {
			out.Set(plain(v.Elem()))
		}
	case reflect.Slice:
		if !v.IsNil() && holdsText(v.Type().Elem()) {
			out.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
			for i := range v.Len() {
				out.Index(i).Set(plain(v.Index(i)))
			}
		}
	case reflect.Array:
		for i := range v.Len() {
			out.Index(i).Set(plain(v.Index(i)))
		}
	case reflect.Map:
		if !v.IsNil() {
			out.Set(reflect.MakeMapWithSize(v.Type(), v.Len()))
			for _, k := range v.MapKeys() {
				out.SetMapIndex(plain(k), plain(v.MapIndex(k)))
			}
		}
	}
	return out
}

// holdsText leaves out lists of numbers.
func holdsText(t reflect.Type) bool { return t.Kind() > reflect.Complex128 }
