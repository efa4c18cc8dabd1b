package script

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
	"fullthrow/runner/input"
)

// What bytes.pack and bytes.unpack know of the formats of Lua 5.3 (reference
// manual, 6.4.2): < > = for the order, b B h H i[n] I[n] for whole numbers, f d for
// others, s[n] z c[n] for bytes, x for a byte of 0, and spaces between. Sizes are
// fixed: h 2, i and I 4 if not given, = is <; s needs its n.
const (
	maxFormat = 256
	maxPacked = 64 << 10
	maxWhole  = 1 << 53 // what a number of Lua holds exactly
)

const formatHint = "< > b B h H i[n] I[n] f d s[n] z c[n] x, as in \"<BHI4\""

// packItem is one item of a format.
type packItem struct {
	kind   byte // of the letters above; not an order
	size   int
	little bool
}

// packItems reads a format.
func (t *task) packItems(L *lua.LState, what, format string) []packItem {
	if len(format) > maxFormat {
		t.raisef(L, "", "%s: a format of %d bytes: at most %d", what, len(format), maxFormat)
	}
	var list []packItem
	little := true
	for i := 0; i < len(format); {
		k := format[i]
		i++
		n, given := 0, false
		for i < len(format) && format[i] >= '0' && format[i] <= '9' && n <= maxPacked {
			n, given = 10*n+int(format[i]-'0'), true
			i++
		}
		item := packItem{k, n, little}
		known := !given
		switch k {
		case ' ':
			continue
		case '<', '=', '>':
			little = k != '>'
			if known {
				continue
			}
		case 'b', 'B', 'x':
			item.size = 1
		case 'h', 'H':
			item.size = 2
		case 'f':
			item.size = 4
		case 'd':
			item.size = 8
		case 'z':
		case 'i', 'I':
			if !given {
				item.size = 4
			}
			known = item.size >= 1 && item.size <= 8
		case 's':
			known = given && n >= 1 && n <= 4
		case 'c':
			known = given && n <= maxPacked
		default:
			known = false
		}
		if !known {
			t.raisef(L, formatHint, "%s: %q is not a format", what, clip(format, 60))
		}
		list = append(list, item)
	}
	return list
}

// whole writes the lowest bytes of v.
func whole(v int64, size int, little bool) []byte {
	b := make([]byte, size)
	for i := range b {
		at := i
		if !little {
			at = size - 1 - i
		}
		b[at] = byte(v >> (8 * min(i, 7)))
	}
	return b
}

// unsigned reads bytes as a whole number without sign.
func unsigned(b []byte, little bool) (v uint64) {
	for i := range b {
		at := i
		if little {
			at = len(b) - 1 - i
		}
		v = v<<8 | uint64(b[at])
	}
	return v
}

func bytesPack(t *task, L *lua.LState) int {
	const what = "bytes.pack"
	var out []byte
	arg := 1
	items := t.packItems(L, what, t.raw(L, what+": the format", 1))
	for _, it := range items {
		if it.kind == 'x' {
			out = append(out, 0)
			continue
		}
		if arg++; arg > L.GetTop() {
			return t.raisef(L, "", "%s: the format has %d values, and %d are given", what, packValues(items), L.GetTop()-1)
		}
		name := fmt.Sprintf("%s: value %d", what, arg-1)
		switch it.kind {
		case 's', 'z', 'c':
			s := t.raw(L, name, arg)
			switch {
			case it.kind == 'c' && len(s) > it.size, it.kind == 's' && it.size < 4 && len(s) >= 1<<(8*it.size):
				return t.raisef(L, "", "%s has %d bytes, which do not fit", name, len(s))
			case it.kind == 'z' && strings.IndexByte(s, 0) >= 0:
				return t.raisef(L, "", "%s holds a byte of 0, which ends it", name)
			}
			if it.kind == 's' {
				out = append(out, whole(int64(len(s)), it.size, it.little)...)
			}
			out = append(out, s...)
			if it.kind == 'z' {
				out = append(out, 0)
			}
			if it.kind == 'c' {
				out = append(out, make([]byte, it.size-len(s))...)
			}
		case 'f':
			v := t.number(L, name, L.Get(arg), -math.MaxFloat32, math.MaxFloat32)
			out = append(out, whole(int64(math.Float32bits(float32(v))), 4, it.little)...)
		case 'd':
			v := t.number(L, name, L.Get(arg), -math.MaxFloat64, math.MaxFloat64)
			out = append(out, whole(int64(math.Float64bits(v)), 8, it.little)...)
		default:
			low, high := 0., math.Min(math.Exp2(float64(8*it.size))-1, maxWhole)
			if it.kind == 'b' || it.kind == 'h' || it.kind == 'i' {
				high = math.Min(math.Exp2(float64(8*it.size-1))-1, maxWhole)
				low = math.Max(-high-1, -maxWhole)
			}
			v := t.number(L, name, L.Get(arg), low, high)
			if v != math.Trunc(v) {
				return t.raisef(L, "round it, math.floor(x + 0.5)", "%s is %g, no whole number", name, v)
			}
			b := whole(int64(v), it.size, it.little)
			out = append(out, b...)
		}
		if len(out) > maxPacked {
			return t.raisef(L, "", "%s: more than %d bytes", what, maxPacked)
		}
	}
	if arg < L.GetTop() {
		return t.raisef(L, "", "%s: the format has %d values, and %d are given", what, packValues(items), L.GetTop()-1)
	}
	return t.push(L, what, string(out))
}

func packValues(items []packItem) (n int) {
	for _, it := range items {
		if it.kind != 'x' {
			n++
		}
	}
	return n
}

// bytesUnpack gives the values, and after them where the next byte is.
func bytesUnpack(t *task, L *lua.LState) int {
	const what = "bytes.unpack"
	items := t.packItems(L, what, t.raw(L, what+": the format", 1))
	s := t.raw(L, what+": the bytes", 2)
	at := 0
	if L.GetTop() > 2 {
		f := t.number(L, what+": where to begin", L.Get(3), 1, float64(len(s)+1))
		if f != math.Trunc(f) {
			return t.raisef(L, "", "%s: byte %g", what, f)
		}
		at = int(f) - 1
	}
	next := func(n int) string {
		if n > len(s)-at {
			t.raisef(L, "look at #data first", "%s: %d bytes, and the format wants more: %d at byte %d", what, len(s), n,
				at+1)
		}
		at += n
		return s[at-n : at]
	}
	for _, it := range items {
		var v lua.LValue
		switch it.kind {
		case 'x':
			next(1)
			continue
		case 'c':
			v = lua.LString(next(it.size))
		case 's':
			n := unsigned([]byte(next(it.size)), it.little)
			v = lua.LString(next(int(min(n, maxPacked+1))))
		case 'z':
			n := strings.IndexByte(s[at:], 0)
			if n < 0 {
				return t.raisef(L, "", "%s: no byte of 0 ends the text at byte %d", what, at+1)
			}
			v = lua.LString(next(n))
			next(1)
		case 'f':
			v = lua.LNumber(math.Float32frombits(uint32(unsigned([]byte(next(4)), it.little))))
		case 'd':
			v = lua.LNumber(math.Float64frombits(unsigned([]byte(next(8)), it.little)))
		default:
			u := unsigned([]byte(next(it.size)), it.little)
			x := float64(u)
			if it.kind == 'b' || it.kind == 'h' || it.kind == 'i' {
				shift := 64 - 8*it.size
				x = float64(int64(u<<shift) >> shift)
			}
			if math.Abs(x) > maxWhole {
				return t.raisef(L, "take it in two halves", "%s: %g at byte %d is more than a number holds exactly", what, x,
					at-it.size+1)
			}
			v = lua.LNumber(x)
		}
		t.charge(16)
		L.Push(v)
	}
	t.charge(len(s))
	L.Push(lua.LNumber(at + 1))
	return packValues(items) + 1
}

// raw is a text argument, whatever its bytes are.
func (t *task) raw(L *lua.LState, what string, i int) string {
	s, ok := L.Get(i).(lua.LString)
	if !ok {
		t.raisef(L, "", "%s must be a text, not %s", what, describe(L.Get(i)))
	}
	return string(s)
}

// bytesCRC is bytes.crc(name, data).
func bytesCRC(t *task, L *lua.LState) int {
	name, data := t.raw(L, "bytes.crc: the name", 1), t.raw(L, "bytes.crc: the bytes", 2)
	c, err := drivers.CRCNamed(name)
	if err != nil {
		hint := input.Near(name, drivers.CRCNames())
		if hint != "" {
			hint = "did you mean " + hint + "? "
		}
		return t.raisef(L, hint+"names are those of the catalogue of CRC parameters: CRC-8/SMBUS, CRC-16/MODBUS, "+
			"CRC-32/ISO-HDLC, ...", "bytes.crc: %v", err)
	}
	t.work(L, 8*len(data))
	L.Push(lua.LNumber(c.Sum([]byte(data))))
	return 1
}

// bytesHex is bytes.hex(data): "A5 5A".
func bytesHex(t *task, L *lua.LState) int {
	s := t.raw(L, "bytes.hex: the bytes", 1)
	t.fitsText(L, "bytes.hex", 3*len(s))
	return t.push(L, "bytes.hex", hexed([]byte(s)))
}

func hexed(b []byte) string { return fmt.Sprintf("% X", b) }

// bytesOf is bytes.of("A5 5A").
func bytesOf(t *task, L *lua.LState) int {
	s := t.raw(L, "bytes.of: the digits", 1)
	b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		return t.raisef(L, `pairs of hex digits, "A5 5A"`, "bytes.of: %q", clip(s, 60))
	}
	return t.push(L, "bytes.of", string(b))
}
