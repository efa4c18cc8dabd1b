package main

import (
	"encoding/json"
	"maps"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/selfcheck"
)

// selfcheckCommand shows that the numbers are right on this computer.
func (a *app) selfcheckCommand() *cobra.Command {
	var o selfcheckOptions
	c := &cobra.Command{
		Use: "selfcheck", Short: "Re-compute published values and compare: are the numbers right on this computer?",
		Long: `Re-computes published values on this computer, with the functions that judge
units, and compares. Exit code 1 if a value is further off than is allowed.

What a value is worth as evidence is said with it: published (seen in print or
in a transcription), re-computed (with other software, from the source's
formula), common practice (no standard), from memory (print not opened again).`,
		Args: takes(),
		RunE: func(*cobra.Command, []string) error {
			calls, err := selfcheck.Catalogue()
			if err != nil {
				return err
			}
			return a.selfcheck(calls, o)
		},
	}
	c.Flags().StringVar(&o.area, "area", "", "only `AREA`: "+strings.Join(selfcheck.Areas(), ", "))
	c.Flags().BoolVar(&o.sources, "sources", false, "say below each value where it is from and how it was computed")
	c.Flags().BoolVar(&o.json, "json", false, "write everything as JSON")
	return c
}

// selfcheckSchema names the layout of the JSON.
const selfcheckSchema = "fullthrow-selfcheck/1"

type selfcheckOptions struct {
	area          string
	sources, json bool
}

func (a *app) selfcheck(calls []selfcheck.Call, o selfcheckOptions) error {
	if o.area != "" {
		if !slices.Contains(selfcheck.Areas(), o.area) {
			return input.Usage("selfcheck: there is no area %q", o.area).Hint(input.Meant(o.area, selfcheck.Areas()))
		}
		calls = slices.DeleteFunc(slices.Clone(calls), func(c selfcheck.Call) bool { return c.Area != o.area })
	}
	functions := selfcheck.Functions()
	maps.Copy(functions, bench.SelfcheckFunctions())
	r := selfcheck.Report{
		Schema: selfcheckSchema, Software: bench.Software(), Go: runtime.Version(), System: runtime.GOOS + "/" +
			runtime.GOARCH,
		Provenance: map[string]int{}, Results: selfcheck.Run(calls, functions),
	}
	for _, v := range r.Results {
		r.Values++
		r.Provenance[v.Provenance]++
		if v.Within {
			r.Within++
		}
	}
	r.Missed = r.Values - r.Within
	if o.json {
		e := json.NewEncoder(a.out)
		e.SetIndent("", "  ")
		if err := e.Encode(r); err != nil {
			return err
		}
	} else {
		r.Tell(a.out, o.sources)
	}
	// Nothing compared is nothing shown to be right.
	if r.Missed > 0 || r.Values == 0 {
		return quiet(input.ExitFailed)
	}
	return nil
}
