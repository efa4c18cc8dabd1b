package motion

import (
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

// Machine moves sticks.
type Machine struct {
	name  string
	port  drivers.Port
	clock drivers.Clock
	model Model
	axes  map[string]Axis
	names []string
	guard drivers.Guard
	stale atomic.Bool // acknowledgements may be owed
	homed atomic.Bool
	// unchecked: what is said may arrive damaged, and nobody would know.
	unchecked bool
	trusted   bool        // the bench file says that its homing is believed
	waits     atomic.Bool // it has said that it does not read ahead
	stood     atomic.Pointer[drivers.Standstill]
	// cut takes the machine's power, by the output cutBy; nil: none does.
	cut   func(context.Context) error
	cutBy string
	// cutTime is what that output may need.
	cutTime time.Duration

	// Under the guard:
	mute   bool     // it refuses to say where it stands
	offset []string // of its work coordinates, as it last said
	buf    []byte
	at     map[string]float64 // throws; good while homed
	// took is the shortest that movements that are alike have taken; what of them
	// takes longer is late.
	took    map[likeness]time.Duration
	answers bool // it has answered since it was opened
	count   count
}

var (
	_ drivers.Mover  = (*Machine)(nil)
	_ drivers.Stands = (*Machine)(nil)

	_ drivers.SafeTimer = (*Machine)(nil)
)

// Open returns the machine behind port. It sends nothing.
func Open(name string, port drivers.Port, clock drivers.Clock, o Options) (*Machine, error) {
	model, axes, err := o.check(name)
	if err != nil {
		return nil, err
	}
	return &Machine{name: name, port: port, clock: clock, model: model, axes: axes,
		names: slices.Sorted(maps.Keys(axes)), guard: drivers.NewGuard(clock),
		unchecked: port != nil && drivers.Unchecked(port), trusted: o.Home == Trusted,
		took: map[likeness]time.Duration{}}, nil
}

func (m *Machine) String() string { return m.name }

// Axes names the axes, in alphabetical order.
func (m *Machine) Axes() []string { return slices.Clone(m.names) }

// Close gives the port back.
func (m *Machine) Close() error { return m.port.Close() }

// CutBy has Safe cut the machine's power where it does not stop by itself: by the
// output of that role. Call it before the machine is used.
func (m *Machine) CutBy(role string, by drivers.Device) {
	m.cut, m.cutBy, m.cutTime = by.Safe, role, time.Second
	if s, ok := by.(drivers.SafeTimer); ok {
		m.cutTime = s.SafeTime()
	}
}

// SafeTime is how long Safe takes at most: what the call under way may take to let
// go of the line ([drivers.Guard.Interrupt]), the stop, and the output that cuts
// its power.
func (m *Machine) SafeTime() time.Duration {
	const letGo = 200 * time.Millisecond
	return letGo + m.model.StopTime + m.cutTime
}

// Standstill implements [drivers.Stands].
func (m *Machine) Standstill() (s drivers.Standstill, ok bool) {
	if p := m.stood.Load(); p != nil {
		return *p, true
	}
	return s, false
}

// Ready makes the machine acknowledge a line that does nothing, or say what it is
// where it has a word for that. One whose port restarts it when it is opened is
// waited for.
func (m *Machine) Ready(ctx context.Context) (string, error) {
	identity := m.model.Name
	err := m.do(ctx, "wait for an answer", func(ctx context.Context) error {
		for end := drivers.Within(m.clock, m.model.StartTime); ; {
			err := m.identify(ctx, &identity)
			if err == nil {
				m.answers = true
			}
			if !m.starting(err) || end.Passed() {
				return err
			}
			if err := m.drain(ctx); err != nil {
				return err
			}
		}
	})
	if err != nil {
		return "", err
	}
	return identity, nil
}

// identify asks the machine what it is, and whether its stop acts at once.
func (m *Machine) identify(ctx context.Context, identity *string) error {
	if m.model.Identity == "" {
		return m.say(ctx, m.probe(), m.model.Timeout)
	}
	if err := m.send(ctx, m.model.Identity); err != nil {
		return err
	}
	ahead := m.model.StopAhead == ""
	for end := drivers.Within(m.clock, m.model.Timeout); ; {
		line, err := m.next(ctx, end)
		if err != nil {
			return m.because(ctx, err)
		}
		ahead = ahead || contains(line, m.model.StopAhead)
		if begins(line, m.model.IdentityIs) {
			said := strings.Trim(line[len(m.model.IdentityIs):], " []")
			*identity = m.model.Name + " " + strings.ToValidUTF8(said[:min(len(said), 80)], "?")
			continue
		}
		switch k, text := m.model.parseReply(line); k {
		case acknowledged:
			m.waits.Store(!ahead)
			return nil
		case failed:
			return m.refused(text)
		case restarted:
			return restart(line)
		case alarmed:
			return m.alarm(text)
		case unknown:
			if len(*identity) == len(m.model.Name) {
				return errorf(drivers.Garbled, "%.60q is no answer", line)
			}
		}
	}
}

// starting says whether an error is that of a controller that has just started:
// its banner, or before its first answer none.
func (m *Machine) starting(err error) bool {
	var e *drivers.Error
	return errors.As(err, &e) && (e.Hint == restartHint || !m.answers && e.Kind == drivers.NoReply)
}

// Home finds the reference position of every axis, and has the machine prove that
// it did, as its model says. A controller that cannot prove it is Refused, unless
// the bench file says that it is trusted.
func (m *Machine) Home(ctx context.Context) error {
	return m.do(ctx, "home", func(ctx context.Context) error {
		m.homed.Store(false)
		if m.model.Proof == "" && !m.trusted {
			return errorf(drivers.Refused, "this controller cannot prove that it has found its reference").WithHint(
				`see that it has, each time, and write home = "trusted" for it in the bench file`)
		}
		if m.model.Status != "" {
			if err := m.wake(ctx); err != nil {
				return err
			}
		}
		if !m.model.HomeFirst {
			if err := m.setUp(ctx); err != nil {
				return err
			}
		}
		if err := m.say(ctx, m.model.Home, m.model.HomeTimeout); err != nil {
			return m.because(ctx, err)
		}
		if m.model.HomeFirst {
			if err := m.setUp(ctx); err != nil {
				return err
			}
		}
		m.at = make(map[string]float64, len(m.axes))
		for n, a := range m.axes {
			m.at[n] = -a.Offset / a.Scale
		}
		if err := m.proved(ctx); err != nil {
			return err
		}
		if err := context.Cause(ctx); err != nil {
			return err // made safe while the acknowledgement came
		}
		m.homed.Store(true)
		return nil
	})
}

func (m *Machine) setUp(ctx context.Context) error {
	for _, line := range m.model.Setup {
		if err := m.say(ctx, line, m.model.Timeout); err != nil {
			return err
		}
	}
	return nil
}

// proved has the machine prove that it has found its reference, and takes over
// where it says that this is.
func (m *Machine) proved(ctx context.Context) error {
	if m.model.Status != "" {
		s, _, err := m.arrived(ctx, drivers.Within(m.clock, m.model.Timeout))
		if err != nil {
			return err
		}
		m.takeOver(s.at)
		return nil
	}
	if (m.model.Proof == "switches" || m.model.Proof == anySwitch) && !m.trusted {
		if err := m.switches(ctx); err != nil {
			return err
		}
	}
	if m.model.Proof == "" || m.model.Where == "" {
		return m.stands(ctx, m.at)
	}
	said, err := m.where(ctx)
	if err != nil {
		return err
	}
	if len(said) == 0 {
		return m.off(said, m.at)
	}
	m.takeOver(said)
	return nil
}

// takeOver takes the axes to stand where the machine says, mm by letter.
func (m *Machine) takeOver(said map[string]float64) {
	for n, a := range m.axes {
		if at, ok := said[a.Letter]; ok {
			m.at[n] = (at - a.Offset) / a.Scale
		}
	}
}

// anySwitch is the proof by one closed switch.
const anySwitch = "any-switch"

// switches wants the reference switch of every axis closed, or as the row says of any.
func (m *Machine) switches(ctx context.Context) error {
	if err := m.send(ctx, m.model.Switches); err != nil {
		return err
	}
	closed, told := map[string]bool{}, map[string]string{}
	err := m.answered(ctx, drivers.Within(m.clock, m.model.Timeout), func(line string) {
		name, state, ok := strings.Cut(line, ":")
		letter, _, part := strings.Cut(strings.ToUpper(strings.TrimSpace(name)), "_")
		if ok && part {
			told[letter] = strings.TrimSpace(line)
			closed[letter] = closed[letter] || contains(state, m.model.Closed)
		}
	})
	if err != nil {
		return err
	}
	any := func() bool {
		return slices.ContainsFunc(m.names, func(n string) bool { return closed[m.axes[n].Letter] })
	}
	if m.model.Proof == anySwitch && any() {
		return nil
	}
	for _, n := range m.names {
		if l := m.axes[n].Letter; !closed[l] {
			said := "nothing of its switch"
			if told[l] != "" {
				said = strconv.Quote(told[l])
			}
			return errorf(drivers.Fault, "homing is not proved: of %s it says %.60s", l, said).WithHint(
				`check the axis and its switch; where it leaves its switches after homing, write home = "trusted" in ` +
					"the bench file, and see that it homes")
		}
	}
	return nil
}

// Move goes in a straight line to the positions named, in throws; the axis
// with the furthest to go moves at rate, throws per second. The segment names
// every axis, also those that stand still. An unknown axis, a position beyond
// its limits, a rate that is not positive or beyond the machine's feed is an
// OutOfRange error and nothing is sent; before Home, and after anything that
// left the position unknown, Move is Refused.
func (m *Machine) Move(ctx context.Context, to map[string]float64, rate float64) (drivers.Segment, error) {
	const op = "move"
	bad := func(format string, args ...any) (drivers.Segment, error) {
		return drivers.Segment{}, drivers.Errorf(m.name, op, drivers.OutOfRange, format, args...)
	}
	if !(rate > 0) || !finite(rate) {
		return bad("rate of %v throws/s", rate)
	}
	for _, n := range slices.Sorted(maps.Keys(to)) {
		a, ok := m.axes[n]
		if !ok {
			return bad("no axis %q, the machine has %s", n, strings.Join(m.names, ", "))
		}
		if v := to[n]; !(v >= a.Min && v <= a.Max) {
			return bad("%s to %v throws, range is %v to %v", n, v, a.Min, a.Max)
		}
	}
	var seg drivers.Segment
	err := m.do(ctx, op, func(ctx context.Context) error {
		if !m.homed.Load() {
			return errorf(drivers.Refused, "the machine does not know where it stands").WithHint("home it first")
		}
		seg.From = maps.Clone(m.at)
		seg.To = maps.Clone(m.at)
		maps.Copy(seg.To, to)
		line, like, takes, err := m.plan(seg.From, seg.To, rate)
		if err != nil {
			return err
		}
		seg.Start = m.clock.Now()
		if seg.End = seg.Start; line == "" {
			return nil // it stands there
		}
		if err := m.say(ctx, line, m.model.Timeout); err != nil {
			if drivers.KindOf(err) != drivers.Refused {
				m.homed.Store(false)
			}
			return m.because(ctx, err)
		}
		// From here on it moves. It may have begun when the line was sent: where
		// the acknowledgement is read late, it must not seem to stand still while
		// it moves. The end is when its own word for it was read, never before.
		m.homed.Store(false)
		if err := m.say(ctx, m.model.Synchronise, m.model.Timeout+takes+takes/2); err != nil {
			return m.because(ctx, err)
		}
		seg.End = m.clock.Now()
		var said status
		if m.model.Status != "" {
			if said, seg.End, err = m.arrived(ctx, drivers.Within(m.clock, m.model.Timeout+takes/2)); err != nil {
				return err
			}
		}
		if took := seg.End.Sub(seg.Start); took < takes-takes/10-50*time.Millisecond {
			return errorf(drivers.Fault, "arrived after %v, the movement takes %v", took.Round(time.Millisecond),
				takes.Round(time.Millisecond)).
				WithHint("the machine acknowledges but does not move: check its motors' supply and its emergency stop")
		}
		if err := m.standsAt(ctx, seg.To, said); err != nil {
			return err
		}
		if err := context.Cause(ctx); err != nil {
			return err // made safe while the acknowledgement came
		}
		m.at = maps.Clone(seg.To)
		m.homed.Store(true)
		seg.Even = takes
		return m.punctual(&seg, like, takes)
	})
	if err != nil {
		return drivers.Segment{}, err
	}
	return seg, nil
}

// likeness is what movements have in common that take the same time, ramps
// included.
type likeness struct {
	axes string        // letters
	way  time.Duration // at the rate throughout, to 1 ms
	feed int           // mm/min
}

// punctual is the error of a movement that is not known to have been under way
// between its start and its end: the machine stands where it should, but a
// measurement would take it for slower than it was. See "Time" in the package
// comment.
func (m *Machine) punctual(seg *drivers.Segment, like likeness, takes time.Duration) error {
	took := seg.End.Sub(seg.Start)
	allowed := lateMove
	if takes <= quickMove {
		allowed = lateQuickMove
	}
	least, known := m.took[like]
	if !known {
		most := takes + m.model.Ramps
		if stood := drivers.Stalled(m.clock, seg.Start, seg.End); stood > allowed {
			return drivers.LateError("", "", "the computer stood still for %v of the %v that the movement took",
				stood.Round(time.Millisecond), took.Round(time.Millisecond))
		}
		if took > most {
			return drivers.LateError("", "", "arrived after %v, the movement takes %v, at most %v with its ramps",
				took.Round(time.Millisecond), takes.Round(time.Millisecond), most.Round(time.Millisecond))
		}
	}
	seg.Takes = took
	if !known || took < least {
		m.took[like] = took
	} else {
		seg.Takes = least
	}
	// Also when this one is the shortest so far: then those before were late, and
	// their segments do not say so.
	if known && (took > least+allowed || took < least-lateMove) {
		return drivers.LateError("", "", "the same movement took %v and %v", min(took, least).Round(time.Millisecond),
			max(took, least).Round(time.Millisecond))
	}
	return nil
}

// plan is the line for a movement, what it is like and how long it takes; "" if
// there is nothing to move.
func (m *Machine) plan(from, to map[string]float64, rate float64) (line string, like likeness, takes time.Duration,
	err error) {
	var b strings.Builder
	b.WriteString(m.model.Move)
	furthest, path, rest := 0.0, 0.0, 0.0
	for _, n := range m.names {
		if from[n] == to[n] {
			continue
		}
		a := m.axes[n]
		furthest = max(furthest, math.Abs(to[n]-from[n]))
		mm := (to[n] - from[n]) * a.Scale
		if m.model.PathLetters == "" || strings.Contains(m.model.PathLetters, a.Letter) {
			path += mm * mm
		} else {
			rest += mm * mm
		}
		like.axes += a.Letter
		b.WriteString(" " + a.Letter + decimal(to[n]*a.Scale+a.Offset))
	}
	if furthest == 0 {
		return "", like, 0, nil
	}
	if path == 0 {
		path = rest // only axes that otherwise keep up: then the feed is theirs
	}
	seconds := furthest / rate
	feed := math.Sqrt(path) / seconds * 60
	if feed > m.model.MaxFeed {
		return "", like, 0, errorf(drivers.OutOfRange, "rate of %v throws/s is a feed of %.0f mm/min, at most %.0f", rate,
			feed, m.model.MaxFeed)
	}
	if feed < 0.01 {
		return "", like, 0, errorf(drivers.OutOfRange, "rate of %v throws/s is a feed of %.2g mm/min, at least 0.01", rate,
			feed)
	}
	b.WriteString(" " + m.model.Feed + decimal(feed))
	takes = time.Duration(min(seconds, 1e6) * float64(time.Second))
	like.way, like.feed = takes.Round(time.Millisecond), int(math.Round(feed))
	return b.String(), like, takes, nil
}

// decimal writes v in mm or mm/min to 0.1 um, without exponent: G-code has
// none.
func decimal(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e4)/1e4+0, 'f', -1, 64)
}
