package reports_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	. "fullthrow/reports"
)

// Runs keep their order whatever their clock said; a repair stands behind the
// run it answers.
func TestSortHistory(t *testing.T) {
	at := func(hour int) time.Time { return time.Date(2026, 3, 2, hour, 0, 0, 0, time.UTC) }
	run := func(name string, hour int) HistoryRow { return HistoryRow{Run: name, At: at(hour)} }
	repair := func(name, answers string, hour int) HistoryRow {
		return HistoryRow{Run: answers, At: at(hour), Repair: &Repair{ID: name}}
	}
	for _, c := range []struct {
		name  string
		given []HistoryRow
		want  []string
	}{
		{"nothing", nil, nil},
		{"a clock set back", []HistoryRow{run("a", 9), run("b", 6), run("c", 10)}, []string{"a", "b", "c"}},
		{"a repair between", []HistoryRow{run("a", 9), run("b", 12), repair("p", "a", 10)}, []string{"a", "p", "b"}},
		{"its clock behind", []HistoryRow{run("a", 9), run("b", 12), repair("p", "a", 7)}, []string{"a", "p", "b"}},
		{"behind a run that came before it",
			[]HistoryRow{run("a", 9), run("b", 10), run("c", 13), repair("p", "a", 11)},
			[]string{"a", "b", "p", "c"}},
		{"of a run nobody knows", []HistoryRow{run("a", 9), repair("p", "x", 8)}, []string{"p", "a"}},
		{"two of one run", []HistoryRow{repair("q", "a", 12), repair("p", "a", 11), run("a", 9)},
			[]string{"a", "p", "q"}},
	} {
		SortHistory(c.given)
		var got []string
		for _, r := range c.given {
			if r.Repair != nil {
				got = append(got, r.Repair.ID)
			} else {
				got = append(got, r.Run)
			}
		}
		assert.Equal(t, c.want, got, c.name)
	}
}
