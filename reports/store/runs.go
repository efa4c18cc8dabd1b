package store

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"fullthrow/reports"
)

const runColumns = `SELECT r.id, r.run, r.serial, r.golden, r.grp, r.attempt, r.first, r.started,
	r.ended, r.outcome, r.why, r.failed,
	r.cause, r.simulated, r.flag, r.judged, r.clock, s.chain, s.number, s.sha256, s.file FROM run r
	JOIN seal s ON s.id = r.id AND s.started = r.started AND s.station = r.station `

// listed is a run on its way into a list.
type listed struct {
	Run
	id, started, grp, chain int64
	flagged                 bool
}

func (l *listed) stand() stand {
	return stand{chain: l.chain, number: l.Number, started: l.started, run: l.Run.Run}
}

func (t *transaction) scanRun(rows *sql.Rows) (l listed, err error) {
	r := &l.Run
	var golden, first, endedAt, cause, simulated, isJudged int64
	var outcome, why, failed, flag, clock string
	if err := rows.Scan(&l.id, &r.Run, &r.Unit.SerialNumber, &golden, &l.grp, &r.Attempt, &first, &l.started, &endedAt,
		&outcome, &why, &failed,
		&cause, &simulated, &flag, &isJudged, &clock, &l.chain, &r.Number, &r.SHA256, &r.File); err != nil {
		return l, err
	}
	g := t.group(l.grp)
	r.Unit.Product, r.Unit.Revision, r.Unit.Lot, r.Unit.Golden = g.product, g.revision, g.lot, golden == 1
	r.Station, r.Nest, r.Operator = g.station, g.nest, g.operator
	r.First, r.Simulated = first == 1, simulated == 1
	r.Started, r.Ended, r.Outcome = fromMillis(l.started), fromMillis(endedAt), reports.Outcome(outcome)
	r.CutShort = isJudged == 1 && !ended(r.Outcome)
	if failed != "" {
		if err := json.Unmarshal([]byte(failed), &r.Failed); err != nil {
			return l, errPacked
		}
	}
	if why != "" {
		if err := json.Unmarshal([]byte(why), &r.Reason); err != nil {
			return l, errPacked
		}
	}
	if clock != "" {
		if err := json.Unmarshal([]byte(clock), &r.Clock); err != nil {
			return l, errPacked
		}
	}
	n := t.name(cause)
	r.Where, r.Cause, r.Rule, r.Part = n.place, n.name, n.rule, n.part
	r.Flag, l.flagged = flag, flag != ""
	return l, nil
}

// runsWhere reads the runs that a query finds, and says how many.
func (t *transaction) runsWhere(from, where string, args []any, to *[]listed) (n int, err error) {
	err = t.each(runColumns+from+" WHERE "+where, args, func(rows *sql.Rows) error {
		l, err := t.scanRun(rows)
		*to = append(*to, l)
		n++
		return err
	})
	return n, err
}

// finish puts why a run does not count in words.
func (t *transaction) finish(list []listed) ([]Run, error) {
	runs := make([]Run, len(list))
	for i, l := range list {
		if l.flagged {
			var text string
			if ok, err := t.one("SELECT text FROM flag WHERE run = ? ORDER BY key, n", []any{l.Run.Run},
				&text); err != nil {
				return nil, err
			} else if ok && text != "" {
				l.Flag = text
			}
		}
		runs[i] = l.Run
	}
	return runs, nil
}

// Runs lists runs, newest first by the clock, golden and flagged ones too; those
// of one serial number in their order (see [History]), the newest first. after
// is the Run of the last row seen, "" to begin.
func (b *base) Runs(ctx context.Context, s Selection, f RunFilter, after string, limit int) ([]Run, error) {
	var answer []Run
	err := b.look(ctx, "runs", func(t *transaction) error {
		sc := t.scope(s)
		sc.from, sc.to = s.span()
		before := place{started: never}
		if after != "" {
			before.run = cleanKey(after)
			ok, err := t.one("SELECT started FROM run WHERE run = ?", []any{before.run}, &before.started)
			if err != nil {
				return err
			}
			if !ok {
				return fmt.Errorf("run %.80q: %w", after, ErrUnknown)
			}
		}
		var list []listed
		var err error
		if f.SerialNumber != "" {
			list, err = t.listUnit(sc, f, before.run, limit)
		} else {
			list, err = t.list(sc, f, before, limit)
		}
		if err != nil {
			return err
		}
		answer, err = t.finish(list)
		return err
	})
	return answer, err
}

// place is a run's in the order of time.
type place struct {
	started int64
	run     string
}

// filter writes the conditions of a filter on rows of run, but for those that
// by already sees to; none is true if nothing can fit.
func (t *transaction) filter(f RunFilter) (where string, args []any, failures [][]int64, none bool) {
	if f.SerialNumber != "" {
		where, args = where+" AND r.serial = ?", append(args, cleanKey(f.SerialNumber))
	}
	if f.Outcome != "" {
		where, args = where+" AND r.outcome = ?", append(args, string(f.Outcome))
	}
	if f.First {
		where += " AND r.first = 1"
	}
	if f.Flagged {
		where += " AND r.flag <> ''"
	}
	if f.CutShort {
		where += " AND r.judged = 1 AND r.outcome <> 'passed' AND r.outcome <> 'failed'"
	}
	for _, x := range []struct {
		kind FailureKind
		want string
	}{{ByCheck, f.Check}, {ByReading, f.Reading}, {ByCause, f.Cause}} {
		if x.want == "" {
			continue
		}
		want := cleanKey(x.want)
		var ids []int64
		for i, n := range t.names {
			if n.kind == string(x.kind) && (n.name == want || x.kind == ByCause &&
				(n.rule == want || n.String() == clean(x.want))) {
				ids = append(ids, int64(i+1))
			}
		}
		if len(ids) == 0 {
			return "", nil, nil, true
		}
		failures = append(failures, ids[:min(len(ids), mostIn)])
	}
	return where, args, failures, false
}

// failedBy narrows rows of run to those that failed by one name of each list.
func failedBy(failures [][]int64, where string, args []any) (string, []any) {
	for _, ids := range failures {
		w, a := in("g.name", ids)
		where += " AND EXISTS (SELECT 1 FROM failure g WHERE " + w +
			" AND g.started = r.started AND g.id = r.id AND g.station = r.station)"
		args = append(args, a...)
	}
	return where, args
}

// listUnit lists the runs of one serial number, in their order, newest first,
// from the one after on.
func (t *transaction) listUnit(sc *scope, f RunFilter, after string, limit int) ([]listed, error) {
	where, args, failures, none := t.filter(f)
	if none || limit <= 0 || len(sc.groups) == 0 {
		return nil, nil
	}
	where, args = failedBy(failures, where, args)
	fit := map[int64]bool{}
	if err := t.each("SELECT r.id, r.grp FROM run r WHERE r.started >= ? AND r.started < ?"+where,
		slices.Concat([]any{max(sc.from, always), min(sc.to, never)}, args), func(rows *sql.Rows) error {
			var id, grp int64
			err := rows.Scan(&id, &grp)
			fit[id] = err == nil && sc.has(grp)
			return err
		}); err != nil {
		return nil, err
	}
	all, err := t.unitRuns(f.SerialNumber)
	if err != nil {
		return nil, err
	}
	slices.Reverse(all)
	if after != "" {
		i := slices.IndexFunc(all, func(l listed) bool { return l.Run.Run == after })
		all = all[i+1:]
	}
	all = slices.DeleteFunc(all, func(l listed) bool { return !fit[l.id] })
	return all[:min(len(all), limit)], nil
}

// unitRuns are all runs of a serial number in their order, oldest first.
func (t *transaction) unitRuns(serial string) ([]listed, error) {
	var list []listed
	if _, err := t.runsWhere("", "r.serial = ?", []any{cleanKey(serial)}, &list); err != nil {
		return nil, err
	}
	arrange(list, (*listed).stand)
	return list, nil
}

func (t *transaction) list(sc *scope, f RunFilter, before place, limit int) ([]listed, error) {
	var list []listed
	where, args, failures, none := t.filter(f)
	if none || limit <= 0 || len(sc.groups) == 0 {
		return nil, nil
	}
	var drive []int64 // failures that lead to the runs
	if !f.Flagged && len(failures) > 0 {
		drive, failures = failures[0], failures[1:]
	}
	where, args = failedBy(failures, where, args)
	newest := func(from, to int64, before place) (string, []any) {
		return " AND r.started >= ? AND r.started < ? AND r.started <= ? AND (r.started < ? OR r.run < ?)",
			[]any{from, to, before.started, before.started, before.run}
	}
	if !f.Flagged && drive == nil {
		err := t.eachWindow(sc, f, before, limit, func(groups []int64, from, to int64) (bool, error) {
			start := len(list)
			err := chunks(groups, func(part []int64) error {
				w, a := in("r.grp", part)
				n, na := newest(from, to, before)
				_, err := t.runsWhere("", w+n+where+" ORDER BY r.started DESC, r.run DESC LIMIT ?",
					slices.Concat(a, na, args, []any{limit - start}), &list)
				return err
			})
			sortListed(list[start:])
			list = list[:min(len(list), limit)]
			return len(list) < limit, err
		})
		return list, err
	}
	// Other ways in find runs of any group: page by page, as many as fit.
	if drive == nil {
		drive = []int64{0}
	}
	for page := max(2*limit, 100); ; page = min(2*page, 5000) {
		var found []listed
		full := false
		for _, id := range drive {
			n, na := newest(max(sc.from, always), min(sc.to, never), before)
			from, w, order, wa := "", "1 = 1", "r.started", []any(nil)
			if id != 0 {
				from = "JOIN failure f ON f.id = r.id AND f.started = r.started AND f.station = r.station "
				w, wa, order = "f.name = ? AND f.started >= ? AND f.started <= ?", []any{id, max(sc.from, always),
					before.started}, "f.started"
				if !sc.all && len(sc.groups) <= mostIn {
					g, ga := in("f.grp", sc.groups)
					w, wa = w+" AND "+g, append(wa, ga...)
				}
			}
			seen, err := t.runsWhere(from, w+n+where+" ORDER BY "+order+" DESC, r.run DESC LIMIT ?",
				slices.Concat(wa, na, args, []any{page}), &found)
			if err != nil {
				return nil, err
			}
			full = full || seen == page
		}
		sortListed(found)
		// A run that failed by two of the names was found twice.
		found = slices.CompactFunc(found, func(a, b listed) bool { return a.id == b.id })
		found = found[:min(len(found), page)]
		for _, l := range found {
			if sc.has(l.grp) {
				list = append(list, l)
			}
		}
		if len(list) >= limit || !full {
			return list[:min(len(list), limit)], nil
		}
		last := found[len(found)-1]
		before = place{last.started, last.Run.Run}
	}
}

func sortListed(list []listed) {
	slices.SortFunc(list, func(a, b listed) int {
		return cmp.Or(cmp.Compare(b.started, a.started), cmp.Compare(b.Run.Run, a.Run.Run))
	})
}

// eachWindow hands out stretches of time, the newest first, and the groups that
// have runs there which may pass the filter, as the cells know them, until f
// has enough. So that a list is as quick to begin wherever its runs lie.
func (t *transaction) eachWindow(sc *scope, f RunFilter, before place, limit int, use func(groups []int64, from,
	to int64) (more bool, err error)) error {
	column := "passed + failed + errors + aborted"
	switch f.Outcome {
	case reports.Passed:
		column = "passed"
	case reports.Failed:
		column = "failed"
	case reports.Errored:
		column = "errors"
	case reports.Aborted:
		column = "aborted"
	}
	if f.First {
		column = "firsts"
	}
	want := int64(limit)
	for last, more := dayOf(min(sc.to-1, before.started)), true; more; {
		var cells []cellRuns
		var err error
		if cells, last, more, err = t.cellsUpTo(sc, column, last); err != nil {
			return err
		}
		for len(cells) > 0 {
			var n int64
			end := 0
			var groups []int64
			for end < len(cells) && (n < want || cells[end].day == cells[end-1].day) {
				n += cells[end].n
				groups = append(groups, cells[end].grp)
				end++
			}
			slices.Sort(groups)
			from, to := cells[end-1].day*dayMillis, (cells[0].day+1)*dayMillis
			ok, err := use(slices.Compact(groups), max(from, sc.from), min(to, sc.to))
			if err != nil || !ok {
				return err
			}
			cells = cells[end:]
			want = min(2*want, 5000)
		}
	}
	return nil
}

// cellRuns is how many runs of a group began on a day.
type cellRuns struct{ day, grp, n int64 }

// cellsUpTo reads some cells of whole days up to a day, newest first; next is
// the day to go on with, if there are more.
func (t *transaction) cellsUpTo(sc *scope, column string, last int64) (cells []cellRuns, next int64, more bool,
	err error) {
	const page = 600
	read := func(from, to int64, limit string) (n int, err error) {
		cells = cells[:0]
		where, args := (&scope{groups: sc.groups, all: sc.all, from: from * dayMillis,
			to: (to + 1) * dayMillis}).where()
		err = t.each("SELECT day, grp, "+column+" FROM cell WHERE "+where+" ORDER BY day DESC"+limit, args,
			func(rows *sql.Rows) error {
				var c cellRuns
				err := rows.Scan(&c.day, &c.grp, &c.n)
				cells = append(cells, c)
				return err
			})
		return len(cells), err
	}
	n, err := read(dayOf(sc.from), last, " LIMIT "+itoa(page))
	if err == nil && n == page {
		more, next = true, cells[n-1].day // which may go on
		if next == cells[0].day {
			_, err = read(next, next, "")
			next--
		} else {
			cells = slices.DeleteFunc(cells, func(c cellRuns) bool { return c.day == next })
		}
	}
	return slices.DeleteFunc(cells, func(c cellRuns) bool { return c.n == 0 || !sc.has(c.grp) }), next, more, err
}

// Run is one run; an error wrapping [ErrUnknown] if it is not there.
func (b *base) Run(ctx context.Context, run string) (Run, error) {
	var answer Run
	err := b.look(ctx, "run", func(t *transaction) error {
		var list []listed
		if _, err := t.runsWhere("", "r.run = ?", []any{cleanKey(run)}, &list); err != nil {
			return err
		}
		if len(list) == 0 {
			return fmt.Errorf("run %.80q: %w", run, ErrUnknown)
		}
		runs, err := t.finish(list[:1])
		if err == nil {
			answer = runs[0]
		}
		return err
	})
	return answer, err
}

// History is all runs of a serial number (of every product if product is ""),
// oldest first: those of one station by their numbers, those of several by
// their clocks (see order.go). And its repairs, by their time.
func (b *base) History(ctx context.Context, product, serial string) ([]Run, []reports.Repair, error) {
	var runs []Run
	var repairs []reports.Repair
	err := b.look(ctx, "history", func(t *transaction) error {
		sc := t.scope(Selection{Product: product})
		list, err := t.unitRuns(serial)
		if err != nil {
			return err
		}
		list = slices.DeleteFunc(list, func(l listed) bool { return !sc.has(l.grp) })
		if runs, err = t.finish(list); err != nil {
			return err
		}
		where, args := "p.serial = ?", []any{cleanKey(serial)}
		if product != "" {
			where, args = where+" AND p.product = ?", append(args, cleanKey(product))
		}
		return t.each(repairColumns+" FROM repair p WHERE "+where+" ORDER BY p.at, p.id", args,
			func(rows *sql.Rows) error {
				r, err := scanRepair(rows)
				repairs = append(repairs, r)
				return err
			})
	})
	return runs, repairs, err
}

const repairColumns = "SELECT p.id, p.run, p.serial, p.product, p.revision, p.lot, p.golden, p.at, p.by_whom, " +
	"p.found, p.part, p.done, p.text, p.suggested"

func scanRepair(rows *sql.Rows, also ...any) (r reports.Repair, err error) {
	var golden, at int64
	err = rows.Scan(append([]any{
		&r.ID, &r.Run, &r.Unit.SerialNumber, &r.Unit.Product, &r.Unit.Revision, &r.Unit.Lot, &golden, &at,
		&r.By, &r.Found, &r.Part, &r.Done, &r.Text, &r.Suggested,
	}, also...)...)
	r.Unit.Golden, r.At = golden == 1, fromMillis(at)
	return r, err
}

// Repairs lists repairs in the selection (by the time of the repair), newest
// first. Station, nest and operator are those of the run that a repair
// answers.
func (b *base) Repairs(ctx context.Context, s Selection, limit int) ([]reports.Repair, error) {
	list := []reports.Repair{}
	if limit <= 0 {
		return list, nil
	}
	err := b.look(ctx, "repairs", func(t *transaction) error {
		from, to := s.span()
		where, args := "p.at >= ? AND p.at < ?", []any{from, to}
		for _, x := range []struct{ column, want string }{{"product", s.Product}, {"revision", s.Revision},
			{"lot", s.Lot}} {
			if x.want != "" {
				where, args = where+" AND p."+x.column+" = ?", append(args, cleanKey(x.want))
			}
		}
		columns, join := ", 0", ""
		atRun := s.Station != "" || s.Nest != "" || s.Operator != ""
		if atRun {
			columns, join = ", r.grp", " JOIN run r ON r.run = p.run"
		}
		at := Selection{Station: s.Station, Nest: s.Nest, Operator: s.Operator}
		return t.each(repairColumns+columns+" FROM repair p"+join+" WHERE "+where+" ORDER BY p.at DESC, p.id DESC",
			args, func(rows *sql.Rows) error {
				var grp int64
				r, err := scanRepair(rows, &grp)
				if err != nil || atRun && !at.admits(t.group(grp)) {
					return err
				}
				if list = append(list, r); len(list) >= limit {
					return errEnough
				}
				return nil
			})
	})
	return list, err
}

// Values lists what occurs in a field, newest first: for menus.
func (b *base) Values(ctx context.Context, field By) ([]string, error) {
	get, ok := field.field()
	if !ok {
		return nil, fmt.Errorf("store: values: %.40q is no field", string(field))
	}
	list := []string{}
	err := b.look(ctx, "values", func(t *transaction) error {
		newest := map[string]int64{}
		if err := t.each("SELECT id, newest FROM grp", nil, func(rows *sql.Rows) error {
			var id, at int64
			if err := rows.Scan(&id, &at); err != nil {
				return err
			}
			if v := get(t.group(id)); v != "" {
				if old, ok := newest[v]; !ok || at > old {
					newest[v] = at
				}
			}
			return nil
		}); err != nil {
			return err
		}
		for v := range newest {
			list = append(list, v)
		}
		slices.SortFunc(list, func(a, b string) int {
			return cmp.Or(cmp.Compare(newest[b], newest[a]), strings.Compare(a, b))
		})
		return nil
	})
	return list, err
}

// Readings lists the names of the readings that are numbers, in the order of
// the newest plan; of all products if product is "".
func (b *base) Readings(ctx context.Context, product string) ([]string, error) {
	list := []string{}
	err := b.look(ctx, "readings", func(t *transaction) error {
		names, err := t.planOrder(product, numberNames)
		list = append(list, names...)
		return err
	})
	return list, err
}

// Flags lists what is wrong with reports of the selection; flags of reports
// that cannot be read belong to every selection.
func (b *base) Flags(ctx context.Context, s Selection) ([]Flag, error) {
	list := []Flag{}
	err := b.look(ctx, "flags", func(t *transaction) error {
		from, to := s.span()
		return t.each(`SELECT f.run, f.station, f.file, f.kind, f.text, COALESCE(r.grp, 0),
			COALESCE(r.started, 0) FROM flag f
			LEFT JOIN run r ON r.run = f.run AND f.run <> '' ORDER BY f.key, f.n`, nil, func(rows *sql.Rows) error {
			var f Flag
			var grp, started int64
			if err := rows.Scan(&f.Run, &f.Station, &f.File, &f.Kind, &f.Text, &grp, &started); err != nil {
				return err
			}
			if grp == 0 || s.admits(t.group(grp)) && started >= from && started < to {
				list = append(list, f)
			}
			return nil
		})
	})
	return list, err
}

// Stations lists whose reports are here, by name.
func (b *base) Stations(ctx context.Context) ([]StationState, error) {
	list := []StationState{}
	err := b.look(ctx, "stations", func(t *transaction) error {
		return t.each("SELECT station, key, number, sha256, reports, newest FROM chain ORDER BY station, key", nil,
			func(rows *sql.Rows) error {
				var c StationState
				var newest int64
				err := rows.Scan(&c.Station, &c.Key, &c.Number, &c.SHA256, &c.Reports, &newest)
				c.Newest = fromMillis(newest)
				list = append(list, c)
				return err
			})
	})
	return list, err
}
