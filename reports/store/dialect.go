package store

import (
	"context"
	"strings"
)

// dialect is what differs between the databases; everything else is one set of
// statements. They are written with ? for values and BIGINT-sized whole
// numbers; times are milliseconds since 1970 in UTC, yes and no are 1 and 0,
// hashes are lower-case hex.
type dialect struct {
	name string
	// What a column's kind is called.
	integer, real, text, blob string
	// numbered writes $1, $2 for values, rather than ?.
	numbered bool
	// begin opens a transaction that writes; writers take turns, also those of
	// other processes. beginReading opens one that sees one moment and changes
	// nothing.
	begin, beginReading []string
	// keeps says that reports and attachments are kept whole.
	keeps bool
	// key writes a table's primary key, tail what follows its last bracket,
	// unique whether an index may be so.
	key    func(t table) string
	tail   func(t table) string
	unique func(t table) bool
	// before is called, if there, when rows beginning at these times are about
	// to be inserted: for partitions that do not exist yet.
	before func(ctx context.Context, q querier, started []int64) error

	// Words of the views: a column of milliseconds as a time people read, the
	// day of one, and the values of a sample as rows (position, value).
	stamp  func(column string) string
	day    func(column string) string
	values func(column string) (from, position, number, text string)
}

var sqliteDialect = dialect{
	name:    "SQLite",
	integer: "INTEGER", real: "REAL", text: "TEXT", blob: "BLOB",
	begin: []string{"BEGIN IMMEDIATE"}, beginReading: []string{"BEGIN"},
	key: func(t table) string {
		if t.rowid {
			return "PRIMARY KEY (id)"
		}
		return "PRIMARY KEY (" + strings.Join(t.key, ", ") + ")"
	},
	tail: func(t table) string {
		if t.narrow {
			return " WITHOUT ROWID"
		}
		return ""
	},
	unique: func(table) bool { return true },
	stamp: func(c string) string {
		return "strftime('%Y-%m-%dT%H:%M:%fZ', " + c + " / 1000.0, 'unixepoch')"
	},
	day: func(c string) string { return "date(" + c + " / 1000, 'unixepoch')" },
	values: func(c string) (string, string, string, string) {
		return "json_each(" + c + ") AS v", "v.key",
			"CASE WHEN v.type IN ('real', 'integer') THEN v.value END",
			"CASE v.type WHEN 'text' THEN v.value WHEN 'true' THEN 'true' WHEN 'false' THEN 'false' END"
	},
}

// bind writes the marks for values as the database wants them. No statement
// holds a question mark of its own.
func (d *dialect) bind(query string) string {
	if !d.numbered {
		return query
	}
	var b strings.Builder
	n := 0
	for {
		i := strings.IndexByte(query, '?')
		if i < 0 {
			b.WriteString(query)
			return b.String()
		}
		n++
		b.WriteString(query[:i])
		b.WriteByte('$')
		b.WriteString(itoa(n))
		query = query[i+1:]
	}
}

// create writes the statements that make a table and its indexes.
func (d *dialect) create(t table) []string {
	kinds := map[byte]string{'i': d.integer, 'r': d.real, 't': d.text, 'b': d.blob}
	var b strings.Builder
	b.WriteString("CREATE TABLE " + t.name + " (")
	for _, c := range t.columns {
		kind, name, _ := strings.Cut(c, " ")
		b.WriteString(name + " " + kinds[kind[0]])
		if len(kind) == 1 { // "r?" and the like may be NULL
			b.WriteString(" NOT NULL")
		}
		b.WriteString(", ")
	}
	b.WriteString(d.key(t) + ")" + d.tail(t))
	list := []string{b.String()}
	for _, x := range t.indexes {
		if x.own && d.keeps {
			continue
		}
		unique := ""
		if x.unique && d.unique(t) {
			unique = "UNIQUE "
		}
		s := "CREATE " + unique + "INDEX " + t.name + "_" + x.name + " ON " + t.name + " (" + x.columns + ")"
		if x.where != "" {
			s += " WHERE " + x.where
		}
		list = append(list, s)
	}
	return list
}
