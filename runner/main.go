package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"fullthrow/runner/crash"
	"fullthrow/runner/input"
	"fullthrow/runner/records"
	"fullthrow/runner/terminal"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"fullthrow/reports/review"
)

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// run is the program: it returns the exit code.
func run(args []string, in io.Reader, out, errs io.Writer) int {
	out, errs = terminal.Shown(out), terminal.Shown(errs)
	a := &app{in: in, out: out, Place: records.Place{Errs: errs}}
	root := a.root(args)
	root.SetArgs(args)
	if err := root.ExecuteContext(context.Background()); err != nil {
		return lastWords(errs, err)
	}
	return input.ExitPassed
}

// lastWords complains of what ended the program, as far as somebody reads it
// within two seconds: a full pipe must not keep the program, and with it its
// caller, for ever.
func lastWords(w io.Writer, err error) int {
	var text bytes.Buffer
	code := complain(&text, err)
	said := make(chan struct{})
	go func() {
		defer crash.Guard()
		defer close(said)
		text.WriteTo(w)
	}()
	select {
	case <-said:
	case <-time.After(2 * time.Second):
	}
	return code
}

// app is what every command shares: the three streams and the flags that
// several commands have.
type app struct {
	records.Place
	in     io.Reader
	out    io.Writer
	ending *ending // while a bench is open: see [app.begin]
}

func (a *app) root(args []string) *cobra.Command {
	cobra.EnableCommandSorting = false
	root := &cobra.Command{
		Use:   "fullthrow",
		Short: "Test hand-held radio-control transmitters on the production line",
		Long: `Fullthrow tests hand-held radio-control transmitters on the production line.

A plan drives the fixture, a limits file judges what was read, and each run
leaves one sealed report per serial number. Begin with: fullthrow demo`,
		SilenceUsage: true, SilenceErrors: true,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cmd.Help()
			}
			return unknownCommand(cmd, args[0])
		},
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
	}
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.Errs)
	root.SetFlagErrorFunc(flagError)
	root.SetHelpCommand(&cobra.Command{
		Use: "help [COMMAND]", Short: "Explain a command", Hidden: true,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 && args[0] == modelsTopic {
				return a.helpModels()
			}
			c, rest, err := cmd.Root().Find(args)
			if err != nil || len(rest) > 0 {
				return unknownCommand(cmd.Root(), args[0])
			}
			return c.Help()
		},
	})
	root.SetUsageTemplate(usageTemplate)
	root.SetHelpTemplate(helpTemplate + "{{if not .HasParent}}\nExit codes:\n" + exitTable() + "{{end}}")
	root.AddCommand(a.commands(args)...)
	return root
}

const helpTemplate = `{{with or .Long .Short}}{{. | trimTrailingWhitespaces}}

{{end}}{{.UsageString}}`

const usageTemplate = `Usage:
  {{if .HasParent}}{{.UseLine}}{{else}}fullthrow COMMAND [arguments]{{end}}
{{if .HasExample}}
{{.Example}}
{{end}}{{if .HasAvailableSubCommands}}
Commands:{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}}  {{.Short}}{{end}}{{end}}

More about one: fullthrow help {{if .HasParent}}{{.Name}} {{end}}COMMAND
{{end}}{{if and .HasParent .HasAvailableLocalFlags}}
Flags:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}
{{end}}`

// newNames are what commands of old are called now.
var newNames = map[string]string{
	"yield": review.AskToday, "pareto": review.AskFails, "chart": review.AskDrift, "capability": review.AskHold,
	"compare": review.AskDiffers,
	"history": review.AskUnit,
}

func unknownCommand(root *cobra.Command, word string) error {
	if now := newNames[word]; now != "" {
		return input.Usage("there is no command %q", word).Hint(`did you mean "` + now + `"?`)
	}
	var names []string
	for _, c := range root.Commands() {
		if !c.Hidden {
			names = append(names, c.Name())
		}
	}
	return input.Usage("there is no command %q", word).Hint(input.Meant(word, names))
}

// flagError makes a flag's error ours, with the flag that was perhaps meant.
func flagError(cmd *cobra.Command, err error) error {
	if !cmd.HasParent() && cmd.Flags().NArg() > 0 {
		return unknownCommand(cmd, cmd.Flags().Arg(0))
	}
	f := input.Usage("%s: %w", cmd.Name(), err)
	word, ok := strings.CutPrefix(err.Error(), "unknown flag: --")
	if !ok {
		return f.Hint("fullthrow help " + strings.TrimPrefix(cmd.CommandPath(), "fullthrow "))
	}
	var names []string
	cmd.Flags().VisitAll(func(fl *pflag.Flag) { names = append(names, fl.Name) })
	slices.Sort(names)
	if n := input.Near(word, names); n != "" {
		return f.Hint("did you mean --" + n + "?")
	}
	return f.Hint("fullthrow help " + strings.TrimPrefix(cmd.CommandPath(), "fullthrow "))
}

// takes is an argument rule that says what is missing or too much.
func takes(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) < len(names):
			return input.Usage("%s: %s is missing", cmd.Name(), names[len(args)]).Hint("fullthrow help " + cmd.Name())
		case len(args) > len(names):
			return input.Usage("%s: %q is one argument too many", cmd.Name(), args[len(names)]).Hint("fullthrow help " +
				cmd.Name())
		}
		return nil
	}
}

func (a *app) dataFlag(c *cobra.Command, about string) {
	c.Flags().StringVar(&a.Data, "data", "", "keep the records in `DIR`; default: "+about)
}

// upTo is an argument rule for arguments that may be left out.
func upTo(most int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) > most {
			return input.Usage("%s: %q is one argument too many", cmd.Name(), args[most]).Hint("fullthrow help " +
				cmd.Name())
		}
		return nil
	}
}
