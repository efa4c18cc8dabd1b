package input

import (
	"fmt"
	"io"
	"maps"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

// Rows is one table of rows that files add to, [[Table]] in them: the struct T has
// a key for each field with a toml tag, a text "name" among them. The other tags
// of a field say what it may be, and are shown to people:
//
//	help:"V, the largest"   what it is
//	range:"0,1000"          of a number, or of a duration in seconds
//	oneof:"joined apart"    of a text
//	raw:"true"              a text that may have control characters
//
// A map of texts is a table whose keys are the user's; an empty text takes a key of
// the row that it is based on away.
//
// A row may say based_on = "NAME"; then what it does not say is that row's.
type Rows[T any] struct {
	Table string
	All   []T // the built-in ones, then those of files
	// Check says what else is wrong with a row: the key at fault, and why.
	Check func(T) []RowFault

	own map[string]string // name -> file that it is from
}

// RowFault is what is wrong with a row.
type RowFault struct {
	Key, Text, Hint string // Key "": the row
}

// RowTable is a [Rows] of any struct.
type RowTable interface {
	table() string
	read(r *rowReader, list []any) []Problem
	write(w io.Writer)
	keys() reflect.Type
}

// Most of what a file of rows can have.
const (
	mostRows  = 500
	mostItems = 256
	mostWord  = 200 // bytes of a text
)

// ReadRows adds the rows of a file to tables. Rows of a name that an earlier file
// gave take its place; those built in cannot be replaced.
func ReadRows(name string, data []byte, tables ...RowTable) []Problem {
	if p := Unreasonable(name, data); p != nil {
		return []Problem{*p}
	}
	var raw map[string]any
	if err := toml.Unmarshal(data, &raw); err != nil {
		return []Problem{tomlProblem(name, err)}
	}
	r := &rowReader{file: name, at: linesOf(outline(data))}
	var names []string
	for _, t := range tables {
		names = append(names, t.table())
	}
	var problems []Problem
	for _, key := range slices.Sorted(maps.Keys(raw)) {
		i := slices.Index(names, key)
		if i < 0 {
			problems = append(problems, At(name, r.at.At(key), fmt.Sprintf("unknown table %q in a file of models", key),
				Meant(key, names)))
			continue
		}
		list, ok := raw[key].([]any)
		if !ok || len(list) > mostRows {
			problems = append(problems, At(name, r.at.At(key), fmt.Sprintf("%s is not a list of at most %d rows", key,
				mostRows), "begin each with [["+key+"]]"))
			continue
		}
		problems = append(problems, tables[i].read(r, list)...)
	}
	return InOrder(problems)
}

// WriteRows writes rows as a file has them, to be copied.
func WriteRows(w io.Writer, t RowTable) { t.write(w) }

func (t *Rows[T]) table() string      { return t.Table }
func (t *Rows[T]) keys() reflect.Type { return reflect.TypeFor[T]() }

func (t *Rows[T]) named(name string) int {
	return slices.IndexFunc(t.All, func(row T) bool { return nameOf(row) == name })
}

// Names lists the rows that there are.
func (t *Rows[T]) Names() []string {
	var list []string
	for _, row := range t.All {
		list = append(list, nameOf(row))
	}
	return list
}

// Find returns the row of a name.
func (t *Rows[T]) Find(name string) (row T, ok bool) {
	if i := t.named(name); i >= 0 {
		return t.All[i], true
	}
	return row, false
}

func nameOf(row any) string {
	v := reflect.ValueOf(row)
	f, _ := fieldFor(v.Type(), "name")
	return v.FieldByIndex(f.Index).String()
}

func (t *Rows[T]) read(r *rowReader, list []any) []Problem {
	if t.own == nil {
		t.own = map[string]string{}
	}
	before := len(r.problems)
	given := map[string]int{}
	for i, item := range list {
		r.path = []string{t.Table, strconv.Itoa(i)}
		row, ok := item.(map[string]any)
		if !ok {
			r.add(nil, "", "%s: a row is a table", t.Table)
			continue
		}
		bad := len(r.problems)
		name, _ := row["name"].(string)
		switch {
		case name == "":
			r.add(nil, `write name = "NAME" in it; bench files name it so`, "a row of %s has no name", t.Table)
		case !isName(name):
			r.add([]string{"name"}, "small letters, digits and - , a letter first", "%.60q is no name of a model", name)
		case given[name] > 0:
			r.add([]string{"name"}, "", "%q is there twice, first in line %d", name, given[name])
		case t.named(name) >= 0 && t.own[name] == "":
			r.add([]string{"name"}, `give it a name of its own, and based_on = "`+name+`"`,
				"%q is a built-in model, and those stay what they are", name)
		}
		given[name] = r.at.At(t.Table, strconv.Itoa(i), "name")
		var made T
		if based, has := row["based_on"]; has {
			base, _ := based.(string)
			at := t.named(base)
			if at < 0 {
				r.add([]string{"based_on"}, Meant(base, t.Names()), "there is no model %.60q to be based on", based)
			} else {
				made = t.All[at]
			}
		}
		target := reflect.ValueOf(&made).Elem()
		detach(target)
		r.table(target, row, nil, "based_on")
		if len(r.problems) > bad {
			continue
		}
		if t.Check != nil {
			for _, f := range t.Check(made) {
				var key []string
				if f.Key != "" {
					key = strings.Split(f.Key, ".")
				}
				r.add(key, f.Hint, "model %q: %s", name, f.Text)
			}
		}
		if len(r.problems) > bad {
			continue
		}
		if at := t.named(name); at >= 0 {
			t.All[at] = made
		} else {
			t.All = append(t.All, made)
		}
		t.own[name] = r.file
	}
	return r.problems[before:]
}

// isName tells a name that a bench file can have as a model.
func isName(s string) bool {
	for i, c := range s {
		if !(c >= 'a' && c <= 'z' || i > 0 && (c >= '0' && c <= '9' || c == '-')) {
			return false
		}
	}
	return len(s) <= 60
}

// detach gives a copied row lists of its own.
func detach(v reflect.Value) {
	for i := range v.NumField() {
		switch f := v.Field(i); f.Kind() {
		case reflect.Slice:
			if f.CanSet() && !f.IsNil() {
				own := reflect.MakeSlice(f.Type(), f.Len(), f.Len())
				reflect.Copy(own, f)
				f.Set(own)
			}
		case reflect.Map:
			if f.CanSet() && !f.IsNil() {
				own := reflect.MakeMapWithSize(f.Type(), f.Len())
				for it := f.MapRange(); it.Next(); {
					own.SetMapIndex(it.Key(), it.Value())
				}
				f.Set(own)
			}
		case reflect.Struct:
			detach(f)
		}
	}
}

// rowReader reads the rows of one file.
type rowReader struct {
	file     string
	at       Lines
	path     []string // of the row
	problems []Problem
}

func (r *rowReader) add(key []string, hint, format string, args ...any) {
	line := r.at.At(append(slices.Clone(r.path), key...)...)
	r.problems = append(r.problems, At(r.file, line, fmt.Sprintf(format, args...), hint))
}

// table fills a struct with the keys of a table.
func (r *rowReader) table(to reflect.Value, from map[string]any, path []string, besides ...string) {
	for _, key := range slices.Sorted(maps.Keys(from)) {
		if slices.Contains(besides, key) {
			continue
		}
		at := append(slices.Clone(path), key)
		f, ok := fieldFor(to.Type(), key)
		if !ok || key == "" || key == "-" {
			where := r.path[0]
			if len(path) > 0 {
				where += "." + strings.Join(path, ".")
			}
			r.add(at, Meant(key, append(keysOf(to.Type()), besides...)), "unknown key %.60q in %s", key, where)
			continue
		}
		r.value(to.FieldByIndex(f.Index), f, from[key], at)
	}
}

var durationType = reflect.TypeFor[time.Duration]()

// value sets one field.
func (r *rowReader) value(to reflect.Value, f reflect.StructField, v any, path []string) {
	key := strings.Join(path, ".")
	switch {
	case to.Type() == durationType, to.Kind() == reflect.Float64, to.CanInt(), to.CanUint():
		n, whole := 0.0, false
		switch v := v.(type) {
		case int64:
			n, whole = float64(v), true
		case float64:
			n = v
		default:
			r.add(path, "", "%s must be %s", key, kindOf(to.Type()))
			return
		}
		lo, hi := rangeOf(to.Type(), f)
		switch {
		case !(n >= lo && n <= hi):
			r.add(path, "", "%s is %v, which is not in %v to %v", key, v, lo, hi)
		case to.Type() == durationType:
			to.SetInt(int64(math.Round(n * float64(time.Second))))
		case to.Kind() == reflect.Float64:
			to.SetFloat(n)
		case !whole:
			r.add(path, "", "%s must be a whole number", key)
		case to.CanInt():
			to.SetInt(int64(n))
		default:
			to.SetUint(uint64(n))
		}
	case to.Kind() == reflect.Bool:
		b, ok := v.(bool)
		if !ok {
			r.add(path, "", "%s must be true or false", key)
			return
		}
		to.SetBool(b)
	case to.Kind() == reflect.String:
		if s, ok := r.text(f, v, path); ok {
			to.SetString(s)
		}
	case to.Kind() == reflect.Struct:
		m, ok := v.(map[string]any)
		if !ok {
			r.add(path, "", "%s must be a table", key)
			return
		}
		r.table(to, m, path)
	case to.Kind() == reflect.Slice:
		r.list(to, f, v, path)
	case isTextMap(to.Type()):
		r.texts(to, f, v, path)
	default:
		r.add(path, "", "%s cannot be set in a file", key)
	}
}

// text checks one text.
func (r *rowReader) text(f reflect.StructField, v any, path []string) (string, bool) {
	key := strings.Join(path, ".")
	s, ok := v.(string)
	of := strings.Fields(f.Tag.Get("oneof"))
	switch {
	case !ok:
		r.add(path, "", "%s must be a text in quotes", key)
	case len(s) > mostWord:
		r.add(path, "", "%s has %d bytes, and %d are the most", key, len(s), mostWord)
	case len(of) > 0 && !slices.Contains(of, s):
		r.add(path, Meant(s, of), "%s is %q, which is none of %s", key, s, strings.Join(of, ", "))
	case f.Tag.Get("raw") == "" && !printable(s):
		r.add(path, "one line of text, without control characters", "%s is %q", key, s)
	default:
		return s, true
	}
	return "", false
}

func printable(s string) bool {
	return utf8.ValidString(s) && strings.IndexFunc(s, func(c rune) bool { return !unicode.IsPrint(c) }) < 0
}

// list sets a field that is a list of texts or of tables.
func (r *rowReader) list(to reflect.Value, f reflect.StructField, v any, path []string) {
	key := strings.Join(path, ".")
	items, ok := v.([]any)
	if !ok || len(items) > mostItems {
		r.add(path, "", "%s must be a list of at most %d", key, mostItems)
		return
	}
	made := reflect.MakeSlice(to.Type(), len(items), len(items))
	for i, item := range items {
		at := append(slices.Clone(path), strconv.Itoa(i))
		switch e := made.Index(i); e.Kind() {
		case reflect.Struct:
			m, ok := item.(map[string]any)
			if !ok {
				r.add(at, "", "%s must be a list of tables", key)
				continue
			}
			r.table(e, m, at)
		default:
			r.value(e, f, item, at)
		}
	}
	to.Set(made)
}

func isTextMap(t reflect.Type) bool { return t == reflect.TypeFor[map[string]string]() }

// texts adds to a map of texts. Its keys are texts like others.
func (r *rowReader) texts(to reflect.Value, f reflect.StructField, v any, path []string) {
	key := strings.Join(path, ".")
	from, ok := v.(map[string]any)
	if !ok {
		r.add(path, "", "%s must be a table of texts", key)
		return
	}
	if to.IsNil() {
		to.Set(reflect.MakeMap(to.Type()))
	}
	m := to.Interface().(map[string]string)
	for _, k := range slices.Sorted(maps.Keys(from)) {
		at := append(slices.Clone(path), k)
		if k == "" || len(k) > mostWord || !printable(k) {
			r.add(path, "one line of text, of at most 200 bytes", "%.60q is no key of %s", k, key)
			continue
		}
		switch s, ok := r.text(f, from[k], at); {
		case ok && s == "":
			delete(m, k)
		case ok:
			m[k] = s
		}
	}
	if len(m) > mostItems {
		r.add(path, "", "%s has %d texts, and %d are the most", key, len(m), mostItems)
	}
	if len(m) == 0 {
		to.SetZero()
	}
}

// rangeOf is what a number may be: as its tag says, else nothing that is no
// length, count or time.
func rangeOf(t reflect.Type, f reflect.StructField) (lo, hi float64) {
	lo, hi = 0, 1e9
	if t == durationType {
		hi = 600
	}
	if a, b, ok := strings.Cut(f.Tag.Get("range"), ","); ok {
		lo, _ = strconv.ParseFloat(a, 64)
		hi, _ = strconv.ParseFloat(b, 64)
	}
	switch t.Kind() {
	case reflect.Uint8, reflect.Uint16, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Uint32:
		hi = min(hi, math.Pow(2, float64(t.Bits()))-1)
	}
	return lo, hi
}

// kindOf says what a value of a type is in a file.
func kindOf(t reflect.Type) string {
	switch {
	case t == durationType:
		return "a number of seconds"
	case t.Kind() == reflect.Float64:
		return "a number"
	case t.Kind() >= reflect.Int && t.Kind() <= reflect.Uint64:
		return "a whole number"
	case t.Kind() == reflect.Bool:
		return "true or false"
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct:
		return "tables"
	case t.Kind() == reflect.Slice:
		return "a list of texts"
	case t.Kind() == reflect.Struct:
		return "a table"
	case isTextMap(t):
		return "a table of texts"
	}
	return "a text"
}

func (t *Rows[T]) write(w io.Writer) {
	for _, row := range t.All {
		fmt.Fprintf(w, "[[%s]]\n", t.Table)
		writeTable(w, t.Table, reflect.ValueOf(row))
		fmt.Fprintln(w)
	}
}

// writeTable writes what is not zero in a row: keys, then tables.
func writeTable(w io.Writer, table string, v reflect.Value) {
	type below struct {
		name string
		v    reflect.Value
		list bool
	}
	var tables []below
	for i := range v.NumField() {
		f := v.Type().Field(i)
		key, x := f.Tag.Get("toml"), v.Field(i)
		if key == "" || key == "-" || x.IsZero() {
			continue
		}
		switch {
		case x.Kind() == reflect.Struct, isTextMap(x.Type()):
			tables = append(tables, below{table + "." + key, x, false})
		case x.Kind() == reflect.Slice && x.Type().Elem().Kind() == reflect.Struct:
			for i := range x.Len() {
				tables = append(tables, below{table + "." + key, x.Index(i), true})
			}
		default:
			fmt.Fprintf(w, "%s = %s\n", key, tomlValue(x))
		}
	}
	for _, b := range tables {
		if b.list {
			fmt.Fprintf(w, "[[%s]]\n", b.name)
		} else {
			fmt.Fprintf(w, "[%s]\n", b.name)
		}
		if isTextMap(b.v.Type()) {
			m := b.v.Interface().(map[string]string)
			for _, k := range slices.Sorted(maps.Keys(m)) {
				fmt.Fprintf(w, "%s = %s\n", tomlText(k), tomlText(m[k]))
			}
			continue
		}
		writeTable(w, b.name, b.v)
	}
}

func tomlValue(v reflect.Value) string {
	switch {
	case v.Type() == durationType:
		return strconv.FormatFloat(time.Duration(v.Int()).Seconds(), 'g', -1, 64)
	case v.Kind() == reflect.Float64:
		return strings.Replace(strconv.FormatFloat(v.Float(), 'g', -1, 64), "e+", "e", 1)
	case v.Kind() == reflect.Slice:
		var items []string
		for i := range v.Len() {
			items = append(items, tomlValue(v.Index(i)))
		}
		return "[" + strings.Join(items, ", ") + "]"
	case v.Kind() == reflect.String:
		return tomlText(v.String())
	}
	return fmt.Sprint(v.Interface())
}

// tomlText is a basic string of TOML.
func tomlText(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range s {
		switch {
		case c == '"' || c == '\\':
			b.WriteByte('\\')
			b.WriteRune(c)
		case c == '\n':
			b.WriteString(`\n`)
		case c == '\r':
			b.WriteString(`\r`)
		case !unicode.IsPrint(c):
			fmt.Fprintf(&b, `\u%04X`, c)
		default:
			b.WriteRune(c)
		}
	}
	return b.String() + `"`
}

// WriteKeys writes the keys of a table with what they are, for people.
func WriteKeys(w io.Writer, t RowTable) { writeKeys(w, "[["+t.table()+"]]", t.table(), t.keys()) }

func writeKeys(w io.Writer, header, table string, t reflect.Type) {
	fmt.Fprintf(w, "%s\n", header)
	if !strings.Contains(table, ".") {
		fmt.Fprintf(w, "  %-20s %s\n", "based_on", "a row whose keys hold where this one says nothing")
	}
	var below []reflect.StructField
	for i := range t.NumField() {
		f := t.Field(i)
		key := f.Tag.Get("toml")
		if key == "" || key == "-" {
			continue
		}
		if k := kindOf(f.Type); k == "a table" || k == "tables" || k == "a table of texts" {
			below = append(below, f)
			continue
		}
		say := f.Tag.Get("help")
		if of := f.Tag.Get("oneof"); of != "" {
			say += " (" + strings.Join(strings.Fields(of), ", ") + ")"
		}
		fmt.Fprintf(w, "  %-20s %s\n", key, strings.TrimSpace(say))
	}
	for _, f := range below {
		name, t := table+"."+f.Tag.Get("toml"), f.Type
		if isTextMap(t) {
			fmt.Fprintf(w, "[%s]\n  %-20s %s\n", name, "\"...\"", f.Tag.Get("help"))
			continue
		}
		header := "[" + name + "]"
		if t.Kind() == reflect.Slice {
			header, t = "[["+name+"]]", t.Elem()
		}
		writeKeys(w, header, name, t)
	}
}
