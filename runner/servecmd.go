package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"

	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/records"
	"fullthrow/runner/serve"

	"github.com/spf13/cobra"
)

func (a *app) serveCommand() *cobra.Command {
	o := serve.Options{History: true}
	c := &cobra.Command{
		Use:   "serve --bench FILE",
		Short: "Run the station, with its pages in a browser",
		Long: `Run the station, with its pages in a browser: the operator's at the fixture,
and those that say what was made. Everything is in this program; nothing is
fetched from anywhere else.

--bench demo runs a simulated station of an invented plant, in real time, with
three weeks of history: no hardware, invented data.

Pages are answered on this computer only, unless --listen says otherwise; there
is no password, so listen to a network only where everybody may run units. They
are answered under localhost, this computer's name and its addresses, and under
the names given by --host or in the bench file; under any other name, such as a
foreign page may have brought with it, they are not.
Ctrl-C makes every fixture safe and ends it.`,
		Example: "  fullthrow serve --bench demo\n  fullthrow serve --bench lq-1.toml --listen 192.168.7.20:8080",
		Args:    takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.From.Bench == "" {
				return input.Usage("serve: --bench FILE is missing").Hint("--bench demo serves a simulated station, " +
					"to try")
			}
			return a.serve(cmd.Context(), o)
		},
	}
	sourceFlags(c, &o.From)
	serveFlags(c, &o)
	c.Flags().StringVar(&o.Plant, "plant", "", "send every report to the plant's database at `DSN`; default: "+
		records.PlantVariable+" if it is set")
	c.Flags().BoolVar(&o.History, "history", o.History, "begin a simulated station with three weeks of history")
	a.dataFlag(c, "~/.local/state/fullthrow; with --bench demo a new temporary folder")
	return c
}

// flags are those that serve and demo --serve share.
func serveFlags(c *cobra.Command, o *serve.Options) {
	o.Listen, o.Log, o.Pace = "127.0.0.1:8080", "text", 1
	c.Flags().StringVar(&o.Listen, "listen", o.Listen, "answer at `ADDRESS`, a host and a port")
	c.Flags().StringArrayVar(&o.Hosts, "host", nil, "answer under the `NAME` too, beside this computer's own; may be "+
		"given again")
	c.Flags().StringVar(&o.Log, "log", o.Log, "log as `FORMAT`: text, json or none")
	c.Flags().Float64Var(&o.Pace, "pace", o.Pace, "let a simulated station's time go `N` times as fast")
}

// logger writes to the program's error stream, and waits for nobody to read it.
func (e *ending) logger(format string) *slog.Logger {
	to := func(w io.Writer) slog.Handler {
		if format == "json" {
			return slog.NewJSONHandler(w, nil)
		}
		return slog.NewTextHandler(w, nil)
	}
	if format == "none" {
		return slog.New(slog.DiscardHandler)
	}
	e.log = newBacklog(e.app.Errs, func(lost int) []byte {
		var b bytes.Buffer
		slog.New(to(&b)).Warn("lines of this log were lost: nobody read it", "lines", lost)
		return b.Bytes()
	})
	return slog.New(to(e.log))
}

func (a *app) serve(ctx context.Context, o serve.Options) (err error) {
	if err := o.Check(); err != nil {
		return err
	}
	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	log := e.logger(o.Log)
	s := &serve.Station{O: o, Place: &a.Place, Out: a.out, Log: log, Hold: e.hold, Exhausted: e.exhausted,
		Guard: func(ctx context.Context, b *bench.File, nests []int) (serve.Guardian, error) {
			return e.guard(ctx, b, nests, func(text string) { log.Warn("guardian", "text", text) })
		}}
	return s.Run(ctx)
}
