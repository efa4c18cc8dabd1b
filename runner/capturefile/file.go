package capturefile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"fullthrow/drivers"
	"fullthrow/drivers/wav"
	"fullthrow/runner/input"
)

// What a file may hold, so that no file fills the memory.
const (
	maxBytes   = 64 << 20
	maxLine    = 64 << 10
	maxColumns = 64
	maxNumbers = 16 << 20
)

// File is a capture file as read: sound, or a table. Its methods make captures
// of it.
type File struct {
	Name  string
	Sound *drivers.Samples // nil: a table

	facts   map[string]fact
	columns []*column
	lines   []int32 // of each row
	header  int     // line of the first row
	comma   byte    // what separates columns
	number  decimals
	head    head
	gap     int // an empty line after rows, 0: none
	notes   []string
}

// Notes say what was found that the file does not say in our own form: which
// lines are no table, which column is the time and how even it is, that the
// length of the sound was not known.
func (f *File) Notes() []string { return f.notes }

func (f *File) note(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(f.notes, text) {
		f.notes = append(f.notes, text)
	}
}

// fact is a "# name: value" that means something.
type fact struct {
	line int
	text string
}

// Read reads a whole file; name stands before the line in errors, which are
// [*input.Error].
func Read(name string, r io.Reader) (*File, error) {
	f := &File{Name: name, facts: map[string]fact{}}
	tooLarge := func() *input.Error {
		return f.wrong(0, "cut out the part that is to be measured", "larger than %d MB", maxBytes>>20)
	}
	if s, ok := r.(interface{ Stat() (fs.FileInfo, error) }); ok { // a file says so beforehand
		if info, err := s.Stat(); err == nil && info.Size() > maxBytes {
			return nil, tooLarge()
		}
	}
	limited := &io.LimitedReader{R: r, N: maxBytes + 1}
	in := bufio.NewReaderSize(limited, maxLine)
	start, err := in.Peek(4)
	if err != nil && err != io.EOF {
		return nil, f.wrong(0, "", "%v", err)
	}
	if wav.Is(start) {
		s, notes, err := wav.Read(in, name)
		switch {
		case limited.N <= 0:
			return nil, tooLarge()
		case err != nil:
			return nil, f.wrong(0, "", "%s", strings.TrimPrefix(err.Error(), name+": "))
		}
		s.Start = epoch
		f.Sound, f.notes = &s, notes
		return f, nil
	}
	if err := f.readTable(in, start); err != nil {
		if limited.N <= 0 {
			return nil, tooLarge()
		}
		return nil, err
	}
	if limited.N <= 0 {
		return nil, tooLarge()
	}
	return f, nil
}

func (f *File) readTable(in *bufio.Reader, start []byte) error {
	switch {
	case len(start) == 0:
		return f.wrong(0, "", "the file is empty")
	case bytes.HasPrefix(start, []byte{0xFF, 0xFE}), bytes.HasPrefix(start, []byte{0xFE, 0xFF}):
		in = bufio.NewReaderSize(&utf16Reader{in: in, big: start[0] == 0xFE}, maxLine)
		_, _ = in.Discard(3) // the byte order mark
	case bytes.HasPrefix(start, []byte("\xEF\xBB\xBF")):
		_, _ = in.Discard(3)
	}
	for line := 1; ; line++ {
		raw, err := in.ReadSlice('\n')
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			return f.wrong(line, "a table has short rows, each on a line of its own", "a line of more than %d kB",
				maxLine>>10)
		case err != nil && err != io.EOF:
			return f.wrong(line, "", "%v", err)
		}
		if len(raw) > 0 {
			if e := f.row(line, strings.TrimRight(string(raw), "\r\n")); e != nil {
				return e
			}
		}
		if err == io.EOF {
			break
		}
	}
	if f.columns == nil && len(f.head.lines) > 0 {
		if err := f.settle(f.guess()); err != nil {
			return err
		}
	}
	if f.columns == nil {
		return f.wrong(0, `the first row names the columns: "time / s, current / A"`, "the file holds no table")
	}
	if len(f.lines) == 0 {
		return f.wrong(f.header, "", "the table has no rows")
	}
	return f.number.check(f)
}

// row takes one line.
func (f *File) row(line int, text string) error {
	if i := strings.IndexFunc(text, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7F }); i >= 0 {
		return f.wrong(line, "sound as WAV and tables as text can be read",
			"a control character (%q): this is no table", text[i])
	}
	if !utf8.ValidString(text) {
		return f.wrong(line, `save it as "CSV UTF-8", or write u for µ`, "the text is not UTF-8")
	}
	blank := strings.Trim(text, " \t") == ""
	switch {
	case f.columns == nil && strings.HasPrefix(text, "#"):
		return f.remark(line, text[1:])
	case f.columns == nil && blank:
		return nil
	// as spreadsheets write it
	case f.columns == nil && strings.HasPrefix(strings.ToLower(text), "sep=") && len(text) == 5:
		f.comma = text[4]
		if f.comma != ',' && f.comma != ';' && f.comma != '\t' {
			return f.wrong(line, "", "columns separated by %q; comma, semicolon and tab can be read", text[4])
		}
		return nil
	case f.columns == nil:
		return f.begin(line, text)
	case blank && len(f.lines) == 0: // between the names and the numbers
		return nil
	case blank:
		if f.gap == 0 {
			f.gap = line // wrong only if more comes
		}
		return nil
	case f.gap > 0:
		return f.wrong(f.gap, `take the line away; a trial without answer is "-"`, "an empty line in the table")
	case strings.HasPrefix(text, "#"):
		return f.wrong(line, "remarks stand before the first row", "a remark within the table")
	}
	cells, err := f.cells(line, text)
	if err != nil {
		return err
	}
	if cells = trimmed(cells, len(f.columns)); len(cells) != len(f.columns) {
		hint := ""
		if f.comma == ',' && len(cells) > len(f.columns) {
			hint = "if the comma is the decimal sign here, separate the columns by semicolons"
		}
		return f.wrong(line, hint, "%d where the first row names %d: a row with too %s columns", len(cells),
			len(f.columns), map[bool]string{true: "many", false: "few"}[len(cells) > len(f.columns)])
	}
	if (len(f.lines)+1)*len(f.columns) > maxNumbers {
		return f.wrong(line, "cut out the part that is to be measured", "more than %d million numbers", maxNumbers>>20)
	}
	f.lines = append(f.lines, int32(line))
	for i, c := range f.columns {
		if err := c.add(f, line, strings.TrimSpace(cells[i])); err != nil {
			return err
		}
	}
	return nil
}

// cells splits a line.
func (f *File) cells(line int, text string) ([]string, error) { return f.cellsBy(f.comma, line, text) }

func (f *File) cellsBy(comma byte, line int, text string) ([]string, error) {
	if !strings.Contains(text, `"`) {
		return strings.Split(text, string(comma)), nil
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.TrimLeadingSpace = rune(comma), comma != '\t'
	cells, err := r.Read()
	if err != nil {
		return nil, f.wrong(line, "", "quotation marks that do not match")
	}
	return cells, nil
}

// remark takes a line that begins with #.
func (f *File) remark(line int, text string) error {
	name, value, ok := strings.Cut(text, ":")
	name = strings.ToLower(strings.TrimSpace(name))
	if _, known := factUnits[name]; !ok || !known {
		return nil
	}
	if was, twice := f.facts[name]; twice {
		return f.wrong(line, "", "%s is given twice, first in line %d", name, was.line)
	}
	f.facts[name] = fact{line, strings.TrimSpace(value)}
	switch name {
	case "decimal":
		switch f.facts[name].text {
		case "comma", "point":
			f.number.said = f.facts[name].text
		default:
			return f.wrong(line, "", "decimal is %q: comma or point", f.facts[name].text)
		}
	case "format":
	default:
		_, _, err := f.fact(name)
		return err
	}
	return nil
}

// Mismatch is the error of a table that is not what is wanted.
func (f *File) Mismatch(format string, args ...any) error {
	return f.wrong(f.header, "", format, args...)
}

// Rows is how many rows the table has.
func (f *File) Rows() int { return len(f.lines) }

func (f *File) find(quantity string) *column {
	for _, c := range f.columns {
		if c.quantity == quantity {
			return c
		}
	}
	if quantity == "time" {
		return f.otherTime()
	}
	return nil
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
