package terminal

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/product"
)

// Answer shows what was found out about many units to people at a terminal.
type Answer struct {
	Out    *Screen
	Words  *wording.Translator
	Review *review.Review
	Asked  review.Question
	Sel    store.Selection // of asked
	// plantRead says that the store is a plant's: no files beside it.
	PlantRead bool
	Brief     bool
}

// selected says in words which runs are meant: "lot 24A at LQ-1, since ...".
func (q *Answer) selected() string {
	s := q.Sel
	var parts []string
	if s.Product != "" {
		parts = append(parts, cmp.Or(product.Title(s.Product), s.Product)+wording.Prefixed(" revision ", s.Revision))
	} else if s.Revision != "" {
		parts = append(parts, "revision "+s.Revision)
	}
	for _, x := range []struct{ word, value string }{
		{"lot ", s.Lot}, {"station ", s.Station}, {"nest ", s.Nest}, {"operator ", s.Operator},
	} {
		if x.value != "" {
			parts = append(parts, x.word+x.value)
		}
	}
	text := cmp.Or(strings.Join(parts, ", "), "all units")
	const layout = "2006-01-02 15:04"
	switch since, until := s.Since, s.Until; {
	case since.IsZero() && until.IsZero():
	case until.IsZero():
		text += ", since " + since.In(s.Zone).Format(layout)
	case since.IsZero():
		text += ", until " + until.In(s.Zone).Format(layout)
	default:
		text += ", " + since.In(s.Zone).Format(layout) + " to " + until.In(s.Zone).Format(layout)
	}
	return text
}

// Title opens an answer.
func (q *Answer) Title(what string, b review.About) {
	q.Out.Say("%s", q.Out.Strong(what+": "+q.selected()))
	if b.Newest != nil {
		text := "The newest run is of " + b.Newest.In(q.Sel.Zone).Format("2006-01-02 15:04") + "."
		if b.Simulated {
			text += " Simulated units, invented data."
		}
		q.Out.Say("%s", q.Out.Faint(text))
	}
}

// Nothing answers where no unit was tested, and says what there is instead.
func (q *Answer) Nothing(ctx context.Context, b review.About) error {
	q.Out.Tell(0, "No unit of this selection was tested.")
	why, newest, err := q.Review.Empty(ctx, &q.Asked)
	if err != nil {
		return err
	}
	switch why {
	case review.EmptyRecord:
		q.hint("there is no report in " + q.Review.Where + " at all: test a unit first, or name another folder by " +
			"--data")
	case review.EmptyUnjudged:
		q.hint("all its runs ended by a fault of the bench, were aborted, were of golden units, or are not counted")
	default:
		q.hint("the newest run " + map[string]string{review.EmptyPeriod: "of it", review.EmptyChoice: "in " +
			q.Review.Where}[why] +
			" is of " + newest.Started.In(q.Sel.Zone).Format("2006-01-02 15:04") +
			wording.Prefixed(", lot ", newest.Unit.Lot) + ", at " + newest.Station)
	}
	if why == review.EmptyPeriod && q.Asked.Period != "" {
		q.hint("--period all asks about all times")
	}
	q.NotCounted(b)
	return nil
}

// remarks are what must be known beside figures.
func (q *Answer) remarks(list []yield.Remark) {
	for _, text := range wording.Remarks(q.Words, list) {
		q.Out.Tell(0, "note: "+text)
	}
}

func (q *Answer) hint(text string) { q.Out.Tell(0, "hint: "+text) }

// mostNamed is how many reports are named before the rest is a number.
const mostNamed = 5

// NotCounted names the reports that are left out, and why.
func (q *Answer) NotCounted(b review.About) {
	by := map[string][]string{}
	for _, f := range b.NotCounted {
		by[f.Kind] = append(by[f.Kind], cmp.Or(f.File, f.Run))
	}
	kinds := []string{"changed", "contradicts", "inserted", "removed"}
	for k := range by {
		if !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	first := true
	for _, kind := range kinds {
		names := by[kind]
		n := len(names)
		if n == 0 {
			continue
		}
		if first {
			q.Out.Say("")
			first = false
		}
		slices.Sort(names)
		list := strings.Join(names[:min(n, mostNamed)], ", ")
		if n > mostNamed {
			list += fmt.Sprintf(" and %d more", n-mostNamed)
		}
		q.Out.Tell(0, q.Out.Strong(notCountedWords(kind, n))+": "+list)
	}
	if !first {
		if q.PlantRead {
			q.hint("fullthrow verify, at the station, says more")
		} else {
			q.hint("fullthrow verify " + q.Review.Where + " says more")
		}
	}
}

func notCountedWords(kind string, n int) string {
	one := n == 1
	pick := func(a, b string) string {
		if one {
			return a
		}
		return b
	}
	switch kind {
	case "changed":
		return wording.Count(n, "report") + pick(" does not bear its seal and is not counted",
			" do not bear their seal and are not counted")
	case "contradicts":
		return wording.Count(n, "report") + pick(" contradicts itself and is not counted",
			" contradict themselves and are not counted")
	case "inserted":
		return wording.Count(n, "report") + pick(" does not belong to the station's chain and is not counted",
			" do not belong to the station's chain and are not counted")
	case "removed":
		return wording.Count(n, "report") + pick(" is missing from the records and cannot be counted",
			" are missing from the records and cannot be counted")
	}
	return wording.Count(n, "report") + pick(" is not counted ("+kind+")", " are not counted ("+kind+")")
}
