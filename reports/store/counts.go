package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"time"

	"fullthrow/reports/yield"
)

// scope is a selection as the sums know it: groups, and half hours.
type scope struct {
	groups   []int64 // nil is all
	all      bool
	from, to int64 // ms, whole half hours; [from, to)
}

const (
	always = -never // before and after any report, and whole days
	never  = (1 << 33) * dayMillis
)

// span is the selection's time in ms, [from, to).
func (s Selection) span() (from, to int64) {
	from, to = always, never
	if !s.Since.IsZero() {
		from = millis(s.Since)
	}
	if !s.Until.IsZero() {
		to = ceilMillis(s.Until)
	}
	return from, to
}

func ceilMillis(t time.Time) int64 {
	ms := millis(t)
	if t.After(time.UnixMilli(ms)) {
		ms++
	}
	return ms
}

func (s Selection) narrows() bool {
	return s.Product != "" || s.Revision != "" || s.Lot != "" || s.Station != "" || s.Nest != "" || s.Operator != ""
}

func (s Selection) admits(g group) bool {
	same := func(want, have string) bool { return want == "" || cleanKey(want) == have }
	return same(s.Product, g.product) && same(s.Revision, g.revision) && same(s.Lot, g.lot) &&
		same(s.Station, g.station) && same(s.Nest, g.nest) && same(s.Operator, g.operator)
}

// scope finds the groups of a selection, and widens its time to half hours.
func (t *transaction) scope(s Selection) *scope {
	sc := &scope{all: !s.narrows()}
	sc.from, sc.to = s.span()
	if sc.from != always {
		sc.from = floorDiv(sc.from, slotMillis) * slotMillis
	}
	if sc.to != never {
		sc.to = -floorDiv(-sc.to, slotMillis) * slotMillis
	}
	for i, g := range t.groups {
		if s.admits(g) {
			sc.groups = append(sc.groups, int64(i+1))
		}
	}
	return sc
}

func (sc *scope) has(grp int64) bool {
	if sc.all {
		return true
	}
	_, ok := slices.BinarySearch(sc.groups, grp)
	return ok
}

// where narrows a query of cells, as far as it is worth it: the rest is left
// to has.
func (sc *scope) where() (string, []any) {
	text, args := "day >= ? AND day <= ?", []any{dayOf(sc.from), dayOf(sc.to - 1)}
	if !sc.all && len(sc.groups) > 0 && len(sc.groups) <= mostIn {
		w, a := in("grp", sc.groups)
		return text + " AND " + w, append(args, a...)
	}
	return text, args
}

// Counts adds up a selection.
func (b *base) Counts(ctx context.Context, s Selection) (yield.Counts, error) {
	var sum counts
	err := b.look(ctx, "counts", func(t *transaction) error {
		return t.eachCount(t.scope(s), func(grp, slot int64, c *counts) { sum.add(c) })
	})
	return sum.yield(), err
}

// eachCount hands out what was counted, by group and half hour (since 1970).
func (t *transaction) eachCount(sc *scope, f func(grp, slot int64, c *counts)) error {
	where, args := sc.where()
	first, end := floorDiv(sc.from, slotMillis), floorDiv(sc.to, slotMillis)
	var packed sql.RawBytes
	return t.each("SELECT day, grp, counts FROM cell WHERE "+where, args, func(rows *sql.Rows) error {
		var day, grp int64
		if err := rows.Scan(&day, &grp, &packed); err != nil {
			return err
		}
		if !sc.has(grp) {
			return nil
		}
		return eachSlot(packed, func(slot int, c *counts) {
			if n := day*slotsPerDay + int64(slot); n >= first && n < end {
				f(grp, n, c)
			}
		})
	})
}

// parts of a scope: whole days of UTC, answered by the cells, and what is left
// at its ends, counted run by run.
type parts struct {
	first, end int64 // days, [first, end)
	edges      []edge
}

// edge is a part of one day.
type edge struct{ day, from, to int64 } // ms, [from, to)

func (t *transaction) parts(sc *scope) (parts, error) {
	from, to := sc.from, sc.to
	if to != never {
		// Nothing begins after the newest: then the last day is whole.
		var newest int64
		if ok, err := t.one("SELECT COALESCE(MAX(newest), ?) FROM grp", []any{int64(noTime)}, &newest); err != nil {
			return parts{}, err
		} else if ok && newest < to {
			to = never
		}
	}
	p := parts{first: -floorDiv(-from, dayMillis), end: floorDiv(to, dayMillis)}
	if p.end < p.first { // within one day
		p.edges = []edge{{p.end, from, to}}
		p.end = p.first
		if from >= to {
			p.edges = nil
		}
		return p, nil
	}
	if start := p.first * dayMillis; from < start {
		p.edges = append(p.edges, edge{p.first - 1, from, start})
	}
	if start := p.end * dayMillis; start < to {
		p.edges = append(p.edges, edge{p.end, start, to})
	}
	return p, nil
}

// groupsOn are the groups of a scope with runs on a day.
func (t *transaction) groupsOn(sc *scope, day int64) ([]int64, error) {
	var list []int64
	err := t.each("SELECT grp FROM cell WHERE day = ? ORDER BY grp", []any{day}, func(rows *sql.Rows) error {
		var grp int64
		err := rows.Scan(&grp)
		if sc.has(grp) {
			list = append(list, grp)
		}
		return err
	})
	return list, err
}

// countEdges counts what lies at the ends of a scope.
func (t *transaction) countEdges(sc *scope, p parts, readings bool, a *addition) error {
	for _, e := range p.edges {
		groups, err := t.groupsOn(sc, e.day)
		if err != nil {
			return err
		}
		if err := t.countRuns(groups, e.from, e.to, readings, func(int64) *addition { return a }); err != nil {
			return err
		}
	}
	return nil
}

// eachWhole hands out a column of the cells of the scope's whole days.
func (t *transaction) eachWhole(sc *scope, p parts, column string, f func(packed []byte) error) error {
	if p.first >= p.end {
		return nil
	}
	whole := *sc
	whole.from, whole.to = p.first*dayMillis, p.end*dayMillis
	where, args := whole.where()
	var packed sql.RawBytes
	return t.each("SELECT grp, "+column+" FROM cell WHERE "+where, args, func(rows *sql.Rows) error {
		var grp int64
		if err := rows.Scan(&grp, &packed); err != nil || !sc.has(grp) {
			return err
		}
		return f(packed)
	})
}

// sum adds up one column of the cells of a selection, edges included, in one
// cell.
func (t *transaction) sum(s Selection, column string, add func(c *cell, packed []byte) error) (*cell, error) {
	sc := t.scope(s)
	p, err := t.parts(sc)
	if err != nil {
		return nil, err
	}
	a := &addition{newCell(), map[int64]*moments{}}
	if err := t.countEdges(sc, p, false, a); err != nil {
		return nil, err
	}
	return a.cell, t.eachWhole(sc, p, column, func(packed []byte) error { return add(a.cell, packed) })
}

// Trend adds up a selection group by group: periods in order of time (those
// without a run left out), others by name.
func (b *base) Trend(ctx context.Context, s Selection, by By) ([]yield.Group, error) {
	type bucket struct {
		start int64 // of a period
		key   string
	}
	sums := map[bucket]*counts{}
	periods := by.period()
	field, isField := by.field()
	if !periods && !isField {
		return nil, fmt.Errorf("store: trend: cannot be grouped by %.40q", string(by))
	}
	cal := newCalendar(s)
	err := b.look(ctx, "trend", func(t *transaction) error {
		last := map[int64]*counts{} // by group or half hour: no need to look it up each time
		return t.eachCount(t.scope(s), func(grp, slot int64, c *counts) {
			id := grp
			if periods {
				id = slot
			}
			sum := last[id]
			if sum == nil {
				var k bucket
				if periods {
					k.start = cal.begin(by, slot)
				} else {
					k.key = field(t.group(grp))
				}
				if sum = sums[k]; sum == nil {
					sum = &counts{}
					sums[k] = sum
				}
				last[id] = sum
			}
			sum.add(c)
		})
	})
	if err != nil {
		return nil, err
	}
	list := []yield.Group{}
	for _, k := range slices.SortedFunc(maps.Keys(sums), func(a, b bucket) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.key, b.key))
	}) {
		if sums[k].runs() == 0 {
			continue
		}
		g := yield.Group{Key: k.key, Counts: sums[k].yield()}
		if periods {
			g.Start = fromMillis(k.start).In(cal.zone)
			g.Key = cal.key(by, k.start)
		}
		list = append(list, g)
	}
	return list, nil
}

// Checks is how each check went in first judged runs, in the order of the
// newest plan.
func (b *base) Checks(ctx context.Context, s Selection) ([]yield.CheckCount, error) {
	list := []yield.CheckCount{}
	err := b.look(ctx, "checks", func(t *transaction) error {
		sum, err := t.sum(s, "checks", func(c *cell, packed []byte) error { return unpackPairs(packed, c.checks) })
		if err != nil {
			return err
		}
		byName := map[string]pair{}
		for id, p := range sum.checks {
			n := t.name(id).name
			q := byName[n]
			byName[n] = pair{q[0] + p[0], q[1] + p[1]}
		}
		order, err := t.planOrder(s.Product, func(l *layout) []string {
			var names []string
			for _, c := range l.Checks {
				names = append(names, c.Name)
			}
			return names
		})
		if err != nil {
			return err
		}
		for _, n := range inOrder(byName, order) {
			if p := byName[n]; p[0] > 0 {
				list = append(list, yield.CheckCount{Check: n, Judged: p[0], Passed: p[1]})
			}
		}
		return nil
	})
	return list, err
}

// Failures counts what went wrong: by check, reading or cause (the likeliest
// of each run), most units first.
func (b *base) Failures(ctx context.Context, s Selection, kind FailureKind) ([]yield.FailureCount, error) {
	list := []yield.FailureCount{}
	switch kind {
	case ByCheck, ByReading, ByCause:
	default:
		return nil, fmt.Errorf("store: failures: cannot be counted by %.40q", string(kind))
	}
	err := b.look(ctx, "failures", func(t *transaction) error {
		sum, err := t.sum(s, "failures", func(c *cell, packed []byte) error { return unpackPairs(packed, c.failures) })
		if err != nil {
			return err
		}
		// The same name may have stood at another part, or come from another
		// rule, in an older plan: the newest counts.
		at := map[string]int{}
		for _, id := range slices.Backward(slices.Sorted(maps.Keys(sum.failures))) {
			n := t.name(id)
			if n.kind != string(kind) || sum.failures[id][1] == 0 {
				continue
			}
			i, ok := at[n.String()]
			if !ok {
				i = len(list)
				at[n.String()] = i
				list = append(list, yield.FailureCount{Name: n.name, Where: n.place, Part: n.part, Rule: n.rule})
			}
			list[i].Units += sum.failures[id][0]
			list[i].Runs += sum.failures[id][1]
		}
		slices.SortFunc(list, func(a, b yield.FailureCount) int {
			return cmp.Or(cmp.Compare(b.Units, a.Units), cmp.Compare(b.Runs, a.Runs), cmp.Compare(a.Where, b.Where),
				cmp.Compare(a.Name, b.Name))
		})
		return nil
	})
	return list, err
}

// Aborts counts the runs of each unit that were aborted: those first that had
// broken a limit by then most often, then those aborted most often; most of them
// at most.
func (b *base) Aborts(ctx context.Context, s Selection, most int) ([]yield.UnitAborts, error) {
	list := []yield.UnitAborts{}
	err := b.look(ctx, "aborts", func(t *transaction) error {
		sc := t.scope(s)
		at := map[unitKey]int{}
		err := t.each(`SELECT serial, grp, judged FROM run WHERE outcome = 'aborted' AND golden = 0 AND flag = ''
			AND started >= ? AND started < ?`, []any{sc.from, sc.to}, func(rows *sql.Rows) error {
			var serial string
			var grp, cut int64
			if err := rows.Scan(&serial, &grp, &cut); err != nil || !sc.has(grp) {
				return err
			}
			u := unitKey{t.group(grp).product, serial}
			i, ok := at[u]
			if !ok {
				i = len(list)
				at[u] = i
				list = append(list, yield.UnitAborts{Product: u.product, SerialNumber: serial})
			}
			list[i].Aborted++
			list[i].CutShort += cut
			return nil
		})
		slices.SortFunc(list, func(a, b yield.UnitAborts) int {
			return cmp.Or(cmp.Compare(b.CutShort, a.CutShort), cmp.Compare(b.Aborted, a.Aborted),
				cmp.Compare(a.Product, b.Product), cmp.Compare(a.SerialNumber, b.SerialNumber))
		})
		list = list[:min(len(list), max(most, 0))]
		return err
	})
	return list, err
}

// Cycle is how long runs took that were judged to their end. Its bins are whole seconds; what took an
// hour or longer is counted in the last.
func (b *base) Cycle(ctx context.Context, s Selection) (yield.Histogram, error) {
	h := yield.Histogram{Width: 1, Counts: []int64{}}
	err := b.look(ctx, "cycle", func(t *transaction) error {
		sum, err := t.sum(s, "cycle", func(c *cell, packed []byte) error {
			d, err := unpackCycle(packed)
			c.cycle.merge(&d)
			return err
		})
		if err != nil {
			return err
		}
		all, err := counts{}, error(nil)
		err = t.eachCount(t.scope(s), func(grp, slot int64, c *counts) { all.add(c) })
		c := &sum.cycle
		if len(c.bins) > 0 {
			h.Counts = make([]int64, slices.Max(slices.Collect(maps.Keys(c.bins)))+1)
			h.Min, h.Max = float64(c.min)/1000, float64(c.max)/1000
		}
		for k, n := range c.bins {
			h.Counts[k] = n
			h.N += n
		}
		h.Sum, h.CycleTime, h.Takt = float64(all[nJudgedMillis])/1000, c.intended.value, c.takt.value
		return err
	})
	return h, err
}

func numberNames(l *layout) []string {
	var names []string
	for i := range l.Readings {
		if l.Readings[i].Kind == "number" {
			names = append(names, l.Readings[i].full())
		}
	}
	return names
}

// planOrder lists what names finds in the layouts of a product (or all), in
// the order of the newest; what only older ones have stands after what it
// followed there.
func (t *transaction) planOrder(product string, names func(l *layout) []string) ([]string, error) {
	where, args := "", []any(nil)
	if product != "" {
		where, args = " WHERE product = ?", []any{cleanKey(product)}
	}
	var lists [][]string
	err := t.each("SELECT id FROM layout"+where+" ORDER BY newest DESC, id DESC LIMIT 200", args,
		func(rows *sql.Rows) error {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return err
			}
			if l := t.layout(id); l != nil {
				lists = append(lists, names(l))
			}
			return nil
		})
	var order []string
	have := map[string]bool{}
	for _, list := range lists {
		at := 0
		for _, n := range list {
			if have[n] {
				at = slices.Index(order, n) + 1
				continue
			}
			have[n] = true
			order = slices.Insert(order, at, n)
			at++
		}
	}
	return order, err
}

// inOrder lists the keys of m in the order given, the others after them by
// name.
func inOrder[V any](m map[string]V, order []string) []string {
	list := make([]string, 0, len(m))
	seen := map[string]bool{}
	for _, n := range order {
		if _, ok := m[n]; ok && !seen[n] {
			seen[n] = true
			list = append(list, n)
		}
	}
	var rest []string
	for n := range m {
		if !seen[n] {
			rest = append(rest, n)
		}
	}
	slices.Sort(rest)
	return append(list, rest...)
}
