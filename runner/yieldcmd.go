package main

import (
	"context"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
)

// yieldSchema names the layout of the JSON.
const yieldSchema = "fullthrow-yield/2"

// yieldAnswer is what `yield --json` writes.
type yieldAnswer struct {
	Schema  string            `json:"schema"`
	About   about             `json:"about"`
	Summary yield.Summary     `json:"summary"`
	Rolled  yield.RolledYield `json:"rolled"`
	By      store.By          `json:"by"` // what Trend is grouped by
	Trend   yield.TrendResult `json:"trend"`
	Cycle   yield.CycleTime   `json:"cycle"`
	Times   yield.Histogram   `json:"times"`
	Lost    yield.LostTime    `json:"lost"`
	Target  *yield.Target     `json:"target,omitempty"`
}

type yieldOptions struct {
	by, target, takt string
	firstRuns        bool
}

func (a *app) yieldCommand() *cobra.Command {
	q, o := a.question("yield"), yieldOptions{}
	c := &cobra.Command{
		Use:   "yield",
		Short: "How many units pass at their first run, how sure that is, and where time goes",
		Long: `How many units pass at their first run, how sure that is, and where time goes.

A unit counts once, by its first run that ended as passed or failed; golden
units, and reports that are not as they were sealed, count nowhere. Each figure
comes with the interval in which the true value can be expected: of 10 units, 9
passed is not 90 %.`,
		Example: `  fullthrow yield --since 7d --by shift
  fullthrow yield --lot 24A --target 95
  fullthrow yield --by station --plant postgres://reader@plant/fullthrow`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return q.ask(cmd.Context(), func(ctx context.Context) error { return q.yield(ctx, o) })
		},
	}
	c.Flags().StringVar(&o.by, "by", "", "show the yield by `WHAT`: "+strings.Join(groupings(), ", "))
	c.Flags().BoolVar(&o.firstRuns, "first-runs", false, "only what first runs say: nothing of retests")
	c.Flags().StringVar(&o.target, "target", "", "compare with this first-pass yield, in `%`")
	c.Flags().StringVar(&o.takt, "takt", "", "compare cycle times with `SECONDS`; default: the plan's takt")
	q.flags(c)
	return c
}

func (q *question) yield(ctx context.Context, o yieldOptions) error {
	answer := yieldAnswer{Schema: yieldSchema}
	target := math.NaN()
	var err error
	var by store.By
	if o.by != "" {
		if by, err = grouping(o.by); err != nil {
			return err
		}
	}
	if o.target != "" {
		if target, err = percentFlag("target", o.target); err != nil {
			return err
		}
	}
	takt, err := taktFlag(o.takt)
	if err != nil {
		return err
	}

	if answer.About, err = q.about(ctx); err != nil {
		return err
	}
	counts, err := q.store.Counts(ctx, q.sel)
	if err != nil {
		return err
	}
	checks, err := q.store.Checks(ctx, q.sel)
	if err != nil {
		return err
	}
	if answer.Times, err = q.store.Cycle(ctx, q.sel); err != nil {
		return err
	}
	groups, by, err := q.groups(ctx, by)
	if err != nil {
		return err
	}
	answer.Summary = yield.Summarise(counts, q.level)
	answer.Rolled = yield.Rolled(checks, counts.Units, q.level)
	answer.By, answer.Trend = by, yield.Trend(groups, yield.TrendOptions{Confidence: q.level})
	answer.Cycle = yield.Cycle(answer.Times, yield.CycleOptions{Confidence: q.level, Takt: takt})
	answer.Lost = yield.Lost(counts, answer.Cycle, q.level)
	if !math.IsNaN(target) && counts.Units > 0 {
		t := answer.Summary.FirstPass.Against(target)
		answer.Target = &t
	}
	if q.asJSON {
		return q.json(answer)
	}
	return q.tellYield(ctx, &answer, o)
}

// taktFlag reads "45", "45 s" or "1m10s" as seconds; "" is 0.
func taktFlag(text string) (float64, error) {
	if text == "" {
		return 0, nil
	}
	word := strings.ReplaceAll(text, " ", "")
	if x, err := strconv.ParseFloat(strings.TrimSuffix(word, "s"), 64); err == nil && x > 0 && x < 1e6 {
		return x, nil
	}
	if d, err := time.ParseDuration(word); err == nil && d > 0 {
		return d.Seconds(), nil
	}
	return 0, input.Usage("--takt %q is no time", text).Hint("write seconds: 45")
}
