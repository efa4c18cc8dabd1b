package reports

import "slices"

// Contradiction says what a report says of itself that cannot be, however well
// it is sealed: nil where it agrees. It judges again with what the report holds,
// and knows nothing else:
//
//   - a reading's verdict is that of its own limit and value; one without a limit
//     has none, and an error has a problem;
//   - a check is at least as bad as its readings, and an error has a problem;
//   - the outcome is at least as bad as checks, faults and devices left unsafe,
//     by the rule of [Fold]. Passed has no reason; what failed has a reading or
//     check that did and was not stopped; aborted has a stop or a record cut short
//     as its reason, and error another than all of these;
//   - there are at least as many events as things in it that came by one.
//
// Who has the station's key and changes all of it alike is not found.
func (r *Report) Contradiction() *Reason {
	things := int64(1) // RunStarted
	for i := range r.Checks {
		c := &r.Checks[i]
		for k := range c.Readings {
			if rd := &c.Readings[k]; rd.contradicts() || rd.Check != c.Name {
				return &Reason{Code: ReadingContradicts, Check: c.Name, Readings: []string{rd.Name},
					Text: Brief(string(rd.Verdict), 40)}
			}
		}
		if c.Verdict.rank() < c.judge().rank() || !known(c.Verdict) || c.Verdict == Error && c.judge() != Error &&
			c.Problem == nil {
			return &Reason{Code: CheckContradicts, Check: c.Name, Text: Brief(string(c.Verdict), 40)}
		}
		things += int64(len(c.Readings) + len(c.Notes))
	}
	things += int64(len(r.Captures) + len(r.Notes))
	if least, _ := r.implied(); !r.outcomeFits(least) {
		return &Reason{Code: OutcomeContradicts, Text: Brief(string(r.Outcome), 40)}
	}
	if r.Events < things {
		return &Reason{Code: EventsContradict, Count: int(min(max(r.Events, 0), 1<<30))}
	}
	return nil
}

func known(v Verdict) bool {
	return slices.Contains([]Verdict{Pass, Unlimited, Inconclusive, Fail, Error}, v)
}

func (rd *Reading) contradicts() bool {
	switch rd.Verdict {
	case Unlimited:
		return rd.Limit != nil
	case Error:
		return rd.Problem == nil
	case Pass, Fail, Inconclusive:
		if rd.Limit == nil {
			return true
		}
		verdict, _ := rd.Limit.Judge(rd.Value, rd.Bound)
		return verdict != rd.Verdict
	}
	return true
}

// outcomeFits says whether the outcome may stand where the rest of the report
// implies at least this one.
func (r *Report) outcomeFits(least Outcome) bool {
	if r.Outcome.rank() < least.rank() {
		return false
	}
	code := Code("")
	if r.Reason != nil {
		code = r.Reason.Code
	}
	stopped := r.Reason.CutShort()
	switch code {
	case StoppedByHand, StoppedByStation, StoppedBySignal, Stopped, GuardOpen, GuardOpened:
		stopped = true
	}
	missed := code == Missed || code == CheckFailed
	switch r.Outcome {
	case Passed:
		return code == ""
	case Failed:
		return missed || least == Failed && !stopped
	case Errored:
		return code != "" && !missed && !stopped
	case Aborted: // before it began, a nest may also be out of service
		return stopped || code == OutOfService || code == MemoryLost
	}
	return false
}
