package terminal

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/wording"
)

// Passage shows one run to the person beside the fixture, event by event as
// they reach the disk.
type Passage struct {
	S         *Screen
	Started   time.Time
	CycleTime float64
	check     string
	// full shows every reading as it comes; without it a check is one line, and
	// only the readings that do not keep their limits follow: a person who waits
	// for the end of 83 readings needs no more.
	Full   bool
	broken []reports.Reading // of the check that is on, when not full
	kept   int
	// ranked: the product has rules for causes, which know more at the end of a
	// run than one reading does; until then none is told.
	Ranked bool
	// Contradicts is what a sealed report contradicts itself in, nil where it does not.
	Contradicts *reports.Reason
	about       string
	begun       bool
	// asked gets one token for each question when all before it has been shown:
	// then the dialog puts it. nil: nobody can be asked.
	Asked  chan<- struct{}
	asking bool // no live line now: the operator types there
}

// Tell shows one event.
func (p *Passage) Tell(e reports.Event) {
	english := wording.English()
	e = Plain(e)
	switch e.Kind {
	case reports.RunStarted:
		p.Started, p.CycleTime = e.Time, e.Start.CycleTime
		p.S.Say("%s", p.Head(*e.Start))
		p.live("asking every device whether it is there")
	case reports.ClockStepped:
		p.S.Say("%s %s", p.S.Strong("clock:"), english.Reason(e.Clock))
		p.also("to do", english.Hint(e.Clock))
	case reports.CheckStarted:
		p.check, p.broken, p.kept = e.Check.Name, nil, 0
		if p.Full {
			p.S.Say("\n%s  %s", p.S.Strong(e.Check.Name), e.Check.About)
		} else if !p.begun {
			p.begun = true
			p.S.Say("")
		}
		p.about = e.Check.About
		p.live("%s, %s", p.check, p.elapsed(e.Time))
	case reports.CheckRetaken:
		p.S.Say("  %s failed; taken once more before that counts", e.Check.Name)
		p.live("%s, %s", p.check, p.elapsed(e.Time))
	case reports.ReadingTaken:
		switch {
		case e.Reading.Retake && !p.Full:
		case p.Full:
			p.Reading(*e.Reading)
		case broken(e.Reading.Verdict):
			p.broken = append(p.broken, *e.Reading)
		case e.Reading.Verdict == reports.Pass:
			p.kept++
		}
		p.live("%s, %s", p.check, p.elapsed(e.Time))
	case reports.NoteMade:
		p.S.Say("  note: %s", e.Text)
	case reports.PromptAsked:
		p.S.Now("")
		if p.Asked != nil {
			p.asking = true
			p.Asked <- struct{}{}
		}
	case reports.PromptDone:
		p.asking = false
		p.live("%s, %s", p.check, p.elapsed(e.Time))
	case reports.CheckEnded:
		if !p.Full {
			p.checkLine(e.Check.Problem != nil)
		}
		if e.Check.Problem != nil {
			p.S.Say("  %s %s", p.S.Strong("NOT FINISHED:"), english.Reason(e.Check.Problem))
			p.also("to do", english.Hint(e.Check.Problem))
		}
		if len(e.Check.Skipped) > 0 {
			p.S.Say("  %s", english.Skipped(e.Check.Skipped))
		}
	case reports.BenchFault:
		who := "bench:"
		if e.Fault.Reason.OfPlan() {
			who = "plan:"
		}
		p.S.Say("\n%s %s", p.S.Strong(who), english.Fault(*e.Fault))
		p.also("to do", english.Hint(&e.Fault.Reason))
		if e.Fault.AfterPlan {
			p.S.Say("      after the last reading: it changes nothing about this unit")
		}
	case reports.MadeSafe:
		if len(e.Unsafe) > 0 {
			p.S.Say("\n%s", notSafe(p.S, e.Unsafe))
		}
	case reports.RunEnded:
		p.S.Now("")
	}
}

// checkLine is a check that has ended, in one line, and what it broke.
func (p *Passage) checkLine(unfinished bool) {
	word := "kept"
	switch {
	case unfinished:
		word = p.S.Strong("not finished")
	case len(p.broken) > 0:
		word = p.S.Strong("NOT KEPT")
	case p.kept == 0:
		word = "no limit"
	}
	p.S.Say("%s  %s: %s", p.S.Strong(fmt.Sprintf("%-9s", p.check)), p.about, word)
	for _, r := range p.broken {
		p.Reading(r)
	}
}

// live sets the live line, unless the operator is typing.
func (p *Passage) live(format string, args ...any) {
	if !p.asking {
		p.S.Now(format, args...)
	}
}

func (p *Passage) Head(s reports.Start) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s, a %s", p.S.Strong(s.Unit.SerialNumber), s.Unit.Product)
	if s.Unit.Revision != "" {
		fmt.Fprintf(&b, " revision %s", s.Unit.Revision)
	}
	if s.Unit.Lot != "" {
		fmt.Fprintf(&b, " of lot %s", s.Unit.Lot)
	}
	fmt.Fprintf(&b, ", in nest %s of %s", s.Nest, s.Station)
	if s.Attempt > 1 {
		fmt.Fprintf(&b, "; retest %d", s.Attempt-1)
	}
	if s.Simulated {
		b.WriteString("; simulated, nothing here is a real unit")
	}
	return b.String()
}

func (p *Passage) elapsed(now time.Time) string {
	t := now.Sub(p.Started).Seconds()
	if p.CycleTime > 0 {
		return fmt.Sprintf("%.0f s of about %.0f", t, p.CycleTime)
	}
	return fmt.Sprintf("%.0f s", t)
}

func (p *Passage) Reading(r reports.Reading) {
	line := readingLine(r)
	if !broken(r.Verdict) {
		p.S.Say("  %s", line)
		return
	}
	p.S.Say("  %s", p.S.Strong(line))
	if !p.Ranked {
		p.also("likely cause", r.Cause)
		p.also("look first at", r.Inspect)
	}
}

// also adds a line below, if there is something to say.
func (p *Passage) also(label, text string) {
	if text != "" {
		p.S.Say("      %s: %s", label, text)
	}
}

// Finish says how the run ended, why, and what to do now.
func (p *Passage) Finish(r reports.Report, file string) {
	r, file = Plain(r), Line(file)
	bad := review.Broken(r)
	judged := 0
	for _, c := range r.Checks {
		for _, x := range c.Readings {
			if x.Verdict != reports.Unlimited {
				judged++
			}
		}
	}
	seconds := r.Ended.Sub(r.Started).Seconds()
	var b strings.Builder
	b.WriteString("\n")
	unit := r.Unit.SerialNumber
	switch {
	case p.Contradicts != nil:
		fmt.Fprintf(&b, "%s %s: %s\n", unit, p.S.Strong("NOT COUNTED"), Line(wording.English().Reason(p.Contradicts)))
		b.WriteString("  now: do not rely on this report; test the unit again\n")
	case r.Outcome == reports.Passed:
		fmt.Fprintf(&b, "%s %s: %s kept, in %.0f s\n", unit, p.S.Strong("PASSED"), wording.Count(judged, "limit"),
			seconds)
		b.WriteString("  now: hand it on\n")
	case r.Outcome == reports.Failed:
		fmt.Fprintf(&b, "%s %s: %d of %d limits not kept, in %.0f s\n", unit, p.S.Strong("FAILED"), len(bad), judged,
			seconds)
		for _, x := range bad {
			fmt.Fprintf(&b, "  %s\n", Brief(x))
		}
		p.causes(&b, r, bad)
	case r.Outcome == reports.Aborted:
		fmt.Fprintf(&b, "%s %s: %s\n", unit, p.S.Strong("ABORTED"), cmp.Or(wording.English().Reason(r.Reason),
			"stopped"))
		p.cutShort(&b, r, bad)
		p.now(&b, r, "nothing is known about the unit; run it again")
	default:
		fmt.Fprintf(&b, "%s %s: %s\n", unit, p.S.Strong("NOT TESTED, "+atFault(r)),
			cmp.Or(wording.English().Reason(r.Reason), FirstProblem(r)))
		p.cutShort(&b, r, bad)
		p.now(&b, r, "put the bench right, then run the unit again; it is neither good nor bad")
	}
	if r.Outcome != reports.Errored {
		for _, f := range r.Faults {
			fmt.Fprintf(&b, "  %s %s\n", p.S.Strong("the bench needs attention before the next unit:"),
				wording.English().Fault(f))
		}
	}
	if len(r.Unsafe) > 0 {
		fmt.Fprintf(&b, "%s\n", notSafe(p.S, r.Unsafe))
	}
	fmt.Fprintf(&b, "report: %s\n", file)
	p.S.Say("%s", b.String())
}

// cutShort says of a run that was cut short what it had broken by then.
func (p *Passage) cutShort(b *strings.Builder, r reports.Report, bad []reports.Reading) {
	if !r.WasCutShort() {
		return
	}
	fmt.Fprintf(b, "  %s: the unit counts as not passed\n", p.S.Strong("it had broken a limit before"))
	for _, x := range bad {
		if x.Verdict == reports.Fail || x.Verdict == reports.Inconclusive {
			fmt.Fprintf(b, "  %s\n", Brief(x))
		}
	}
}

// atFault says who is to blame for a run that tested nothing.
func atFault(r reports.Report) string {
	for _, f := range r.Faults {
		if !f.Reason.OfPlan() {
			return "THE BENCH IS AT FAULT"
		}
	}
	if len(r.Faults) > 0 && len(r.Unsafe) == 0 {
		return "THE PLAN IS AT FAULT"
	}
	return "THE BENCH IS AT FAULT"
}

// now says what to do: as the report says, else instead. Where something is not
// safe, that comes first and alone.
func (p *Passage) now(b *strings.Builder, r reports.Report, instead string) {
	if len(r.Unsafe) == 0 {
		fmt.Fprintf(b, "  now: %s\n", cmp.Or(wording.English().Hint(r.Reason), instead))
	}
}

// notSafe says what may happen at the fixture, what to do now, and what it is
// that did not become safe.
func notSafe(s *Screen, list []reports.Unsafe) string {
	text := s.Strong("NOT SAFE: " + wording.English().UnsafeWarning(list))
	for _, line := range wording.English().Unsafe(list) {
		text += "\n      " + line
	}
	return text
}

// causes lists the likely causes and what to do now. Where no rule explains a
// reading, the cause that its limit names is told.
func (p *Passage) causes(b *strings.Builder, r reports.Report, bad []reports.Reading) {
	english := wording.English()
	for i, c := range r.Causes {
		label := "likely cause"
		if i > 0 {
			label = "or"
			if !overlap(c.Explains, r.Causes[0].Explains) {
				label = "and"
			}
		}
		fmt.Fprintf(b, "  %s: %s (%s)\n", label, p.S.Strong(english.Cause(nil, c)), english.Likelihood(c))
		for _, e := range c.Evidence {
			text := english.Evidence(e)
			if e.Against {
				text = english.T("record.against", "evidence", text)
			}
			fmt.Fprintf(b, "      %s\n", text)
		}
		fmt.Fprintf(b, "      look first at: %s\n", c.Inspect)
	}
	b.WriteString("  now: put it aside for repair")
	if len(r.Causes) > 0 {
		bad = unexplained(r, bad)
	}
	if cause, inspect := Blame(bad); cause != "" || inspect != "" {
		fmt.Fprintf(b, "; %s", strings.Join(NonEmpty(wording.Prefixed(lead(bad, r), cause),
			wording.Prefixed("look first at ", inspect)), "; "))
	}
	b.WriteString("\n")
}

// lead names the reading whose limit's own cause follows, where other readings
// of the unit have ranked causes.
func lead(bad []reports.Reading, r reports.Report) string {
	if len(r.Causes) == 0 {
		return ""
	}
	for _, x := range bad {
		if x.Cause != "" || x.Inspect != "" {
			return "for " + x.Check + "." + x.Name + ": "
		}
	}
	return ""
}

func overlap(a, b []string) bool {
	return slices.ContainsFunc(a, func(s string) bool { return slices.Contains(b, s) })
}

// unexplained lists the readings that no ranked cause accounts for.
func unexplained(r reports.Report, bad []reports.Reading) []reports.Reading {
	return slices.DeleteFunc(slices.Clone(bad), func(x reports.Reading) bool {
		return slices.ContainsFunc(r.Causes, func(c reports.Cause) bool {
			return slices.Contains(c.Explains, x.Check+
				"."+x.Name)
		})
	})
}

// Brief is a reading that does not keep its limit, in one line.
func Brief(r reports.Reading) string {
	if r.Verdict == reports.Error {
		return r.Check + "." + r.Name + ": not measured" + wording.Prefixed(", ", wording.English().Reason(r.Problem))
	}
	return r.Check + "." + r.Name + ": " + wording.English().Miss(r)
}

// Blame is the first cause and the first place to look at that any of the
// readings names.
func Blame(list []reports.Reading) (cause, inspect string) {
	for _, r := range list {
		if r.Cause != "" || r.Inspect != "" {
			return r.Cause, r.Inspect
		}
	}
	return "", ""
}

// FirstProblem is why the first unfinished check did not finish.
func FirstProblem(r reports.Report) string {
	for _, c := range r.Checks {
		if c.Problem != nil {
			return c.Name + ": " + wording.English().Reason(c.Problem)
		}
	}
	for _, f := range r.Faults {
		return wording.English().Fault(f)
	}
	return "it could not measure"
}

func NonEmpty(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// Report shows a report as it was shown while it ran.
func (s *Screen) Report(r reports.Report, file string) {
	contradicts := r.Contradiction() // before its texts are made harmless
	r = Plain(r)
	p := &Passage{Full: true, Contradicts: contradicts, S: s, Started: r.Started, CycleTime: r.CycleTime,
		Ranked: len(r.Causes) > 0}
	p.S.Say("%s\n%s", p.Head(r.Start), r.Started.Local().Format("2006-01-02 15:04:05"))
	for _, c := range r.Checks {
		p.Tell(reports.Event{Kind: reports.CheckStarted, Time: c.Started, Check: &c})
		for _, x := range c.Readings {
			p.Reading(x)
		}
		for _, n := range c.Notes {
			p.Tell(reports.Event{Kind: reports.NoteMade, Text: n})
		}
		p.Tell(reports.Event{Kind: reports.CheckEnded, Check: &c})
	}
	for _, f := range r.Faults {
		p.Tell(reports.Event{Kind: reports.BenchFault, Fault: &f})
	}
	p.S.Now("")
	p.Finish(r, file)
}
