package demo

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/terminal"
)

// Result is one unit of a lot.
type Result struct {
	Sealed  archive.Sealed
	Defects []string // that the simulation gave it
}

// kindOfFailure is what units that failed alike have in common: the check and
// the likeliest cause, or without a rule that of the first limit they broke,
// whichever of several like parts (four stick axes) it was on.
type kindOfFailure struct{ check, cause string }

// lotTally shows a lot as it is tested, in the order of its units whatever
// nest is faster, and counts. Its methods may be called from any goroutine.
type lotTally struct {
	screen *terminal.Screen
	units  int
	began  time.Time

	mu      sync.Mutex
	waiting map[int]Result // done, but a unit before them is not
	next    int
	passed  []string // serial numbers not yet shown
	Done    int
	first   int // passed at the first attempt
	byEnd   map[reports.Outcome]int
	broken  map[kindOfFailure]int // units by what they broke first
	bad     []archive.Sealed      // not passed, in order
	escaped []string              // passed although the simulation gave them a defect
	wronged []string              // not passed although they are good
}

func NewTally(s *terminal.Screen, units int) *lotTally {
	return &lotTally{screen: s, units: units, began: time.Now(), waiting: map[int]Result{},
		byEnd: map[reports.Outcome]int{}, broken: map[kindOfFailure]int{}}
}

// maxPages is how many reports are rendered at the end of a demo.
const maxPages = 200

// maxKinds is how many kinds of failure the summary lists.
const maxKinds = 12

// watch follows the events of a nest for the live line.
func (l *lotTally) watch(e reports.Event) {
	if e.Kind != reports.RunStarted && e.Kind != reports.CheckStarted {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.screen.Now("%d of %d units, %d not passed", l.Done, l.units, len(l.bad))
}

// Add takes the result of unit i.
func (l *lotTally) Add(i int, r Result) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.Done++
	l.waiting[i] = r
	for {
		r, ok := l.waiting[l.next]
		if !ok {
			break
		}
		delete(l.waiting, l.next)
		l.next++
		l.take(r)
	}
	l.screen.Now("%d of %d units, %d not passed", l.Done, l.units, len(l.bad))
}

// Flush takes what is left when the lot ended early.
func (l *lotTally) Flush() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, i := range slices.Sorted(maps.Keys(l.waiting)) {
		l.take(l.waiting[i])
	}
	l.waiting = map[int]Result{}
	l.showPassed()
}

func (l *lotTally) take(r Result) {
	rep := r.Sealed.Report
	l.byEnd[rep.Outcome]++
	if rep.Outcome == reports.Passed {
		if rep.Attempt <= 1 {
			l.first++
		}
		l.passed = append(l.passed, rep.Unit.SerialNumber)
		if len(r.Defects) > 0 {
			l.escaped = append(l.escaped, fmt.Sprintf("%s (%s)", rep.Unit.SerialNumber, strings.Join(r.Defects, ", ")))
		}
		return
	}
	l.showPassed()
	l.bad = append(l.bad, r.Sealed)
	if rep.Outcome == reports.Failed && len(r.Defects) == 0 {
		l.wronged = append(l.wronged, rep.Unit.SerialNumber)
	}
	l.screen.Say("%s", l.verdict(rep))
}

// showPassed shows the passed units since the last that was not, in one line.
func (l *lotTally) showPassed() {
	switch n := len(l.passed); {
	case n == 0:
		return
	case n == 1:
		l.screen.Say("%s", l.screen.Faint("  "+l.passed[0]+" passed"))
	default:
		l.screen.Say("%s", l.screen.Faint(fmt.Sprintf("  %s to %s, %d units, passed", l.passed[0], l.passed[n-1], n)))
	}
	l.passed = nil
}

// verdict says what a unit broke, and why that is likely.
func (l *lotTally) verdict(rep reports.Report) string {
	var b strings.Builder
	bad := review.Broken(rep)
	word := map[reports.Outcome]string{reports.Failed: "FAILED", reports.Aborted: "ABORTED"}[rep.Outcome]
	if rep.Outcome != reports.Failed || len(bad) == 0 {
		fmt.Fprintf(&b, "%s %s: %s", l.screen.Strong(rep.Unit.SerialNumber), l.screen.Strong(cmp.Or(word, "NOT TESTED")), cmp.Or(wording.English().Reason(rep.Reason), terminal.FirstProblem(rep)))
		return b.String()
	}
	cause, inspect := terminal.Blame(bad)
	kind, sure := cause, ""
	if len(rep.Causes) > 0 {
		c := rep.Causes[0]
		english := wording.English()
		cause, inspect, kind, sure = english.Cause(nil, c), c.Inspect, c.Cause, " ("+english.Likelihood(c)+")"
	}
	l.broken[kindOfFailure{bad[0].Check, cmp.Or(kind, bad[0].Name)}]++
	fmt.Fprintf(&b, "%s %s %s", l.screen.Strong(rep.Unit.SerialNumber), l.screen.Strong(word), terminal.Brief(bad[0]))
	if len(bad) > 1 {
		fmt.Fprintf(&b, ", and %d more", len(bad)-1)
	}
	if cause != "" {
		fmt.Fprintf(&b, "\n    likely cause: %s%s", cause, sure)
	}
	if inspect != "" {
		fmt.Fprintf(&b, "\n    look first at: %s", inspect)
	}
	return b.String()
}

// Pages renders the reports of the units that did not pass.
func (l *lotTally) Pages(dir string, write func(file string, s archive.Sealed) error) ([]string, error) {
	if len(l.bad) == 0 {
		return nil, nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	var files []string
	for _, s := range l.bad[:min(len(l.bad), maxPages)] {
		file := filepath.Join(dir, s.Report.Unit.SerialNumber+".html")
		if err := write(file, s); err != nil {
			return nil, err
		}
		files = append(files, file)
	}
	return files, nil
}

// Summary says how the lot did and where everything is.
func (l *lotTally) Summary(records string, pages []string) {
	tested := l.byEnd[reports.Passed] + l.byEnd[reports.Failed]
	l.screen.Say("\n%s", l.screen.Strong(fmt.Sprintf("%s tested: %d passed, %d failed", wording.Count(tested, "unit"), l.byEnd[reports.Passed], l.byEnd[reports.Failed])))
	if n := l.byEnd[reports.Errored] + l.byEnd[reports.Aborted]; n > 0 {
		l.screen.Say("%s not tested: %d by the bench's fault, %d aborted", wording.Count(n, "unit"), l.byEnd[reports.Errored], l.byEnd[reports.Aborted])
	}
	if tested > 0 {
		s := yield.NewShare(int64(l.first), int64(tested), 0.95)
		l.screen.Say("First-pass yield %s; from so many units, %s (%s, 95 %%)", terminal.Percent(s.Value), terminal.PlainSpaces(wording.Between(terminal.English(), s.Low, s.High)), s.Method)
	}
	if len(l.broken) > 0 {
		l.screen.Say("\nWhat was found first on those that failed:")
		kinds := slices.SortedFunc(maps.Keys(l.broken), func(a, b kindOfFailure) int {
			return cmp.Or(cmp.Compare(l.broken[b], l.broken[a]), cmp.Compare(a.check, b.check), cmp.Compare(a.cause, b.cause))
		})
		for i, k := range kinds {
			if i == maxKinds {
				l.screen.Say("  and %s", wording.Count(len(kinds)-i, "more kind"))
				break
			}
			l.screen.Say("  %3d× %-9s %s", l.broken[k], k.check, k.cause)
		}
	}
	l.screen.Say("\nThe simulation knows what it made: %s with a defect passed, %s failed.",
		wording.Count(len(l.escaped), "unit"), wording.Count(len(l.wronged), "good unit"))
	for _, e := range l.escaped {
		l.screen.Say("  passed in spite of it: %s", e)
	}
	for _, e := range l.wronged {
		l.screen.Say("  good, yet failed: %s", e)
	}
	l.screen.Say("\nRecords: %s", records)
	l.screen.Say("  what they say: fullthrow today --data %s --period all (or fails, drift, hold, differs, unit)", records)
	l.screen.Say("  prove them:    fullthrow verify %s", records)
	if len(l.bad) > 0 {
		file := filepath.Join(records, filepath.FromSlash(l.bad[0].File))
		l.screen.Say("  one as page:   fullthrow report %s --html page.html", file)
	}
	if len(pages) > 0 {
		l.screen.Say("Pages of those that did not pass, to open in a browser: %s", filepath.Dir(pages[0]))
	}
	l.screen.Say("%s in %.1f s. Simulated units, invented data.", wording.Count(l.Done, "unit"), time.Since(l.began).Seconds())
}
