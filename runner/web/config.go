package web

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/station"
	"fullthrow/runner/web/shell"
)

// Counter counts what was tested, as the index of the records does.
type Counter interface {
	Counts(ctx context.Context, s store.Selection) (yield.Counts, error)
}

// Config is what a server is made of. Fields without "optional" are required.
type Config struct {
	Station   string
	Product   Product
	Checks    []Check       // of the plan, in order
	CycleTime time.Duration // of the plan, 0 not stated
	Nests     []Nest        // in the bench file's order, at least one
	Archive   *archive.Archive
	Serial    serial.Format
	// Unit is the unit under test for a serial number that Serial accepted.
	Unit   func(number string) reports.Unit
	Look   *shell.Look
	Policy Policy
	// Drawing is the line drawing of the handset, optional: without it a list
	// of the checks stands in its place.
	Drawing *shell.Drawing
	// Pictures holds the files that prompts show; optional.
	Pictures fs.FS
	// Texts are the product's own sentences by language; optional.
	Texts map[string]wording.Texts
	// Store answers for the counts of the day; optional. It may take a while
	// until it is open: see [Server.Indexed].
	Store Counter
	// Sealed is told each report once it is sealed, in the order of each nest;
	// optional. It must not wait.
	Sealed func(archive.Sealed)
	// Metrics answers GET /metrics, Health adds to GET /healthz; optional.
	Metrics http.Handler
	Health  func(context.Context) map[string]any
	// Pages are served beside the operator's; optional.
	Pages []Page
	// Fixture works the simulated fixtures; nil on a real bench.
	Fixture Fixture
	// Pace is how fast the station's clock goes; 0 means 1.
	Pace float64
	// Preferences is the file that keeps each operator's language; optional.
	Preferences string
	// Hosts are further names under which browsers ask for this station, beside
	// those of loopback, the computer's own, and its addresses; optional.
	Hosts []string
	// Files is how many files the program may have open; 0 unknown. Connections
	// take a part of it, so that runs never lack one.
	Files int
	// Refused is told why somebody was not let in, one of a few words; optional.
	Refused func(why string)
	Log     *slog.Logger // optional
}

// Product is what the page calls the product.
type Product struct{ Name, Title, Revision string }

// Check is a check of the plan, as it is announced before it runs.
type Check struct{ Name, About, Part string }

// Nest is one place for a unit.
type Nest struct {
	Name  string
	Clock drivers.Clock // of its bench; a wait for an answer goes by it
	// Open makes the nest, which must tell watch each event and put questions
	// to ask.
	Open func(watch func(reports.Event), ask Ask) (Runner, error)
	// Watch is told the events of its runs, in their order; optional.
	Watch func(reports.Event)
}

// Ask puts a question to the operator and returns the answer and who gave it.
type Ask func(context.Context, reports.Prompt) (answer reports.Value, by string, err error)

// Runner runs units: a [*station.Nest], or one around it that lays simulated
// units on.
type Runner interface {
	Run(ctx context.Context, job station.Job) (archive.Sealed, error)
	Safe(ctx context.Context) station.Safety
	InService() (why *reports.Reason)
}

var _ Runner = (*station.Nest)(nil)

// Page is a handler beside the operator's page, at a pattern of
// [http.ServeMux]: "GET /yield/". It is behind the server's guard like
// everything else.
type Page struct {
	Pattern string
	Handler http.Handler
	// Link and Title put a link to it on the operator's page; Title is the id
	// of a message. Optional.
	Link, Title string
}

// Fixture works the simulated fixtures, for trying and for tests.
type Fixture interface {
	Devices() []string
	Faults() []string
	Defects() []Defect
	// Guard opens or closes the guard of a nest.
	Guard(nest string, open bool) error
	// Break gives a device a fault; "" mends it.
	Break(nest, device, fault string) error
	// Give lets the unit of that serial number have this defect; "" makes it
	// sound.
	Give(number, defect string) error
	// State says how the fixture of a nest is.
	State(nest string) FixtureState
}

// Defect is one that a simulated unit can have.
type Defect struct{ Name, About string }

// FixtureState is how a simulated fixture is.
type FixtureState struct {
	GuardOpen bool              `json:"guard_open"`
	Broken    map[string]string `json:"broken"` // fault by device
	Unit      string            `json:"unit"`   // serial number of the unit that lies there
	About     string            `json:"about"`  // what is wrong with it
}

func (c *Config) check() error {
	switch {
	case len(c.Nests) == 0:
		return errors.New("web: no nest")
	case c.Archive == nil, c.Look == nil, c.Unit == nil:
		return errors.New("web: archive, look and unit are required")
	}
	seen := map[string]bool{}
	for _, n := range c.Nests {
		if n.Name == "" || seen[n.Name] || n.Open == nil || n.Clock == nil {
			return fmt.Errorf("web: nest %q: needs a name of its own, a clock and Open", n.Name)
		}
		seen[n.Name] = true
	}
	if c.Pace == 0 {
		c.Pace = 1
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return nil
}
