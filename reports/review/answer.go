package review

import "context"

// Answer is the answer to a question by its name.
func (r *Review) Answer(ctx context.Context, q Question) (any, error) {
	switch q.Name {
	case AskToday:
		return r.Today(ctx, q)
	case AskFails:
		return r.Fails(ctx, q)
	case AskDrift:
		return r.Drift(ctx, q)
	case AskHold:
		return r.Hold(ctx, q)
	case AskDiffers:
		return r.Differs(ctx, q)
	case AskUnit:
		return r.Unit(ctx, q)
	}
	return nil, problem(BadOption, "name", q.Name)
}
