package forward

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
)

// Store is what is asked of a plant's store, as [store.Plant] has it.
type Store interface {
	Add(ctx context.Context, items ...store.Item) (store.Added, error)
	AddRepairs(ctx context.Context, repairs ...reports.Repair) error
	SetFlags(ctx context.Context, key string, flags []store.Flag) error
	Stations(ctx context.Context) ([]store.StationState, error)
	Close() error
}

// Config says what is forwarded, and where to.
type Config struct {
	Dir string // the station's archive; only read
	// Plant opens the plant's store. It is called for the first contact and
	// after every trouble; the store is closed in between.
	Plant func(context.Context) (Store, error)
	// Attachments are sent along. Those of reports that the plant already has
	// are not sent afterwards.
	Attachments bool
	Batch       int           // most reports in one transaction; 0 means 200
	Every       time.Duration // how often to look for new reports; 0 means 5 s
	// Memory is a file that remembers what the plant had at the last contact,
	// so that a station that starts offline can say how far behind it is; ""
	// for none. What is sent never depends on it.
	Memory string
	// Flags are what the station itself knows to be wrong with its records,
	// told to the plant with what is found on the way; nil for none.
	Flags func(context.Context) ([]store.Flag, error)
	// Tell gets every change of the state, one after the other, and must
	// return soon; nil for none.
	Tell func(State)
}

// Forwarder sends the reports of one archive. Make it by [New].
type Forwarder struct {
	c      Config
	random func() float64 // [0, 1): of the jitter
	first  time.Duration  // wait after the first failure
	wake   chan struct{}

	mu    sync.Mutex
	state State // as last told

	// What follows belongs to the goroutine that runs it.
	plant   Store      // nil while there is no contact
	key     string     // of the station
	station string     // its name, "" until a report was read
	list    *catalogue // nil until it is known where to go on from
	memory  memory
	batch   int // reports in the next transaction
	tries   int // in a row that came to nothing
	stuck   map[string]stuck
	aside   map[string]aside // files not sent, and why
	general map[string]Problem
	flagged *[]store.Flag // as the plant has them; nil: not known
	repairs repairs
	checked time.Time // when the clocks were compared
	next    time.Time // of the next try
	sent    Result
	skew    Skew
	trouble error
	contact time.Time
}

// Result is what was done.
type Result struct {
	Sent        int   `json:"sent"`        // reports that are new to the plant
	Known       int   `json:"known"`       // reports it had already
	Bytes       int64 `json:"bytes"`       // of the reports sent
	Attachments int   `json:"attachments"` // sent with them
	Repairs     int   `json:"repairs"`     // sent
}

// Times of the forwarder.
const (
	firstWait = time.Second     // after the first failure; doubled by each one more
	longWait  = 5 * time.Minute // at most
	patience  = time.Minute     // with one answer of the plant
	lookAgain = 10 * time.Minute
)

// New makes a forwarder; nothing is opened yet.
func New(c Config) *Forwarder {
	if c.Batch <= 0 {
		c.Batch = 200
	}
	if c.Every <= 0 {
		c.Every = 5 * time.Second
	}
	return &Forwarder{
		c: c, random: rand.Float64, first: firstWait, wake: make(chan struct{}, 1), batch: c.Batch,
		stuck: map[string]stuck{}, aside: map[string]aside{}, general: map[string]Problem{},
	}
}

// Nudge says that there may be a new report. It never waits.
func (f *Forwarder) Nudge() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// Run forwards until ctx ends, and returns its cause. Trouble with the plant
// or the archive is told as the state and tried again, the wait doubled each
// time up to five minutes and drawn by lot from its upper half, so that the
// stations of a plant do not come back all at once.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.hangUp()
	for {
		err := f.pass(ctx)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		wait := f.c.Every
		if f.trouble = err; err != nil {
			f.hangUp()
			wait = f.backOff()
		}
		f.next = time.Now().Add(wait)
		if !f.idle(ctx) {
			return context.Cause(ctx)
		}
	}
}

// backOff counts a failure and says how long to wait.
func (f *Forwarder) backOff() time.Duration {
	wait := longWait
	if f.tries < 20 {
		wait = min(longWait, f.first<<f.tries)
	}
	f.tries++
	return wait/2 + time.Duration(f.random()*float64(wait/2))
}

// idle waits for the next pass and keeps the state true meanwhile; false when
// ctx ends. A nudge ends the wait, unless the plant is in trouble.
func (f *Forwarder) idle(ctx context.Context) bool {
	for {
		f.tell()
		left := time.Until(f.next)
		if left <= 0 {
			return true
		}
		t := time.NewTimer(min(left, f.c.Every))
		select {
		case <-ctx.Done():
			t.Stop()
			return false
		case <-f.wake:
			if t.Stop(); f.trouble == nil {
				return true
			}
		case <-t.C:
		}
		if f.trouble != nil {
			f.look()
		}
	}
}

// Once makes contact, sends what the plant does not have, and hangs up. An
// error is trouble with the plant or the archive; what is wrong with single
// reports is in the state's Problems.
func (f *Forwarder) Once(ctx context.Context) (Result, error) {
	before := f.sent
	defer f.hangUp()
	err := f.pass(ctx)
	if f.trouble = err; err != nil {
		f.look()
	}
	f.tell()
	r := f.sent
	return Result{r.Sent - before.Sent, r.Known - before.Known, r.Bytes - before.Bytes,
		r.Attachments - before.Attachments, r.Repairs - before.Repairs}, err
}

// pass brings the plant up to date.
func (f *Forwarder) pass(ctx context.Context) error {
	if f.plant == nil {
		if idle, err := f.connect(ctx); idle || err != nil {
			return err
		}
	} else if time.Since(f.checked) > lookAgain {
		if err := f.compareClocks(ctx); err != nil {
			return err
		}
	}
	if err := f.list.refresh(time.Now()); err != nil {
		return err
	}
	if f.list.forked && f.list.base.Number > 0 {
		f.forked()
		if err := f.list.refresh(time.Now()); err != nil {
			return err
		}
	}
	f.retry()
	for len(f.list.pending) > 0 {
		if err := f.sendBatch(ctx); err != nil {
			return err
		}
		f.remember()
		f.tell()
	}
	if err := f.sendRepairs(ctx); err != nil {
		return err
	}
	if err := f.sendFlags(ctx); err != nil {
		return err
	}
	f.succeeded()
	f.remember()
	return nil
}

func (f *Forwarder) succeeded() {
	f.tries, f.trouble, f.contact = 0, nil, time.Now()
}

// connect makes contact and asks the plant where to go on. It is idle while
// the archive has no report.
func (f *Forwarder) connect(ctx context.Context) (idle bool, err error) {
	key, err := archive.PublicKey(f.c.Dir)
	if errors.Is(err, fs.ErrNotExist) {
		if head, herr := archive.ReadHead(f.c.Dir); herr == nil && head.Number == 0 {
			return true, nil
		}
	}
	if err != nil {
		return false, &reports.HintedError{Err: err, Hint: "put station.pub back from a copy: the plant knows the " +
			"station by it"}
	}
	f.key = hex.EncodeToString(key)
	patient, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if f.plant, err = f.c.Plant(patient); err != nil {
		f.plant = nil
		return false, fmt.Errorf("plant: %w", err)
	}
	if err := f.compareClocks(patient); err != nil {
		return false, err
	}
	base, err := f.place(patient)
	if err != nil {
		return false, err
	}
	f.list, f.flagged, f.repairs = newCatalogue(f.c.Dir, base), nil, repairs{}
	f.general = map[string]Problem{}
	maps.DeleteFunc(f.aside, func(_ string, a aside) bool { return a.missing }) // a gap now
	return false, nil
}

// place is how far the plant has the chain of this station's key.
func (f *Forwarder) place(ctx context.Context) (archive.Place, error) {
	base := archive.Place{Key: f.key}
	stations, err := f.plant.Stations(ctx)
	if err != nil {
		return base, fmt.Errorf("plant: %w", err)
	}
	keys := archive.Keys(f.c.Dir) // a renewed key goes on where the one before ended
	for _, s := range stations {
		if !slices.Contains(keys, s.Key) {
			continue
		}
		if s.Number > base.Number {
			base.Number, base.SHA256 = s.Number, s.SHA256
		}
		if f.station == "" || s.Key == f.key {
			f.station = s.Station
		}
	}
	return base, nil
}

// forked goes through all reports anew: the plant has others under the numbers
// of the chain on disk.
func (f *Forwarder) forked() {
	f.general["forked"] = Problem{
		Kind: "older copy",
		Text: fmt.Sprintf("the plant has %d reports of this station's chain, and this archive has not: it was put "+
			"back from an older copy, and reports sealed in between stand only at the plant", f.list.base.Number),
		Hint: "nothing is lost at the plant; if there is a newer copy of the archive, put that back. Until then new " +
			"reports are forwarded under numbers that the plant has twice",
	}
	f.list = newCatalogue(f.c.Dir, archive.Place{Key: f.key})
}

func (f *Forwarder) hangUp() {
	if f.plant != nil {
		f.plant.Close() // nothing was promised that is not in
		f.plant = nil
	}
}

// look keeps the backlog true while there is no contact.
func (f *Forwarder) look() {
	if f.list == nil {
		key, err := archive.PublicKey(f.c.Dir)
		if err != nil {
			return
		}
		if f.memory = recall(f.c.Memory); f.memory.Key != hex.EncodeToString(key) {
			return
		}
		f.list = newCatalogue(f.c.Dir, archive.Place{Number: f.memory.Number, SHA256: f.memory.SHA256, Key: f.memory.Key})
	}
	f.list.refresh(time.Now()) // trouble with it is told by the next pass
}

// compareClocks asks the plant for its time, where it can tell.
func (f *Forwarder) compareClocks(ctx context.Context) error {
	clock, ok := f.plant.(interface {
		Now(context.Context) (time.Time, error)
	})
	if !ok {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	before := time.Now()
	theirs, err := clock.Now(ctx)
	after := time.Now()
	if err != nil {
		return fmt.Errorf("plant: %w", err)
	}
	half := after.Sub(before) / 2
	f.checked = after
	f.skew = Skew{Ahead: before.Add(half).Sub(theirs), Within: half, Checked: after}
	return nil
}
