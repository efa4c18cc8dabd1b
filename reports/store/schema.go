package store

import "strconv"

// table is a table of both databases.
type table struct {
	name string
	// columns as "kind name": i whole number, r number, t text, b bytes, with
	// a question mark where the value may be missing.
	columns []string
	key     []string // primary key; a plant's holds the time and the station, so that it can be parted by them
	rowid   bool     // in SQLite the key is id alone, which is the row's own number
	narrow  bool     // in SQLite the rows lie in the order of the key
	time    string   // column of milliseconds, or "day", by which a plant parts the table; "" if it does not
	station bool     // a plant may spread the table by its column station
	plant   bool     // a plant's only
	own     bool     // a station's only
	indexes []index
}

type index struct {
	name, columns, where string
	unique               bool
	own                  bool // a station's only
}

// tables is the whole schema, in the order in which tables are made.
//
// run, sample and seal share id, station and started, and are one row each per
// report: what is asked of lists, the readings, and what proves it. A sample
// holds its readings in the order of its layout, which many runs share. cell
// and cell_moments are the sums: one row per day (UTC) and group of runs that
// have everything in common that runs are selected by. They follow from run
// and sample alone; see cell.go. seen is how the archive's folders and notes stood
// when they were last taken in; see follow.go.
func tables() []table {
	return []table{
		{name: "state", columns: []string{"i one", "i epoch", "i grps", "i names", "i layouts", "i runs", "i chains"},
			key: []string{"one"}},
		{name: "grp", columns: []string{"i id", "t product", "t revision", "t lot", "t station", "t nest", "t operator",
			"i newest"}, key: []string{"id"}},
		{name: "name", columns: []string{"i id", "t kind", "t place", "t name", "t part", "t rule"},
			key: []string{"id"}},
		{name: "layout", columns: []string{"i id", "t product", "i newest", "t body"}, key: []string{"id"}},
		{name: "layout_reading", columns: []string{"i layout", "i pos", "t check_name", "t name", "t unit", "t kind",
			"r? lower", "r? upper"},
			key: []string{"layout", "pos"}},
		{name: "chain", columns: []string{"i id", "t key", "t station", "i number", "t sha256", "i reports",
			"i newest"}, key: []string{"id"},
			indexes: []index{{name: "key", columns: "key", unique: true}}},
		{
			name: "run",
			columns: []string{"i id", "t station", "i started", "t run", "i grp", "i layout", "t serial", "i golden",
				"i attempt",
				"i ended", "t outcome", "i first", "i final", "i retests", "i nff", "i repaired", "t flag",
				"t reason", "t why", "t failed", "i cause", "i simulated", "r cycle_time", "r takt", "i judged",
				"t clock"},
			key: []string{"started", "id", "station"}, rowid: true, time: "started", station: true,
			indexes: []index{
				{name: "run", columns: "run", unique: true},
				{name: "serial", columns: "serial"},
				{name: "grp", columns: "grp, started"},
				{name: "golden", columns: "started", where: "golden = 1"},
				{name: "flag", columns: "started", where: "flag <> ''"},
				{name: "aborted", columns: "started", where: "outcome = 'aborted'"},
			},
		},
		{
			name:    "sample",
			columns: []string{"i id", "t station", "i started", "t checks", "t verdicts", "t readings"},
			key:     []string{"started", "id", "station"}, rowid: true, time: "started", station: true,
		},
		{
			name: "seal",
			columns: []string{"i id", "t station", "i started", "i chain", "i number", "t previous", "t sha256",
				"t signature", "t file", "i size", "i modified"},
			key: []string{"started", "id", "station"}, rowid: true, time: "started", station: true,
			indexes: []index{{name: "chain", columns: "chain, number"},
				{name: "file", columns: "file", own: true}},
		},
		{
			name:    "failure",
			columns: []string{"i name", "i started", "i id", "t station", "i grp"},
			key:     []string{"name", "started", "id", "station"}, narrow: true, time: "started", station: true,
		},
		{
			name: "cell",
			columns: []string{"i day", "i grp", "t station", "i passed", "i failed", "i errors", "i aborted",
				"i firsts",
				"b counts", "b checks", "b failures", "b cycle"},
			key: []string{"day", "grp", "station"}, time: "day", station: true,
		},
		{
			name:    "cell_moments",
			columns: []string{"i day", "i grp", "i layout", "t station", "b moments"},
			key:     []string{"day", "grp", "layout", "station"}, time: "day", station: true,
		},
		{
			name: "repair",
			columns: []string{"t id", "t run", "t serial", "t product", "t revision", "t lot", "i golden", "i at",
				"t by_whom",
				"t found", "t part", "t done", "t text", "t suggested"},
			key: []string{"id"},
			indexes: []index{
				{name: "serial", columns: "serial"},
				{name: "at", columns: "at"},
			},
		},
		{
			name:    "flag",
			columns: []string{"t key", "i n", "t run", "t station", "t file", "t kind", "t text"},
			key:     []string{"key", "n"},
			indexes: []index{{name: "run", columns: "run"}},
		},
		{name: "seen", columns: []string{"t name", "i at", "t hash"}, key: []string{"name"}, own: true},
		{name: "raw", columns: []string{"i id", "t station", "i started", "b report"},
			key: []string{"started", "id", "station"}, rowid: true, time: "started", station: true, plant: true},
		{name: "attachment", columns: []string{"t sha256", "i size", "b data"}, key: []string{"sha256"}, plant: true},
	}
}

// schema is every statement that makes an empty database.
func (d *dialect) schema() []string {
	var list []string
	for _, t := range tables() {
		if !t.plant && !t.own || t.plant == d.keeps {
			list = append(list, d.create(t)...)
		}
	}
	for _, v := range d.views() {
		list = append(list, v.create())
	}
	list = append(list, "INSERT INTO state (one, epoch, grps, names, layouts, runs, chains) VALUES (1, 1, 0, 0, 0, "+
		"0, 0)")
	return list
}

func itoa(n int) string { return strconv.Itoa(n) }
