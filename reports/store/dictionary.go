package store

import (
	"database/sql"
	"maps"
	"slices"
	"sync"

	"fullthrow/reports"
)

// name is something that can go wrong: a row of name. place is where a cause
// is, of several like parts.
type name struct{ kind, place, name, part, rule string }

// String is a cause as people call it: see [reports.Cause.String].
func (n name) String() string { return reports.Cause{Where: n.place, Cause: n.name}.String() }

// words are what numbers in the tables stand for. They are only ever added to
// (until everything is made again, which begins another epoch), so that what a
// process has read once stays true.
type words struct {
	epoch     int64
	groups    []group // number n at n-1
	names     []name
	layouts   []*layout
	groupID   map[group]int64
	nameID    map[name]int64
	layoutsOf map[string][]*layout // by product

	runs, chains int64 // numbers given out to these
	mine         bool  // the maps are a transaction's own
}

// dictionary holds the words that were read, for all transactions.
type dictionary struct {
	mu sync.Mutex
	w  words
}

func newDictionary() *dictionary { return &dictionary{w: emptyWords(0)} }

func emptyWords(epoch int64) words {
	return words{epoch: epoch, groupID: map[group]int64{}, nameID: map[name]int64{}, layoutsOf: map[string][]*layout{}}
}

// at returns the words as a transaction sees them. Those it adds are its own:
// the next transaction reads them, if it was committed.
func (d *dictionary) at(t *transaction) (*words, error) {
	var epoch, groups, names, layouts, runs, chains int64
	if ok, err := t.one("SELECT epoch, grps, names, layouts, runs, chains FROM state WHERE one = 1", nil,
		&epoch, &groups, &names, &layouts, &runs, &chains); err != nil || !ok {
		if err == nil {
			err = errPacked
		}
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	w := &d.w
	if w.epoch != epoch {
		if epoch < w.epoch { // an older moment than others have seen: not for sharing
			own := emptyWords(epoch)
			w = &own
		} else {
			*w = emptyWords(epoch)
		}
	}
	if int64(len(w.groups)) < groups || int64(len(w.names)) < names || int64(len(w.layouts)) < layouts {
		w.own() // others read the maps
		if err := w.read(t); err != nil {
			*w = emptyWords(0)
			return nil, err
		}
	}
	// Slices as long as this moment has them; what others append does not show.
	seen := *w
	seen.groups, seen.names, seen.layouts = w.groups[:groups:groups], w.names[:names:names], w.layouts[:layouts:layouts]
	seen.runs, seen.chains, seen.mine = runs, chains, false
	return &seen, nil
}

// own makes the maps this one's alone, before they are added to.
func (w *words) own() {
	w.groupID, w.nameID, w.layoutsOf = maps.Clone(w.groupID), maps.Clone(w.nameID), maps.Clone(w.layoutsOf)
}

func (w *words) read(t *transaction) error {
	w.groups, w.names, w.layouts = slices.Clip(w.groups), slices.Clip(w.names), slices.Clip(w.layouts)
	if err := t.each("SELECT id, product, revision, lot, station, nest, operator FROM grp WHERE id > ? ORDER BY id",
		[]any{len(w.groups)}, func(rows *sql.Rows) error {
			var id int64
			var g group
			if err := rows.Scan(&id, &g.product, &g.revision, &g.lot, &g.station, &g.nest, &g.operator); err != nil {
				return err
			}
			return w.addGroup(id, g)
		}); err != nil {
		return err
	}
	if err := t.each("SELECT id, kind, place, name, part, rule FROM name WHERE id > ? ORDER BY id", []any{len(w.names)},
		func(rows *sql.Rows) error {
			var id int64
			var n name
			if err := rows.Scan(&id, &n.kind, &n.place, &n.name, &n.part, &n.rule); err != nil {
				return err
			}
			return w.addName(id, n)
		}); err != nil {
		return err
	}
	return t.each("SELECT id, product, body FROM layout WHERE id > ? ORDER BY id", []any{len(w.layouts)},
		func(rows *sql.Rows) error {
			var id int64
			var product, body string
			if err := rows.Scan(&id, &product, &body); err != nil {
				return err
			}
			l, err := parseLayout(id, product, body)
			if err != nil {
				return err
			}
			return w.addLayout(l)
		})
}

func (w *words) addGroup(id int64, g group) error {
	if id != int64(len(w.groups))+1 {
		return errPacked
	}
	w.groups = append(w.groups, g)
	w.groupID[g] = id
	return nil
}

func (w *words) addName(id int64, n name) error {
	if id != int64(len(w.names))+1 {
		return errPacked
	}
	w.names = append(w.names, n)
	w.nameID[n] = id
	return nil
}

func (w *words) addLayout(l *layout) error {
	if l.id != int64(len(w.layouts))+1 {
		return errPacked
	}
	w.layouts = append(w.layouts, l)
	w.layoutsOf[l.product] = append(slices.Clip(w.layoutsOf[l.product]), l)
	return nil
}

func (w *words) group(id int64) group {
	if id < 1 || id > int64(len(w.groups)) {
		return group{}
	}
	return w.groups[id-1]
}

func (w *words) name(id int64) name {
	if id < 1 || id > int64(len(w.names)) {
		return name{}
	}
	return w.names[id-1]
}

// layout is nil for a number that is none.
func (w *words) layout(id int64) *layout {
	if id < 1 || id > int64(len(w.layouts)) {
		return nil
	}
	return w.layouts[id-1]
}

// extend makes the words this transaction's own, to add to.
func (t *transaction) extend() {
	if !t.mine {
		t.own()
		t.mine = true
	}
}

// groupOf gives a group its number.
func (t *transaction) groupOf(g group) (int64, error) {
	if id, ok := t.groupID[g]; ok && id <= int64(len(t.groups)) {
		return id, nil
	}
	t.extend()
	id := int64(len(t.groups)) + 1
	if err := t.addGroup(id, g); err != nil {
		return 0, err
	}
	_, err := t.exec("INSERT INTO grp (id, product, revision, lot, station, nest, operator, newest) VALUES "+
		"(?,?,?,?,?,?,?,?)",
		id, g.product, g.revision, g.lot, g.station, g.nest, g.operator, int64(noTime))
	return id, err
}

func (t *transaction) nameOf(n name) (int64, error) {
	if id, ok := t.nameID[n]; ok && id <= int64(len(t.names)) {
		return id, nil
	}
	t.extend()
	id := int64(len(t.names)) + 1
	if err := t.addName(id, n); err != nil {
		return 0, err
	}
	_, err := t.exec("INSERT INTO name (id, kind, place, name, part, rule) VALUES (?,?,?,?,?,?)", id, n.kind, n.place,
		n.name, n.part, n.rule)
	return id, err
}

// mostLayouts bounds how many layouts are tried for a run: a plan that makes
// up names has a layout of its own for each, and must not slow the others.
const mostLayouts = 64

// layoutFor finds a layout that holds the run, newest first, or makes one.
func (t *transaction) layoutFor(r *record) (*layout, error) {
	list := t.layoutsOf[r.group.product]
	for i := len(list) - 1; i >= 0 && i >= len(list)-mostLayouts; i-- {
		if l := list[i]; l.id <= int64(len(t.layouts)) && l.holds(r) {
			return l, nil
		}
	}
	l := layoutOf(r)
	var err error
	for i := range l.Checks {
		c := &l.Checks[i]
		if c.ID, err = t.nameOf(name{kind: string(ByCheck), name: c.Name, part: c.Part}); err != nil {
			return nil, err
		}
		if c.Alone, err = t.nameOf(name{kind: string(ByReading), name: c.Name, part: c.Part}); err != nil {
			return nil, err
		}
	}
	l.link()
	for i := range l.Readings {
		rd := &l.Readings[i]
		part := ""
		if rd.check >= 0 {
			part = l.Checks[rd.check].Part
		}
		if rd.ID, err = t.nameOf(name{kind: string(ByReading), name: rd.full(), part: part}); err != nil {
			return nil, err
		}
	}
	t.extend()
	l.id = int64(len(t.layouts)) + 1
	if err := t.addLayout(l); err != nil {
		return nil, err
	}
	body, err := l.body()
	if err != nil {
		return nil, err
	}
	if _, err := t.exec("INSERT INTO layout (id, product, newest, body) VALUES (?,?,?,?)", l.id, l.product,
		int64(noTime), body); err != nil {
		return nil, err
	}
	rows := make([][]any, len(l.Readings))
	for i := range l.Readings {
		rd := &l.Readings[i]
		rows[i] = []any{l.id, i, rd.Check, rd.Name, rd.Unit, rd.Kind, maybe(rd.Lower), maybe(rd.Upper)}
	}
	return l, t.insert("layout_reading", "layout, pos, check_name, name, unit, kind, lower, upper", rows)
}

func maybe(x *float64) any {
	if x == nil {
		return nil
	}
	return *x
}

// saveState writes down the numbers that were given out.
func (t *transaction) saveState() error {
	_, err := t.exec("UPDATE state SET grps = ?, names = ?, layouts = ?, runs = ?, chains = ? WHERE one = 1",
		len(t.groups), len(t.names), len(t.layouts), t.runs, t.chains)
	return err
}
