package web

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
)

func TestScanRefuses(t *testing.T) {
	g := newRig(t)
	good := serialOf(1)
	wrong := good[:len(good)-1] + map[bool]string{true: "B", false: "A"}[strings.HasSuffix(good, "A")]
	for _, tt := range []struct{ name, text, nest, code, words string }{
		{"nothing", " ", "", codeMalformed, "no serial number"},
		{"a check character that does not fit", wrong, "", codeCheckWrong, "a character is wrong"},
		{"another product", "Q1234567", "", codeForeign, "is not a Kittiwake K8"},
		{"another product's item number", "]d20112345678901231" + "21" + good, "", codeForeign, "another product"},
		{"a damaged label", "]d20109520123456789" + "21" + good, "", codeMalformed, "no serial number"},
		{"markup", "<img src=x onerror=alert(1)>", "", codeMalformed, "no serial number"},
		{"SQL", "'; DROP TABLE runs; --", "", codeMalformed, "no serial number"},
		{"control characters", "\x00\x1b[31mK8", "", codeMalformed, "no serial number"},
		{"too long", strings.Repeat("K", 3000), "", codeMalformed, "no serial number"},
		{"a nest that is not there", good, "C", codeUnknownNest, "no nest C"},
	} {
		r := g.scanInto(tt.text, tt.nest)
		assert.False(t, r.OK, tt.name)
		assert.Equal(t, tt.code, r.Code, tt.name)
		assert.Contains(t, r.Text, tt.words, tt.name)
		n := g.state().Station.Notice
		require.NotNil(t, n, tt.name)
		assert.Equal(t, "refused", n.Level, tt.name)
		assert.NotEmpty(t, n.Detail, "%s: says what to do", tt.name)
		assert.NotContains(t, n.Detail, "[", tt.name)
	}
	assert.Empty(t, g.archive.Entries())
}

func TestScanStartsQueuesAndKeepsOrder(t *testing.T) {
	g := newRig(t)
	let := make(chan struct{})
	for _, n := range g.nests {
		n.play = held(let)
	}
	a := g.scan(serialOf(1))
	assert.Equal(t, replyJSON{OK: true, Code: codeStarted, Text: serialOf(1) + " is in nest A.", Nest: "A"}, a)
	assert.Equal(t, "B", g.scan(strings.ToLower(serialOf(2))).Nest, "small letters")
	r := g.scan(serialOf(1))
	assert.Equal(t, codeDuplicate, r.Code)
	assert.Equal(t, "A", r.Nest)
	assert.Contains(t, g.scan(serialOf(3)).Text, "it is the next")
	assert.Contains(t, g.scanInto(serialOf(4), "A").Text, "number 2")
	assert.Equal(t, codeDuplicate, g.scan(serialOf(3)).Code, "in the queue")
	for i := 5; i < 5+maxQueue-2; i++ {
		assert.Equal(t, codeQueued, g.scan(serialOf(i)).Code)
	}
	assert.Equal(t, codeQueueFull, g.scan(serialOf(50)).Code)

	close(let)
	s := g.until("both nests wait for a hand", func(s stateJSON) bool { return s.Nests[0].Hold != nil && s.Nests[1].Hold != nil })
	serials := map[string]bool{}
	for _, n := range s.Nests {
		assert.Equal(t, heldLoad, n.Hold.Why)
		require.NotNil(t, n.End, "the end of the run before stays to be seen")
		serials[n.Hold.Serial] = true
	}
	assert.True(t, serials[serialOf(3)], "the first that waited comes first: %v", serials)
	assert.Len(t, s.Station.Queue, maxQueue-2)

	// Not by itself: the unit before still lies there. Enter, or a scan of the
	// unit that was called, begins it.
	r = g.post("/api/start", nestCommand{Nest: "A", Serial: "somebody else's"})
	assert.Equal(t, "over", r.Code)
	assert.True(t, g.post("/api/start", nestCommand{Nest: "A", Serial: s.Nests[0].Hold.Serial}).OK)
	assert.Equal(t, "B", g.scan(s.Nests[1].Hold.Serial).Nest)
	g.until("two units are judged in each", func(stateJSON) bool { return len(g.archive.Entries()) == 4 })
	// A unit can be taken back out of the queue.
	s = g.until("others were called", func(s stateJSON) bool { return s.Nests[0].Hold != nil && s.Nests[1].Hold != nil })
	last := s.Station.Queue[len(s.Station.Queue)-1].Serial
	assert.Equal(t, "dropped", g.post("/api/abort", nestCommand{Serial: last}).Code)
	for _, q := range g.state().Station.Queue {
		assert.NotEqual(t, last, q.Serial)
	}
	assert.Equal(t, "dropped", g.post("/api/abort", nestCommand{Nest: "A", Serial: s.Nests[0].Hold.Serial}).Code)
}

// A scan whose answer was lost is sent again, and is no second run.
func TestScanTwiceIsOnce(t *testing.T) {
	g := newRig(t)
	c := scanCommand{ID: "the-same", Text: serialOf(1)}
	first := g.post("/api/scan", c)
	g.ended(0, serialOf(1))
	assert.Equal(t, first, g.post("/api/scan", c))
	assert.Nil(t, g.state().Station.Question)
	assert.Len(t, g.archive.Entries(), 1)
	status, _ := g.raw("/api/scan", "application/json", scanCommand{Text: serialOf(1)})
	assert.Equal(t, 400, status, "a scan without an id")
}

func TestScanOfAUnitThatPassed(t *testing.T) {
	g := newRig(t)
	g.scan(serialOf(1))
	g.ended(0, serialOf(1))
	r := g.scan(serialOf(1))
	assert.False(t, r.OK)
	assert.Equal(t, codePassed, r.Code)
	q := g.state().Station.Question
	require.NotNil(t, q)
	assert.Contains(t, q.Text, serialOf(1)+" passed on ")

	// No: nothing happens, and the question is over for everybody.
	assert.True(t, g.post("/api/decide", decideCommand{Question: q.ID}).OK)
	assert.Equal(t, "over", g.post("/api/decide", decideCommand{Question: q.ID, Yes: true}).Code)
	assert.Nil(t, g.state().Station.Question)

	// Yes.
	g.scan(serialOf(1))
	q = g.state().Station.Question
	assert.Equal(t, codeStarted, g.post("/api/decide", decideCommand{Question: q.ID, Yes: true}).Code)
	g.until("two runs", func(stateJSON) bool { return len(g.archive.Entries()) == 2 })
	g.ended(0, serialOf(1)) // sealed is a moment earlier than shown
	// Another scan takes the question back.
	g.scan(serialOf(1))
	require.NotNil(t, g.state().Station.Question)
	g.scan(serialOf(2))
	assert.Nil(t, g.state().Station.Question)
}

func TestGoldenUnitIsNoted(t *testing.T) {
	g := newRig(t)
	golden, err := serial.AppendMod3736("K800Z00001")
	require.NoError(t, err)
	for range 2 { // however often it has passed, nobody is asked
		assert.Equal(t, codeStarted, g.scan(golden).Code)
		assert.Contains(t, g.state().Station.Notice.Detail, "counts in no yield")
		assert.Contains(t, g.ended(0, golden).About, "Golden unit")
	}
}

// One retest, then repair; and a unit that should be at the repair bench is not
// tested without a word.
func TestAfterAFailure(t *testing.T) {
	g := newRig(t)
	g.nests["A"].play = failing
	g.scan(serialOf(1))
	n := g.ended(0, serialOf(1))
	assert.Equal(t, "failed", n.End.Kind)
	assert.Equal(t, stepRetest, n.End.Step)
	assert.Equal(t, "sounder", n.End.Part)
	assert.Equal(t, "About sound", n.End.Text)
	assert.Equal(t, "the sounder is weak", n.End.Causes[0].Text)
	assert.Equal(t, "likely, some 70 %", strings.ReplaceAll(n.End.Causes[0].Likely, "\u00a0", " "))
	assert.Equal(t, []readingJSON{{"sound.level", "2\u00a0V", "allowed: up to 1\u00a0V", reports.Fail}}, n.End.Readings)
	assert.Equal(t, map[string]string{"power": checkKept, "sounder": checkBroken}, n.Parts)

	assert.Equal(t, codeStarted, g.scan(serialOf(1)).Code)
	g.until("failed again", func(s stateJSON) bool { return s.Nests[0].End != nil && s.Nests[0].End.Step == stepRepair })
	assert.Equal(t, codeToRepair, g.scan(serialOf(1)).Code)
	assert.Contains(t, g.state().Station.Question.Text, "belongs at the repair bench")

	// Repaired: as new.
	e := g.archive.Entries()
	g.server.Repaired(reports.Repair{Unit: e[1].Unit, At: e[1].Ended.Add(1)})
	g.nests["A"].set(func() { g.nests["A"].play = passing })
	assert.Equal(t, codeStarted, g.scan(serialOf(1)).Code)
	g.until("passed", func(s stateJSON) bool { return s.Nests[0].End != nil && s.Nests[0].End.Kind == "passed" })
}

func TestPolicy(t *testing.T) {
	p := StockPolicy()
	for _, tt := range []struct {
		o                reports.Outcome
		failures, faults int
		out              bool
		want             step
	}{
		{reports.Passed, 0, 0, false, stepHandOn},
		{reports.Failed, 1, 0, false, stepRetest},
		{reports.Failed, 2, 0, false, stepRepair},
		{reports.Failed, 7, 0, false, stepRepair},
		{reports.Errored, 0, 1, false, stepAgain},
		{reports.Errored, 0, 2, false, stepEngineer},
		{reports.Aborted, 0, 5, false, stepAgain},
		{reports.Aborted, 0, 0, true, stepEngineer},
		{reports.Passed, 0, 0, true, stepEngineer},
	} {
		assert.Equal(t, tt.want, p.after(tt.o, tt.failures, tt.faults, tt.out), "%+v", tt)
	}
	assert.Equal(t, stepRepair, Policy{Retests: 0, Faults: 1}.after(reports.Failed, 1, 0, false))
}

func TestGuardOpen(t *testing.T) {
	g := newRig(t)
	r := g.nests["A"]
	r.guard = true
	g.scanInto(serialOf(1), "A")
	s := g.until("the guard is said to be open", func(s stateJSON) bool { return s.Nests[0].Hold != nil })
	assert.Equal(t, heldGuard, s.Nests[0].Hold.Why)
	assert.Nil(t, s.Nests[0].End, "no run was begun")
	assert.Empty(t, g.archive.Entries())
	r.set(func() { r.guard = false })
	assert.True(t, g.post("/api/start", nestCommand{Nest: "A", Serial: serialOf(1)}).OK)
	assert.Equal(t, "passed", g.ended(0, serialOf(1)).End.Kind)
}

// A clock that is wrong begins no run, and the operator is told what it is; the
// nest takes units again when it is set.
func TestClockIsWrong(t *testing.T) {
	g := newRig(t)
	r := g.nests["A"]
	r.clock = &reports.Reason{Code: reports.ClockBehind, Time: time.Date(2026, 11, 28, 9, 0, 0, 0, time.UTC),
		Newest: time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)}
	g.scanInto(serialOf(1), "A")
	end := g.ended(0, serialOf(1)).End
	assert.Equal(t, "bench", end.Kind)
	assert.Contains(t, end.Text, "clock is wrong")
	assert.Contains(t, end.Detail, "the clock says 28 Nov 2026, ")
	assert.Contains(t, end.Detail, "but the newest report is of 30 Nov 2026, ")
	assert.Contains(t, end.Detail, "set the computer's clock")
	assert.Empty(t, g.archive.Entries(), "no run was begun")
	r.set(func() { r.clock = nil })
	g.scanInto(serialOf(2), "A")
	assert.Equal(t, "passed", g.ended(0, serialOf(2)).End.Kind)
}

// A clock that was set is warned of at the end of the run.
func TestClockWasSet(t *testing.T) {
	g := newRig(t)
	g.nests["A"].play = func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End {
		r.event(j, reports.Event{Kind: reports.ClockStepped,
			Clock: &reports.Reason{Code: reports.ClockBack, Seconds: 180}})
		return passing(ctx, r, j)
	}
	g.scanInto(serialOf(1), "A")
	end := g.ended(0, serialOf(1)).End
	assert.Equal(t, "passed", end.Kind)
	assert.Contains(t, end.Bench, "The clock was set back by 3")
	assert.Contains(t, end.Bench, "The bench needs attention")
}

// A run that is stopped after a limit was broken does not leave its unit as one
// of which nothing is known.
func TestStoppedAfterALimitWasBroken(t *testing.T) {
	for _, c := range []struct {
		verdict reports.Verdict
		want    string
	}{{reports.Fail, "counts as not passed"}, {reports.Pass, "Nothing is known about the unit."}} {
		g := newRig(t)
		g.nests["A"].play = func(_ context.Context, r *fakeRunner, j *archive.Journal) reports.End {
			r.check(j, "power", "power", c.verdict)
			return reports.End{Outcome: reports.Aborted, Reason: &reports.Reason{Code: reports.StoppedByHand}}
		}
		g.scanInto(serialOf(1), "A")
		assert.Contains(t, g.ended(0, serialOf(1)).End.Unknown, c.want)
	}
}

func TestNestOutOfService(t *testing.T) {
	g := newRig(t)
	r := g.nests["A"]
	r.out = &reports.Reason{Code: reports.PlanStuck}
	assert.Equal(t, codeOutOfOrder, g.scanInto(serialOf(1), "A").Code)
	assert.Equal(t, "B", g.scan(serialOf(1)).Nest)
	g.ended(1, serialOf(1))
	assert.Contains(t, g.state().Nests[0].Out, "out of service")
	g.nests["B"].set(func() { g.nests["B"].out = &reports.Reason{Code: reports.PlanStuck} })
	r2 := g.scan(serialOf(2))
	assert.Equal(t, codeOutOfOrder, r2.Code)
	assert.Contains(t, r2.Text, "No nest")
}
