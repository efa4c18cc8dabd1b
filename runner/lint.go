package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/lint"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
)

// lintCommand compares plan, limits and bench files with each other, without
// hardware.
func (a *app) lintCommand() *cobra.Command {
	var from product.Sources
	c := &cobra.Command{
		Use:   "lint [--product DIR] [--bench FILE]",
		Short: "Check plan, limits, causes and bench files against each other, without hardware",
		Long: `Check plan, limits, causes and bench files against each other, without hardware.

Without --bench, every bench*.toml of the product's folder is checked; without
--product, the stock folder. Where a bench is a simulated one the plan is also
run once on it, with a good unit. Each problem is one line, FILE:LINE: and
what is wrong; below it stands what to do. Files of models, that of the bench's
folder and those of the plant, are checked too: see fullthrow help models.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.lint(cmd.Context(), from) },
	}
	sourceFlags(c, &from)
	return c
}

func (a *app) lint(ctx context.Context, from product.Sources) error {
	var problems []input.Problem
	keep := func(err error) error {
		list, ok := input.Problems(err)
		if err != nil && !ok {
			return err
		}
		problems = append(problems, list...)
		return nil
	}
	benches, err := lint.Benches(from, keep)
	if err != nil {
		return err
	}
	name := product.Stock
	if len(benches) > 0 {
		name = benches[0].Product
	}
	m, err := from.Load(name)
	if keep(err) != nil {
		return err
	}
	var notes []input.Problem
	if err == nil {
		var played *[]script.Reading // of one run, where a bench is a simulated one
		var asked []string
		for _, b := range benches {
			found, err := lint.Devices(ctx, m, b)
			if keep(err) != nil {
				return err
			}
			problems = append(problems, found...)
			if played != nil || len(found) > 0 || err != nil || !b.Simulated(0) {
				continue
			}
			taken, questions, found, complete, err := lint.RunOnce(ctx, m, b, 0)
			if keep(err) != nil {
				return err
			}
			problems = append(problems, found...)
			if complete {
				played, asked = &taken, questions
			}
		}
		var found []input.Problem
		found, notes = lint.Readings(m, played)
		problems = append(problems, found...)
		for _, b := range benches {
			notes = append(notes, b.Cautions()...)
		}
		home, err := from.Folder(name)
		if err != nil {
			return err
		}
		problems = append(problems, lint.Pictures(m, home)...)
		if from.Plan == "" && from.Limits == "" { // the causes belong to the product's own
			problems = append(problems, lint.Causes(m, played)...)
			found, untranslated := lint.Texts(m, home, asked)
			problems, notes = append(problems, found...), append(notes, untranslated...)
		}
	}
	problems = input.InOrder(problems)
	for _, p := range problems {
		printProblem(a.out, p)
	}
	for _, n := range notes {
		n.Text = "note: " + n.Text
		printProblem(a.out, n)
	}
	if len(problems) > 0 {
		return &input.Failure{Code: input.ExitInput, Err: errors.New(wording.Count(len(problems), "problem"))}
	}
	rules := ""
	if m.Causes != nil {
		rules = wording.Count(len(m.Causes.Names()), "cause") + ", "
	}
	fmt.Fprintf(a.out, "no problem: %s, %s, %s%s\n", wording.Count(len(m.Plan.Checks), "check"),
		wording.Count(len(m.Limits.Names()), "limit"), rules, wording.Count(len(benches), "bench file"))
	return nil
}
