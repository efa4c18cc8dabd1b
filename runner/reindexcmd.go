package main

import (
	"context"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/records"
	"fullthrow/runner/terminal"
)

const reindexSchema = "fullthrow-reindex/1"

// reindexAnswer is what `reindex --json` writes.
type reindexAnswer struct {
	Schema     string       `json:"schema"`
	Where      string       `json:"where"`
	Reports    int          `json:"reports"`
	Repairs    int          `json:"repairs"`
	NotCounted []store.Flag `json:"not_counted"`
	Seconds    float64      `json:"seconds"`
}

func (a *app) reindexCommand() *cobra.Command {
	q := a.question("reindex")
	c := &cobra.Command{
		Use:   "reindex",
		Short: "Make the index of the records again, from the reports",
		Long: `Make the index of the records again, from the reports.

The index answers the questions about many runs. It is made of the sealed
reports and kept up to date by itself, so this is needed only where it does not
seem to fit them. Nothing is lost by it, and the station may test meanwhile.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error { return q.reindex(cmd.Context()) },
	}
	c.Flags().StringVar(&a.Data, "data", "", "of the records in `DIR`; default: ~/.local/state/fullthrow")
	c.Flags().BoolVar(&q.asJSON, "json", false, "write what was found as JSON")
	return c
}

func (q *question) reindex(ctx context.Context) error {
	a := q.app
	q.Out = terminal.NewScreen(a.out)
	dir, err := a.RecordsDir()
	if err != nil {
		return err
	}
	q.Review = &review.Review{Where: dir}
	began := time.Now()
	ix, err := a.OpenIndex(ctx, dir, true)
	if err != nil {
		return err
	}
	defer ix.Close()
	live := terminal.NewScreen(a.Errs)
	r, err := ix.Rebuild(ctx, records.Progress(live, "reading reports"))
	live.Now("")
	if err != nil {
		return err
	}
	flags, err := ix.Flags(ctx, store.Selection{})
	if err != nil {
		return err
	}
	took := time.Since(began).Seconds()
	if q.asJSON {
		return q.app.writeJSON(reindexAnswer{reindexSchema, dir, r.Files, r.Repairs, append([]store.Flag{}, flags...), took})
	}
	text := "The index was made again from " + wording.Count(r.Files, "report")
	if r.Repairs > 0 {
		text += " and " + wording.Count(r.Repairs, "repair")
	}
	q.Out.Tell(0, text+", in "+terminal.Figures(took)+" s.")
	q.NotCounted(review.About{NotCounted: flags})
	return nil
}
