package serve

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/forward"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
	"fullthrow/runner/metrics"
	"fullthrow/runner/product"
	"fullthrow/runner/records"
	"fullthrow/runner/station"
	"fullthrow/runner/terminal"
	"fullthrow/runner/web"
	"fullthrow/runner/web/shell"
)

// Options say what is served where.
type Options struct {
	From    product.Sources
	Listen  string
	Log     string
	Plant   string
	Pace    float64
	Hosts   []string // further names of the station, beside the bench file's
	History bool     // of a demo
}

// Demo is what --bench is called for a simulated station with a history.
const Demo = "demo"

func (o *Options) Check() error {
	switch {
	case !(o.Pace >= 1 && o.Pace <= 1000):
		return input.Usage("serve: --pace %g is not in 1 to 1000", o.Pace)
	case o.Log != "text" && o.Log != "json" && o.Log != "none":
		return input.Usage("serve: --log %q is not text, json or none", o.Log)
	}
	for _, h := range o.Hosts {
		if !bench.HostName(h) {
			return input.Usage("serve: --host %q is not a name or an address", h).Hint(bench.HostHint)
		}
	}
	if _, _, err := net.SplitHostPort(o.Listen); err != nil {
		return input.Usage("serve: --listen %q is not a host and a port", o.Listen).Hint(
			`like "127.0.0.1:8080", or ":8080" for every network of this computer`)
	}
	return nil
}

// Station is a station on its way up.
type Station struct {
	O         Options
	Place     *records.Place
	Out       io.Writer
	Log       *slog.Logger
	Hold      func(nest string, open *bench.Opened) // keeps real hardware in mind
	Exhausted func(error)
	// Guard starts the guardian of real hardware.
	Guard func(ctx context.Context, b *bench.File, nests []int) (Guardian, error)

	bench   *bench.File
	method  *product.Method
	home    product.Folder // of the product
	archive *archive.Archive
	metrics *metrics.Metrics
	index   *indexer           // nil: it could not be opened
	plant   *forward.Forwarder // nil: no plant is named
	units   *demo.Units        // of a simulated station
	fixture *demo.Fixtures     // nil on a real bench
	guard   Guardian           // nil on a simulated one
	close   []func() error
}

// Guardian makes safe should this process be gone.
type Guardian interface {
	station.Guardian
	// Arm says that nest i is open.
	Arm(i int) error
}

// Run serves until ctx ends.
func (s *Station) Run(ctx context.Context) (err error) {
	o := s.O
	if err := s.files(); err != nil {
		return err
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return input.Usage("serve: %w", err).Hint("another program may have that port: choose another with --listen")
	}
	defer listener.Close()
	if s.units == nil { // before the records are opened: another one may be at work on these ports and them
		var nests []int
		for i := range s.bench.Nests {
			nests = append(nests, i)
		}
		if s.guard, err = s.Guard(ctx, s.bench, nests); err != nil {
			return err
		}
	}
	below := ""
	if s.units != nil {
		below = "records"
	}
	if s.archive, err = s.Place.OpenArchive(s.Place.Data, below, s.bench.Station, s.units != nil); err != nil {
		return err
	}
	defer s.archive.Close()
	_, used := s.archive.Newest()
	fresh := !used
	s.metrics = metrics.New(metrics.Config{Version: bench.Software(), Station: s.bench.Station})

	defer func() {
		for _, c := range s.close {
			err = errors.Join(err, c())
		}
	}()
	s.index = s.openIndex(ctx)
	s.plant = s.forwarder(s.index)
	c, err := s.config(ctx)
	if err != nil {
		return err
	}
	if err := s.managerPages(&c); err != nil {
		return err
	}
	tellRepairs, err := s.repairPages(&c)
	if err != nil {
		return err
	}
	server, err := web.New(c)
	if err != nil {
		return err
	}
	tellRepairs(server)
	s.greet(listener.Addr())
	// Beside the station, and until its last report is sealed.
	background, end := context.WithCancel(context.WithoutCancel(ctx))
	var beside sync.WaitGroup
	if s.index != nil {
		s.index.told = func() { server.Indexed(); s.nudge() }
		beside.Go(func() {
			defer crash.Guard()
			s.index.run(background)
		})
	}
	if s.plant != nil {
		beside.Go(func() {
			defer crash.Guard()
			s.plant.Run(background)
		})
	}
	if s.units != nil && o.History && fresh {
		beside.Go(func() {
			defer crash.Guard()
			s.history(ctx, server)
		})
	}
	err = server.Serve(ctx, listener)
	end()
	beside.Wait()
	return err
}

// nudge tells the forwarder, if there is one, that there is something to send.
func (s *Station) nudge() {
	if s.plant != nil {
		s.plant.Nudge()
	}
}

// files reads bench, plan, limits and what the pages need beside them.
func (s *Station) files() (err error) {
	o, a := &s.O, s.Place
	if o.From.Bench == Demo {
		from := o.From
		from.Bench = ""
		m, b, people, err := demo.Files(2)
		if err != nil {
			return err
		}
		s.bench, s.units = b, demo.NewUnits(people)
		if s.method = m; from != (product.Sources{}) {
			if s.method, err = from.Load(b.Product); err != nil {
				return err
			}
		}
		o.From = from
		if a.Data == "" {
			if a.Data, err = os.MkdirTemp("", "fullthrow-serve-"); err != nil {
				return err
			}
		}
	} else {
		if s.bench, err = bench.Load(o.From.Bench); err != nil {
			return err
		}
		if s.method, err = o.From.Load(s.bench.Product); err != nil {
			return err
		}
		if s.bench.Simulated(0) {
			_, _, people, err := demo.Files(1)
			if err != nil {
				return err
			}
			s.units = demo.NewUnits(people)
		} else if o.Pace != 1 {
			return input.Usage("serve: --pace is for simulated benches: a real one takes the time it takes")
		}
		if a.Data == "" {
			if a.Data, err = records.StateDir(); err != nil {
				return err
			}
		}
	}
	if s.method.Product.Product != s.bench.Product {
		return input.Usage("%s is a bench for product %q, the plan is for %q", s.bench.Name, s.bench.Product,
			s.method.Product.Product)
	}
	s.home, err = o.From.Folder(s.bench.Product)
	return err
}

// config is what the server is made of.
func (s *Station) config(ctx context.Context) (web.Config, error) {
	m := s.method
	l, err := shell.New()
	if err != nil {
		return web.Config{}, err
	}
	c := web.Config{
		Station:   s.bench.Station,
		Product:   web.Product{Name: m.Product.Product, Title: m.Product.Title, Revision: m.Product.Revision},
		CycleTime: m.Plan.CycleTime,
		Archive:   s.archive,
		Serial:    m.Product.Format(),
		Unit: func(serial string) reports.Unit {
			u, err := m.Unit(serial, "")
			if err != nil { // it was accepted by the same format
				u = reports.Unit{SerialNumber: serial, Product: m.Product.Product}
			}
			return u
		},
		Look: l, Policy: web.StockPolicy(), Pictures: s.home.Files, Pace: s.O.Pace,
		Metrics:     s.metrics.Handler(),
		Health:      s.health,
		Sealed:      func(r archive.Sealed) { s.index.sealed(r); s.nudge() },
		Preferences: filepath.Join(s.Place.Data, "operators.json"),
		Log:         s.Log,
		Hosts:       append(s.O.Hosts[:len(s.O.Hosts):len(s.O.Hosts)], s.bench.Serve.Hosts...),
		Files:       openFiles(), Refused: s.metrics.Refused,
	}
	if s.index != nil {
		c.Store = s.index.index
	}
	for _, k := range m.Plan.Checks {
		c.Checks = append(c.Checks, web.Check{Name: k.Name, About: k.About, Part: k.Part})
	}
	if c.Texts, c.Drawing, err = pageFiles(s.home); err != nil {
		return c, err
	}
	if s.units != nil {
		s.fixture = demo.NewFixtures(s.units)
	}
	for i := range s.bench.Nests {
		n, err := s.nest(ctx, i)
		if err != nil {
			return c, err
		}
		c.Nests = append(c.Nests, n)
	}
	if s.fixture != nil {
		c.Fixture = s.fixture
	}
	return c, nil
}

// pageFiles reads what stands beside a plan for people: texts and drawing, as
// far as there are any.
func pageFiles(home product.Folder) (map[string]wording.Texts, *shell.Drawing, error) {
	texts, err := home.Texts()
	if err != nil {
		return nil, nil, err
	}
	if !home.Has("drawing.svg") {
		return texts, nil, nil
	}
	data, err := home.Read("drawing.svg")
	if err != nil {
		return nil, nil, err
	}
	d, err := shell.ParseDrawing(home.Path("drawing.svg"), data)
	if err != nil {
		return nil, nil, input.Usage("%w", err)
	}
	return texts, d, nil
}

// nest opens the hardware of nest i, simulated or real.
func (s *Station) nest(ctx context.Context, i int) (web.Nest, error) {
	h := bench.Machine()
	name := s.bench.Nests[i].Name
	if s.fixture != nil {
		clock := sim.NewPacedClock(s.O.Pace)
		fixture := sim.NewBench(clock, uint64(i)+1)
		s.fixture.Add(name, fixture, clock)
		h = bench.Simulated(fixture, clock)
	}
	if late := s.bench.Overdue(i, h.Clock.Now()); len(late) > 0 {
		if s.bench.Calibration.Overdue == "block" {
			return web.Nest{}, (&input.Failure{Code: input.ExitBench, Err: fmt.Errorf("nest %s: %s", name, late[0])}).
				Hint("send it to be calibrated and put the new date into " + s.bench.Name)
		}
		for _, text := range late {
			s.Log.Warn("calibration", "nest", name, "text", text)
		}
	}
	open, err := s.bench.Open(ctx, i, h)
	if err != nil {
		return web.Nest{}, err
	}
	s.close = append(s.close, open.Close)
	if s.fixture == nil {
		s.Hold(name, open)
		if err := s.guard.Arm(i); err != nil {
			return web.Nest{}, err
		}
	}
	return web.Nest{Name: name, Clock: h.Clock, Watch: s.metrics.Follow(), Open: func(watch func(reports.Event),
		ask web.Ask) (web.Runner, error) {
		c := s.bench.NestConfig(s.method, i, open, h.Clock, s.archive)
		c.Watch, c.Ask, c.Exhausted = watch, ask, s.Exhausted
		if s.guard != nil {
			c.Guardian = s.guard
		}
		nest, err := station.New(c)
		if err != nil {
			return nil, input.Usage("%w", err)
		}
		if s.fixture == nil {
			return nest, nil
		}
		return laidOn{nest, s.fixture, name}, nil
	}}, nil
}

// laidOn is a nest of a simulated station: the unit that was scanned lies in it
// when a run begins.
type laidOn struct {
	*station.Nest
	fixture *demo.Fixtures
	name    string
}

// Run implements [web.Runner].
func (n laidOn) Run(ctx context.Context, job station.Job) (archive.Sealed, error) {
	n.fixture.Lay(n.name, job.Unit.SerialNumber)
	return n.Nest.Run(ctx, job)
}

// history makes three weeks of it, beside the station that is being used.
func (s *Station) history(ctx context.Context, server *web.Server) {
	began := time.Now()
	count := 0
	told := make(chan archive.Sealed, 64)
	done := make(chan struct{})
	go func() {
		defer crash.Guard()
		defer close(done)
		for r := range told {
			count++
			server.Sealed(r)
			s.index.sealed(r)
		}
	}()
	err := demo.MakeHistory(ctx, s.method, s.bench, s.units, s.archive, demo.HistoryDays,
		func(r archive.Sealed) { told <- r })
	close(told)
	<-done
	switch {
	case ctx.Err() != nil:
	case err != nil:
		s.Log.Warn("the history is not complete", "error", err)
	default:
		s.Log.Info("history made", "runs", count, "took", time.Since(began).Seconds())
	}
	s.index.again() // the repairs, and what did not fit
}

// health adds to /healthz how index and plant stand.
func (s *Station) health(ctx context.Context) map[string]any {
	out := map[string]any{}
	index := map[string]any{"open": s.index != nil}
	if s.index != nil {
		if stations, err := s.index.index.Stations(ctx); err == nil {
			index["stations"] = stations
		} else {
			index["trouble"] = err.Error()
		}
	}
	out["index"] = index
	if s.plant != nil {
		out["plant"] = s.plant.State()
	}
	return out
}

// greet says where the pages are and what to try.
func (s *Station) greet(at net.Addr) {
	out := terminal.NewScreen(s.Out)
	url := "http://" + at.String() + "/"
	if tcp, ok := at.(*net.TCPAddr); ok && tcp.IP.IsUnspecified() {
		url = fmt.Sprintf("http://localhost:%d/", tcp.Port)
	}
	if s.units != nil {
		out.Say("%s", out.Strong("Simulated units, invented data."))
	}
	out.Say("Station %s for the %s, %s: %s", s.bench.Station, s.method.Product.Title, wording.Count(len(s.bench.Nests),
		"nest"), out.Strong(url))
	out.Say("records: %s", s.archive.Dir())
	if s.units != nil {
		out.Say("\nOpen it, type one of these and press Enter; a scanner does the same:")
		for _, u := range s.units.Try(3, 4) {
			out.Say("  %s  %s", u.Serial, u.About)
		}
		for _, g := range s.method.Product.Golden {
			out.Say("  %s  is a golden unit", g)
		}
		out.Say("Open the guard, break a device, choose a defect: %sfixture", url)
	}
	out.Say("\nIt runs until it is stopped: Ctrl-C.")
}
