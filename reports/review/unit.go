package review

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Unit answers what happened to one unit.
type Unit struct {
	Schema       string           `json:"schema"`
	Where        string           `json:"where,omitempty"`
	SerialNumber string           `json:"serial_number"`
	Product      string           `json:"product"`
	Also         []string         `json:"also,omitempty"` // other products that the serial number occurs with
	Runs         []store.Run      `json:"runs"`           // oldest first
	Repairs      []reports.Repair `json:"repairs"`
	Judged       int              `json:"judged"` // runs that count and passed, failed, or were cut short
	Failed       int              `json:"failed"` // of them
	// CutShort of them broke a limit and were then cut short. Aborted are all
	// runs that count and were aborted, and AbortedCutShort those of them that
	// had broken a limit by then.
	CutShort        int `json:"cut_short"`
	Aborted         int `json:"aborted"`
	AbortedCutShort int `json:"aborted_cut_short"`
	// Run is the one that the unit goes by: that which was named, else its
	// newest judged one that counts, else its newest; "" where it has none.
	Run string `json:"run,omitempty"`
	// State is how the newest judged run that counts ended, "" before; "error"
	// or "aborted": it broke a limit and was then cut short.
	State reports.Outcome `json:"state,omitempty"`
}

// Happened is one thing that happened to a unit.
type Happened struct {
	Run    *store.Run
	Repair *reports.Repair
}

// Unit answers.
func (r *Review) Unit(ctx context.Context, q Question) (Unit, error) {
	scan, product := q.Serial, q.Runs.Product
	if scan == "" {
		run, err := r.run(ctx, q.Run)
		if err != nil {
			return Unit{}, err
		}
		scan, product = run.Unit.SerialNumber, run.Unit.Product
	}
	a, err := r.history(ctx, product, scan)
	if err != nil {
		return a, err
	}
	if q.Run != "" {
		if a.Run = q.Run; !slices.ContainsFunc(a.Runs, func(x store.Run) bool { return x.Run == q.Run }) {
			return a, problem(BadRun, "name", "run", "value", brief(q.Run))
		}
	}
	return a, nil
}

// Of is the run that the unit goes by, nil where it has none.
func (u *Unit) Of() *store.Run {
	i := slices.IndexFunc(u.Runs, func(r store.Run) bool { return r.Run == u.Run })
	if i < 0 {
		return nil
	}
	return &u.Runs[i]
}

// Happened is all of it in its order, oldest first; a repair comes after the
// run it answers, whatever its clock said.
func (u *Unit) Happened() []Happened {
	var list []Happened
	for i := range u.Runs {
		list = append(list, Happened{Run: &u.Runs[i]})
	}
	for i := range u.Repairs {
		p := &u.Repairs[i]
		at := reports.PlaceOfRepair(p.At, len(list),
			func(k int) bool { return list[k].Run != nil && list[k].Run.Run == p.Run },
			func(k int) time.Time {
				if r := list[k].Repair; r != nil {
					return r.At
				}
				return list[k].Run.Started
			})
		list = slices.Insert(list, at, Happened{Repair: p})
	}
	return list
}

// Found is what a repair found, as the cause that its run had named; nil where
// it found something else.
func (u *Unit) Found(p reports.Repair) *reports.Cause {
	for _, run := range u.Runs {
		if run.Run == p.Run && run.Rule == p.Found {
			return run.Likeliest()
		}
	}
	return nil
}

// judged says that a run counts and said something of its unit.
func judged(r store.Run) bool {
	return r.Flag == "" && (r.Outcome == reports.Passed || r.Outcome == reports.Failed || r.CutShort)
}

// Newest is the newest run that counts and says something of the unit, nil where
// there is none.
func (u *Unit) Newest() *store.Run { return newestJudged(u.Runs) }

func newestJudged(runs []store.Run) *store.Run {
	for i := range slices.Backward(runs) {
		if judged(runs[i]) {
			return &runs[i]
		}
	}
	return nil
}

// history finds a unit by what was typed or scanned. Where products share its
// serial number and none is named, it is that of the newest run.
func (r *Review) history(ctx context.Context, product, scan string) (Unit, error) {
	a := Unit{Schema: "fullthrow-unit/1", Where: r.Where, Runs: []store.Run{}, Repairs: []reports.Repair{}}
	tried := r.serials(scan)
	for _, a.SerialNumber = range tried {
		runs, repairs, err := r.Records.History(ctx, product, a.SerialNumber)
		if err != nil {
			return a, err
		}
		if len(runs)+len(repairs) == 0 {
			continue
		}
		a.take(runs, repairs)
		return a, nil
	}
	p := &Problem{Code: BadUnit, Args: []any{"name", "serial", "value", brief(tried[0])}, Given: tried[0]}
	newest, err := r.Records.Runs(ctx, store.Selection{Product: product}, store.RunFilter{}, "", 1000)
	if err != nil {
		return a, err
	}
	for _, run := range newest {
		p.Known = append(p.Known, run.Unit.SerialNumber)
	}
	return a, p
}

func (u *Unit) take(runs []store.Run, repairs []reports.Repair) {
	for _, r := range slices.Backward(runs) {
		if p := r.Unit.Product; u.Product == "" {
			u.Product = p
		} else if p != u.Product && !slices.Contains(u.Also, p) {
			u.Also = append(u.Also, p)
		}
	}
	if len(runs) == 0 {
		u.Product = repairs[0].Unit.Product
	}
	for _, r := range runs {
		if r.Unit.Product != u.Product {
			continue
		}
		u.Runs, u.Run = append(u.Runs, r), r.Run
		if judged(r) {
			u.Judged++
			if r.Outcome == reports.Failed {
				u.Failed++
			}
			if r.CutShort {
				u.CutShort++
			}
		}
		if r.Flag == "" && r.Outcome == reports.Aborted {
			u.Aborted++
			if r.CutShort {
				u.AbortedCutShort++
			}
		}
	}
	for _, p := range repairs {
		if p.Unit.Product == u.Product {
			u.Repairs = append(u.Repairs, p)
		}
	}
	if run := newestJudged(u.Runs); run != nil {
		u.Run, u.State = run.Run, run.Outcome
	}
}

// serials lists the serial numbers that a typed or scanned text may hold: as it
// is, from our own code, as the products known here write them, in capitals.
func (r *Review) serials(scan string) []string {
	list := []string{scan}
	if number, _, ok := serial.ParseCode(scan); ok {
		list = []string{number}
	}
	if r.Serials != nil {
		list = append(list, r.Serials(scan)...)
	}
	var once []string
	for _, s := range append(list, strings.ToUpper(scan)) {
		if !slices.Contains(once, s) {
			once = append(once, s)
		}
	}
	return once
}

// run is one run.
func (r *Review) run(ctx context.Context, name string) (store.Run, error) {
	run, err := r.Records.Run(ctx, name)
	if errors.Is(err, store.ErrUnknown) {
		err = problem(BadRun, "name", "run", "value", brief(name))
	}
	return run, err
}

// Units lists the runs behind a figure, newest first; where a range of values
// is asked for, the units whose reading lies in it, of the newest that a study
// takes.
type Units struct {
	Schema string      `json:"schema"`
	About  About       `json:"about"`
	Runs   []store.Run `json:"runs"`
	After  string      `json:"after,omitempty"` // where it goes on, as the option of that name

	Values *yield.Series `json:"values,omitempty"` // its points are those in the range
	Of     int           `json:"of,omitempty"`     // how many values were looked at
}

// Units answers, with most runs at a time.
func (r *Review) Units(ctx context.Context, q Question, most int) (Units, error) {
	a := Units{Schema: "fullthrow-units/1", Runs: []store.Run{}}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	if q.Ranged {
		s, err := r.series(ctx, &q, q.Reading, mostValues)
		if err != nil {
			return a, err
		}
		a.Of = len(s.Points)
		s.Points = slices.DeleteFunc(s.Points, func(p yield.Point) bool {
			return !(p.Value >= q.Low &&
				p.Value < q.High)
		})
		a.Values = &s
		return a, nil
	}
	runs, err := r.Records.Runs(ctx, q.Runs, q.Filter, q.After, most+1)
	if errors.Is(err, store.ErrUnknown) && q.After != "" {
		return a, problem(BadRun, "name", "after", "value", brief(q.After))
	}
	if err != nil {
		return a, err
	}
	if len(runs) > most {
		runs = runs[:most]
		a.After = runs[most-1].Run
	}
	a.Runs = append(a.Runs, runs...)
	return a, nil
}

// Known refuses a question about what occurs nowhere; for listings that read
// the records themselves.
func (r *Review) Known(ctx context.Context, q Question) error { return r.known(ctx, q.Runs) }
