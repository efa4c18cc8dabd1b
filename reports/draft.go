package reports

import (
	"errors"
	"fmt"
	"time"
)

// ErrEnded is returned for an event that comes after the end of its run.
var ErrEnded = errors.New("journal: the run has ended")

// Draft takes down the events of a run in memory and nowhere else: for a
// rehearsal of simulated units, whose reports are counted and thrown away. It
// refuses what a [Journal] refuses and folds to the same report; it cannot be
// sealed, and nothing of it lasts. One goroutine at a time may use it.
type Draft struct {
	events []Event
	ended  bool
}

// NewDraft begins a run in memory.
func NewDraft(start Start, at time.Time) (*Draft, error) {
	d := &Draft{}
	return d, d.append(Event{Kind: RunStarted, Time: at, Start: &start})
}

// Append takes down one event, see [Journal.Append]. What the event points to
// is shared with the report.
func (d *Draft) Append(e Event) error {
	if e.Kind == RunStarted {
		return errors.New("draft: " + string(RunStarted) + " is written by NewDraft")
	}
	return d.append(e)
}

func (d *Draft) append(e Event) error {
	if e.Time.IsZero() {
		return fmt.Errorf("draft: %s: no time", e.Kind)
	}
	if d.ended {
		return ErrEnded
	}
	e.Time = e.Time.Round(0).UTC()
	e = e.Finite()
	e.Seq = int64(len(d.events)) + 1
	if err := e.Validate(); err != nil {
		return fmt.Errorf("draft: %w", err)
	}
	d.ended = e.Kind == RunEnded
	d.events = append(d.events, e)
	return nil
}

// Fold makes the report of what was taken down, see [Fold].
func (d *Draft) Fold() (Report, error) { return Fold(d.events) }
