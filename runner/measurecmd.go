package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports/statistics"
	"fullthrow/runner/input"
	"fullthrow/runner/offline"
)

// measureCommand measures files: one sub-command for each measurement.
func (a *app) measureCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "measure WHAT FILE...",
		Short: "Measure recordings and tables that lie in files, without a bench",
		Long: `Measure recordings and tables that lie in files, without a bench: what plans
measure, by the same names and with the same options.

Sound is WAV (also RF64, BW64, or written to a pipe without a length): integers
of 8 to 32 bits or floats. Everything else is a table: text of one row per line,
whose first row names each column and its unit. Exports of instruments are read
as they are: settings before the table, a row of units, UTF-16; what was found is
said, and --unit says what the file does not. The raw data that a station keeps beside its reports (attachments/) can
be measured again.

  samples    time / s, current / A
  frames     time / s, channel1 / us, lost       or time / s, lost alone
  path       start / s, end / s, axis, from, to
  points     commanded / %, output / us, direction
  releases   release, from, time / s, channel1 / us
` + offline.Columns() + `  values     one column, as latency / ms; "-" is a trial without answer
  groups     group, value / A
  pairs      the first two columns of numbers

Commas, semicolons or tabs separate columns; beside semicolons and tabs the
decimal sign may be the comma. Lines that begin with # before the first row are
remarks; some mean something: "# rate: 10 kHz", "# length: 8 s", "# period:
7 ms", "# start: 0 s", "# decimal: comma". Numbers of options and arguments may
carry a unit: 60mA, "2.4 GHz".`,
		Example: `  fullthrow measure tone recording.wav
  fullthrow measure travel sweep.csv --plot sweep.svg
  fullthrow measure latency times.csv --json`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			var names []string
			for _, m := range offline.List() {
				names = append(names, m.Word())
			}
			return input.Usage("measure: there is no measurement %q", args[0]).Hint(input.Meant(args[0], names)).Hint(
				"fullthrow help measure lists them")
		},
	}
	for _, m := range offline.List() {
		c.AddCommand(a.measureOne(m))
	}
	return c
}

func (a *app) measureOne(m offline.Measurement) *cobra.Command {
	var asJSON bool
	var plot, fullScale string
	var columns, units []string
	use := strings.TrimSpace(m.Word() + " " + m.Takes())
	about := strings.ToUpper(m.Help[:1]) + m.Help[1:]
	long := about + ".\n\nFiles are as fullthrow help measure says."
	if gives := m.Gives(); len(gives) > 0 {
		width := 0
		for _, g := range gives {
			width = max(width, len(g.Name))
		}
		long += "\n\nIt gives:"
		for _, g := range gives {
			long += strings.TrimRight(fmt.Sprintf("\n  %-*s  %s", width, g.Name, g.Help), " ")
		}
	}
	c := &cobra.Command{Use: use, Short: about, Long: long}
	typed := map[string]*string{}
	truths := map[string]*bool{}
	for _, f := range m.Flags() {
		if f.Kind == "" {
			truths[f.Name] = c.Flags().Bool(f.Name, false, f.Help)
			continue
		}
		typed[f.Name] = new(string)
		c.Flags().Var(quantityFlag{typed[f.Name], f.Kind}, f.Name, f.Help)
	}
	if m.Sampled() {
		c.Flags().StringSliceVar(&columns, "column", nil, "take the column `NAME` of a table with several; a list "+
			"for several files")
		c.Flags().StringVar(&fullScale, "full-scale", "", "a sample of 1 stands for `X`, as 20Pa; default: a "+
			"fraction of full scale")
	}
	if m.Reads() {
		c.Flags().StringArrayVar(&units, "unit", nil, "`NAME=UNIT` of a column that has none in the file, as TIME=s; "+
			"may be given several times")
	}
	c.Flags().BoolVar(&asJSON, "json", false, "write the result as JSON, in SI units without prefix")
	if m.Draws() {
		c.Flags().StringVar(&plot, "plot", "",
			"draw what was measured, with what was found marked, into `FILE`, an SVG")
	}
	c.RunE = func(_ *cobra.Command, args []string) error {
		s := offline.Settings{Arguments: args, Options: map[string]string{}, Columns: columns, Units: units,
			FullScale: fullScale}
		for name, text := range typed {
			if c.Flags().Changed(name) {
				s.Options[name] = *text
			}
		}
		for name, on := range truths {
			if c.Flags().Changed(name) {
				s.Options[name] = fmt.Sprint(*on)
			}
		}
		return a.measure(m, s, asJSON, plot)
	}
	return c
}

// quantityFlag is text whose kind, for help, is a unit.
type quantityFlag struct {
	text *string
	unit string
}

func (q quantityFlag) String() string     { return "" }
func (q quantityFlag) Set(s string) error { *q.text = s; return nil }
func (q quantityFlag) Type() string       { return q.unit }

func (a *app) measure(m offline.Measurement, s offline.Settings, asJSON bool, plot string) error {
	if plot != "" { // find out before the work, not after it
		if info, err := os.Stat(filepath.Dir(plot)); err != nil || !info.IsDir() {
			return input.Usage("--plot %s: there is no such folder to write it into", plot)
		}
	}
	taken, err := offline.Run(m, s)
	if err != nil {
		return measureFailed(m, s, err)
	}
	if plot != "" {
		f, err := os.Create(plot)
		if err != nil {
			return input.Usage("--plot: %w", err)
		}
		err = taken.WriteSVG(f)
		if e := f.Close(); err == nil {
			err = e
		}
		if err != nil {
			os.Remove(plot)
			return measureFailed(m, s, err)
		}
	}
	if asJSON {
		return taken.WriteJSON(a.out)
	}
	return taken.WriteText(a.out)
}

// measureFailed says whose mistake an error is: always that of the command
// line or a file, there is nothing else.
func measureFailed(m offline.Measurement, s offline.Settings, err error) error {
	var wrong *input.Error
	var used *offline.UsageError
	switch {
	case errors.As(err, &wrong):
		return err
	case errors.As(err, &used):
		hint := used.Hint
		if hint == "" {
			hint = "fullthrow help measure " + m.Word()
		}
		return input.Usage("%w", err).Hint(hint)
	case errors.Is(err, os.ErrNotExist):
		var path *os.PathError
		if errors.As(err, &path) {
			return input.Usage("%s: no such file", path.Path)
		}
	}
	text := strings.TrimPrefix(err.Error(), "measure: ")
	f := input.Usage("%s: %s", strings.Join(s.Arguments, ", "), text)
	if e := (*statistics.ConfidenceError)(nil); errors.As(err, &e) {
		f = f.Hint(e.Hint())
	}
	return f.Hint("fullthrow help measure " + m.Word())
}
